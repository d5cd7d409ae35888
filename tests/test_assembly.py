"""The mirror plane of a skeleton from its median bones, whose poses are a little off. The dog's own plane is y = 0."""

from __future__ import annotations

import numpy as np
import pytest
from dog_individuals import read_bone

from meshtools.errors import GeometryError
from meshtools.geometry.assembly import PlaneFit, assembly_plane
from meshtools.geometry.registration_poses import rotations_from_vectors
from meshtools.geometry.transform import move_points

MEDIAN_BONES = ("MergedSkull", "Jaw", "C_1", "C_3", "C_5", "C_7", "L_1", "L_3", "L_5", "L_7", "Sacrum", "Pelvis")


@pytest.fixture(scope="module")
def bones() -> dict[str, np.ndarray]:
    return {name: read_bone(name)[0] for name in (*MEDIAN_BONES, "Femoris_L", "Femoris_R")}


def posed(bones: dict[str, np.ndarray], angle_deg: float, seed: int, n: int = 12) -> list[PlaneFit]:
    """Planes of median bones that are turned by an angle about a random axis through a random one of their vertices."""
    random = np.random.default_rng(seed)
    fits: list[PlaneFit] = []
    for name in MEDIAN_BONES[:n]:
        axis, pivot = random.normal(size=3), bones[name][random.integers(len(bones[name]))]
        turn = rotations_from_vectors((axis / np.linalg.norm(axis) * np.radians(angle_deg))[None])[0]
        normal, point = turn @ [0.0, 1.0, 0.0], turn @ (bones[name].mean(axis=0) * [1, 0, 1] - pivot) + pivot
        fits.append((normal, float(normal @ point), point, 0.1))
    return fits


def angle_deg(plane) -> float:
    return float(np.degrees(np.arccos(min(1.0, abs(plane.normal[1])))))


def test_exact_poses_give_the_exact_plane(bones) -> None:
    plane = assembly_plane(posed(bones, 0.0, 0))
    assert np.allclose(plane.normal, [0, 1, 0], atol=1e-9)
    assert plane.offset_mm == pytest.approx(0, abs=1e-9)


def test_poses_off_by_one_degree_leave_the_plane_within_a_seventh_of_that(bones) -> None:
    found = [assembly_plane(posed(bones, 1.0, seed)) for seed in range(40)]
    assert np.median([angle_deg(plane) for plane in found]) <= 0.15
    assert np.mean([angle_deg(plane) <= plane.bound95_deg for plane in found]) >= 0.95


def test_a_femur_reflected_across_the_plane_lands_on_its_partner_within_sixty_parts_in_ten_thousand(bones) -> None:
    left, right = bones["Femoris_L"], bones["Femoris_L"] * [1, -1, 1]
    length = np.linalg.norm(np.ptp(left, axis=0))
    gaps = [np.linalg.norm(move_points(left, assembly_plane(posed(bones, 1.0, seed)).matrix) - right, axis=1).max() for seed in range(40)]
    assert np.median(gaps) <= 0.006 * length


def test_one_wrong_bone_is_set_aside_and_shows_its_deviation(bones) -> None:
    fits = posed(bones, 0.5, 1)
    turn = rotations_from_vectors(np.array([[0.4, 0.0, 0.2]]))[0]
    normal, point = turn @ [0.0, 1.0, 0.0], np.array([0.0, 25.0, 300.0])
    fits[4] = (normal, float(normal @ point), point, 0.1)
    plane = assembly_plane(fits)
    assert plane.weight[4] == 0
    assert angle_deg(plane) < 0.3
    assert plane.deviation_deg[4] > 20
    assert abs(plane.deviation_mm[4]) > 15


def test_the_sense_of_a_bones_normal_does_not_matter(bones) -> None:
    fits = posed(bones, 1.0, 2)
    turned = [(-np.asarray(n), -d, p, jk) if place % 2 else (n, d, p, jk) for place, (n, d, p, jk) in enumerate(fits)]
    assert np.allclose(assembly_plane(turned).normal, assembly_plane(fits).normal, atol=1e-12)


def test_two_bones_are_enough_and_one_is_not(bones) -> None:
    assert angle_deg(assembly_plane(posed(bones, 0.0, 0, 2))) < 1e-6
    with pytest.raises(GeometryError, match="two or more median bones"):
        assembly_plane(posed(bones, 0.0, 0, 1))
