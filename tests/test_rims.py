"""Rims are found as loops and closed with faces that continue the surface."""

from __future__ import annotations

import numpy as np
import pytest
from solid_shapes import ball, box, capsule, without

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.rims import close_rims, close_rims_listed, find_rims
from meshtools.model import Mesh


def test_a_closed_surface_has_no_rim():
    assert find_rims(ball()) == ()


def test_a_box_without_its_top_has_one_rim_of_known_span_length_and_centre():
    mesh = box((3, 4, 5))
    rim, = find_rims(mesh.replaced(faces=mesh.faces[2:], source=mesh.source[2:]))
    assert (rim.span_mm, rim.length_mm) == (pytest.approx(np.hypot(4, 5)), pytest.approx(18.0))
    assert rim.centre_mm == pytest.approx([-1.5, 0, 0])


def test_a_box_whose_lid_is_closed_again_has_its_volume_back():
    mesh = box((3, 4, 5))
    opened = mesh.replaced(faces=mesh.faces[2:], source=mesh.source[2:])
    closed = close_rims(opened, find_rims(opened), 1)
    audit = audit_topology(closed)
    assert (audit.is_closed, audit.is_outward, audit.volume_mm3) == (True, True, pytest.approx(60.0))
    assert closed.source.tolist() == [0] * 10 + [1] * 2


def test_two_rims_that_touch_at_a_vertex_are_two_loops_and_both_close():
    mesh = ball(10.0, n_splits=2)
    shared = int(mesh.vertices[:, 2].argmax())
    first, *others = np.flatnonzero((mesh.faces == shared).any(axis=1))
    opposite = next(face for face in others if len(np.intersect1d(mesh.faces[face], mesh.faces[first])) == 1)
    kept = np.setdiff1d(np.arange(len(mesh.faces)), [first, opposite])
    opened = mesh.replaced(faces=mesh.faces[kept], source=mesh.source[kept])
    rims = find_rims(opened)
    assert sorted(len(rim.vertices) for rim in rims) == [3, 3]
    assert audit_topology(close_rims(opened, rims, 1)).is_closed


def test_a_bowl_is_closed_and_the_cap_is_nearly_the_disc():
    """The cap of a ball cut at height h has a rim of radius sqrt(r^2 - h^2); its plane polygon has nearly that disc's area."""
    opened = without(ball(10.0, n_splits=4), (0, 0, 10.5), 6.0)
    closing = close_rims_listed(opened, find_rims(opened), 1)
    audit = audit_topology(closing.mesh)
    assert (audit.is_closed, audit.is_outward, len(closing.closed)) == (True, True, 1)
    assert closing.face_ranges == ((len(opened.faces), len(closing.mesh.faces)),)


def test_both_ends_of_a_long_tube_close_although_each_rim_has_hundreds_of_edges():
    tube = capsule(10.0, 40.0, n_around=400, n_rings=2, n_along=2)
    tube = without(without(tube, (0, 0, 30), 14.0), (0, 0, -30), 14.0)
    rims = find_rims(tube)
    assert [len(rim.vertices) for rim in rims] == [400, 400]
    audit = audit_topology(close_rims(tube, rims, 1))
    assert (audit.is_closed, audit.is_outward) == (True, True)


@pytest.mark.parametrize("seed", range(6))
def test_a_ball_torn_at_random_closes_and_keeps_every_edge_with_two_faces(seed):
    mesh = ball(10.0, n_splits=3)
    kept = np.random.default_rng(seed).random(len(mesh.faces)) > 0.25
    torn = mesh.replaced(faces=mesh.faces[kept], source=mesh.source[kept])
    audit = audit_topology(close_rims(torn, find_rims(torn), 1))
    assert (audit.n_open_edges, audit.n_nonmanifold_edges, audit.n_inconsistent_edges, audit.n_degenerate) == (0, 0, 0, 0)


def test_new_vertices_take_the_colour_of_the_rim():
    mesh = ball(10.0, n_splits=4)
    opened = without(mesh.replaced(colour=np.full((len(mesh.vertices), 3), (200, 150, 90))), (0, 0, 10.5), 6.0)
    closed = close_rims(opened, find_rims(opened), 1)
    assert closed.colour is not None
    assert (closed.colour == (200, 150, 90)).all()


def test_a_slit_without_area_is_left_open_rather_than_closed_by_degenerate_faces():
    slit = Mesh.create([[0, 0, 0], [1, 0, 0], [2, 0, 0], [1, 1, 0], [1, -1, 0]], [[0, 1, 3], [1, 2, 3], [2, 0, 4]])
    audit = audit_topology(close_rims(slit, [rim for rim in find_rims(slit) if len(rim.vertices) == 3], 1))
    assert audit.n_degenerate == 0
