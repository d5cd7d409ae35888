"""The size between bones that differ by a smooth change of shape. Checks: closed forms, and least squares on the same pairs."""

from __future__ import annotations

import numpy as np
from dog_individuals import read_bone, warp

from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.registration_search import sample_bone, similarity_columns
from meshtools.geometry.registration_smooth import fit_smoothly
from meshtools.model import Mesh

STEP = np.array([0.01, -0.02, 0.015, 0.004, -0.003, 0.002, 0.012])


def rod(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Points on an ellipsoid of length one and its normals."""
    directions = unit_vectors(np.random.default_rng(4).normal(size=(n, 3)))
    half = np.array([0.12, 0.15, 0.5])
    return directions * half, unit_vectors(directions / half)


def test_a_similarity_alone_is_given_back_exactly_and_leaves_no_displacement() -> None:
    points, normals = rod(200)
    gap = normals * (similarity_columns(points, normals) @ STEP)[:, None]
    step, displacement = fit_smoothly(points, gap, normals, np.linspace(0.1, 1.0, 200))
    assert np.allclose(step, STEP, atol=1e-9)
    assert np.abs(displacement.at(points)).max() < 1e-9


def test_over_sixty_smooth_changes_of_shape_of_a_pelvis_the_size_is_off_by_less_than_three_quarters_of_what_least_squares_leave() -> None:
    bone = sample_bone(Mesh.create(*read_bone("Pelvis")))
    points, normals = bone.points[:200], bone.normals[:200]
    errors = []
    for seed in range(60):
        gap = warp(points, 0.5, seed) - points
        plain = np.linalg.lstsq(similarity_columns(points, normals), (gap * normals).sum(axis=1), rcond=None)[0]
        errors.append((fit_smoothly(points, gap, normals, np.ones(200))[0][6], plain[6]))
    smooth_rms, plain_rms = np.sqrt((np.array(errors) ** 2).mean(axis=0))
    assert smooth_rms < 0.75 * plain_rms


def test_the_displacement_carries_points_between_the_pairs_that_tell_of_it() -> None:
    points, normals = rod(400)
    gap = normals * 0.01 * np.sin(points[:, 2:] * 8)
    step, displacement = fit_smoothly(points[::2], gap[::2], normals[::2], np.ones(200))
    told = similarity_columns(points, normals) @ step + np.einsum("nj,nj->n", displacement.at(points), normals)
    left = told[1::2] - (gap * normals).sum(axis=1)[1::2]
    assert np.sqrt((left**2).mean()) < 0.2 * np.sqrt((gap**2).sum(axis=1).mean())
