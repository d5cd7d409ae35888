"""Loops over the corners of a scan for `weld`: which vertices are one, and which faces are there twice. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

RECENT = 1 << 15  # vertices met of late: those of an STL come again within a few faces
FEW = 32  # faces with one lowest corner that are compared each with each; more are sorted


@compiled
def finite_faces(vertices: Any, faces: Any, is_kept: Any, is_used: Any) -> Any:
    """Set is_kept (m,) of each face: whether its corners are finite, and mark the vertices (n,) that such faces use. Returns the lowest and the
    highest corner (3,) of a box around vertices used, which holds all that were not yet marked."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for t in range(len(faces)):
        is_finite = True
        for k in range(3):
            for axis in range(3):
                is_finite = is_finite and np.isfinite(vertices[faces[t, k], axis])
        is_kept[t] = is_finite
        if not is_finite:
            continue
        for k in range(3):
            vertex = faces[t, k]
            if not is_used[vertex]:
                is_used[vertex] = True
                for axis in range(3):
                    low[axis], high[axis] = min(low[axis], vertices[vertex, axis]), max(high[axis], vertices[vertex, axis])
    return low, high


@compiled
def _mixed(x: int, y: int, z: int) -> Any:
    mixed = np.uint64(x) * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(29)) ^ np.uint64(y)) * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(29)) ^ np.uint64(z)) * np.uint64(0x9E3779B97F4A7C15)
    return mixed ^ (mixed >> np.uint64(32))


@compiled
def _cell_of(point: Any, low: Any, step: float) -> Any:
    x, y, z = (point[0] - low[0]) / step, (point[1] - low[1]) / step, (point[2] - low[2]) / step
    return np.int64(np.rint(x)), np.int64(np.rint(y)), np.int64(np.rint(z))


@compiled
def _is_in_cell(point: Any, low: Any, step: float, x: int, y: int, z: int) -> bool:
    other_x, other_y, other_z = _cell_of(point, low, step)
    return bool(other_x == x and other_y == y and other_z == z)


@compiled
def repeat_rows(bits: Any, is_used: Any, first: int, last: int, group: Any) -> int:
    """Mark each used vertex from `first` to before `last` that is, to the last bit, one met of late: `group` becomes -2 less the number of that
    one, and -1 for all others. Returns how many others are used. bits (n, 3) int64: those of the coordinates."""
    recent, n = np.full(RECENT, -1, np.int32), 0
    for i in range(first, last):
        group[i] = -1
        if not is_used[i]:
            continue
        place = np.int64(_mixed(bits[i, 0], bits[i, 1], bits[i, 2]) & np.uint64(RECENT - 1))
        met = recent[place]
        if met >= 0 and bits[met, 0] == bits[i, 0] and bits[met, 1] == bits[i, 1] and bits[met, 2] == bits[i, 2]:
            group[i] = -2 - met
        else:
            recent[place] = i
            n += 1
    return n


@compiled
def merge_points(vertices: Any, is_used: Any, low: Any, step: float, n_asked: int, group: Any) -> Any:
    """Vertices on the same point of a grid are one. Returns the first (k,) of each such group, ascending; the place of each used vertex's group
    goes into `group`, but for those that `repeat_rows` marked. low (3,): the grid's origin; step: the width of its cells."""
    n_slots = 16
    while n_slots < 2 * n_asked:
        n_slots *= 2
    table, firsts, n = np.full(n_slots, -1, np.int32), np.empty(n_asked, np.int32), 0
    for i in range(len(vertices)):
        if not is_used[i] or group[i] != -1:
            continue
        x, y, z = _cell_of(vertices[i], low, step)
        slot = np.int64(_mixed(x, y, z) & np.uint64(n_slots - 1))
        while table[slot] >= 0 and not _is_in_cell(vertices[firsts[table[slot]]], low, step, x, y, z):
            slot = (slot + 1) & (n_slots - 1)
        if table[slot] < 0:
            table[slot], firsts[n] = n, i
            n += 1
        group[i] = table[slot]
    return firsts[:n].copy()


@compiled
def follow_repeats(first: int, last: int, group: Any) -> None:
    """Give each vertex that `repeat_rows` marked the group of the one that it repeats."""
    for i in range(first, last):
        if group[i] < -1:
            group[i] = group[-2 - group[i]]


@compiled
def proper_faces(faces: Any, is_kept: Any, group: Any, triangles: Any) -> Any:
    """Put the kept faces between merged vertices, without those that name a vertex twice, into `triangles`; how many there are, and how many did
    name one twice."""
    n, n_repeated = 0, 0
    for t in range(len(faces)):
        if not is_kept[t]:
            continue
        a, b, c = group[faces[t, 0]], group[faces[t, 1]], group[faces[t, 2]]
        if a == b or b == c or c == a:
            n_repeated += 1
            continue
        triangles[n, 0], triangles[n, 1], triangles[n, 2] = a, b, c
        n += 1
    return n, n_repeated


@compiled
def _others(face: Any) -> Any:
    """The middle and the highest of three corners."""
    a, b, c = face[0], face[1], face[2]
    low, high = min(a, b, c), max(a, b, c)
    return a + b + c - low - high, high


@compiled
def faces_of_lowest(faces: Any, n_vertices: int) -> Any:
    """Faces (m,) int32 grouped by their lowest corner, and where the group of each vertex starts (n + 1,)."""
    starts = np.zeros(n_vertices + 1, np.int32)
    for t in range(len(faces)):
        starts[min(faces[t, 0], faces[t, 1], faces[t, 2]) + 1] += 1
    for v in range(n_vertices):
        starts[v + 1] += starts[v]
    place, order = starts[:-1].copy(), np.empty(len(faces), np.int32)
    for t in range(len(faces)):
        low = min(faces[t, 0], faces[t, 1], faces[t, 2])
        order[place[low]] = t
        place[low] += 1
    return order, starts


@compiled
def mark_repeated(faces: Any, order: Any, starts: Any, first: int, last: int, is_single: Any) -> None:
    """Unmark the faces (m,) that have the corners of an earlier one, in any order, and a lowest corner from `first` to before `last`."""
    for v in range(first, last):
        own = order[starts[v] : starts[v + 1]]
        if len(own) <= FEW:
            for i in range(1, len(own)):
                middle, high = _others(faces[own[i]])
                for j in range(i):
                    other_middle, other_high = _others(faces[own[j]])
                    if middle == other_middle and high == other_high:
                        is_single[own[i]] = False
            continue
        keys = np.empty(len(own), np.int64)
        for i in range(len(own)):
            middle, high = _others(faces[own[i]])
            keys[i] = np.int64(middle) * len(starts) + high
        sorted_ = np.argsort(keys, kind="mergesort")
        for i in range(1, len(own)):
            if keys[sorted_[i]] == keys[sorted_[i - 1]]:
                is_single[own[sorted_[i]]] = False
