"""Partial scans of one find: joined where they overlap, checked where they touch, merged into one skin."""

from __future__ import annotations

import numpy as np
import pytest
from dog_individuals import read_bone
from solid_shapes import ball, box

from meshtools.errors import GeometryError
from meshtools.geometry.fragments import join_fragments
from meshtools.geometry.pieces import area_vectors, take_faces
from meshtools.geometry.registration_poses import rotations_from_vectors
from meshtools.geometry.transform import apply_matrix, translation_matrix
from meshtools.model import Mesh


def two_scans(mesh: Mesh, reach: float) -> tuple[Mesh, Mesh]:
    """What a scanner sees from above and, turned over, from below; `reach` is how far past the silhouette it sees."""
    vectors = area_vectors(mesh.vertices, mesh.faces)
    upward = vectors[:, 2] / np.linalg.norm(vectors, axis=1)
    return take_faces(mesh, upward > -reach), take_faces(mesh, upward < reach)


def dense_bone(name: str) -> Mesh:
    import trimesh

    return Mesh.create(*trimesh.remesh.subdivide_loop(*read_bone(name), iterations=1))


def test_two_scans_of_a_bone_turned_over_on_the_table_are_laid_on_each_other() -> None:
    upper, lower = two_scans(dense_bone("L_3"), 0.5)
    matrix = translation_matrix((40.0, -20.0, 5.0))
    matrix[:3, :3] = rotations_from_vectors(np.array([[2.5, 0.7, -0.4]]))[0]
    joined = join_fragments([upper, apply_matrix(lower, matrix)])
    assert joined.is_trusted
    assert np.allclose(joined.poses[1] @ matrix, np.eye(4), atol=0.02)
    assert joined.residual_mm < 0.02


def test_two_scans_of_different_bones_are_not_trusted() -> None:
    upper, lower = two_scans(dense_bone("L_3"), 0.4)[0], two_scans(dense_bone("Tibial_tarsal_L"), 0.4)[1]
    assert not join_fragments([upper, lower]).is_trusted


def halves(gap_mm: float) -> tuple[list[Mesh], list[np.ndarray]]:
    """Two halves of a bar that meet at x = 0 when both poses are as given, and a pose that leaves a gap."""
    left, right = box((40.0, 12.0, 9.0), (-20.0, 0.0, 0.0)), box((40.0, 12.0, 9.0), (20.0, 0.0, 0.0))
    return [left, right], [np.eye(4), translation_matrix((gap_mm, 0.0, 0.0))]


def test_halves_that_touch_in_their_given_poses_are_accepted() -> None:
    joined = join_fragments(*halves(0.0))
    assert joined.is_trusted
    assert joined.gap_mm[0] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(("gap_mm", "said"), [(1.2, "a gap of 1.2 mm"), (-1.5, "an overlap of 1.5 mm"), (7.0, "7.0 mm apart")])
def test_a_given_pose_that_leaves_a_gap_or_an_overlap_is_said(gap_mm: float, said: str) -> None:
    assert said in join_fragments(*halves(gap_mm)).reasons[0]


def test_one_part_or_too_few_poses_are_refused() -> None:
    with pytest.raises(GeometryError, match="two or more"):
        join_fragments([ball(3.0)])
    with pytest.raises(GeometryError, match="2 parts need 2 poses"):
        join_fragments([ball(3.0), ball(3.0)], [np.eye(4)])
