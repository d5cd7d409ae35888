"""Crevices between pieces survive decimation, what does not is measured, and a body that is there twice is asked about."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from solid_shapes import ball, box, capsule, made_find, scan_of, together

from meshtools.geometry import decimate, repair_sheets
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.crevices import crevice_change
from meshtools.geometry.decimate import decimate_within
from meshtools.geometry.distance import Surface
from meshtools.geometry.nearness import faces_near_other_pieces
from meshtools.geometry.pieces import label_pieces, take_faces
from meshtools.geometry.repair_sheets import LISTED_PAIRS
from meshtools.geometry.unite import unite_pieces
from meshtools.model import Mesh, Severity
from meshtools.settings import CleanSettings
from meshtools.stages.clean import clean_scan

TOLERANCE_MM = 0.1
TURN = Rotation.from_euler("xyz", (20.0, 30.0, 40.0), degrees=True)


def labels_of(mesh: Mesh) -> np.ndarray:
    return label_pieces(mesh.faces, len(mesh.vertices))


def corners_of(mesh: Mesh) -> set[bytes]:
    return {corners.tobytes() for corners in mesh.vertices[mesh.faces]}


def n_near(mesh: Mesh, reach_mm: float) -> list[int]:
    """How many faces of either of two pieces are near the other one."""
    return np.bincount(labels_of(mesh)[faces_near_other_pieces(mesh, labels_of(mesh), reach_mm)], minlength=2).tolist()


def tooth_in_socket(gap_mm: float = 0.05) -> Mesh:
    """A ball in a round socket that is wider than it by a gap all around and opens upwards: two pieces, a crevice around it."""
    import manifold3d

    def solid(mesh: Mesh) -> manifold3d.Manifold:
        return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.faces.astype(np.uint64)))

    block = solid(box((24.0, 24.0, 12.0), (0.0, 0.0, -5.0))) - solid(ball(8.0 + gap_mm, n_splits=5))
    body = block.to_mesh64()
    return together(Mesh.create(np.asarray(body.vert_properties)[:, :3], np.asarray(body.tri_verts)), ball(8.0, n_splits=5))


def test_faces_near_another_piece_are_those_within_reach_of_it():
    """Against distances from dense points of every face to the other piece: none within reach is missed, none beyond it is named but for the 0.05 mm
    by which the points may miss the nearest one."""
    mesh = together(ball(8.0), box((20.0, 20.0, 4.0), (0.0, 0.0, 10.2)))
    labels = labels_of(mesh)
    near = faces_near_other_pieces(mesh, labels, 0.5)
    u, v = (grid[np.add(*np.meshgrid(range(41), range(41))) <= 40] / 40 for grid in np.meshgrid(range(41), range(41)))
    weights = np.stack([1 - u - v, u, v], axis=1)
    distance = np.empty(len(mesh.faces))
    for piece in (0, 1):
        other = Surface(take_faces(mesh, labels != piece))
        points = np.einsum("pk,mkj->mpj", weights, mesh.vertices[mesh.faces[labels == piece]])
        distance[labels == piece] = other.distance(points.reshape(-1, 3))[0].reshape(len(points), -1).min(axis=1)
    assert near[distance <= 0.5].all()
    assert not near[distance > 0.5 + 0.05].any()
    assert 0 < near.sum() < len(near) / 4


def test_faces_that_a_spike_goes_through_are_near_it_though_no_corner_or_edge_is():
    """A plate 100 mm wide of two triangles above and two below, with a spike 0.2 mm wide through the inside of one of each, 10 mm from its nearest
    edge: these two and the eight faces along the spike are near, its ends are not (closed form)."""
    mesh = together(box((100.0, 100.0, 1.0)), box((0.2, 0.2, 40.0), (20.0, 5.0, 0.0)))
    assert n_near(mesh, 0.5) == [2, 8]


@pytest.mark.parametrize("off_mm", [0.0, 1e6])
def test_parallel_walls_are_near_from_their_gap_on_wherever_they_stand(off_mm):
    """Two blocks 0.15 mm apart (closed form)."""
    mesh = together(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (0.0, 0.0, 10.15)))
    mesh = mesh.replaced(vertices=mesh.vertices + off_mm)
    assert (n_near(mesh, 0.1499999), n_near(mesh, 0.1500001)) == ([0, 0], [10, 10])


def test_skin_beside_one_piece_is_near_although_it_is_far_from_the_next():
    """Two blocks 0.1 mm apart, and a face 8 mm away that runs aslant through the box in which both could be near it (closed form)."""
    slope = Mesh.create([[40.0, 0, 0], [0, 40.0, 0], [0, 0, 40.0]], [[0, 1, 2]])
    mesh, labels = together(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (0.0, 0.0, 10.1)), slope), np.repeat([0, 1, 2], [12, 12, 1])
    assert np.bincount(labels[faces_near_other_pieces(mesh, labels, 0.2)], minlength=3).tolist() == [10, 10, 0]


@pytest.mark.parametrize("gap_mm", [0.092, 0.101, 0.13, 0.14])
def test_a_wall_as_far_as_the_reach_is_near_whatever_rounding_makes_of_it(gap_mm):
    """Two blocks (closed form): of either all faces but the two on its far side have a corner at the gap."""
    mesh = together(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (0.0, 0.0, 10.0 + gap_mm)))
    assert n_near(mesh, gap_mm) == [10, 10]


def test_which_faces_are_near_does_not_hang_on_their_order():
    """Two balls, one in the other, 0.1 to 0.9 mm apart."""
    mesh = together(ball(8.0), ball(8.5, (0.4, 0.0, 0.0)))
    near, order = faces_near_other_pieces(mesh, labels_of(mesh), 0.3), np.random.default_rng(0).permutation(len(mesh.faces))
    mixed = take_faces(mesh.replaced(faces=mesh.faces[order]), np.ones(len(order), bool))
    assert (faces_near_other_pieces(mixed, labels_of(mesh)[order], 0.3) == near[order]).all()
    assert 0.1 < near.mean() < 0.9


def test_a_tip_over_the_inside_of_a_face_is_near_from_its_gap_on():
    """An octahedron stands on its tip 0.1 mm over one of the two triangles of a wide plate: that one and the four around the tip (closed form)."""
    plate = box((100.0, 100.0, 1.0), (0.0, 0.0, -0.5))
    mesh = together(plate, ball(1.0, (20.0, 5.0, 1.1), 0))
    mesh = mesh.replaced(vertices=TURN.apply(mesh.vertices.copy()))
    assert (n_near(mesh, 0.0999), n_near(mesh, 0.1001)) == ([0, 0], [1, 4])


def test_edges_that_pass_each_other_in_the_air_are_near_from_their_gap_on():
    """Two ridges, one across the other 0.1 mm above it: the two faces on either side of each, and no other, whatever corner each face begins with
    (closed form)."""
    ridge = Mesh.create(np.array([[-20.0, 0, 0], [20.0, 0, 0], [0, -3.0, -9.0], [0, 3.0, -9.0]]), [[0, 2, 1], [1, 3, 0], [0, 3, 2], [1, 2, 3]])
    above = ridge.replaced(vertices=ridge.vertices[:, [1, 0, 2]] * [1.0, 1.0, -1.0] + [3.0, 2.0, 0.1])
    for first, second in np.ndindex(3, 3):
        mesh = together(*(one.replaced(faces=np.roll(one.faces, k, axis=1)) for one, k in ((ridge, first), (above, second))))
        mesh = mesh.replaced(vertices=TURN.apply(mesh.vertices.copy()))
        assert (n_near(mesh, 0.0999), n_near(mesh, 0.1001)) == ([0, 0], [2, 2])


def test_a_face_without_area_is_near_whatever_lies_beside_its_end():
    """Needles of 10 mm whose corners lie in one line but for rounding, each with a small face 0.1 mm beside its end: their normals are noise."""
    for seed in range(20):
        random = np.random.default_rng(seed)
        along, across = np.linalg.qr(random.normal(size=(3, 2)))[0].T
        start = random.normal(size=3) * 10.0
        places = np.array([[0.0, 0.0], [7.3, 0.0], [10.0, 0.0], [10.0, 0.1], [10.0, 0.11], [10.01, 0.11]])
        mesh = Mesh.create(start + places @ [along, across], [[0, 1, 2], [3, 4, 5]])
        assert faces_near_other_pieces(mesh, labels_of(mesh), 0.2).all()
        assert not faces_near_other_pieces(mesh, labels_of(mesh), 0.0999).any()


def test_one_piece_is_near_to_no_other():
    mesh = capsule(10.0, 80.0)
    assert not faces_near_other_pieces(mesh, labels_of(mesh), 5.0).any()


def test_skin_beside_a_crevice_keeps_every_face_and_the_rest_is_decimated():
    mesh = together(ball(20.0, n_splits=5), ball(20.0, (40.03, 0.0, 0.0), 5))
    near = faces_near_other_pieces(mesh, labels_of(mesh), 2 * TOLERANCE_MM)
    result = decimate_within(mesh, TOLERANCE_MM)
    assert corners_of(take_faces(mesh, near)) <= corners_of(result.mesh)
    assert 0 < near.sum() < len(result.mesh.faces) < len(mesh.faces) / 3
    assert unite_pieces(result.mesh).n_bodies == 2


def test_a_crevice_that_closes_is_measured_as_deep_as_it_was():
    """Two blocks of 10 mm, 0.1 mm apart, then overlapping: the middle of a wall is 5 mm from the nearest skin that is left (closed form)."""
    before = together(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (0.0, 0.0, 10.1)))
    after = together(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (0.0, 0.0, 9.95)))
    change = crevice_change(before, after, 0.2)
    assert change is not None
    assert (change.lost_mm, change.bound_mm) == (pytest.approx(5.0, rel=0.02), pytest.approx(5.0, rel=0.04))
    assert change.lost_mm <= change.bound_mm


def test_pieces_that_stay_apart_have_no_crevice():
    mesh = together(ball(5.0), ball(5.0, (20.0, 0.0, 0.0)))
    assert crevice_change(mesh, mesh, 1.0) is None


def test_a_tooth_stands_in_its_socket_after_decimation_as_before():
    """The crevice around it, 0.05 mm wide at a tolerance of 0.1 mm, is neither closed nor opened by more than that tolerance."""
    mesh = tooth_in_socket()
    result = clean_scan(scan_of(mesh), made_find(), CleanSettings(), (), TOLERANCE_MM)
    change = crevice_change(mesh, result.mesh, 2 * TOLERANCE_MM)
    assert change is not None
    assert change.bound_mm <= TOLERANCE_MM
    assert result.facts["decimation_bound_mm"] >= result.facts["crevices"]["bound_mm"]
    assert "crevice-changed" not in {finding.code for finding in result.findings}
    assert audit_topology(result.mesh).n_pieces == 2


def test_a_crevice_that_decimation_changed_is_asked_about(monkeypatch):
    """Where the skin beside the crevice is decimated like all other, the finding names how far the skin strays, and the stated bound holds it."""
    monkeypatch.setattr(decimate, "faces_near_other_pieces", lambda mesh, labels, reach_mm: np.zeros(len(mesh.faces), dtype=bool))
    result = clean_scan(scan_of(tooth_in_socket()), made_find(), CleanSettings(), (), TOLERANCE_MM)
    asked = {finding.code: finding for finding in result.findings if finding.severity is Severity.REVIEW}
    assert asked["crevice-changed"].value > TOLERANCE_MM
    assert result.facts["decimation_bound_mm"] >= asked["crevice-changed"].value


@pytest.mark.parametrize(
    ("grown_mm", "shift_mm", "is_asked"),
    [(0.1, 0.0, True), (0.0, 0.3, True), (0.6, 0.0, True), (1.5, 0.0, True), (3.5, 0.0, False), (0.0, 25.0, False)],
)
def test_a_body_that_is_there_twice_is_asked_about_and_two_bodies_are_not(grown_mm, shift_mm, is_asked):
    """A rod of 100 mm: within 1 mm, or within 2.6 mm, a fortieth of its diagonal."""
    one, other = capsule(10.0, 80.0), capsule(10.0 + grown_mm, 80.0 + grown_mm)
    scan = scan_of(together(one, other.replaced(vertices=other.vertices + [shift_mm, 0.0, 0.0])))
    codes = {finding.code for finding in clean_scan(scan, made_find(), CleanSettings(), (), 0.0).findings}
    assert ("doubled-body" in codes) is is_asked


@pytest.mark.parametrize(("grown_mm", "limit_mm"), [(0.1, 1.0), (1.5, 2.74)])
def test_the_question_of_a_doubled_body_names_the_limit_that_decided(grown_mm, limit_mm):
    """1 mm for two skins of a short bone, and a fortieth of the diagonal of a long one: rods 10 mm and 104 mm long."""
    length_mm, radius_mm = (80.0, 10.0) if limit_mm > 1.0 else (6.0, 2.0)
    mesh = together(capsule(radius_mm, length_mm), capsule(radius_mm + grown_mm, length_mm + grown_mm))
    findings = clean_scan(scan_of(mesh), made_find(), CleanSettings(), (), 0.0).findings
    (asked,) = [finding for finding in findings if finding.code == "doubled-body"]
    assert asked.value < asked.limit == pytest.approx(limit_mm, abs=0.01)


def test_no_reach_asks_about_no_doubled_body():
    mesh = together(capsule(10.0, 80.0), capsule(10.1, 80.0))
    settings = dataclasses.replace(CleanSettings(), doubled_layer_up_to_mm=0.0)
    assert "doubled-body" not in {finding.code for finding in clean_scan(scan_of(mesh), made_find(), settings, (), 0.0).findings}


def test_many_bodies_stored_twice_are_one_question(monkeypatch):
    """Eight bodies and as many nearly like them: the first pairs are named, and the search ends with the next one, each of which takes two looks."""
    looks, look = [], repair_sheets._is_layer
    monkeypatch.setattr(repair_sheets, "_is_layer", lambda *asked: looks.append(1) or look(*asked))
    bodies = [capsule(10.0 + k % 2 * 0.1, 80.0) for k in range(16)]
    row = together(*(body.replaced(vertices=body.vertices + [40.0 * (k // 2), 0.0, 0.0]) for k, body in enumerate(bodies)))
    findings = clean_scan(scan_of(row), made_find(), CleanSettings(), (), 0.0).findings
    (asked,) = [finding.message for finding in findings if finding.code == "doubled-body"]
    assert (asked.count("mm apart"), "and others" in asked, len(looks)) == (LISTED_PAIRS, True, 2 * (LISTED_PAIRS + 1))
