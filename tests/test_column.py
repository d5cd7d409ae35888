"""Vertebrae set along a curve: prisms against closed forms, and the lumbar row of a dog along its own curve."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from dog_individuals import read_bone
from solid_shapes import box, together

from meshtools.errors import GeometryError
from meshtools.geometry.column import CentrumEnds, centrum_ends, end_face, meet_ends, stack_column
from meshtools.geometry.joint_ends import measure_joint
from meshtools.geometry.transform import apply_matrix, move_points
from meshtools.model import Mesh

UP = np.array([0.0, 0.0, 1.0])


def block(length: float = 20.0) -> Mesh:
    """A centrum of 12 x 12 mm with a spine on top, its tail along x."""
    return together(box((length, 12, 12)), box((6, 3, 20), (0, 0, 18)))


def test_the_ends_of_a_block_are_its_two_faces_and_its_spine_points_up() -> None:
    ends = centrum_ends(block(), np.array([0.95, 0.1, -0.2]))
    assert ends.length_mm == pytest.approx(20.0)
    assert [tuple(end.normal.round(9)) for end in (ends.cranial, ends.caudal)] == [(-1, 0, 0), (1, 0, 0)]
    assert ends.caudal.radius_mm == pytest.approx(12 / np.sqrt(np.pi))
    assert ends.up == pytest.approx(UP, abs=1e-9)


def test_blocks_along_a_straight_line_have_exactly_the_stated_gaps() -> None:
    column = [centrum_ends(block(length), np.array([1.0, 0, 0])) for length in (20.0, 24.0, 16.0)]
    places = stack_column(column, [3.0, 4.0], np.array([[0.0, 0, 0], [0, 10, 0]]), UP)
    centres = [move_points(bone.cranial.centre[None], place)[0] for bone, place in zip(column, places, strict=True)]
    assert np.array(centres) == pytest.approx(np.array([[0, 0, 0], [0, 23, 0], [0, 51, 0]]), abs=1e-6)


def test_end_planes_along_an_arc_lie_on_it_and_tilt_evenly_to_its_normal() -> None:
    """Radius 100 mm: a chord of 20 mm stands for 2 asin(0.1) = 11.478 degrees, so each end is tilted by half of that."""
    angles = np.linspace(0, np.pi / 2, 2000)
    arc = 100.0 * np.column_stack([np.sin(angles), 0 * angles, 1 - np.cos(angles)])
    column = [centrum_ends(block(), np.array([1.0, 0, 0]))] * 4
    for place in stack_column(column, [2.0, 2.0, 2.0], arc, UP):
        for end in (column[0].cranial, column[0].caudal):
            point = move_points(end.centre[None], place)[0]
            radial = (point - [0, 0, 100]) / np.linalg.norm(point - [0, 0, 100])
            assert np.linalg.norm(point - [0, 0, 100]) == pytest.approx(100.0, abs=1e-3)
            assert np.degrees(np.arcsin(abs(radial @ place[:3, :3] @ end.normal))) == pytest.approx(5.739, abs=0.01)


def test_two_ends_meet_with_parallel_planes_and_the_stated_gap() -> None:
    turned = apply_matrix(block(), np.array([[0.0, -1, 0, 50], [1, 0, 0, 7], [0, 0, 1, 9], [0, 0, 0, 1]]))
    end, other = end_face(block(), np.array([1.0, 0, 0])), end_face(turned, np.array([0.0, -1, 0]))
    matrix = meet_ends(end, other, 2.5)
    assert matrix[:3, :3] @ other.normal == pytest.approx(-end.normal, abs=1e-12)
    assert move_points(other.centre[None], matrix)[0] == pytest.approx(end.centre + 2.5 * end.normal, abs=1e-9)


def test_a_landmark_chooses_the_end_face_and_a_wrong_count_of_gaps_is_refused() -> None:
    spine = end_face(block(), np.array([1.0, 0, 0]), near=np.array([3.0, 0, 25]))
    assert spine.centre == pytest.approx([3.0, 0, 18], abs=1e-9)
    with pytest.raises(GeometryError, match="has 1 gaps"):
        stack_column([centrum_ends(block(), np.array([1.0, 0, 0]))] * 2, [], np.eye(3), UP)


def test_a_lumbar_row_set_along_its_own_curve_has_the_gaps_of_the_assembled_one() -> None:
    """Bar: median gap within 0.5 mm (found: 0.13 at most); the least gap, between the processes, within 1 mm (found: 1.0)."""
    bones = [Mesh.create(*read_bone(f"L_{k}")) for k in range(1, 8)]
    ends: list[CentrumEnds] = [centrum_ends(bone, np.array([-1.0, 0, 0])) for bone in bones]
    curve = np.array([point for end in ends for point in (end.cranial.centre, end.caudal.centre)])
    gaps = [float(np.linalg.norm(after.cranial.centre - before.caudal.centre)) for before, after in pairwise(ends)]
    placed = [apply_matrix(bone, place) for bone, place in zip(bones, stack_column(ends, gaps, curve, UP), strict=True)]
    for was, now in zip(pairwise(bones), pairwise(placed), strict=True):
        before, after = measure_joint(*was), measure_joint(*now)
        assert after.median_gap_mm == pytest.approx(before.median_gap_mm, abs=0.5)
        assert after.signed_gap_mm == pytest.approx(before.signed_gap_mm, abs=1.05)
