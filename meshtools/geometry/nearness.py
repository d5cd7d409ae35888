"""Skin that lies close to another piece of the same surface: the walls of crevices, as between a tooth and its socket."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.compiled import given
from meshtools.geometry.pieces import piece_boxes
from meshtools.geometry.threads import LEAST_ROWS, in_blocks
from meshtools.geometry.tree import tree_over
from meshtools.model import FloatArray, IntArray, Mesh

ROUNDING = 1e-12  # of the size of a surface: what is farther by no more counts as within reach too


def faces_near_other_pieces(mesh: Mesh, labels: IntArray, reach_mm: float) -> NDArray[np.bool_]:
    """(m,) True for faces with a point within `reach_mm` of another piece, up to rounding in their favour.

    labels: the piece (m,) of each face. Only faces in the boxes that two pieces have in common are measured, each as a whole triangle.
    """
    n_pieces = int(labels.max(initial=-1)) + 1
    is_near = np.zeros(len(mesh.faces), dtype=bool)
    if n_pieces < 2:
        return is_near
    centred = mesh.replaced(vertices=mesh.vertices - (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2)
    reach = reach_mm + ROUNDING * float(np.abs(centred.vertices).max())
    corners = centred.vertices[mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    order = np.lexsort((low[:, 0], labels))
    ends = np.cumsum(np.bincount(labels, minlength=n_pieces))[:-1]
    rows, lows = np.split(order, ends), np.split(low[order, 0], ends)
    widest = float((high[:, 0] - low[:, 0]).max())
    for first, second, *box in _shared_boxes(centred, labels, n_pieces, reach):
        own, other = (_in_box(rows[k][_slab(lows[k], widest, box)], low, high, box) for k in (first, second))
        for asked, beside in ((own, other), (other, own)):
            asked = asked[~is_near[asked]]
            if len(asked) and len(beside):
                is_near[asked] = _are_within(centred.vertices, mesh.faces[asked], mesh.faces[beside], reach)
    return is_near


def _slab(lows: FloatArray, widest: float, box: Sequence[FloatArray]) -> slice:
    """Where faces stand that may meet a box, of faces in the order of their lowest x, none of them wider than `widest`."""
    return slice(int(np.searchsorted(lows, box[0][0] - widest)), int(np.searchsorted(lows, box[1][0], side="right")))


def _in_box(rows: Any, low: FloatArray, high: FloatArray, box: Sequence[FloatArray]) -> Any:
    """Those of the faces whose own boxes meet a box."""
    return rows[((low[rows] <= box[1]) & (high[rows] >= box[0])).all(axis=1)]


def _shared_boxes(mesh: Mesh, labels: IntArray, n_pieces: int, reach: float) -> list[tuple[int, int, FloatArray, FloatArray]]:
    """Pairs of pieces whose boxes come within reach of each other, with the box that both may be near in."""
    low, high = piece_boxes(mesh, labels, n_pieces)
    shared = []
    for first in range(n_pieces - 1):
        is_met = ((low[first + 1 :] <= high[first] + reach) & (high[first + 1 :] >= low[first] - reach)).all(axis=1)
        for second in (np.flatnonzero(is_met) + first + 1).tolist():
            shared.append((first, second, np.maximum(low[first], low[second]) - reach, np.minimum(high[first], high[second]) + reach))
    return shared


def _are_within(points: FloatArray, faces: IntArray, others: IntArray, reach: float) -> NDArray[np.bool_]:
    """(k,) True for the faces (k, 3) with a point within reach of one of the others."""
    from meshtools.geometry.reach_kernels import faces_within

    faces, others, is_near = given(faces, np.int32), given(others, np.int32), np.empty(len(faces), bool)
    tree = tree_over(points, others)
    in_blocks(len(faces), lambda rows: faces_within(points, faces[rows], others, tree, reach, is_near[rows]), LEAST_ROWS)
    return is_near
