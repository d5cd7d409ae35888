"""A bone made ready to be completed: its pieces united, its rims capped, and which of its faces are skin, fill or cap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology, count_edges
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.rims import close_rims_listed, find_rims
from meshtools.geometry.takeover import BoolArray, patch_labels
from meshtools.geometry.unite import unite_pieces
from meshtools.model import Mesh, SourceArray
from meshtools.settings import RestoreSettings

SMALL_FILL_PERCENT = 0.5  # of the surface; proposed default


@dataclass(frozen=True)
class Rows:
    """Rows of the source table that new faces get, and those that are nobody's bone.

    taken[k]: for skin taken over from a face of the partner with source k, so that its scanned skin and its fills stay apart. seam: for
    seam faces and caps. fills: rows of filled faces, of the original and the partner alike; they never count as evidence.
    """

    taken: tuple[int, ...]
    seam: int
    fills: tuple[int, ...] = ()

    def of_taken(self, source: SourceArray) -> SourceArray:
        """The rows (m,) of taken-over faces, given the partner's sources (m,). GeometryError for a source without a row."""
        if len(source) and int(source.max()) >= len(self.taken):
            raise GeometryError(f"the partner's faces name source {source.max()} of a table of {len(self.taken)}; clean its find again")
        return np.array(self.taken, dtype=np.uint16)[source]


@dataclass(frozen=True, eq=False)
class Body:
    """A bone made ready. is_false: faces that are no skin (caps, large fills, later the fracture). is_filled: all fills and caps, which are
    no evidence. n_own: faces before the caps. was_closed: as it came. came: the mesh as it came, None where pieces were united."""

    mesh: Mesh
    is_false: BoolArray
    is_filled: BoolArray
    n_own: int
    was_closed: bool
    n_pieces: int
    came: Mesh | None

    @property
    def is_evidence(self) -> BoolArray:
        """Faces that are scanned skin."""
        return ~self.is_false & ~self.is_filled


@dataclass(frozen=True, eq=False)
class Scale:
    """Lengths that the settings give for a bone of this size."""

    diagonal_mm: float
    settings: RestoreSettings

    def mm(self, percent: float) -> float:
        """A percentage of the diagonal as a length."""
        return percent / 100.0 * self.diagonal_mm


def make_ready(mesh: Mesh, rows: Rows) -> Body:
    """Unite the pieces of a closed bone and cap its rims. Large fills are taken for no skin from the start; small ones stay unless the
    partner contradicts their place. GeometryError for a mesh without scanned faces, or with edges that no surface has."""
    n_open, n_crowded, n_inconsistent = count_edges(mesh.faces, len(mesh.vertices))
    if not len(mesh.faces) or n_crowded or n_inconsistent:
        raise GeometryError(f"the bone has {n_crowded} edges with more than two faces and {n_inconsistent} with disagreeing ones; clean it first")
    came: Mesh | None = mesh
    if not n_open and audit_topology(mesh).n_pieces > 1:
        mesh, came = unite_pieces(mesh).mesh, None
    is_filled = np.isin(mesh.source, rows.fills)
    if is_filled.all():
        raise GeometryError("no face of the bone was scanned, all are filled; clean the find again")
    closing = close_rims_listed(mesh, find_rims(mesh), rows.seam)
    caps = np.ones(len(closing.mesh.faces) - len(mesh.faces), dtype=bool)
    is_false = np.concatenate([_in_large_patches(mesh, is_filled), caps])
    n_pieces = audit_topology(mesh).n_pieces
    return Body(closing.mesh, is_false, np.concatenate([is_filled, caps]), len(mesh.faces), not n_open, n_pieces, came)


def ready_counterpart(mesh: Mesh, rows: Rows) -> Body:
    """A counterpart made ready: its fills may be taken over, as fills, so only its caps are no skin."""
    body = make_ready(mesh, rows)
    is_cap = np.arange(len(body.is_false)) >= body.n_own
    return Body(body.mesh, is_cap, body.is_filled, body.n_own, body.was_closed, body.n_pieces, body.came)


def _in_large_patches(mesh: Mesh, is_filled: BoolArray) -> BoolArray:
    """Filled faces whose patch is not small."""
    if not is_filled.any():
        return is_filled
    areas, labels = mesh_areas(mesh), patch_labels(mesh, is_filled)
    of_patch = np.bincount(labels[is_filled], areas[is_filled])
    return np.asarray(is_filled & (of_patch[np.maximum(labels, 0)] >= SMALL_FILL_PERCENT / 100.0 * areas.sum()))


def scale_of(one: Body, other: Body, settings: RestoreSettings) -> Scale:
    """Lengths for two bones in one frame: the diagonal is that of both."""
    points = np.concatenate([one.mesh.vertices, other.mesh.vertices])
    return Scale(float(np.sqrt((np.ptp(points, axis=0) ** 2).sum())), settings)
