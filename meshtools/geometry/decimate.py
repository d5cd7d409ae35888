"""Fewer faces within a stated distance of the original surface, both ways.

The caller gives millimetres, never a ratio. Every piece is decimated by itself, so that none vanishes or joins another. Skin nearer to
another piece than both may move stays as it is: a crevice between two pieces neither closes nor opens, and the bound of each piece is
the bound of their union too. A candidate is taken only when its topology is no worse than the original's, no more pairs of its faces
cross each other, and a bound, not a sample, puts both surfaces within the tolerance of each other. Where none is found the piece stays
as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import TopologyAudit, audit_topology
from meshtools.geometry.carrying import carry_over, new_crossings
from meshtools.geometry.distance import Surface
from meshtools.geometry.insertion import part_shared_edges
from meshtools.geometry.nearness import faces_near_other_pieces
from meshtools.geometry.pieces import has_faces, label_pieces, take_faces
from meshtools.geometry.refining import Refining
from meshtools.geometry.rims import find_rims
from meshtools.geometry.simplify import simplify_around
from meshtools.model import FloatArray, Mesh

LEAST_FACES = 500  # a piece with fewer faces is left alone
MAX_KEPT = 0.9  # a candidate with more than this share of the faces is not worth a change of surface
N_TRIES = 4
START = 2.0  # the first try has so many times the faces that are thought to be needed
N_ROUNDS = 6  # rounds of protecting places where the simplification went too far
CROSSING_ROUNDS = 4
N_PROBES = 20_000
TYPICAL, TYPICAL_SHARE = 0.99, 0.85  # so many of the vertices stay within this share of the tolerance before the rest is looked after
HOPELESS = 1.5  # of the tolerance: a vertex farther off than that is protected from the start
REACH = 0.6  # how far around such a place is protected, in mean edges of the simplified mesh
MOST_PROTECTED = 0.3  # share of the faces; beyond it the simplification is too coarse as a whole
ENGINE = "fast_simplification"
UNTOUCHED = "none"


@dataclass(frozen=True, eq=False)
class Decimation:
    """A mesh with fewer faces, and the proof that it still is the same surface.

    No point of either surface is farther than `bound_mm` from the other. `engine` names what did it, `none` where nothing was changed.
    """

    mesh: Mesh
    bound_mm: float
    engine: str
    n_faces_before: int


def decimate_within(mesh: Mesh, tolerance_mm: float) -> Decimation:
    """Take away faces as long as both surfaces stay within `tolerance_mm` of each other everywhere.

    Source numbers come from the nearest original face (lowest index on ties), colours from the nearest original point. The pieces of
    the result stand in the order of their lowest original vertex, small untouched ones last. Raises GeometryError for a tolerance that
    is not above 0.
    """
    if not tolerance_mm > 0:
        raise GeometryError(f"the tolerance of decimation is {tolerance_mm} mm; give a length above 0")
    labels = label_pieces(mesh.faces, len(mesh.vertices))
    is_large = np.bincount(labels) >= LEAST_FACES if len(labels) else np.zeros(0, bool)
    is_near = faces_near_other_pieces(mesh, labels, 2.0 * tolerance_mm)
    parts = [_decimate_piece(take_faces(mesh, labels == label), is_near[labels == label], tolerance_mm) for label in np.flatnonzero(is_large)]
    if all(part.engine == UNTOUCHED for part in parts):
        return _untouched(mesh)
    if not is_large.all():
        parts.append(_untouched(take_faces(mesh, ~is_large[labels])))
    return Decimation(
        _join([part.mesh for part in parts]),
        max(part.bound_mm for part in parts),
        ENGINE,
        len(mesh.faces),
    )


def _untouched(mesh: Mesh) -> Decimation:
    return Decimation(mesh, 0.0, UNTOUCHED, len(mesh.faces))


def _join(meshes: list[Mesh]) -> Mesh:
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    return Mesh.create(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=False)]),
        np.concatenate([mesh.source for mesh in meshes]),
        None if meshes[0].colour is None else np.concatenate([mesh.colour for mesh in meshes if mesh.colour is not None]),
    )


@dataclass(frozen=True, eq=False)
class _Original:
    """A piece as it was, with what candidates are judged against. is_near (m,): faces that must stay to the last bit."""

    mesh: Mesh
    is_near: Any
    across: Any
    audit: TopologyAudit
    n_rims: int
    tolerance_mm: float


def _decimate_piece(mesh: Mesh, is_near: Any, tolerance_mm: float) -> Decimation:
    from meshtools.geometry.landing_kernels import face_neighbours

    audit = audit_topology(mesh)
    n_rims = len(find_rims(mesh)) if audit.n_open_edges else 0
    original = _Original(mesh, is_near, face_neighbours(mesh.faces, len(mesh.vertices)), audit, n_rims, tolerance_mm)
    refining = _simplify_with_care(original)
    if refining is None:
        return _untouched(mesh)
    carried = carry_over(refining.landing)
    return Decimation(carried, float(max(refining.fine_mm.max(), refining.coarse_mm.max())), ENGINE, len(mesh.faces))


def _simplify_with_care(original: _Original) -> Refining | None:
    """Simplify as far as most of the surface allows, add corners where that went too far, and leave the few places as they were where that
    does not help."""
    mesh, tolerance_mm = original.mesh, original.tolerance_mm
    is_fixed = _with_ring(mesh, original.is_near)  # corners may still be added at the seam, and split a face of the ring
    if is_fixed.mean() > MAX_KEPT:
        return None
    count, is_kept = _typical_count(original)
    is_kept |= is_fixed
    for attempt in range(N_ROUNDS):
        candidate = _sound(original, simplify_around(mesh, is_kept, count))
        if candidate is None or len(candidate.faces) > MAX_KEPT * len(mesh.faces):
            return None
        refining = Refining(mesh, candidate, original.across, tolerance_mm)
        left = _settled(refining)
        if not len(left):
            near = take_faces(mesh, original.is_near)
            left = near.vertices[near.faces[~has_faces(refining.coarse, near)]].mean(axis=1)
        if not len(left):
            return refining if _is_no_worse(original, refining.coarse) and len(refining.coarse.faces) <= MAX_KEPT * len(mesh.faces) else None
        is_kept |= _faces_near(mesh, left, REACH * (1 + attempt) * _mean_edge(candidate))
        if (is_kept & ~is_fixed).mean() > MOST_PROTECTED:
            is_kept = is_fixed.copy()
            count *= 1.6
    return None


def _with_ring(mesh: Mesh, is_in: Any) -> Any:
    """(m,) These faces and those that share a corner with them."""
    is_touched = np.zeros(len(mesh.vertices), bool)
    is_touched[mesh.faces[is_in].ravel()] = True
    return is_touched[mesh.faces].any(axis=1)


def _settled(refining: Refining) -> FloatArray:
    """Bring the candidate within the tolerance and rid it of crossings that the original does not have; points (k, 3) where that fails."""
    for _ in range(CROSSING_ROUNDS):
        left = refining.settle()
        if len(left):
            return left
        crossing = new_crossings(refining.landing)
        if not len(crossing):
            return np.empty((0, 3))
        coarse = refining.coarse
        left = coarse.vertices[coarse.faces[crossing]].mean(axis=1)
        if not refining.refine_at(crossing):
            break
    return np.asarray(left)


def _sound(original: _Original, candidate: Mesh | None) -> Mesh | None:
    """The candidate with two faces at every edge and in one piece, as far as that can be mended."""
    if candidate is None:
        return None
    parted = part_shared_edges(candidate, original.tolerance_mm)
    labels = label_pieces(parted.faces, len(parted.vertices))
    return take_faces(parted, labels == np.bincount(labels).argmax())


def _typical_count(original: _Original) -> tuple[float, Any]:
    """A number of faces at which nearly all vertices of the original stay well within the tolerance, and the faces (m,) where it does not do."""
    mesh, n_faces = original.mesh, len(original.mesh.faces)
    probes = mesh.vertices[:: max(1, len(mesh.vertices) // N_PROBES)]
    count = float(np.clip(START * _guess_count(original), 0.02 * n_faces, 0.5 * n_faces))
    finer = mesh
    for _ in range(N_TRIES):
        candidate = simplify_around(finer, np.zeros(len(finer.faces), bool), count) or finer
        surface = Surface(candidate)
        used = float(np.quantile(surface.distance(probes)[0], TYPICAL)) / (TYPICAL_SHARE * original.tolerance_mm)
        if 0.8 <= used <= 1.05 or (used > 1.0 and count >= MAX_KEPT * n_faces):
            break
        finer = candidate if used < 0.8 else mesh
        count = float(np.clip(count * np.clip(used, 0.3, 4.0), 0.01 * n_faces, MAX_KEPT * n_faces))
    far = mesh.vertices[surface.distance(mesh.vertices)[0] > HOPELESS * original.tolerance_mm]
    return count, _faces_near(mesh, far, REACH * _mean_edge(candidate)) if len(far) else np.zeros(n_faces, bool)


def _guess_count(original: _Original) -> float:
    """Faces that a ball-like body of this area would need: the chord error of edge e on radius R is about e^2 / 8R (closed form)."""
    area = original.audit.area_mm2
    radius = 0.25 * np.sqrt(area / (4 * np.pi))  # a bone's typical curvature is tighter than that of the ball of equal area
    edge_squared = 8 * radius * original.tolerance_mm
    return float(area / (np.sqrt(3) / 4 * edge_squared))


def _faces_near(mesh: Mesh, points: FloatArray, reach_mm: float) -> Any:
    """(m,) True for faces with a corner within reach of one of the points, and for the face nearest to each point's nearest vertex."""
    from scipy.spatial import cKDTree

    distances, _ = cKDTree(points).query(mesh.vertices, distance_upper_bound=reach_mm)
    is_near = np.isfinite(distances)
    is_near[cKDTree(mesh.vertices).query(points)[1]] = True
    return is_near[mesh.faces].any(axis=1)


def _mean_edge(mesh: Mesh) -> float:
    corners = mesh.vertices[mesh.faces]
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean())


def _is_no_worse(original: _Original, candidate: Mesh) -> bool:
    before, after = original.audit, audit_topology(candidate)
    if after.n_pieces != before.n_pieces or (before.is_closed and not after.is_closed):
        return False
    if after.n_nonmanifold_edges > before.n_nonmanifold_edges or after.n_inconsistent_edges > before.n_inconsistent_edges:
        return False
    if after.n_degenerate > before.n_degenerate or before.is_outward != after.is_outward:
        return False
    if before.is_closed and abs(after.volume_mm3 - before.volume_mm3) > original.tolerance_mm * before.area_mm2:
        return False
    return original.n_rims == (len(find_rims(candidate)) if after.n_open_edges else 0)
