"""Put original and taken-over skin together, and decide what happens to rims that have no partner."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.pieces import take_faces
from meshtools.geometry.rims import close_rims_listed
from meshtools.geometry.seam import Zipped, zip_rims
from meshtools.geometry.takeover import BoolArray, patch_labels
from meshtools.model import Mesh


@dataclass(frozen=True, eq=False)
class Joined:
    """The joined mesh: kept original faces first (n_kept_faces, is_kept of the original's faces), then taken ones, then seam and caps."""

    mesh: Mesh
    is_kept: BoolArray
    n_kept_faces: int
    n_seams: int
    n_capped: int
    n_failed: int


def join_taken(original: Mesh, is_false: BoolArray, n_open: int | None, taken: Mesh, reach_mm: float, source_seam: int) -> Joined:
    """Zip the original's skin and the taken skin; false patches whose rims found no partner come back, taken patches without one go.

    n_open: None for an original that was closed (every rim left is capped), else the number of its own faces; the rest are caps made
    for the occasion, which never come back.
    """
    is_kept, zipped = ~is_false, None
    for _ in range(2):
        zipped = zip_rims(take_faces(original, is_kept), taken, reach_mm, source_seam)
        lonely = np.zeros(len(zipped.mesh.vertices), dtype=bool)
        lonely[np.concatenate([rim.vertices for rim in zipped.left_open] or [np.zeros(0, np.int32)])] = True
        back = _patches_coming_back(original, is_kept, lonely[: zipped.n_original], n_open)
        is_loose = _loose_patches(taken, lonely[zipped.n_original : zipped.n_original + len(taken.vertices)])
        if not back.any() and not is_loose.any():
            break
        is_kept, taken = is_kept | back, take_faces(taken, ~is_loose)
    assert zipped is not None
    return _capped(zipped, is_kept, n_open, source_seam)


def _capped(zipped: Zipped, is_kept: BoolArray, n_open: int | None, source_seam: int) -> Joined:
    n_kept = int(is_kept.sum())
    if n_open is not None or not zipped.left_open:
        return Joined(zipped.mesh, is_kept, n_kept, zipped.n_seams, 0, zipped.n_failed)
    closing = close_rims_listed(zipped.mesh, zipped.left_open, source_seam)
    return Joined(closing.mesh, is_kept, n_kept, zipped.n_seams, len(closing.closed), zipped.n_failed + len(closing.refused))


def _patches_coming_back(original: Mesh, is_kept: BoolArray, is_lonely: BoolArray, n_open: int | None) -> BoolArray:
    """False patches with a rim vertex that found no partner and none that did."""
    is_false = ~is_kept
    if n_open is not None:
        is_false = is_false & (np.arange(len(is_kept)) < n_open)
    labels = patch_labels(original, is_false)
    if not is_false.any():
        return is_false
    of_vertex = np.full(len(original.vertices), -1, dtype=np.int64)
    of_vertex[np.unique(original.faces[is_kept])] = np.arange(len(is_lonely))
    corners = of_vertex[original.faces[is_false]]
    is_rim = corners >= 0
    met = is_rim & ~is_lonely[np.maximum(corners, 0)]
    has_met = np.bincount(labels[is_false], met.sum(axis=1), int(labels.max()) + 1) > 0
    result = np.zeros(len(is_kept), dtype=bool)
    result[is_false] = ~has_met[labels[is_false]]
    return result


def _loose_patches(taken: Mesh, is_lonely: BoolArray) -> NDArray[np.bool_]:
    """(m,) faces of taken patches that have open edges, none of which was zipped."""
    from meshtools.geometry.orient import open_half_edges

    labels = patch_labels(taken, np.ones(len(taken.faces), dtype=bool))
    if not len(labels):
        return np.zeros(0, dtype=bool)
    start, _, face = open_half_edges(taken.faces, len(taken.vertices))
    n = int(labels.max()) + 1
    n_open = np.bincount(labels[face], minlength=n)
    n_lonely = np.bincount(labels[face], is_lonely[start], n)
    return np.asarray(((n_open > 0) & (n_lonely == n_open))[labels])
