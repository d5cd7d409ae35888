"""Bones laid on bones: real pairs that are exact mirrors, individuals made from them, fragments, and bones that have no single pose."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest
from dog_individuals import read_bone, warp
from real_bones import DOG, dog_bone
from scipy.spatial import cKDTree
from solid_shapes import ball

from meshtools.errors import GeometryError
from meshtools.geometry.registration import Registration, register
from meshtools.geometry.registration_kernels import _cell
from meshtools.geometry.registration_poses import Poses, closed_form_similarity, rotations_from_vectors, spread_rotations
from meshtools.geometry.registration_search import NearestGrid, improve_both_ways, sample_bone
from meshtools.geometry.transform import apply_matrix, move_points, reflect
from meshtools.model import Mesh

TRAPS = [  # pairs on which an alignment from the four sets of principal axes stops beside the true pose (measured), and a near one
    ("Phalanx_media_digiti_III_L", "Phalanx_media_digiti_III_R"), ("Phalanx_media_digiti_IV_L", "Phalanx_media_digiti_IV_R"),
    ("Carpal_Sesamoid_L", "Carpal_Sesamoid_R"),
]  # fmt: skip


def bone(name: str) -> Mesh:
    """A dog bone in mm."""
    return Mesh.create(*read_bone(name))


def placed(mesh: Mesh, factor: float = 1.0, seed: int = 3) -> tuple[Mesh, np.ndarray]:
    """The mesh enlarged, turned and moved, and the matrix that brings it back."""
    random = np.random.default_rng(seed)
    matrix = np.eye(4)
    matrix[:3, :3] = factor * rotations_from_vectors(random.normal(size=(1, 3)) * 2)[0]
    matrix[:3, 3] = random.normal(size=3) * 200
    return apply_matrix(mesh, matrix), np.linalg.inv(matrix)


def broken(mesh: Mesh, share: float, direction: tuple[float, float, float]) -> Mesh:
    """The mesh without the share of its faces that lies farthest along a direction, the break open."""
    along = mesh.vertices[mesh.faces].mean(axis=1) @ np.array(direction)
    kept = along < np.quantile(along, 1 - share)
    return Mesh.create(mesh.vertices, mesh.faces[kept])


@cache
def laid_on_its_partner(left: str, right: str) -> Registration:
    """A reflected left bone laid on the right one, once for all who ask."""
    return register(reflect(bone(left)), bone(right), "similarity")


def mirror_pairs() -> list[tuple[str, str]]:
    """Names of the left and right bones whose vertices are mirror images across y = 0 (the tongue bones are no limb bones)."""
    names = [path.stem[4:] for path in sorted(DOG.glob("BONE*.stl")) if "Lingual" not in path.stem]
    heights = {name: read_bone(name)[0] for name in names}
    pairs = []
    for a, b in itertools.combinations(names, 2):
        left, right = heights[a] * [1, -1, 1], heights[b]
        if len(left) == len(right) and left[:, 1].mean() * right[:, 1].mean() > 0 and abs(right[:, 1].mean()) > 1:
            gap = np.abs(np.sort(left, axis=0) - np.sort(right, axis=0)).max()
            if gap < 1e-4 * np.ptp(left, axis=0).max():
                pairs.append((a, b))
    return pairs


def test_the_closed_form_gives_back_the_similarity_that_made_the_pairs() -> None:
    points = np.random.default_rng(0).normal(size=(30, 3))
    moved, back = placed(Mesh.create(points, [[0, 1, 2]]), 1.37)
    assert np.allclose(closed_form_similarity(moved.vertices, points), back, atol=1e-12)


def test_the_closed_form_never_reflects() -> None:
    points = np.random.default_rng(0).normal(size=(30, 3))
    assert np.linalg.det(closed_form_similarity(points * [-1, 1, 1], points)) > 0


def test_the_start_rotations_leave_no_orientation_farther_than_32_degrees_away() -> None:
    starts, wanted = spread_rotations(700), rotations_from_vectors(np.random.default_rng(1).normal(size=(500, 3)) * 3)
    cosine = (np.einsum("aij,bij->ab", starts, wanted).max(axis=0) - 1) / 2
    assert np.degrees(np.arccos(cosine.clip(-1, 1))).max() < 32


def test_every_cell_around_a_bone_knows_its_nearest_sample_as_another_library_finds_it() -> None:
    """The referee is scipy's tree; no two samples of this bone are equally near a cell."""
    grid = NearestGrid(sample_bone(bone("Patella_L")))
    middles = grid.low + (np.indices(grid.shape).reshape(3, -1).T + 0.5) * grid.step
    assert np.array_equal(grid.near, cKDTree(grid.points).query(middles)[1])


