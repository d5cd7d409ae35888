"""Refining: what is said to be shown of a face is true of all of it, and nothing that is not shown passes for settled."""

import numpy as np
import pytest
from test_decimate import ball

from meshtools.geometry.distance import Surface
from meshtools.geometry.landing_kernels import face_neighbours
from meshtools.geometry.refining import Refining
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.simplify import simplify_around
from meshtools.model import Mesh

TOLERANCE_MM = 0.05


def rough_ball(seed: int) -> Mesh:
    """A ball of 20,480 faces with noise well above the tolerance at places, so that corners must be added over several rounds."""
    mesh, random = ball(10.0, 5), np.random.default_rng(seed)
    bumps = random.normal(0, 0.004, mesh.vertices.shape)
    bumps[random.choice(len(bumps), 300, replace=False)] *= 40
    return mesh.replaced(vertices=mesh.vertices + bumps)


@pytest.mark.parametrize("seed", range(4))
def test_every_distance_that_is_shown_of_a_face_holds_for_samples_all_over_it(seed: int) -> None:
    """After several rounds of added corners, both ways, with samples that the code never uses."""
    fine = rough_ball(seed)
    coarse = simplify_around(fine, np.zeros(len(fine.faces), bool), 1500)
    assert coarse is not None
    refining = Refining(fine, coarse, face_neighbours(fine.faces, len(fine.vertices)), TOLERANCE_MM)
    left = refining.settle()
    for mesh, other, shown_mm in ((fine, refining.coarse, refining.fine_mm), (refining.coarse, fine, refining.coarse_mm)):
        points, faces = sample_surface(mesh, 300_000, seed=seed + 70)
        assert (Surface(other).distance(points)[0] <= shown_mm[faces] + 1e-9).all()
    is_settled = max(refining.fine_mm.max(), refining.coarse_mm.max()) <= TOLERANCE_MM
    assert is_settled == (len(left) == 0)


def test_a_coarse_face_with_no_fine_surface_near_is_left_over() -> None:
    """A body apart from the fine surface, on which nothing lands, is named as not settled however many such faces there are."""
    fine, apart = ball(10.0, 4), ball(1.0, 2, offset=(30.0, 0.0, 0.0))
    faces = np.concatenate([fine.faces, apart.faces + len(fine.vertices)])
    coarse = Mesh.create(np.concatenate([fine.vertices, apart.vertices]), faces)
    refining = Refining(fine, coarse, face_neighbours(fine.faces, len(fine.vertices)), TOLERANCE_MM)
    assert len(refining.settle()) >= len(apart.faces)
