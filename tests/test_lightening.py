"""A light version for a page: as few faces as asked for, and no farther from the whole than it says."""

import numpy as np
import pytest
from test_decimate import densely_measured, read_bone

from meshtools.geometry.lightening import light_version
from meshtools.model import Mesh


@pytest.mark.parametrize("name", ["Sacrum", pytest.param("Jaw", marks=pytest.mark.slow)])
@pytest.mark.parametrize("share", [0.5, 0.1])
def test_a_light_version_lies_within_its_bound_and_its_number_of_faces(name: str, share: float) -> None:
    """Dense samples by igl, both ways, with a seed that the code never uses."""
    whole = read_bone(name)
    light, bound_mm = light_version(whole, int(share * len(whole.faces)))
    assert len(light.faces) <= int(share * len(whole.faces))
    assert 0.0 < densely_measured(whole, light) <= bound_mm + 1e-9


def test_a_light_version_has_the_sources_of_the_places_it_stands_for() -> None:
    """Of a sacrum whose left half has another source, each face of the light version is of its half, away from the middle."""
    whole = read_bone("Sacrum")
    middle = float(np.median(whole.vertices[:, 1]))
    whole = whole.replaced(source=(whole.vertices[whole.faces].mean(axis=1)[:, 1] > middle).astype(np.uint16))
    light, _ = light_version(whole, len(whole.faces) // 4)
    sides = light.vertices[light.faces].mean(axis=1)[:, 1] - middle
    far = np.abs(sides) > 5.0
    assert np.array_equal(light.source[far], (sides[far] > 0))


def test_a_surface_without_an_edge_that_can_go_is_made_light_all_the_same() -> None:
    """3,000 triangles that hang together nowhere, all over a ball: a library that takes edges away leaves nearly all of them."""
    random = np.random.default_rng(3)
    middles = random.normal(size=(3000, 3))
    middles *= 50.0 / np.linalg.norm(middles, axis=1, keepdims=True)
    corners = (middles[:, None] + random.normal(size=(3000, 3, 3))).reshape(-1, 3)
    mesh = Mesh.create(corners, np.arange(9000, dtype=np.int32).reshape(-1, 3))
    view, error_mm = light_version(mesh, 300)
    assert 100 < len(view.faces) <= 300
    assert densely_measured(mesh, view) <= error_mm < 25.0
