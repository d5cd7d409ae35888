"""What hangs together in a mesh, numbered: union-find in threads."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry import threads
from meshtools.model import IntArray


def label_faces(faces: IntArray, n_vertices: int) -> IntArray:
    """Number (m,) int32 of the piece of each face, joined through shared vertices, in the order of the pieces' lowest vertices."""
    from meshtools.geometry.piece_kernels import labels_of, mark_lowest, unite_corners

    of = _lowest_members(n_vertices, len(faces), lambda rows, groups: unite_corners(faces[rows], groups))
    is_lowest, label = np.zeros(n_vertices, bool), np.empty(len(faces), np.int32)
    threads.in_blocks(len(faces), lambda rows: mark_lowest(faces[rows], of, is_lowest), threads.LEAST_LIGHT_ROWS)
    number = np.cumsum(is_lowest, dtype=np.int32) - np.int32(1)
    threads.in_blocks(len(faces), lambda rows: labels_of(faces[rows], of, number, label[rows]), threads.LEAST_LIGHT_ROWS)
    return label


def label_patches(across: IntArray) -> NDArray[np.int64]:
    """Number (m,) of the patch of each face, joined through edges of two faces (`face_neighbours`), in the order of their lowest faces."""
    from meshtools.geometry.piece_kernels import unite_across

    of = _lowest_members(len(across), len(across), lambda rows, groups: unite_across(across[rows], rows.start, groups))
    number = np.cumsum(of == np.arange(len(of), dtype=np.int32)) - 1
    return np.asarray(number[of], dtype=np.int64)


def _lowest_members(n_members: int, n_rows: int, unite: Callable[[slice, IntArray], None]) -> IntArray:
    """The lowest member (n,) of each member's group. `unite` unites those that some rows hold together; each thread does so for itself, then what
    one found is united with what the others did."""
    from meshtools.geometry.piece_kernels import point_at_lowest, unite_groups

    def united(rows: slice) -> IntArray:
        groups = np.arange(n_members, dtype=np.int32)
        unite(rows, groups)
        return groups

    n_blocks = max(1, min(threads.n_threads(), n_rows // threads.LEAST_LIGHT_ROWS))
    edges = [n_rows * i // n_blocks for i in range(n_blocks + 1)]
    of, *others = threads.at_once([partial(united, slice(edges[i], edges[i + 1])) for i in range(n_blocks)])
    for other in others:
        unite_groups(of, other)
    point_at_lowest(of)
    return of
