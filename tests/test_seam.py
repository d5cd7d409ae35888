"""The seam between original and taken-over skin, on rims whose band has a known area."""

from __future__ import annotations

import numpy as np
import pytest
from solid_shapes import box, together

from meshtools.geometry.pieces import face_areas
from meshtools.geometry.restore_join import Joined, _crumbs
from meshtools.geometry.seam import zip_rims
from meshtools.model import Mesh

BONE, SEAM = 1, 3
LONG, WIDE = 2.0, 0.15


def cup(n: int, height: float, depth: float) -> Mesh:
    """A cone below or above a rim of n points on a narrow ellipse at this height, its tip at the depth."""
    angle = np.arange(n) / n * 2 * np.pi
    rim = np.column_stack([LONG * np.cos(angle), WIDE * np.sin(angle), np.full(n, height)])
    here, after = np.arange(n), (np.arange(n) + 1) % n
    faces = np.column_stack([after, here, np.full(n, n)] if depth < height else [here, after, np.full(n, n)])
    return Mesh.create(np.vstack([rim, [0.0, 0.0, depth]]), faces, BONE)


@pytest.mark.parametrize(("n_own", "n_taken"), [(65, 109), (30, 40), (400, 577)])
def test_two_rims_that_run_around_a_thin_blade_are_joined_along_it_and_not_across(n_own: int, n_taken: int) -> None:
    """An ellipse of 4 by 0.3 mm, twice, 0.03 mm apart: a band as long as the ellipse's round (9 mm, no less than twice its length) and 0.03 wide.
    A cap across each would have the ellipse's area. Closed forms; the band is at most 5 % more than its part on the smooth ellipse."""
    zipped = zip_rims(cup(n_own, 0.0, -5.0), cup(n_taken, 0.03, 5.0), 0.3, SEAM)
    band = face_areas(zipped.mesh.vertices, zipped.mesh.faces)[zipped.mesh.source == SEAM].sum()
    angle = np.linspace(0, 2 * np.pi, 100_000)
    around = np.hypot(LONG * np.sin(angle), WIDE * np.cos(angle)).mean() * 2 * np.pi
    assert zipped.n_seams == 1
    assert band <= 1.05 * 0.03 * around + 0.02 * np.pi * LONG * WIDE


def test_a_flake_thinner_than_what_can_be_known_goes_and_a_thick_piece_stays() -> None:
    """Plates of 5 by 5 mm with one seam face each: 0.05 mm and 0.5 mm thick, where the two bones differ by 0.1 mm. Both are larger than the least."""
    bone, flake, plate = box((20, 20, 20)), box((5, 5, 0.05), (30, 0, 0)), box((5, 5, 0.5), (40, 0, 0))
    mesh = together(bone, flake, plate)
    is_new = np.zeros(len(mesh.faces), dtype=bool)
    is_new[[12, 24]] = True
    order = np.argsort(is_new, kind="stable")  # kept faces stand first
    mesh = mesh.replaced(faces=mesh.faces[order], source=np.where(is_new, SEAM, BONE)[order].astype(np.uint16))
    n_kept = int((~is_new).sum())
    crumbs = _crumbs(Joined(mesh, np.ones(n_kept, dtype=bool), n_kept, 1, 0, 0), 1.0, 0.3, SEAM)
    assert mesh.vertices[mesh.faces[crumbs]].reshape(-1, 3)[:, 0].min() > 25
    assert crumbs.sum() == len(flake.faces)
