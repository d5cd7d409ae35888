"""Joints found where bones lie in one frame: gaps and overlaps against closed forms, and on an assembled skeleton."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from dog_individuals import read_bone
from solid_shapes import ball, box

from meshtools.errors import GeometryError
from meshtools.geometry.joint_ends import measure_joint
from meshtools.model import Mesh


def test_two_balls_have_the_gap_and_the_overlap_of_their_radii() -> None:
    """Closed form: least gap = distance of centres - both radii; the overlap its negative. Vertices lie on the line of centres."""
    apart, into = (measure_joint(ball(10.0), ball(6.0, (x, 0.0, 0.0))) for x in (17.5, 15.2))
    assert (apart.min_gap_mm, apart.overlap_mm) == pytest.approx((1.5, 0.0), abs=1e-9)
    assert (into.min_gap_mm, into.overlap_mm) == pytest.approx((0.0, 0.8), abs=0.01)
    assert apart.axis == pytest.approx([1.0, 0.0, 0.0], abs=0.01)


def test_facing_boxes_have_their_distance_as_every_gap_and_their_face_as_patch() -> None:
    """Two boxes of 4 x 4 mm, 1 mm apart, one of them shifted by 1 mm: 12 mm2 face the other, the rest within the reach."""
    joint = measure_joint(box((4, 4, 10)), box((4, 4, 10), (1.0, 0.0, 11.0)), reach_mm=0.1)
    assert (joint.min_gap_mm, joint.median_gap_mm, joint.p95_gap_mm) == pytest.approx((1.0, 1.0, 1.0), abs=0.05)
    assert (joint.area_a_mm2, joint.area_b_mm2) == pytest.approx((12.0, 12.0), rel=0.2)
    assert joint.centre == pytest.approx([0.5, 0.0, 5.5], abs=0.2)
    assert joint.axis == pytest.approx([0.0, 0.0, 1.0], abs=1e-6)


def test_a_box_pushed_into_another_overlaps_by_its_depth_and_swapping_the_two_changes_only_the_axis() -> None:
    one, other = box((6, 6, 10)), box((2, 2, 10), (0.0, 0.0, 9.3))
    joint, swapped = measure_joint(one, other), measure_joint(other, one)
    assert (joint.overlap_mm, joint.min_gap_mm) == pytest.approx((0.7, 0.0), abs=1e-9)
    assert swapped.overlap_mm == pytest.approx(joint.overlap_mm, abs=1e-12)
    assert swapped.axis == pytest.approx(-joint.axis, abs=1e-9)


def test_a_bone_without_faces_has_no_joint() -> None:
    with pytest.raises(GeometryError, match="without a surface"):
        measure_joint(box(), Mesh.create(np.zeros((3, 3)), np.zeros((0, 3), dtype=int)))


def test_lumbar_vertebrae_of_an_assembled_dog_meet_in_joints_whose_axis_is_the_column() -> None:
    """The dog stands along x (tests/real_bones.py); its lumbar gaps lie between 0 and 1.5 mm (measured here, no source)."""
    row = [Mesh.create(*read_bone(f"L_{k}")) for k in range(1, 5)]
    for a, b in pairwise(row):
        joint = measure_joint(a, b)
        assert 0.0 < joint.min_gap_mm < 0.5 < joint.median_gap_mm < 1.5
        assert joint.overlap_mm == 0.0
        assert joint.axis[0] < -0.99
