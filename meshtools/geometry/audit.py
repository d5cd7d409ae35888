"""Is a surface closed, consistent, outward and free of degenerate faces: one definition for the whole project.

Closed means: every edge is shared by exactly two faces that run along it in opposite directions, every vertex is finite, and no
face is degenerate (corners that coincide, or a height below 1e-12 of its longest edge).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.compiled import given
from meshtools.geometry.neighbours import half_edge_counts, mesh_half_edge_counts
from meshtools.geometry.orient import enclosed_volumes, find_cavities
from meshtools.geometry.pieces import mesh_areas, piece_labels
from meshtools.model import FloatArray, IntArray, Mesh

FLAT_RATIO = 1e-12
"""A face is degenerate when twice its area is at most this share of its longest edge squared: the rounding error of doubles."""


@dataclass(frozen=True)
class TopologyAudit:
    """What a mesh is, counted. volume_mm3 is meaningful where is_closed; elsewhere it is the value about the centroid."""

    n_vertices: int
    n_faces: int
    n_pieces: int
    n_open_edges: int
    n_nonmanifold_edges: int
    n_inconsistent_edges: int
    n_degenerate: int
    is_closed: bool
    is_outward: bool
    volume_mm3: float
    area_mm2: float


def is_degenerate(vertices: FloatArray, faces: IntArray) -> NDArray[np.bool_]:
    """(m,) True where a face's corners coincide or lie on one line, to rounding."""
    from meshtools.geometry.area_kernels import flat_faces

    return np.asarray(flat_faces(given(vertices, np.float64), given(faces, np.int32), FLAT_RATIO))


def count_edges(faces: IntArray, n_vertices: int) -> tuple[int, int, int]:
    """Edges with one face, with more than two faces, and with two faces that run along them in the same direction."""
    return _edge_totals(half_edge_counts(faces, n_vertices))


def _edge_totals(counts: tuple[NDArray[np.uint8], NDArray[np.uint8]]) -> tuple[int, int, int]:
    from meshtools.geometry.edge_kernels import edge_totals

    n_open, n_crowded, n_same = edge_totals(*(given(count, np.uint8) for count in counts))
    return int(n_open), int(n_crowded), int(n_same)


def signed_volume(mesh: Mesh) -> float:
    """Volume inside a closed surface by the divergence theorem, about the centroid; negative when it is inside out."""
    if len(mesh.faces) == 0:
        return 0.0
    from meshtools.geometry.area_kernels import cone_volumes

    return float(cone_volumes(mesh.vertices, mesh.faces, np.zeros(len(mesh.faces), np.int32), 1)[1][0])


def audit_topology(mesh: Mesh) -> TopologyAudit:
    """Count everything that can be wrong with a surface and say whether it is closed and outward.

    is_outward: every piece encloses a positive volume (an open piece once its rims are closed by fans), except pieces that lie inside
    another one and bound a cavity of it, whose volume is negative.
    """
    n_vertices, n_faces = len(mesh.vertices), len(mesh.faces)
    n_open, n_nonmanifold, n_inconsistent = _edge_totals(mesh_half_edge_counts(mesh))
    n_degenerate = int(is_degenerate(mesh.vertices, mesh.faces).sum())
    labels = piece_labels(mesh)
    n_pieces = int(labels.max()) + 1 if n_faces else 0
    is_closed = n_faces > 0 and not (n_open or n_nonmanifold or n_inconsistent or n_degenerate) and bool(np.isfinite(mesh.vertices).all())
    inward = np.flatnonzero(enclosed_volumes(mesh, labels) <= 0.0)
    cavities = find_cavities(mesh, labels, inward) if len(inward) else np.zeros(0, dtype=bool)
    return TopologyAudit(
        n_vertices, n_faces, n_pieces, n_open, n_nonmanifold, n_inconsistent, n_degenerate, is_closed,
        n_faces > 0 and n_inconsistent == 0 and bool(cavities.all()), signed_volume(mesh), float(mesh_areas(mesh).sum()),
    )
