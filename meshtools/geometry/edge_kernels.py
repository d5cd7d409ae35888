"""Loops over the faces at edges. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

FEW = 32  # half-edges with one lower end that are compared each with each; more are sorted
MOST = 255  # faces that are counted at an edge


@compiled
def _by_lower_end(faces: Any, first: int, last: int) -> Any:
    """Half-edges (k,) whose lower end is from `first` to before `last`, numbered 3 * face + corner, in the order of that end; where those of each
    such vertex start; and their higher ends (k,)."""
    starts = np.zeros(last - first + 1, np.int64)
    for t in range(len(faces)):
        for k in range(3):
            low = min(faces[t, k], faces[t, k + 1 if k < 2 else 0])
            if first <= low < last:
                starts[low - first + 1] += 1
    for v in range(last - first):
        starts[v + 1] += starts[v]
    place, half_edges, highs = starts[:-1].copy(), np.empty(starts[-1], np.int32), np.empty(starts[-1], np.int32)
    for t in range(len(faces)):
        for k in range(3):
            start, end = faces[t, k], faces[t, k + 1 if k < 2 else 0]
            low = min(start, end)
            if first <= low < last:
                half_edges[place[low - first]], highs[place[low - first]] = 3 * t + k, max(start, end)
                place[low - first] += 1
    return half_edges, starts, highs


@compiled
def neighbours_at(faces: Any, first: int, last: int, across: Any) -> None:
    """Set across (m, 3), of -1 before, at the edges whose lower end is from `first` to before `last`: see `neighbours.face_neighbours`."""
    half_edges, starts, highs = _by_lower_end(faces, first, last)
    for v in range(last - first):
        for i in range(starts[v], starts[v + 1]):
            n_same, other = 0, -1
            for j in range(starts[v], starts[v + 1]):
                if highs[j] == highs[i] and j != i:
                    n_same += 1
                    other = half_edges[j]
            if n_same:
                across[half_edges[i] // 3, half_edges[i] % 3] = other // 3 if n_same == 1 else -2


@compiled
def faces_at(faces: Any, first: int, last: int, along: Any, against: Any) -> None:
    """Set along (3 m,) and against (3 m,) at the edges whose lower end is from `first` to before `last`: see `neighbours.half_edge_counts`."""
    half_edges, starts, highs = _by_lower_end(faces, first, last)
    few = np.empty(FEW, np.int64)
    for v in range(last - first):
        own, high = half_edges[starts[v] : starts[v + 1]], highs[starts[v] : starts[v + 1]]
        n = len(own)
        code = few if n <= FEW else np.empty(n, np.int64)  # of the other end, and the way it runs
        for i in range(n):
            code[i] = 2 * high[i] + (faces[own[i] // 3, own[i] % 3] == high[i])
        if n <= FEW:
            for i in range(n):
                n_along, n_against = 0, 0
                for j in range(n):
                    n_along += code[j] == code[i]
                    n_against += code[j] == code[i] ^ 1
                along[own[i]], against[own[i]] = n_along, n_against
            continue
        order = np.argsort(code)
        begin = 0
        while begin < n:
            stop = begin
            while stop < n and code[order[stop]] >> 1 == code[order[begin]] >> 1:
                stop += 1
            n_back = 0
            for i in range(begin, stop):
                n_back += code[order[i]] & 1
            for i in range(begin, stop):
                is_back = code[order[i]] & 1
                n_same = n_back if is_back else stop - begin - n_back
                along[own[order[i]]] = min(n_same, MOST)
                against[own[order[i]]] = min(stop - begin - n_same, MOST)
            begin = stop


@compiled
def edge_totals(along: Any, against: Any) -> Any:
    """From `half_edge_counts`: edges with one face, with more than two, and with two that run along them in the same direction."""
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
    """(m,) from `half_edge_counts`: faces with one edge of more than two faces whose other two edges are free."""
    m = len(along) // 3
    is_hanging = np.zeros(m, np.bool_)
    for t in range(m):
        n_crowded, n_free = 0, 0
        for h in range(3 * t, 3 * t + 3):
            n_crowded += int(along[h]) + int(against[h]) > 2
            n_free += along[h] == 1 and against[h] == 0
        is_hanging[t] = n_crowded == 1 and n_free == 2
    return is_hanging
