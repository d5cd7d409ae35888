"""What a changed surface does to crevices between its pieces: skin that their union loses or gains there, measured and bounded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.bound import bound_deviation
from meshtools.geometry.distance import Surface
from meshtools.geometry.nearness import faces_near_other_pieces
from meshtools.geometry.pieces import piece_labels, take_faces
from meshtools.geometry.unite import unite_pieces
from meshtools.model import FloatArray, Mesh


@dataclass(frozen=True)
class CreviceChange:
    """How far the skin of two unions lies apart beside crevices, in mm.

    lost_mm: largest distance from skin of the union before to the union after, found at `lost_at_mm`; made_mm: the same the other way.
    No point beside a crevice is farther from the other union than bound_mm. n_faces: faces of the surface before that were looked at.
    """

    lost_mm: float
    made_mm: float
    bound_mm: float
    lost_at_mm: tuple[float, float, float]
    made_at_mm: tuple[float, float, float]
    n_faces: int


def crevice_change(before: Mesh, after: Mesh, reach_mm: float) -> CreviceChange | None:
    """Unite the pieces of a surface as it was and as it is now, and compare both unions beside every crevice of at most reach_mm; None
    where no two pieces come so near.

    Skin inside another piece is in no union, so it does not count. Our own method.
    """
    near = [faces_near_other_pieces(mesh, piece_labels(mesh), reach_mm) for mesh in (before, after)]
    if not any(is_near.any() for is_near in near):
        return None
    unions = [unite_pieces(mesh.replaced(source=is_near.astype(np.uint16))).mesh for mesh, is_near in zip((before, after), near, strict=True)]
    walls = [take_faces(union, union.source == 1) for union in unions]
    surfaces = [Surface(union) for union in unions]
    lost, made = _farthest(walls[0], surfaces[1]), _farthest(walls[1], surfaces[0])
    return CreviceChange(lost[0], made[0], max(lost[1], made[1]), lost[2], made[2], int(near[0].sum()))


def _farthest(walls: Mesh, surface: Surface) -> tuple[float, float, tuple[float, float, float]]:
    """Largest distance found from the walls to a surface, a bound on it, and the corner or centre of a face that is farthest."""
    if not len(walls.faces):
        return 0.0, 0.0, (0.0, 0.0, 0.0)
    points: FloatArray = np.concatenate([walls.vertices, walls.vertices[walls.faces].mean(axis=1)])
    distance = surface.distance(points)[0]
    bound = bound_deviation(walls, surface, known_mm=float(distance.max()))
    x, y, z = (float(value) for value in points[int(distance.argmax())])
    return bound.max_mm, bound.bound_mm, (x, y, z)
