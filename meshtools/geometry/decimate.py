"""Fewer faces within a stated distance of the original surface, both ways.

The caller gives millimetres, never a ratio. Every piece is decimated by itself, so that none vanishes or joins another. A candidate
is taken only when its topology is no worse than the original's, no more pairs of its faces cross each other, and a bound, not a
sample, puts both surfaces within the tolerance of each other. Where one engine fails the next is tried; where all fail the piece
stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import TopologyAudit, audit_topology, is_degenerate
from meshtools.geometry.bound import DeviationBound, bound_deviation
from meshtools.geometry.cover import cover_bounds
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import label_pieces, take_faces
from meshtools.geometry.rims import find_rims
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.simplify import manifold_simplified, quadric_simplified, simplify_around
from meshtools.geometry.weld import edge_keys
from meshtools.model import FloatArray, Mesh

LEAST_FACES = 500  # a piece with fewer faces is left alone
MARGIN = 0.93  # share of the tolerance that a candidate's largest found distance may use, the rest is for the bound's slack
MAX_KEPT = 0.9  # a candidate with more than this share of the faces is not worth a change of surface
N_TRIES = 4
DENSE = 0.25  # a candidate with more than this share of the faces is fine enough to cover the original's faces
N_ROUNDS = 10  # rounds of protecting places where the simplification went too far
N_PROBES = 20_000
TYPICAL, TYPICAL_SHARE = 0.998, 0.85  # so many of the vertices stay within this share of the tolerance before the rest is protected
REACH = 0.6  # how far around such a place is protected, in mean edges of the simplified mesh
MOST_PROTECTED = 0.3  # share of the faces; beyond it the simplification is too coarse as a whole
MOST_FOR_QUADRIC = 200_000  # faces; the last engine takes 20 us a face
UNTOUCHED = "none"

Engine = Callable[[Mesh, float], Mesh | None]


@dataclass(frozen=True, eq=False)
class Decimation:
    """A mesh with fewer faces, and the proof that it still is the same surface.

    No point of either surface is farther than `bound_mm` from the other; `forward_max_mm` (original to decimated) and
    `backward_max_mm` are the largest distances found. `engine` names what did it, `none` where nothing was changed.
    """

    mesh: Mesh
    bound_mm: float
    forward_max_mm: float
    backward_max_mm: float
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
    parts = [_decimate_piece(take_faces(mesh, labels == label), tolerance_mm) for label in np.flatnonzero(is_large)]
    if all(part.engine == UNTOUCHED for part in parts):
        return _untouched(mesh)
    if not is_large.all():
        parts.append(_untouched(take_faces(mesh, ~is_large[labels])))
    engines = sorted({part.engine for part in parts} - {UNTOUCHED})
    return Decimation(
        _join([part.mesh for part in parts]),
        max(part.bound_mm for part in parts),
        max(part.forward_max_mm for part in parts),
        max(part.backward_max_mm for part in parts),
        "+".join(engines),
        len(mesh.faces),
    )


def _untouched(mesh: Mesh) -> Decimation:
    return Decimation(mesh, 0.0, 0.0, 0.0, UNTOUCHED, len(mesh.faces))


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
    """A piece as it was, with what candidates are judged against."""

    mesh: Mesh
    surface: Surface
    audit: TopologyAudit
    n_rims: int
    tolerance_mm: float

    @cached_property
    def n_crossings(self) -> int:
        """Pairs of its faces that cross; counted only once a candidate has some."""
        return count_self_intersections(self.mesh).n_pairs


def _decimate_piece(mesh: Mesh, tolerance_mm: float) -> Decimation:
    audit = audit_topology(mesh)
    n_rims = len(find_rims(mesh)) if audit.n_open_edges else 0
    original = _Original(mesh, Surface(mesh), audit, n_rims, tolerance_mm)
    proven = _simplify_with_care(original) or _simplify_as_a_whole(original)
    if proven is None:
        return _untouched(mesh)
    forward, backward = proven.forward, proven.backward
    bound = max(forward.bound_mm, backward.bound_mm)
    return Decimation(_carry(original, proven.mesh), bound, forward.max_mm, backward.max_mm, proven.engine, len(mesh.faces))


@dataclass(frozen=True, eq=False)
class _Proven:
    """A candidate with its bounds, original to candidate and back."""

    mesh: Mesh
    forward: DeviationBound
    backward: DeviationBound
    engine: str


def _simplify_with_care(original: _Original) -> _Proven | None:
    """Simplify as far as most of the surface allows, and leave the few places as they were where it went too far or tore."""
    count = _typical_count(original)
    mesh, is_kept = original.mesh, np.zeros(len(original.mesh.faces), bool)
    for _ in range(N_ROUNDS):
        candidate = simplify_around(mesh, is_kept, count)
        if candidate is None or len(candidate.faces) > MAX_KEPT * len(mesh.faces):
            return None
        surface = Surface(candidate)
        offenders = _offenders(original, candidate, surface)
        if not len(offenders):
            if not _is_no_worse(original, candidate):
                return None
            offenders = _new_crossings(original, candidate)
        if not len(offenders):
            forward, backward = _bounds(original, candidate, surface)
            offenders = np.concatenate([forward.loose, backward.loose])
            if not len(offenders):
                return _Proven(candidate, forward, backward, "fast_simplification")
        is_kept |= _faces_near(mesh, offenders, REACH * _mean_edge(candidate))
        if is_kept.mean() > MOST_PROTECTED:
            is_kept[:] = False
            count *= 1.4
    return None


def _typical_count(original: _Original) -> float:
    """A number of faces at which nearly all vertices of the original stay well within the tolerance."""
    probes = original.mesh.vertices[:: max(1, len(original.mesh.vertices) // N_PROBES)]
    n_faces = len(original.mesh.faces)
    nothing_kept = np.zeros(n_faces, bool)
    count = float(np.clip(_guess_count(original), 0.02 * n_faces, 0.5 * n_faces))
    for _ in range(N_TRIES):
        candidate = simplify_around(original.mesh, nothing_kept, count)
        if candidate is None:
            return count * 2.0
        used = float(np.quantile(Surface(candidate).distance(probes)[0], TYPICAL)) / (TYPICAL_SHARE * original.tolerance_mm)
        if 0.8 <= used <= 1.0 or (used > 1.0 and count >= MAX_KEPT * n_faces):
            break
        count = float(np.clip(count * np.clip(used, 0.3, 4.0) * (1.05 if used > 1.0 else 1.0), 0.01 * n_faces, MAX_KEPT * n_faces))
    return count


def _offenders(original: _Original, candidate: Mesh, surface: Surface) -> FloatArray:
    """Points (k, 3) where a candidate strays too far from the original, or its faces do not join as they should."""
    allowed = MARGIN * original.tolerance_mm
    keys = edge_keys(candidate.faces, len(candidate.vertices))
    edges, n_faces = np.unique(keys, return_counts=True)
    ends = np.stack(np.divmod(edges, len(candidate.vertices)), axis=1)
    middles = candidate.vertices[ends].mean(axis=1)
    backward = np.concatenate([candidate.vertices, middles, _inner_points(candidate)])
    forward = np.concatenate([original.mesh.vertices, original.mesh.vertices[original.mesh.faces].mean(axis=1)])
    found = [backward[original.surface.distance(backward)[0] > allowed], forward[surface.distance(forward)[0] > allowed]]
    if (n_faces > 2).sum() > original.audit.n_nonmanifold_edges:
        found.append(middles[n_faces > 2])
    is_flat = is_degenerate(candidate.vertices, candidate.faces)
    if is_flat.sum() > original.audit.n_degenerate:
        found.append(candidate.vertices[candidate.faces[is_flat]].reshape(-1, 3))
    return np.concatenate(found)


def _new_crossings(original: _Original, candidate: Mesh) -> FloatArray:
    """Corners (k, 3) of a candidate's faces that cross each other, where more pairs of them do than in the original; else none."""
    found = count_self_intersections(candidate)
    if not found.n_pairs or found.n_pairs <= original.n_crossings:
        return np.empty((0, 3))
    return candidate.vertices[np.unique(candidate.faces[found.faces])]


