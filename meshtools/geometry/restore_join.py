"""Put original and taken-over skin together, and decide what happens to rims that have no partner."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.orient import enclosed_volumes
from meshtools.geometry.pieces import mesh_areas, take_faces
from meshtools.geometry.rims import close_rims_listed
from meshtools.geometry.seam import Zipped, zip_rims
from meshtools.geometry.seam_repair import untangle_seam
from meshtools.geometry.takeover import BoolArray, patch_labels
from meshtools.model import IntArray, Mesh

MOST_ROUNDS = 12
MOST_SEAM_SHARE = 1 / 3  # of the walls of a cavity; a patch that the seam covers is half seam


@dataclass(frozen=True, eq=False)
class Joined:
    """The joined mesh: kept original faces first (n_kept_faces, is_kept of the original's faces), then taken ones, then seam and caps."""

    mesh: Mesh
    is_kept: BoolArray
    n_kept_faces: int
    n_seams: int
    n_capped: int
    n_failed: int
    n_tangled: int = 0


@dataclass(frozen=True, eq=False)
class Original:
    """The original with its rims capped: is_false marks caps, fills and fracture. was_closed: as it came; then every rim left is capped in the
    end. may_return (m,): false where a cap was made for the occasion and is taken back in any case."""

    mesh: Mesh
    is_false: BoolArray
    was_closed: bool
    may_return: BoolArray


def join_taken(original: Original, taken: Mesh, reach_mm: float, least_area_mm2: float, source_seam: int) -> Joined:
    """Zip the original's skin and the taken skin; false patches whose rims found no partner come back, taken patches without one go.

    Crossings at the seam are taken out, and so are closed crumbs that the seam left beside the bone: below the least area, without contact, or
    flakes no thicker than a third of the reach.
    GeometryError where what comes back and what goes does not settle.
    """
    zipped, is_kept = _zipped(original, taken, reach_mm, source_seam)
    joined = _capped(zipped, is_kept, original.was_closed, source_seam)
    if not joined.n_seams:
        return joined
    smooth = untangle_seam(joined.mesh, joined.n_kept_faces, source_seam)
    joined = _with_fewer(joined, smooth.mesh, smooth.is_left)
    is_crumb = _crumbs(joined, least_area_mm2, reach_mm, source_seam)
    whole = take_faces(joined.mesh, ~is_crumb)
    return replace(_with_fewer(joined, whole, ~is_crumb[: joined.n_kept_faces]), n_tangled=smooth.n_tangled)


def _zipped(original: Original, taken: Mesh, reach_mm: float, source_seam: int) -> tuple[Zipped, BoolArray]:
    """The zip in which every patch has its partner, and the original's faces in it. n_failed is that of the worst round."""
    is_kept, n_failed = ~original.is_false, 0
    for _ in range(MOST_ROUNDS):
        zipped = zip_rims(take_faces(original.mesh, is_kept), taken, reach_mm, source_seam)
        n_failed = max(n_failed, zipped.n_failed)
        lonely = np.zeros(len(zipped.mesh.vertices), dtype=bool)
        lonely[np.concatenate([rim.vertices for rim in zipped.left_open] or [np.zeros(0, np.int32)])] = True
        back = _patches_coming_back(original, is_kept, lonely[: zipped.n_original])
        is_loose = _loose_patches(taken, lonely[zipped.n_original : zipped.n_original + len(taken.vertices)])
        if not back.any() and not is_loose.any():
            return replace(zipped, n_failed=n_failed), is_kept
        is_kept, taken = is_kept | back, take_faces(taken, ~is_loose)
    raise GeometryError(f"which patches belong together was not settled in {MOST_ROUNDS} rounds")


def _with_fewer(joined: Joined, mesh: Mesh, is_left: BoolArray) -> Joined:
    """The state with another mesh, in which only those of the kept original faces are left."""
    is_kept = joined.is_kept.copy()
    is_kept[np.flatnonzero(is_kept)[~is_left]] = False
    return replace(joined, mesh=mesh, is_kept=is_kept, n_kept_faces=int(is_kept.sum()))


def _crumbs(joined: Joined, least_area_mm2: float, reach_mm: float, source_seam: int) -> BoolArray:
    """(m,) faces of pieces that hold new faces and are below the least area, or that seam faces close without touching the original, or into a
    flake: its mean thickness, twice its volume by its area, is within what original and partner differ by. Cavities stay, however narrow: those
    taken over whole, and from the least area on those whose walls are skin for the most part; of one that the break went through, half seam, the
    original's half, where the other half is not kept. Pieces that touch at a vertex alone are two."""
    mesh = joined.mesh
    labels = patch_labels(mesh, np.ones(len(mesh.faces), dtype=bool))
    volume = enclosed_volumes(mesh, labels)
    n, areas = len(volume), mesh_areas(mesh)
    is_new = np.arange(len(labels)) >= joined.n_kept_faces
    is_seam = is_new & (mesh.source == source_seam)
    area, seam_area = np.bincount(labels, areas, n), np.bincount(labels, areas * is_seam, n)
    has_old, has_new, has_seam = (np.bincount(labels[marked], minlength=n) > 0 for marked in (~is_new, is_new, is_seam))
    is_closed_cavity = (volume < 0) & ~has_seam & ~has_old
    is_void = (volume < 0) & (area >= least_area_mm2)
    is_cavity = is_void & (seam_area < MOST_SEAM_SHARE * area)
    is_half = is_void & ~is_cavity & has_old & (seam_area < area / 2)
    is_cavity |= is_half & ~_are_near(mesh, labels, is_half, is_cavity & ~has_old, reach_mm)
    is_flake = (2 * np.abs(volume) <= area * reach_mm / 3) & (area < area.max())
    is_crumb = (has_new & (area < least_area_mm2)) | (has_seam & (~has_old | is_flake))
    return np.asarray((is_crumb & ~is_closed_cavity & ~is_cavity)[labels])


def _are_near(mesh: Mesh, labels: IntArray, are_asked: BoolArray, others: BoolArray, reach_mm: float) -> BoolArray:
    """(p,) pieces asked about with a vertex within the reach of one of the other pieces'."""
    from scipy.spatial import cKDTree

    result = np.zeros_like(are_asked)
    if are_asked.any() and others.any():
        tree = cKDTree(mesh.vertices[np.unique(mesh.faces[others[labels]])])
        for number in np.flatnonzero(are_asked):
            points = mesh.vertices[np.unique(mesh.faces[labels == number])]
            result[number] = bool((tree.query(points, distance_upper_bound=reach_mm)[0] <= reach_mm).any())
    return result


def _capped(zipped: Zipped, is_kept: BoolArray, was_closed: bool, source_seam: int) -> Joined:
    n_kept = int(is_kept.sum())
    if not was_closed or not zipped.left_open:
        return Joined(zipped.mesh, is_kept, n_kept, zipped.n_seams, 0, zipped.n_failed)
    closing = close_rims_listed(zipped.mesh, zipped.left_open, source_seam)
    return Joined(closing.mesh, is_kept, n_kept, zipped.n_seams, len(closing.closed), zipped.n_failed + len(closing.refused))


def _patches_coming_back(original: Original, is_kept: BoolArray, is_lonely: BoolArray) -> BoolArray:
    """False patches with a rim vertex that found no partner and none that did."""
    mesh, is_false = original.mesh, ~is_kept & original.may_return
    labels = patch_labels(mesh, is_false)
    if not is_false.any():
        return is_false
    of_vertex = np.full(len(mesh.vertices), -1, dtype=np.int64)
    of_vertex[np.unique(mesh.faces[is_kept])] = np.arange(len(is_lonely))
    corners = of_vertex[mesh.faces[is_false]]
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
