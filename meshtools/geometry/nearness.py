"""Skin that lies close to another piece of the same surface: the walls of crevices, as between a tooth and its socket."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import piece_boxes, take_faces
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
    rows = np.split(np.argsort(labels, kind="stable"), np.cumsum(np.bincount(labels, minlength=n_pieces))[:-1])
    for first, second, box_low, box_high in _shared_boxes(mesh, labels, n_pieces, reach_mm):
        inside = [of[((low[of] <= box_high) & (high[of] >= box_low)).all(axis=1)] for of in (rows[first], rows[second])]
        if not all(map(len, inside)):
            continue
        for own, other in (inside, inside[::-1]):
            asked = own[~is_near[own]]
            is_other = np.zeros(len(mesh.faces), dtype=bool)
            is_other[other] = True
            is_near[asked[_is_within(corners[asked], Surface(take_faces(mesh, is_other)), reach_mm)]] = True
    return is_near


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
