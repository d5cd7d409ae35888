"""Refining: what is said to be shown of a face is true of all of it, and nothing that is not shown passes for settled."""

import numpy as np
import pytest
from test_decimate import ball

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.collapsing import Collapsing
from meshtools.geometry.distance import Surface
from meshtools.geometry.landing_kernels import squared_distance
from meshtools.geometry.refining import Refining
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.triangle_kernels import FRAME, frame_of_triangle, squared_distance_within
from meshtools.model import Mesh

TOLERANCE_MM = 0.05


def rough_ball(seed: int) -> Mesh:
    """A ball of 20,480 faces with noise well above the tolerance at places, so that collapses must be undone over several rounds."""
    mesh, random = ball(10.0, 5), np.random.default_rng(seed)
    bumps = random.normal(0, 0.004, mesh.vertices.shape)
    bumps[random.choice(len(bumps), 300, replace=False)] *= 40
    return mesh.replaced(vertices=mesh.vertices + bumps)


def test_no_point_beside_a_needle_is_told_nearer_than_it_is() -> None:
    """Needles of 10 mm whose corners lie in one line but for rounding, and points 0.1 mm beside them (closed form): no plane of rounding comes in."""
    frames = np.empty((1, FRAME))
    for seed in range(400):
        random = np.random.default_rng(seed)
        along, across = np.linalg.qr(random.normal(size=(3, 2)))[0].T
        corners = random.normal(size=3) * 10.0 + np.outer([0.0, 7.3, 10.0], along)
        point = corners[0] + random.uniform(0.1, 9.9) * along + 0.1 * across
        frame_of_triangle(corners, 0, 1, 2, frames, 0)
        squared = squared_distance(*point, corners, 0, 1, 2), squared_distance_within(*point, frames, 0, np.inf)
        assert np.sqrt(squared) == pytest.approx(0.1, abs=1e-9)


def collapsed(fine: Mesh) -> Collapsing:
    """The ball after collapses, nothing kept."""
    return Collapsing(fine, np.zeros(len(fine.faces), bool), TOLERANCE_MM)


@pytest.mark.parametrize("seed", range(4))
def test_every_distance_that_is_shown_of_a_face_holds_for_samples_all_over_it(seed: int) -> None:
    """After several rounds of undoing, both ways, with samples that the code never uses; and all is shown."""
    fine = rough_ball(seed)
    refining = Refining(collapsed(fine), TOLERANCE_MM)
    assert refining.settle()
    for mesh, other, shown_mm in ((fine, refining.coarse, refining.fine_mm), (refining.coarse, fine, refining.coarse_mm)):
        points, faces = sample_surface(mesh, 300_000, seed=seed + 70)
        assert (Surface(other).distance(points)[0] <= shown_mm[faces] + 1e-9).all()
        assert shown_mm.max() <= TOLERANCE_MM
    assert len(refining.coarse.faces) < len(fine.faces) / 2


@pytest.mark.parametrize("most", [0, 1, 4])
def test_undoing_part_of_the_collapses_leaves_a_closed_ball_and_changes_nothing_far_away(most: int) -> None:
    """Of three faces somewhere: the surface is still closed with no edge of more than two faces, and faces that are said to stay have not moved."""
    collapsing = collapsed(rough_ball(7))
    before = collapsing.coarse
    undone = collapsing.undo_around(np.array([5, 100, 200]), most, 0)
    assert undone is not None
    after, place = collapsing.coarse, undone[0]
    assert audit_topology(after).is_closed
    assert len(before.faces) < len(after.faces) < len(before.faces) + 400 * (most + 1)
    stays = place >= 0
    assert np.array_equal(before.vertices[before.faces[stays]], after.vertices[after.faces[place[stays]]])
    assert collapsing.landing.distance_mm.max() < TOLERANCE_MM


def test_undoing_everything_gives_the_fine_mesh_back() -> None:
    """All collapses of every corner undone: the same faces in the same order, and every vertex lands on itself."""
    fine = rough_ball(3)
    collapsing = collapsed(fine)
    collapsing.undo_around(np.arange(len(collapsing.coarse.faces)), len(fine.vertices), 0)
    assert np.array_equal(collapsing.coarse.faces, fine.faces)
    assert np.array_equal(collapsing.coarse.vertices, fine.vertices)
    assert collapsing.landing.distance_mm.max() == 0.0
