"""Fewer faces within a stated distance of the original surface, both ways.

The caller gives millimetres, never a ratio. Edges are collapsed one by one; what then cannot be shown to lie near enough is taken back.
Every piece is decimated by itself, so that none vanishes or joins another. Skin nearer to
another piece than both may move stays as it is: a crevice between two pieces neither closes nor opens, and the bound of each piece is
the bound of their union too. A candidate is taken only when its topology is no worse than the original's, no more pairs of its faces
cross each other, and a bound, not a sample, puts both surfaces within the tolerance of each other. Where none is found the piece stays
as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import TopologyAudit, audit_topology
from meshtools.geometry.carrying import carry_over, new_crossings
from meshtools.geometry.collapsing import Collapsing
from meshtools.geometry.landing import Landing
from meshtools.geometry.nearness import faces_near_other_pieces
from meshtools.geometry.pieces import piece_labels, take_faces
from meshtools.geometry.refining import Refining
from meshtools.geometry.self_intersection import SelfIntersections, count_self_intersections
from meshtools.geometry.threads import at_once
from meshtools.model import Mesh

LEAST_FACES = 500  # a piece with fewer faces is left alone
MAX_KEPT = 0.9  # a candidate with more than this share of the faces is not worth a change of surface
ENGINE = "collapse"
UNTOUCHED = "none"


@dataclass(frozen=True, eq=False)
class Decimation:
    """A mesh with fewer faces, and the proof that it still is the same surface.

    No point of either surface is farther than `bound_mm` from the other. `engine` names what did it, `none` where nothing was changed. `crossings`
    of the mesh: only where they were counted.
    """

    mesh: Mesh
    bound_mm: float
    engine: str
    n_faces_before: int
    crossings: SelfIntersections | None = None


def decimate_within(mesh: Mesh, tolerance_mm: float) -> Decimation:
    """Take away faces as long as both surfaces stay within `tolerance_mm` of each other everywhere.

    Source numbers come from the nearest original face (lowest index on ties), colours from the nearest original point. The pieces of
    the result stand in the order of their lowest original vertex, small untouched ones last. Raises GeometryError for a tolerance that
    is not above 0.
    """
    if not tolerance_mm > 0:
        raise GeometryError(f"the tolerance of decimation is {tolerance_mm} mm; give a length above 0")
    labels = piece_labels(mesh)
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
        parts[0].crossings if len(parts) == 1 else None,
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
    tolerance_mm: float

    @cached_property
    def audit(self) -> TopologyAudit:
        return audit_topology(self.mesh)


def _decimate_piece(mesh: Mesh, is_near: Any, tolerance_mm: float) -> Decimation:
    return _collapsed(_Original(mesh, is_near, tolerance_mm)) or _untouched(mesh)


def _collapsed(original: _Original) -> Decimation | None:
    """Collapse edges as far as the vertices stay near, and undo that in the few places where it went too far for what lies between them, or where
    faces cross that did not. What is made of the candidate, and what it is judged by, is worked out at once."""
    mesh = original.mesh
    if original.is_near.mean() > MAX_KEPT:
        return None
    collapsing = Collapsing(mesh, original.is_near, original.tolerance_mm)
    if len(collapsing.coarse.faces) > MAX_KEPT * len(mesh.faces):
        return None
    refining = Refining(collapsing, original.tolerance_mm)
    while refining.settle():
        landing = refining.landing
        works: list[Any] = [partial(_crossings, landing), partial(carry_over, landing), partial(_is_no_worse, original, refining.coarse)]
        (found, new), made, is_no_worse = at_once(works)
        if not len(new):
            bound_mm = float(max(refining.fine_mm.max(), refining.coarse_mm.max()))
            is_taken = is_no_worse and len(made.faces) <= MAX_KEPT * len(mesh.faces)
            return Decimation(made, bound_mm, ENGINE, len(mesh.faces), found) if is_taken else None
        if not refining.undo_at(new):
            break
    return None


def _crossings(landing: Landing) -> tuple[SelfIntersections, Any]:
    """Where the coarse mesh crosses itself, and at which of its faces (k,) the fine one does not; else none."""
    found = count_self_intersections(landing.coarse)
    return found, new_crossings(landing, found)


def _is_no_worse(original: _Original, candidate: Mesh) -> bool:
    """A last look at what collapses cannot change by their nature: pieces, rims, edges of more than two faces, and the side that is out."""
    before, after = original.audit, audit_topology(candidate)
    if after.n_pieces != before.n_pieces or (before.is_closed and not after.is_closed):
        return False
    if after.n_open_edges != before.n_open_edges or after.n_nonmanifold_edges != before.n_nonmanifold_edges:
        return False
    if after.n_inconsistent_edges > before.n_inconsistent_edges or after.n_degenerate > before.n_degenerate:
        return False
    return before.is_outward == after.is_outward and abs(after.volume_mm3 - before.volume_mm3) <= original.tolerance_mm * before.area_mm2
