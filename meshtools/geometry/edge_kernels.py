"""The loop that counts faces at edges. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

FEW = 32  # half-edges with one lower end that are compared each with each; more are sorted
MOST = 255  # faces that are counted at an edge


@compiled
def _by_lower_end(faces: Any, n_vertices: int) -> Any:
    """Half-edges (3 m,), numbered 3 * face + corner, in the order of their lower end, and where those of each vertex start."""
    starts = np.zeros(n_vertices + 1, np.int64)
    for t in range(len(faces)):
        for k in range(3):
            starts[min(faces[t, k], faces[t, k + 1 if k < 2 else 0]) + 1] += 1
    for v in range(n_vertices):
        starts[v + 1] += starts[v]
    place, half_edges = starts[:-1].copy(), np.empty(3 * len(faces), np.int32)
    for t in range(len(faces)):
        for k in range(3):
            low = min(faces[t, k], faces[t, k + 1 if k < 2 else 0])
            half_edges[place[low]] = 3 * t + k
            place[low] += 1
    return half_edges, starts


@compiled
def faces_at_edges(faces: Any, n_vertices: int) -> Any:
    """Of each half-edge (3 m,) the number of half-edges, itself included, that run along its edge as it does, and of those that run against it.

    Both uint8, at most MOST. The half-edge from corner k of face t has the number 3 t + k.
    """
    along, against = np.zeros(3 * len(faces), np.uint8), np.zeros(3 * len(faces), np.uint8)
    half_edges, starts = _by_lower_end(faces, n_vertices)
    few = np.empty(FEW, np.int64)
    for v in range(n_vertices):
        own = half_edges[starts[v] : starts[v + 1]]
        n = len(own)
        code = few if n <= FEW else np.empty(n, np.int64)  # of the other end, and the way it runs
        for i in range(n):
            t, k = own[i] // 3, own[i] % 3
            start, end = faces[t, k], faces[t, k + 1 if k < 2 else 0]
            code[i] = 2 * max(start, end) + (start > end)
        if n <= FEW:
            for i in range(n):
                n_along, n_against = 0, 0
                for j in range(n):
                    n_along += code[j] == code[i]
                    n_against += code[j] == code[i] ^ 1
                along[own[i]], against[own[i]] = n_along, n_against
            continue
        order = np.argsort(code)
        first = 0
        while first < n:
            last = first
            while last < n and code[order[last]] >> 1 == code[order[first]] >> 1:
                last += 1
            n_back = 0
            for i in range(first, last):
                n_back += code[order[i]] & 1
            for i in range(first, last):
                is_back = code[order[i]] & 1
                n_same = n_back if is_back else last - first - n_back
                along[own[order[i]]] = min(n_same, MOST)
                against[own[order[i]]] = min(last - first - n_same, MOST)
            first = last
    return along, against


@compiled
def edge_totals(along: Any, against: Any) -> Any:
    """From `faces_at_edges`: edges with one face, with more than two, and with two that run along them in the same direction."""
    sizes, n_same = np.zeros(2 * MOST + 1, np.int64), 0
    for i in range(len(along)):
        sizes[int(along[i]) + int(against[i])] += 1
        n_same += along[i] == 2 and against[i] == 0
    n_crowded = 0
    for size in range(3, len(sizes)):
        n_crowded += sizes[size] // size
    return sizes[1], n_crowded, n_same // 2


@compiled
def hanging_faces(along: Any, against: Any) -> Any:
    """(m,) from `faces_at_edges`: faces with one edge of more than two faces whose other two edges are free."""
    m = len(along) // 3
    is_hanging = np.zeros(m, np.bool_)
    for t in range(m):
        n_crowded, n_free = 0, 0
        for h in range(3 * t, 3 * t + 3):
            n_crowded += int(along[h]) + int(against[h]) > 2
            n_free += along[h] == 1 and against[h] == 0
        is_hanging[t] = n_crowded == 1 and n_free == 2
    return is_hanging
