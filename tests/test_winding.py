"""Which points lie inside a closed surface."""

from __future__ import annotations

import numpy as np

from meshtools.geometry.winding import is_surely_inside
from meshtools.model import Mesh


def needle_plate(n: int, length: float, thickness: float, width: float) -> Mesh:
    """A thin flat wedge whose top and bottom are fans of needles from one corner."""
    arc = np.column_stack([np.full(n, length), np.linspace(0.0, width, n)])
    outline = np.concatenate([[[0.0, 0.0]], arc])
    m = len(outline)
    vertices = np.concatenate([np.column_stack([outline, np.full(m, z)]) for z in (0.0, thickness)])
    fans = [face for i in range(1, m - 1) for face in ((0, i + 1, i), (m, m + i, m + i + 1))]
    walls = [face for i in range(m) for face in ((i, (i + 1) % m, (i + 1) % m + m), (i, (i + 1) % m + m, i + m))]
    return Mesh.create(vertices, np.array(fans + walls))


def test_points_close_to_a_plate_of_long_needles_lie_outside_it() -> None:
    """A hundredth of a millimetre off the plate: the fast winding number takes some of these to be within it, and many within it to be outside."""
    plate = needle_plate(200, 800.0, 0.01, 5.0)
    corners = plate.vertices[plate.faces]
    points = np.concatenate([corners.mean(axis=1), 0.8 * corners[:, 0] + 0.1 * corners[:, 1] + 0.1 * corners[:, 2]])
    points = points[(points[:, 2] > 0.009) & (points[:, 0] > 1.0)] + [0.0, 0.0, 0.01]
    assert len(points) > 300
    assert not is_surely_inside(plate, points).any()
    assert is_surely_inside(plate, points - [0.0, 0.0, 0.015]).all()
