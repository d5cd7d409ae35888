"""Distances from a few points without a tree of the whole mesh."""

import numpy as np
import pytest
from test_decimate import ball

from meshtools.geometry.distance import Surface
from meshtools.geometry.distance_nearby import farthest_nearby
from meshtools.geometry.pieces import has_faces


@pytest.mark.parametrize("off_mm", [0.0, 0.01, 0.5, 8.0, 500.0])
def test_the_farthest_point_is_the_one_that_a_tree_of_the_whole_mesh_names(off_mm: float) -> None:
    """Of points near the skin of a ball, deep in it and far off, each of them twice."""
    mesh = ball(10.0, 5, offset=(3.0, -40.0, 7.0))
    points = np.tile(mesh.vertices[::40] + np.random.default_rng(2).normal(0, off_mm, (len(mesh.vertices[::40]), 3)), (2, 1))
    distance = Surface(mesh).distance(points)[0]
    found, first = farthest_nearby(points, mesh)
    assert found == pytest.approx(distance.max(), rel=1e-12, abs=1e-9)
    assert distance[first] == pytest.approx(distance.max(), rel=1e-12, abs=1e-9)
    assert first < len(points) / 2


def test_faces_are_found_among_others_by_their_places_and_the_order_of_their_corners() -> None:
    """Of a ball's faces those that another ball shares, none that is turned over or moved by a last bit."""
    mesh = ball(10.0, 3)
    faces = mesh.faces.copy()
    faces[::2] = faces[::2][:, ::-1]
    assert np.array_equal(has_faces(mesh, mesh.replaced(faces=faces)), np.arange(len(faces)) % 2 == 1)
    moved = mesh.replaced(vertices=np.where(np.arange(len(mesh.vertices))[:, None] == 17, np.nextafter(mesh.vertices, 99), mesh.vertices))
    assert np.array_equal(has_faces(mesh, moved), ~(mesh.faces == 17).any(axis=1))
