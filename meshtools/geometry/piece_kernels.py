"""Loops that number what hangs together. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


@compiled
def _lowest(of: Any, i: int) -> int:
    """The lowest member of the group of i; the way there becomes shorter for the next one who asks."""
    while of[i] != i:
        of[i] = of[of[i]]
        i = of[i]
    return i


@compiled
def _unite(of: Any, i: int, j: int) -> None:
    i, j = _lowest(of, i), _lowest(of, j)
    if i < j:
        of[j] = i
    else:
        of[i] = j


@compiled
def unite_corners(faces: Any, of: Any) -> None:
    """Unite the corners of each face. of (n,) int32: a lower member of each vertex's group, or itself."""
    for t in range(len(faces)):
        _unite(of, faces[t, 0], faces[t, 1])
        _unite(of, faces[t, 1], faces[t, 2])


@compiled
def unite_across(across: Any, first: int, of: Any) -> None:
    """Unite each face, the first of which has this number, with those across its edges. of (m,) int32: a lower member of each face's group, or
    itself."""
    for t in range(len(across)):
        for k in range(3):
            if across[t, k] >= 0:
                _unite(of, first + t, across[t, k])


@compiled
def unite_groups(of: Any, other: Any) -> None:
    """Unite what is united in `other`."""
    for i in range(len(of)):
        _unite(of, i, other[i])


@compiled
def point_at_lowest(of: Any) -> None:
    """Let each member point at the lowest of its group itself."""
    for i in range(len(of)):
        of[i] = of[of[i]]


@compiled
def mark_lowest(faces: Any, of: Any, is_lowest: Any) -> None:
    """Mark the lowest vertex of the group of each face. of (n,): that of each vertex."""
    for t in range(len(faces)):
        is_lowest[of[faces[t, 0]]] = True


@compiled
def labels_of(faces: Any, of: Any, number: Any, label: Any) -> None:
    """Set the label (m,) of each face: the number of the lowest vertex (n,) of its group."""
    for t in range(len(faces)):
        label[t] = number[of[faces[t, 0]]]


@compiled
def boxes_of(vertices: Any, faces: Any, labels: Any, n_pieces: int) -> Any:
    """Lowest and highest corner of the box around the faces of each piece, both (p, 3). labels (m,): the piece of each face."""
    lows, highs = np.full((n_pieces, 3), np.inf), np.full((n_pieces, 3), -np.inf)
    for t in range(len(faces)):
        piece = labels[t]
        for k in range(3):
            for axis in range(3):
                x = vertices[faces[t, k], axis]
                lows[piece, axis], highs[piece, axis] = min(lows[piece, axis], x), max(highs[piece, axis], x)
    return lows, highs


@compiled
def disagreeing_faces(faces: Any, across: Any) -> Any:
    """Faces (k, 2) int32 that meet at an edge of exactly two faces (`face_neighbours`) and run along it in the same direction, the lower one first.
    Each is no more a neighbour of the other in `across` (m, 3)."""
    n, room = 0, 1
    pairs = np.empty((room, 2), np.int32)
    for t in range(len(faces)):
        for k in range(3):
            other = across[t, k]
            if other <= t:
                continue
            start, end = faces[t, k], faces[t, k + 1 if k < 2 else 0]
            for j in range(3):
                if faces[other, j] == start and faces[other, j + 1 if j < 2 else 0] == end:
                    if n == room:
                        pairs, room = np.concatenate((pairs, np.empty((room, 2), np.int32))), 2 * room
                    pairs[n, 0], pairs[n, 1] = t, other
                    across[t, k] = across[other, j] = -1
                    n += 1
                    break
    return pairs[:n].copy()


@compiled
def mark_kept(faces: Any, is_kept: Any, number: Any) -> int:
    """Set the number (n,) of the corners of the kept faces to 0; returns how many faces are kept."""
    n_kept = 0
    for t in range(len(faces)):
        if is_kept[t]:
            number[faces[t, 0]] = number[faces[t, 1]] = number[faces[t, 2]] = 0
            n_kept += 1
    return n_kept


@compiled
def number_marked(number: Any, used: Any) -> int:
    """Number those at 0 in their order. `used` gets which they are; returns how many."""
    n = 0
    for i in range(len(number)):
        if number[i] == 0:
            used[n], number[i] = i, n
            n += 1
    return n


@compiled
def put_kept(faces: Any, is_kept: Any, number: Any, few: Any) -> None:
    """Put the kept faces into `few`, by the numbers of their corners."""
    n = 0
    for t in range(len(faces)):
        if is_kept[t]:
            few[n, 0], few[n, 1], few[n, 2] = number[faces[t, 0]], number[faces[t, 1]], number[faces[t, 2]]
            n += 1


@compiled
def pairs_at_edges(faces: Any, across: Any) -> Any:
    """Faces (k, 2) int32 that meet at an edge of exactly two faces (`face_neighbours`), the lower one first, and whether both run along it in the
    same direction (k,)."""
    n = 0
    for t in range(len(faces)):
        for k in range(3):
            n += across[t, k] > t
    pairs, is_same, n = np.empty((n, 2), np.int32), np.empty(n, np.bool_), 0
    for t in range(len(faces)):
        for k in range(3):
            other = across[t, k]
            if other > t:
                start, end = faces[t, k], faces[t, (k + 1) % 3]
                pairs[n, 0], pairs[n, 1], is_same[n] = t, other, False
                for j in range(3):
                    is_same[n] = is_same[n] or (faces[other, j] == start and faces[other, (j + 1) % 3] == end)
                n += 1
    return pairs, is_same


@compiled
def touching_faces(faces: Any, is_marked: Any) -> Any:
    """(m,) True for faces with a marked corner; is_marked (n,)."""
    is_touching = np.empty(len(faces), np.bool_)
    for t in range(len(faces)):
        is_touching[t] = is_marked[faces[t, 0]] or is_marked[faces[t, 1]] or is_marked[faces[t, 2]]
    return is_touching


@compiled
def mark_corners(faces: Any, is_chosen: Any, is_marked: Any) -> None:
    """Mark the corners (n,) of the chosen faces (m,)."""
    for t in range(len(faces)):
        if is_chosen[t]:
            is_marked[faces[t, 0]] = is_marked[faces[t, 1]] = is_marked[faces[t, 2]] = True