def _inner_points(mesh: Mesh) -> FloatArray:
    """Four points in each face (4 m, 3): its middle, and three between the middle and the corners."""
    corners = mesh.vertices[mesh.faces]
    middles = corners.mean(axis=1)
    return np.concatenate([middles, ((corners + middles[:, None]) / 2).reshape(-1, 3)])


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


def _simplify_as_a_whole(original: _Original) -> _Proven | None:
    """The second choice: libraries that keep the topology by themselves, at a fineness found by trying."""
    n_faces, tolerance_mm = len(original.mesh.faces), original.tolerance_mm
    engines: list[tuple[str, Engine, float, float]] = []
    if original.audit.is_closed:
        engines.append(("manifold3d", manifold_simplified, 2.0 / tolerance_mm, 20.0 / tolerance_mm))
    if n_faces <= MOST_FOR_QUADRIC:
        engines.append(("pymeshlab", quadric_simplified, 0.4 * n_faces, MAX_KEPT * n_faces))
    for name, engine, start, limit in engines:
        for candidate in _search(original, engine, start, limit):
            forward, backward = _bounds(original, candidate, Surface(candidate))
            if max(forward.bound_mm, backward.bound_mm) <= tolerance_mm and not len(_new_crossings(original, candidate)):
                return _Proven(candidate, forward, backward, name)
    return None


