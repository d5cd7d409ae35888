"""Rims are found as loops and closed with faces that continue the surface."""

from __future__ import annotations

import numpy as np
import pytest
from solid_shapes import ball, box, capsule, without

from meshtools.files.deliver_frame import recentre
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.flat_outline import flat_outline, outside_diagonals
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.rims import close_rims, close_rims_listed, find_rims
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.triangulate import triangulate_loop
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


def lobed_cup(n: int) -> tuple[Mesh, float]:
    """A cup with one flat rim of n points, unevenly set along three lobes and roughened as a cut scan is, whose skin leaves the rim at a small angle
    outwards; and the area within the rim in mm2."""
    random = np.random.default_rng(n)
    turn = np.sort(random.uniform(0.0, 2.0 * np.pi, n))
    radius = 20.0 + 5.0 * np.cos(3.0 * turn) + 0.02 * random.normal(size=n)
    x, y = radius * np.cos(turn), radius * np.sin(turn)
    vertices = np.concatenate([np.column_stack([x, y, 0 * x]), np.column_stack([1.2 * x, 1.2 * y, 0 * x + 0.5]), [[0.0, 0.0, 9.0]]])
    a, top = np.arange(n), np.full(n, 2 * n)
    b = (a + 1) % n
    faces = np.concatenate([np.stack([b, a, a + n], axis=1), np.stack([b, a + n, b + n], axis=1), np.stack([b + n, a + n, top], axis=1)])
    return Mesh.create(vertices, faces[:, ::-1]), float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) / 2.0)


@pytest.mark.parametrize("n", [12, 40, 150, 300])
def test_the_cap_of_a_flat_rim_with_hollows_stays_within_its_outline(n):
    """Its area is that of the rim's polygon (the shoelace formula), and no face of it lies on the skin beside the rim, in 64 bits or in 32."""
    cup, within_mm2 = lobed_cup(n)
    closing = close_rims_listed(cup, find_rims(cup), 1)
    (first, end), = closing.face_ranges
    assert mesh_areas(closing.mesh)[first:end].sum() == pytest.approx(within_mm2, rel=1e-9)
    assert count_self_intersections(closing.mesh).n_pairs == 0
    part = recentre(closing.mesh)
    assert count_self_intersections(Mesh.create(part.vertices.astype(np.float64), part.faces)).n_pairs == 0


@pytest.mark.parametrize("clearance", [0.0, 0.72, 0.74])
def test_a_diagonal_of_a_flat_loop_runs_within_it_and_keeps_its_distance_from_the_other_points(clearance):
    """An L of six corners: five of its nine diagonals run inside; two of these pass its inner corner at 3 / sqrt(17) = 0.728 mm."""
    bars = outside_diagonals(np.array([[0.0, 0], [4, 0], [4, 1], [1, 1], [1, 4], [0, 4]]), clearance)
    inside = {(i, j) for i in range(6) for j in range(i + 2, 6) if (i, j) != (0, 5) and not bars[i, j]}
    assert inside == {(0, 3), (1, 3), (3, 5)} | ({(0, 2), (0, 4)} if clearance < 3 / np.sqrt(17) else set())


def test_a_comb_is_spanned_within_its_outline_though_its_teeth_stand_in_line():
    """Twenty teeth of 0.2 mm by 5 mm on a back of 20 mm by 1 mm."""
    teeth = [(k + x, y) for k in range(20) for x, y in ((0.0, 0.0), (0.4, 0.0), (0.4, 5.0), (0.6, 5.0), (0.6, 0.0))]
    points = np.array([(0.0, -1.0), (20.0, -1.0), *teeth[::-1]])
    points = np.column_stack([points, np.zeros(len(points))])
    spanned = triangulate_loop(points, np.zeros((len(points), len(points)), dtype=bool))
    assert mesh_areas(Mesh.create(points, spanned)).sum() == pytest.approx(20.0 * 0.2 * 5.0 + 20.0 * 1.0 - 0.4 * 0.5)


@pytest.mark.parametrize(("rise_mm", "is_flat"), [(0.015, True), (0.025, False)])
def test_a_band_is_flat_by_its_width_and_not_by_its_length(rise_mm, is_flat):
    """A band of 100 x 2 mm bent along its length: its points lie up to the rise from the plane between, which a hundredth of its width allows."""
    x = np.append(np.linspace(0, 100, 21), np.linspace(100, 0, 21))
    bend = rise_mm * 2.0 * (np.abs(x / 50.0 - 1.0) - 0.5)
    points = np.stack([x, np.repeat([0.0, 2.0], 21), bend], axis=1)
    assert (flat_outline(points) is not None) == is_flat