@pytest.mark.parametrize(("left", "right"), TRAPS)
def test_a_reflected_left_bone_lies_exactly_on_its_right_partner(left: str, right: str) -> None:
    found = laid_on_its_partner(left, right)
    assert found.residual_rms_percent < 0.01
    assert abs(found.scale - 1) < 1e-4


@pytest.mark.slow
def test_all_61_mirror_pairs_of_a_real_skeleton_register_exactly() -> None:
    dog_bone("Femoris_L")
    pairs = mirror_pairs()
    residuals = {left: laid_on_its_partner(left, right).residual_rms_percent for left, right in pairs}
    assert len(residuals) == 61
    assert {name: residual for name, residual in residuals.items() if residual >= 0.01} == {}


def test_a_broken_smaller_individual_is_laid_on_a_whole_bone_with_its_size() -> None:
    whole = bone("Tibial_tarsal_L")
    other = whole.replaced(vertices=warp(whole.vertices, 0.2, 5))
    find, back = placed(broken(other, 0.3, (0.6, 0.0, 0.8)), 0.8)
    found = register(find, whole, "similarity")
    gap = move_points(find.vertices, found.fixed_from_moving) - move_points(find.vertices, back)
    assert found.is_trusted
    assert np.sqrt((gap**2).sum(axis=1).mean()) < 0.005 * np.ptp(whole.vertices, axis=0).max()
    assert found.scale == pytest.approx(1.25, rel=0.01)


def test_the_mirror_image_is_found_when_it_is_allowed() -> None:
    found = register(bone("Patella_L"), bone("Patella_R"), "rigid", may_reflect=True)
    assert found.is_reflected
    assert np.linalg.det(found.fixed_from_moving) == pytest.approx(-1)
    assert found.residual_rms_percent < 0.01


def test_a_ball_has_no_pose_that_can_be_trusted() -> None:
    whole = ball(10.0)
    found = register(whole, whole)
    assert not found.is_trusted
    assert "another pose fits" in found.reason


def test_the_same_bones_give_the_same_bits() -> None:
    left, right = bone("Carpal_ulnar_L"), bone("Carpal_ulnar_R")
    assert np.array_equal(register(left, right).fixed_from_moving, register(left, right).fixed_from_moving)


@pytest.mark.parametrize(
    ("place", "cell"), [(-5.0, 0), (2.5, 0), (3.5, 1), (11.9, 4), (12.1, 4), (np.inf, 4), (-np.inf, 0), (np.nan, 0)]
)
def test_every_place_lies_in_a_cell_of_the_grid_even_one_that_is_no_number(place: float, cell: int) -> None:
    """Five cells of 2 mm from 1 mm on: a cell that is none of them would be read from memory beyond the grid."""
    grid = np.zeros(5, np.int32), np.array([9.0, 1.0, 9.0]), 2.0, np.array([1, 5, 1]), np.zeros((1, 6))
    assert _cell(grid, 1, place) == cell


def test_a_bone_without_a_surface_is_refused_with_a_sentence() -> None:
    with pytest.raises(GeometryError, match="no faces"):
        register(Mesh.create(np.zeros((0, 3)), np.zeros((0, 3))), ball(1.0))


@pytest.mark.parametrize("part", ["rotation", "shift", "scale"])
def test_a_pose_that_is_not_finite_ends_a_search_with_a_sentence(part: str) -> None:
    """One of two, in any of its numbers; two finite ones are improved."""
    bone = sample_bone(ball(20.0))
    grids = (NearestGrid(bone, 100), NearestGrid(bone, 100))
    poses = Poses(np.stack([np.eye(3)] * 2), np.zeros((2, 3)), np.ones(2))
    widths = np.array([0.1])
    assert np.isfinite(improve_both_ways(grids, (bone, bone), poses, widths, True).shift).all()
    getattr(poses, part)[1] = np.nan
    with pytest.raises(GeometryError, match="no finite one"):
        improve_both_ways(grids, (bone, bone), poses, widths, True)
