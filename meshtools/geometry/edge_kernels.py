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
    such vertex start; and their codes (k,): twice the higher end, and one more where they begin there."""
    starts = np.zeros(last - first + 1, np.int64)
    for t in range(len(faces)):
        a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
        for low in (min(a, b), min(b, c), min(c, a)):
            if first <= low < last:
                starts[low - first + 1] += 1
    for v in range(last - first):
        starts[v + 1] += starts[v]
    place, half_edges, codes = starts[:-1].copy(), np.empty(starts[-1], np.int32), np.empty(starts[-1], np.uint32)
    for t in range(len(faces)):
        for k in range(3):
            start, end = faces[t, k], faces[t, k + 1 if k < 2 else 0]
            low = min(start, end)
            if first <= low < last:
                i = place[low - first]
                half_edges[i], codes[i] = 3 * t + k, 2 * max(start, end) + (start > end)
                place[low - first] = i + 1
    return half_edges, starts, codes


@compiled
def neighbours_at(faces: Any, first: int, last: int, across: Any) -> None:
    """Set across (m, 3), of -1 before, at the edges whose lower end is from `first` to before `last`: see `neighbours.face_neighbours`."""
    half_edges, starts, codes = _by_lower_end(faces, first, last)
    for v in range(last - first):
        for i in range(starts[v], starts[v + 1]):
            n_same, other = 0, -1
            for j in range(starts[v], starts[v + 1]):
                if codes[j] >> 1 == codes[i] >> 1 and j != i:
                    n_same += 1
                    other = half_edges[j]
            if n_same:
                across[half_edges[i] // 3, half_edges[i] % 3] = other // 3 if n_same == 1 else -2


@compiled
def faces_at(faces: Any, first: int, last: int, along: Any, against: Any) -> None:
    """Set along (3 m,) and against (3 m,) at the edges whose lower end is from `first` to before `last`: see `neighbours.half_edge_counts`."""
    half_edges, starts, codes = _by_lower_end(faces, first, last)
    for v in range(last - first):
        begin, stop = starts[v], starts[v + 1]
        if stop - begin > FEW:
            _count_sorted(half_edges[begin:stop], codes[begin:stop], along, against)
            continue
        for i in range(begin, stop):
            n_along, n_against = 0, 0
            for j in range(begin, stop):
                n_along += codes[j] == codes[i]
                n_against += codes[j] == codes[i] ^ 1
            along[half_edges[i]], against[half_edges[i]] = n_along, n_against


@compiled
def _count_sorted(own: Any, codes: Any, along: Any, against: Any) -> None:
    """The same for the many half-edges of one vertex."""
    order = np.argsort(codes)
    begin, n = 0, len(own)
    while begin < n:
        stop = begin
        while stop < n and codes[order[stop]] >> 1 == codes[order[begin]] >> 1:
            stop += 1
        n_back = 0
        for i in range(begin, stop):
            n_back += codes[order[i]] & 1
        for i in range(begin, stop):
            n_same = n_back if codes[order[i]] & 1 else stop - begin - n_back
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
