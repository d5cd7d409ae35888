"""Skin that lies close to another piece of the same surface: the walls of crevices, as between a tooth and its socket."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import piece_boxes
from meshtools.model import FloatArray, IntArray, Mesh

QUARTERS = np.array([[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]])  # corners 0-2, then the middles of 01, 12, 20
FINEST = 0.5  # of the reach: a part of a face is quartered until its corners are no farther from its centre
MOST_QUARTERINGS = 8


def faces_near_other_pieces(mesh: Mesh, labels: IntArray, reach_mm: float) -> NDArray[np.bool_]:
    """(m,) True for faces with a point within `reach_mm` of another piece, and for some up to half as far again; never False for one within.

    labels: the piece (m,) of each face. Only faces in the boxes that two pieces have in common are measured. Our own method: a part of a
    face is near at most by the distance of its centre less the radius around it, and is quartered until that radius is small.
    """
    n_pieces = int(labels.max(initial=-1)) + 1
    is_near = np.zeros(len(mesh.faces), dtype=bool)
    if n_pieces < 2:
        return is_near
    corners = mesh.vertices[mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    order = np.lexsort((low[:, 0], labels))
    ends = np.cumsum(np.bincount(labels, minlength=n_pieces))[:-1]
    rows, lows = np.split(order, ends), np.split(low[order, 0], ends)
    widest = float((high[:, 0] - low[:, 0]).max())
    for first, second, *box in _shared_boxes(mesh, labels, n_pieces, reach_mm):
        own, other = (_in_box(rows[k][_slab(lows[k], widest, box)], low, high, box) for k in (first, second))
        for asked, beside in ((own, other), (other, own)):
            asked = asked[~is_near[asked]]
            if len(asked) and len(beside):
                is_near[asked[_is_within(corners[asked], Surface(_faces_of(mesh, beside)), reach_mm)]] = True
    return is_near


def _slab(lows: FloatArray, widest: float, box: Sequence[FloatArray]) -> slice:
    """Where faces stand that may meet a box, of faces in the order of their lowest x, none of them wider than `widest`."""
    return slice(int(np.searchsorted(lows, box[0][0] - widest)), int(np.searchsorted(lows, box[1][0], side="right")))


def _in_box(rows: Any, low: FloatArray, high: FloatArray, box: Sequence[FloatArray]) -> Any:
    """Those of the faces whose own boxes meet a box."""
    return rows[((low[rows] <= box[1]) & (high[rows] >= box[0])).all(axis=1)]


def _faces_of(mesh: Mesh, rows: Any) -> Mesh:
    used, corners = np.unique(mesh.faces[rows], return_inverse=True)
    return Mesh.create(mesh.vertices[used], corners.reshape(-1, 3))


def _shared_boxes(mesh: Mesh, labels: IntArray, n_pieces: int, reach_mm: float) -> list[tuple[int, int, FloatArray, FloatArray]]:
    """Pairs of pieces whose boxes come within reach of each other, with the box that both may be near in."""
    low, high = piece_boxes(mesh, labels, n_pieces)
    shared = []
    for first in range(n_pieces - 1):
        is_met = ((low[first + 1 :] <= high[first] + reach_mm) & (high[first + 1 :] >= low[first] - reach_mm)).all(axis=1)
        for second in (np.flatnonzero(is_met) + first + 1).tolist():
            shared.append((first, second, np.maximum(low[first], low[second]) - reach_mm, np.minimum(high[first], high[second]) + reach_mm))
    return shared


def _is_within(corners: FloatArray, surface: Surface, reach_mm: float) -> Any:
    """(k,) True for triangles (k, 3, 3) with a point within reach of a surface."""
    found = np.zeros(len(corners), dtype=bool)
    of, parts = np.arange(len(corners)), corners
    for _ in range(MOST_QUARTERINGS):
        if not len(of):
            return found
        centres = parts.mean(axis=1)
        radius = np.linalg.norm(parts - centres[:, None], axis=2).max(axis=1)
        distance = surface.distance(centres)[0]
        is_open = distance <= reach_mm + radius
        found[of[is_open & ((radius <= FINEST * reach_mm) | (distance <= reach_mm))]] = True
        is_open &= ~found[of]
        middles = (parts[is_open] + np.roll(parts[is_open], -1, axis=1)) / 2
        parts = np.concatenate([parts[is_open], middles], axis=1)[:, QUARTERS].reshape(-1, 3, 3)
        of = np.repeat(of[is_open], len(QUARTERS))
    found[of] = True
    return found
