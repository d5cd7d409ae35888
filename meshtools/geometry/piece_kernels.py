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
def label_faces(faces: Any, n_vertices: int) -> Any:
    """Number (m,) int32 of the piece of each face, joined through shared vertices, in the order of the pieces' lowest vertices."""
    of = np.arange(n_vertices).astype(np.int32)
    for t in range(len(faces)):
        _unite(of, faces[t, 0], faces[t, 1])
        _unite(of, faces[t, 1], faces[t, 2])
    is_used, number = np.zeros(n_vertices, np.bool_), np.empty(n_vertices, np.int32)
    for t in range(len(faces)):
        is_used[_lowest(of, faces[t, 0])] = True
    n = 0
    for v in range(n_vertices):
        if is_used[v]:
            number[v] = n
            n += 1
    label = np.empty(len(faces), np.int32)
    for t in range(len(faces)):
        label[t] = number[_lowest(of, faces[t, 0])]
    return label


@compiled
def label_patches(across: Any) -> Any:
    """Number (m,) int64 of the patch of each face, joined through edges of two faces (`face_neighbours`), in the order of their lowest faces."""
    m = len(across)
    of, label, n = np.arange(m).astype(np.int32), np.empty(m, np.int64), 0
    for t in range(m):
        for k in range(3):
            if across[t, k] >= 0:
                _unite(of, t, across[t, k])
    for t in range(m):
        if of[t] == t:
            label[t] = n
            n += 1
        else:
            label[t] = label[_lowest(of, t)]
    return label
