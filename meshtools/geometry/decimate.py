"""Fewer faces within a stated distance of the original surface, both ways.

The caller gives millimetres, never a ratio. Every piece is decimated by itself, so that none vanishes or joins another. A candidate
is taken only when its topology is no worse than the original's and a bound, not a sample, puts both surfaces within the tolerance
of each other. Where one engine fails the next is tried; where all fail the piece stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import TopologyAudit, audit_topology
from meshtools.geometry.bound import bound_deviation
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import label_pieces, take_faces
from meshtools.geometry.rims import find_rims
from meshtools.model import Mesh

LEAST_FACES = 500  # a piece with fewer faces is left alone
MARGIN = 0.97  # share of the tolerance that a candidate's largest found distance may use, the rest is for the bound's slack
MAX_KEPT = 0.9  # a candidate with more than this share of the faces is not worth a change of surface
N_TRIES = 4
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


def _decimate_piece(mesh: Mesh, tolerance_mm: float) -> Decimation:
    audit = audit_topology(mesh)
    n_rims = len(find_rims(mesh)) if audit.n_open_edges else 0
    original = _Original(mesh, Surface(mesh), audit, n_rims, tolerance_mm)
    for name, engine, start, limit in _engines(original):
        for candidate in _search(original, engine, start, limit):
            forward, backward = _bounds(original, candidate)
            bound = max(forward.bound_mm, backward.bound_mm)
            if bound <= tolerance_mm:
                return Decimation(_carry(original, candidate), bound, forward.max_mm, backward.max_mm, name, len(mesh.faces))
    return _untouched(mesh)


def _engines(original: _Original) -> Iterator[tuple[str, Engine, float, float]]:
    """Name, engine, first fineness and largest sensible fineness; the error falls about in proportion to the fineness."""
    n_faces = len(original.mesh.faces)
    count = float(np.clip(_guess_count(original), 0.02 * n_faces, 0.5 * n_faces))
    yield "fast_simplification", _fast_simplification, count, MAX_KEPT * n_faces
    if original.audit.is_closed:
        yield "manifold3d", _manifold, 2.0 / original.tolerance_mm, 20.0 / original.tolerance_mm
    yield "pymeshlab", _quadric, count, MAX_KEPT * n_faces


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


def _bounds(original: _Original, candidate: Mesh) -> tuple[Any, Any]:
    limit = original.tolerance_mm
    forward = bound_deviation(original.mesh, Surface(candidate), accept_mm=limit, give_up_mm=limit)
    backward = bound_deviation(candidate, original.surface, accept_mm=limit, give_up_mm=limit)
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


def _compact(vertices: Any, faces: Any) -> Mesh | None:
    if not len(faces):
        return None
    mesh = Mesh.create(vertices, faces)
    return take_faces(mesh, np.ones(len(mesh.faces), bool))


def _fast_simplification(mesh: Mesh, fineness: float) -> Mesh | None:
    import fast_simplification

    centre = mesh.vertices.mean(axis=0)
    count = min(int(fineness), len(mesh.faces))
    vertices, faces = fast_simplification.simplify(mesh.vertices - centre, mesh.faces.copy(), target_count=count, preserve_border=True)
    return _compact(vertices + centre, faces)


def _manifold(mesh: Mesh, fineness: float) -> Mesh | None:
    import manifold3d

    centre = mesh.vertices.mean(axis=0)
    solid = manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices - centre, mesh.faces.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        return None
    result = solid.simplify(1.0 / fineness).to_mesh64()
    return _compact(np.asarray(result.vert_properties)[:, :3] + centre, np.asarray(result.tri_verts))


def _quadric(mesh: Mesh, fineness: float) -> Mesh | None:
    import pymeshlab

    centre = mesh.vertices.mean(axis=0)
    shelf = pymeshlab.MeshSet()
    shelf.add_mesh(pymeshlab.Mesh(mesh.vertices - centre, mesh.faces))
    shelf.meshing_decimation_quadric_edge_collapse(
        targetfacenum=int(fineness), preserveboundary=True, boundaryweight=10.0, preservenormal=True, preservetopology=True
    )
    result = shelf.current_mesh()
    return _compact(result.vertex_matrix() + centre, result.face_matrix())
