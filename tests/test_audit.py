"""One definition of closed and outward."""

from __future__ import annotations

import math

import numpy as np
import pytest
from solid_shapes import ball, box, capsule, inverted, together, without

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.pieces import flat_share, label_pieces, rank_pieces


def test_a_box_is_closed_and_outward_with_the_volume_and_area_of_its_sides():
    audit = audit_topology(box((2, 3, 5), centre=(1e4, -70, 3)))
    assert (audit.is_closed, audit.is_outward, audit.n_pieces) == (True, True, 1)
    assert (audit.volume_mm3, audit.area_mm2) == (pytest.approx(30.0, rel=1e-9), pytest.approx(62.0, rel=1e-9))


def test_a_capsule_has_its_closed_form_volume_and_area():
    """pi r^2 (l + 4 r / 3) and 2 pi r (l + 2 r), closed form; 192 chords lose 0.02 % of a circle's area."""
    audit = audit_topology(capsule(10.0, 40.0, n_around=192, n_rings=48, n_along=1))
    assert audit.is_closed
    assert audit.volume_mm3 == pytest.approx(math.pi * 100 * (40 + 40 / 3), rel=1e-3)
    assert audit.area_mm2 == pytest.approx(2 * math.pi * 10 * 60, rel=1e-3)


def test_an_inverted_box_is_closed_but_not_outward():
    audit = audit_topology(inverted(box()))
    assert (audit.is_closed, audit.is_outward) == (True, False)


def test_a_cavity_is_outward_and_the_same_ball_outside_is_not():
    inside, beside = inverted(ball(3.0)), inverted(ball(3.0, centre=(40, 0, 0)))
    assert audit_topology(together(ball(10.0), inside)).is_outward
    assert not audit_topology(together(ball(10.0), beside)).is_outward


def test_a_missing_face_opens_three_edges():
    mesh = box()
    audit = audit_topology(mesh.replaced(faces=mesh.faces[1:], source=mesh.source[1:]))
    assert (audit.n_open_edges, audit.is_closed, audit.is_outward) == (3, False, True)


def test_one_turned_face_makes_three_edges_inconsistent():
    mesh = box()
    faces = mesh.faces.copy()
    faces[4] = faces[4][::-1]
    audit = audit_topology(mesh.replaced(faces=faces))
    assert (audit.n_inconsistent_edges, audit.is_closed, audit.is_outward) == (3, False, False)


def test_a_fin_makes_one_edge_nonmanifold():
    mesh = box()
    finned = mesh.replaced(vertices=[*mesh.vertices, [9.0, 9.0, 9.0]], faces=[*mesh.faces, [0, 1, 8]], source=0)
    audit = audit_topology(finned)
    assert (audit.n_nonmanifold_edges, audit.n_open_edges, audit.is_closed) == (1, 2, False)


def test_a_face_whose_corners_lie_on_one_line_is_degenerate():
    mesh = box((2, 2, 2))
    vertices = [*mesh.vertices, (mesh.vertices[0] + mesh.vertices[1]) / 2]
    audit = audit_topology(mesh.replaced(vertices=vertices, faces=[*mesh.faces, [0, 8, 1]], source=0))
    assert audit.n_degenerate == 1


def test_nothing_at_all_is_not_closed():
    audit = audit_topology(box().replaced(faces=np.zeros((0, 3)), source=[]))
    assert (audit.is_closed, audit.is_outward, audit.n_pieces) == (False, False, 0)


def test_an_open_bowl_is_outward_when_its_rim_closed_form_is():
    bowl = without(ball(10.0), (0, 0, 10), 6.0)
    assert audit_topology(bowl).is_outward
    assert not audit_topology(inverted(bowl)).is_outward


def test_pieces_are_ordered_by_area_whatever_their_order_in_the_file():
    pieces = rank_pieces(together(ball(1.0), box((30, 30, 30), (90, 0, 0)), ball(5.0, (0, 50, 0))))
    assert pieces.area.argsort().tolist() == [2, 1, 0]
    assert pieces.labels[[0, 512, -1]].tolist() == [2, 0, 1]


def test_labels_count_only_pieces_that_have_faces():
    mesh = together(box(), box(centre=(9, 0, 0)))
    assert label_pieces(mesh.faces[12:], len(mesh.vertices)).tolist() == [0] * 12


def test_a_box_is_all_flat_and_a_ball_is_not():
    assert flat_share(box((40, 30, 20))) == pytest.approx(1.0)
    assert flat_share(ball(20.0)) < 0.2
