"""Noise of a scan, measured and levelled along its mesh. Checks: noise that the tests add, and closed shapes."""

from __future__ import annotations

import numpy as np
import pytest
from solid_shapes import ball

from meshtools.geometry.mirror_noise import level_noise, measure_noise
from meshtools.model import Mesh


def noisy(mesh: Mesh, noise_mm: float) -> Mesh:
    """The mesh with every vertex moved at random, in each axis."""
    return mesh.replaced(vertices=mesh.vertices + np.random.default_rng(2).normal(size=mesh.vertices.shape) * noise_mm)


def dense_ball() -> Mesh:
    """A ball of radius 20 mm with 8,192 faces."""
    return ball(20.0, n_splits=5)


def test_the_noise_that_was_added_is_measured_within_a_tenth() -> None:
    assert measure_noise(noisy(dense_ball(), 0.2)) == pytest.approx(0.2, rel=0.1)


def test_levelling_leaves_less_than_half_of_the_noise_and_moves_a_quiet_surface_by_less_than_a_hundredth_of_its_radius() -> None:
    quiet, loud = (np.linalg.norm(level_noise(mesh).vertices, axis=1) for mesh in (dense_ball(), noisy(dense_ball(), 0.5)))
    assert np.std(loud) < 0.25
    assert np.abs(quiet - 20).max() < 0.2


def test_a_vertex_of_no_face_stays_where_it_is() -> None:
    mesh = noisy(dense_ball(), 0.2)
    lonely = Mesh.create(np.append(mesh.vertices, [[90.0, 0.0, 0.0]], axis=0), mesh.faces)
    assert np.array_equal(level_noise(lonely).vertices[-1], [90.0, 0.0, 0.0])