def _guess_count(original: _Original) -> float:
    """Faces that a ball-like body of this area would need: the chord error of edge e on radius R is about e^2 / 8R (closed form)."""
    area = original.audit.area_mm2
    radius = 0.25 * np.sqrt(area / (4 * np.pi))  # a bone's typical curvature is tighter than that of the ball of equal area
    edge_squared = 8 * radius * original.tolerance_mm
    return float(area / (np.sqrt(3) / 4 * edge_squared))


def _search(original: _Original, engine: Engine, start: float, limit: float) -> list[Mesh]:
    """Candidates that pass topology and the distances of their corners and centres, fewest faces first."""
    passed: list[Mesh] = []
    too_coarse, fine_enough, fineness = 0.0, np.inf, start
    for _ in range(N_TRIES):
        candidate = engine(original.mesh, fineness)
        ratio = np.inf if candidate is None else _tolerance_used(original, candidate)
        if candidate is not None and ratio <= 1.0 and len(candidate.faces) <= MAX_KEPT * len(original.mesh.faces):
            passed.append(candidate)
            fine_enough = min(fine_enough, fineness)
            guess = fineness * float(np.clip(1.1 * ratio, 0.25, 0.85))
        else:
            too_coarse = max(too_coarse, fineness)
            guess = fineness * float(np.clip(1.1 * ratio, 1.3, 3.0))
        if fine_enough < 1.2 * too_coarse or too_coarse >= limit:
            break
        between = np.sqrt(too_coarse * fine_enough) if too_coarse and np.isfinite(fine_enough) else guess
        fineness = min(between, limit)
    return sorted(passed, key=lambda candidate: len(candidate.faces))


def _tolerance_used(original: _Original, candidate: Mesh) -> float:
    """Largest distance found over the share of the tolerance it may use; infinite where the topology is worse."""
    allowed = MARGIN * original.tolerance_mm
    probes = np.concatenate([candidate.vertices, candidate.vertices[candidate.faces].mean(axis=1)])
    backward = float(original.surface.distance(probes)[0].max())
    forward = float(Surface(candidate).distance(original.mesh.vertices)[0].max())
    used = max(forward, backward) / allowed
    return used if used > 1.0 or _is_no_worse(original, candidate) else np.inf


def _is_no_worse(original: _Original, candidate: Mesh) -> bool:
    before, after = original.audit, audit_topology(candidate)
    if after.n_pieces != before.n_pieces or (before.is_closed and not after.is_closed):
        return False
    if after.n_nonmanifold_edges > before.n_nonmanifold_edges or after.n_inconsistent_edges > before.n_inconsistent_edges:
        return False
    if after.n_degenerate > before.n_degenerate or after.n_open_edges > before.n_open_edges or before.is_outward != after.is_outward:
        return False
    if before.is_closed and abs(after.volume_mm3 - before.volume_mm3) > original.tolerance_mm * before.area_mm2:
        return False
    return original.n_rims == (len(find_rims(candidate)) if after.n_open_edges else 0)


def _bounds(original: _Original, candidate: Mesh, surface: Surface) -> tuple[DeviationBound, DeviationBound]:
    limit = original.tolerance_mm
    is_dense = len(candidate.faces) > DENSE * len(original.mesh.faces)
    shown = cover_bounds(original.surface, surface) if is_dense else None
    forward = bound_deviation(original.mesh, surface, accept_mm=limit, upper_mm=shown)
    backward = bound_deviation(candidate, original.surface, accept_mm=limit, upper_mm=cover_bounds(surface, original.surface))
    return forward, backward


def _carry(original: _Original, candidate: Mesh) -> Mesh:
    """Give the candidate the sources and colours of the nearest original surface."""
    mesh = original.mesh
    source: Any = mesh.source[0]
    if (mesh.source != mesh.source[0]).any():
        source = mesh.source[original.surface.nearest(candidate.vertices[candidate.faces].mean(axis=1)).face]
    colour = None
    if mesh.colour is not None:
        nearest = original.surface.nearest(candidate.vertices)
        colour = np.rint(np.einsum("ij,ijk->ik", nearest.weights, mesh.colour[mesh.faces[nearest.face]].astype(np.float64)))
    return Mesh.create(candidate.vertices, candidate.faces, source, colour)
