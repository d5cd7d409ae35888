"""End faces of vertebrae, and one set on the other: prisms against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from solid_shapes import box, together

from meshtools.errors import GeometryError
from meshtools.geometry.column import end_face, meet_ends
from meshtools.geometry.transform import apply_matrix, move_points
from meshtools.model import Mesh


def block(length: float = 20.0) -> Mesh:
    """A centrum of 12 x 12 mm with a spine on top, its tail along x."""
    return together(box((length, 12, 12)), box((6, 3, 20), (0, 0, 18)))


def test_the_ends_of_a_block_are_its_two_faces() -> None:
    for x in (-1.0, 1.0):
        end = end_face(block(), np.array([x, 0, 0]))
        assert (tuple(end.centre.round(9)), tuple(end.normal.round(9))) == ((10 * x, 0, 0), (x, 0, 0))


def test_a_bone_without_skin_that_way_has_no_end_face() -> None:
    one_face = box().replaced(faces=box().faces[:1], source=None)
    with pytest.raises(GeometryError, match="no end face"):
        end_face(one_face, -np.cross(*np.diff(one_face.vertices[one_face.faces[0]], axis=0)))


@pytest.mark.parametrize("gap_mm", [2.5, 0.0, -1.5])
def test_two_ends_meet_with_parallel_planes_and_the_stated_gap(gap_mm: float) -> None:
    turned = apply_matrix(block(), np.array([[0.0, -1, 0, 50], [1, 0, 0, 7], [0, 0, 1, 9], [0, 0, 0, 1]]))
    end, other = end_face(block(), np.array([1.0, 0, 0])), end_face(turned, np.array([0.0, -1, 0]))
    matrix = meet_ends(end, other, gap_mm)
    assert matrix[:3, :3] @ other.normal == pytest.approx(-end.normal, abs=1e-12)
    assert move_points(other.centre[None], matrix)[0] == pytest.approx(end.centre + gap_mm * end.normal, abs=1e-9)


def test_ends_that_look_the_same_way_are_refused_and_opposite_ones_need_no_turn() -> None:
    end, behind = end_face(block(), np.array([1.0, 0, 0])), end_face(block(), np.array([-1.0, 0, 0]))
    assert meet_ends(end, behind, 1.0)[:3, :3] == pytest.approx(np.eye(3), abs=1e-12)
    with pytest.raises(GeometryError, match="look the same way"):
        meet_ends(end, end, 1.0)
