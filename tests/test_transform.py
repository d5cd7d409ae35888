"""Reflecting and scaling: check values, and the outside stays outside."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from meshtools.errors import GeometryError
from meshtools.geometry.transform import apply_matrix, chain, move_points, reflect, reflection_matrix, scale, scaling_matrix, translation_matrix
from meshtools.model import FloatArray, Mesh

CORNERS = list(itertools.product((0.0, 2.0), (0.0, 3.0), (0.0, 5.0)))
BOX_FACES = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]


@pytest.fixture
def box() -> Mesh:
    """A 2 x 3 x 5 mm box away from the origin, with a source number per face and a colour per vertex."""
    vertices = np.add(CORNERS, (7.0, -4.0, 11.0))
    return Mesh.create(vertices, BOX_FACES, np.arange(12), np.arange(24).reshape(8, 3))


def signed_volume_mm3(mesh: Mesh) -> float:
    """Divergence theorem (closed form)."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.sum(np.cross(a, b) * c) / 6.0)


def extents_mm(mesh: Mesh) -> FloatArray:
    return np.ptp(mesh.vertices, axis=0)


@pytest.mark.parametrize(("normal", "offset_mm", "point", "image"), [
    ((1.0, 0.0, 0.0), 2.0, (5.0, 1.0, 3.0), (-1.0, 1.0, 3.0)),
    ((1.0 / math.sqrt(2.0), 1.0 / math.sqrt(2.0), 0.0), 0.0, (1.0, 0.0, 0.0), (0.0, -1.0, 0.0)),
    ((3.0, 0.0, 0.0), 2.0, (5.0, 1.0, 3.0), (-1.0, 1.0, 3.0)),
])
def test_a_point_lands_where_the_closed_form_says(normal, offset_mm, point, image):
    """x' = x - 2(n.x - d)n, closed form; a normal three times as long names the same plane."""
    moved = move_points(np.array([point]), reflection_matrix(normal, offset_mm))
    assert moved[0] == pytest.approx(image, abs=1e-12)


@pytest.mark.parametrize("normal", [(1, 0, 0), (0, 0, -1), (0.3, -2.0, 0.7)])
def test_a_reflected_bone_faces_outward_and_keeps_its_volume(box, normal):
    assert signed_volume_mm3(reflect(box, normal, 4.5)) == pytest.approx(30.0, abs=1e-9)


def test_reflecting_twice_gives_the_same_vertices_and_faces(box):
    twice = reflect(reflect(box, (0.3, -2.0, 0.7), 4.5), (0.3, -2.0, 0.7), 4.5)
    assert np.abs(twice.vertices - box.vertices).max() < 1e-9
    assert np.array_equal(twice.faces, box.faces)


@pytest.mark.parametrize(("factor", "area_ratio", "volume_ratio"), [(1.25, 1.5625, 1.953125), (0.8, 0.64, 0.512), (1.15, 1.3225, 1.520875)])
def test_scaling_is_isometric(box, factor, area_ratio, volume_ratio):
    """Lengths k, areas k^2, volumes k^3 (closed form)."""
    scaled = scale(box, factor)
    assert extents_mm(scaled) / extents_mm(box) == pytest.approx([factor] * 3, rel=1e-6)
    assert signed_volume_mm3(scaled) / 30.0 == pytest.approx(volume_ratio, rel=1e-5)
    assert extents_mm(scaled)[0] * extents_mm(scaled)[1] / 6.0 == pytest.approx(area_ratio, rel=1e-9)


def test_scaling_is_about_the_origin(box):
    assert scale(box, 2.0).vertices == pytest.approx(box.vertices * 2.0)


def test_source_and_colour_travel_along(box):
    moved = reflect(box)
    assert np.array_equal(moved.source, box.source)
    assert np.array_equal(moved.colour, box.colour)


def test_a_chain_applies_its_first_matrix_first(box):
    matrix = chain(translation_matrix((1.0, 0.0, 0.0)), scaling_matrix(2.0), reflection_matrix())
    assert move_points(np.array([[3.0, 1.0, 1.0]]), matrix)[0] == pytest.approx((-8.0, 2.0, 2.0))
    assert signed_volume_mm3(apply_matrix(box, matrix)) == pytest.approx(240.0)


@pytest.mark.parametrize("factor", [0.0, -1.0, math.nan, math.inf])
def test_a_factor_that_makes_no_bone_is_refused(box, factor):
    with pytest.raises(GeometryError, match="above zero"):
        scale(box, factor)


def test_a_plane_without_a_direction_is_refused(box):
    with pytest.raises(GeometryError, match="not a direction"):
        reflect(box, (0.0, 0.0, 0.0))
