"""Where a surface passes through itself: the maker's count and the delivery check's, on closed forms, on soups and under motion."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from solid_shapes import ball, box, together

from meshtools.files.crossing_check import count_crossings
from meshtools.files.mesh_ply import write_replica_ply
from meshtools.files.verify_delivery import PlannedPart, verify_delivery
from meshtools.geometry import self_intersection
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.decimate import decimate_within
from meshtools.geometry.self_intersection import count_self_intersections, find_meeting_pairs
from meshtools.keys import hash_file
from meshtools.model import EvidenceClass, Mesh, Origin, Recipe, Severity, SourceEntry
from meshtools.settings import RebuildSettings
from meshtools.stages.rebuild import rebuild_element

TETRAHEDRON = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])


def n_pairs(vertices, faces) -> int:
    """Crossing pairs of faces, on which the maker and the check must agree."""
    mesh = Mesh.create(np.asarray(vertices, float), faces)
    made = count_self_intersections(mesh).n_pairs
    assert count_crossings(mesh.vertices, mesh.faces.astype(np.int64)) == made
    return made


def torus(tube_radius: float, ring_radius: float = 10.0, n_ring: int = 48, n_tube: int = 24) -> Mesh:
    """A ring around z; a tube thicker than the ring's radius crosses itself at the axis."""
    ring, tube = (2 * np.pi * np.arange(n) / n for n in (n_ring, n_tube))
    ring, tube = np.meshgrid(ring, tube + 0.1, indexing="ij")
    out = ring_radius + tube_radius * np.cos(tube)
    vertices = np.stack([out * np.cos(ring), out * np.sin(ring), tube_radius * np.sin(tube)], axis=-1).reshape(-1, 3)
    i, j = (g.ravel() for g in np.meshgrid(np.arange(n_ring), np.arange(n_tube), indexing="ij"))
    a, b = i * n_tube + j, (i + 1) % n_ring * n_tube + j
    c, d = (i + 1) % n_ring * n_tube + (j + 1) % n_tube, i * n_tube + (j + 1) % n_tube
    return Mesh.create(vertices, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]))


class TestClosedForms:
    @pytest.mark.parametrize("mesh", [box(), ball(n_splits=4), torus(4.0)], ids=["box", "ball", "ring"])
    def test_a_sound_surface_does_not_cross_itself_though_its_flat_faces_meet_in_one_plane(self, mesh):
        assert n_pairs(mesh.vertices, mesh.faces) == 0

    def test_a_ring_whose_tube_is_thicker_than_its_hole_crosses_itself_at_its_axis(self):
        mesh = torus(12.0)
        found = count_self_intersections(mesh)
        assert n_pairs(mesh.vertices, mesh.faces) == found.n_pairs > 0
        middles = mesh.vertices[mesh.faces[found.faces]].mean(axis=1)
        assert np.hypot(middles[:, 0], middles[:, 1]).max() < 2.0 + 2.0  # the tube reaches 2 mm beyond the axis; faces are about 3 mm wide

    def test_faces_looked_at_in_parts_of_their_tree_cross_where_they_do_as_a_whole(self, monkeypatch):
        """Parts are what threads share out. Scattered faces have few partners each, so a pair lost between two parts is a face that is lost."""
        random, n_faces = np.random.default_rng(3), 600
        corners = random.uniform(0, 10, (n_faces, 1, 3)) + random.normal(0, 6.0 / n_faces ** (1 / 3), (n_faces, 3, 3))
        mesh = Mesh.create(corners.reshape(-1, 3), np.arange(3 * n_faces).reshape(-1, 3))
        works = []
        monkeypatch.setattr(self_intersection, "at_once", lambda given: works.append(len(given)) or [work() for work in given])
        whole = find_meeting_pairs(mesh)
        monkeypatch.setattr(self_intersection, "LEAST_AT_ONCE", n_faces)
        assert np.array_equal(find_meeting_pairs(mesh), whole)
        assert (works, len(whole) > n_faces / 10) == ([1, self_intersection.PARTS_AT_ONCE], True)

    def test_two_tetrahedra_welded_at_a_corner_cross_where_one_pierces_the_other(self):
        first = [(0, 0, 0), (6, 0, 0), (0, 6, 0), (0, 0, 6)]
        second = [(0, 0, 0), (1, 1, 9), (2, 1, 9), (1, 2, 9)]  # a spike from the common corner out through the slanted face
        faces = np.concatenate([TETRAHEDRON, np.where(TETRAHEDRON == 0, 0, TETRAHEDRON + 3)])
        assert n_pairs([*first, *second[1:]], faces) == 3  # its three long sides through that face; its tip is the common corner

    def test_bodies_that_cross_but_do_not_hang_together_are_left_to_their_union(self):
        mesh = together(box(), box(centre=(0.5, 0.5, 0.5)))
        assert n_pairs(mesh.vertices, mesh.faces) == 0

    def test_a_flap_folded_back_onto_its_neighbour_counts_and_one_lifted_by_the_last_digit_does_not(self):
        corners = [(0, 0, 0), (4, 0, 0), (0, 4, 0)]
        faces = [[0, 1, 2], [1, 0, 3]]
        assert n_pairs([*corners, (1, 1, 0)], faces) == 1
        assert n_pairs([*corners, (1, 1, 5e-324)], faces) == 0
        assert n_pairs([*corners, (1, -1, 0)], faces) == 0

    def test_a_flap_folded_in_a_slanted_plane_counts_though_its_coordinates_are_no_whole_numbers(self):
        corners = [(0.2, 0.2, 0.0), (0.30000000000000004, 0.1, 0.1), (0.1, 0.0, 0.2), (0.1, 0.2, 0.0)]
        assert n_pairs(corners, [[0, 1, 2], [1, 0, 3]]) == 1

    def test_a_face_folded_over_a_common_corner_counts(self):
        corners = [(0, 0, 0), (4, 0, 0), (0, 4, 0), (2, 1, 0), (1, 2, 0)]
        assert n_pairs(corners, [[0, 1, 2], [0, 3, 4]]) == 1
        assert n_pairs([*corners[:3], (-2, -1, 0), (-1, -2, 0)], [[0, 1, 2], [0, 3, 4]]) == 0

    def test_a_face_stored_twice_counts(self):
        assert n_pairs([(0, 0, 0), (4, 0, 0), (0, 4, 0)], [[0, 1, 2], [0, 2, 1]]) == 1

    @pytest.mark.parametrize(("height", "expected"), [(0.0, 1), (1e-300, 0), (-1e-300, 1)])
    def test_a_corner_that_touches_another_face_counts_and_one_that_misses_it_by_next_to_nothing_does_not(self, height, expected):
        plate = [(0, 0, 0), (9, 0, 0), (0, 9, 0)]
        tip = [(2, 2, height), (2, 2, 5), (3, 2, 5)]
        bridge = [[0, 1, 2], [3, 4, 5], [0, 2, 6], [2, 5, 7], [5, 7, 6], [6, 2, 7]]  # joined far from the tip, so that it is one piece
        vertices = [*plate, *tip, (-9, 20, -5), (-9, 20, 5)]
        without_tip = n_pairs(vertices, [face for face in bridge if face != [3, 4, 5]])
        assert n_pairs(vertices, bridge) - without_tip == expected

    def test_a_face_without_area_counts_nowhere(self):
        assert n_pairs([(0, 0, 0), (4, 0, 0), (0, 4, 0), (8, 0, 0)], [[0, 1, 2], [0, 1, 3], [1, 3, 0]]) == 0


def crumpled(seed: int, grid: int) -> tuple[np.ndarray, np.ndarray]:
    """A few faces between points of a coarse grid, so that touching, folded, flat and repeated faces are the rule."""
    random = np.random.default_rng(seed)
    points = random.integers(0, grid, (random.integers(4, 10), 3)) * random.choice([1.0, 0.1])
    if seed % 5 == 0:
        points += random.normal(size=points.shape) * 1e-15
    return points, np.array([random.choice(len(points), 3, replace=False) for _ in range(8)])


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.integers(2, 5))
def test_two_independent_ways_agree_on_crumpled_soups(seed, grid):
    n_pairs(*crumpled(seed, grid))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(0, 10**6))
def test_the_count_depends_neither_on_the_order_of_faces_nor_on_unit_offset_side_or_axes(seed):
    points, faces = crumpled(seed, 4)
    points = np.rint(points * 10)  # whole numbers, so that every motion below is exact
    random = np.random.default_rng(seed)
    turned = faces[random.permutation(len(faces))][:, [1, 2, 0]]
    moved = points[:, [2, 0, 1]] * (-1, 1, 1) * 0.25 + (1024.0, -64.0, 3.0)
    renumbered = random.permutation(len(points))
    assert n_pairs(points, faces) == n_pairs(moved[renumbered], np.argsort(renumbered)[turned])


def test_a_rotation_keeps_the_count_of_a_surface_that_crosses_itself_in_general_position():
    mesh = torus(12.0)
    shaken = np.random.default_rng(2).normal(scale=0.05, size=mesh.vertices.shape)  # so that nothing touches exactly
    mesh = mesh.replaced(vertices=mesh.vertices + shaken)
    turn, _ = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))
    assert n_pairs(mesh.vertices @ turn.T * 0.001 + 7.0, mesh.faces) == n_pairs(mesh.vertices, mesh.faces)


class TestReplica:
    RECIPE = Recipe("rex", "rib-left", EvidenceClass.OWN, ("f-1",), False, 2.0, None, "own size", "own bone", (), "planned")
    SCANNED = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED),)

    def rebuilt(self, mesh):
        return rebuild_element(self.RECIPE, [Cleaned("f-1", mesh, self.SCANNED, 1.0)], RebuildSettings(), ())

    def test_a_crossing_replica_asks_for_a_look_and_says_where(self):
        result = self.rebuilt(torus(12.0).replaced(vertices=torus(12.0).vertices + (40.0, 0.0, 0.0)))
        finding = next(finding for finding in result.findings if finding.code == "self-intersection")
        assert finding.severity is Severity.REVIEW
        assert finding.value == result.facts["n_self_intersections"] > 0
        places = sorted(count_self_intersections(result.mesh).places_mm)
        height = 2.0 * np.sqrt(12.0**2 - 10.0**2)  # closed form: where the circle of the tube meets the axis
        assert sorted(z for _, _, z in places) == pytest.approx([-height, height], abs=3.0)  # its faces are 6 mm long
        assert all(f"({x:.1f}, {y:.1f}, {z:.1f})" in finding.message and x == pytest.approx(80.0, abs=1.0) for x, y, z in places)

    def test_a_sound_replica_says_nothing(self):
        result = self.rebuilt(torus(4.0))
        assert result.facts["n_self_intersections"] == 0
        assert result.findings == ()

    def test_a_written_replica_that_crosses_more_than_recorded_is_not_delivered(self, tmp_path):
        mesh = torus(12.0)
        path = tmp_path / "replica.ply"
        path.write_bytes(write_replica_ply(mesh))
        extents = tuple(np.ptp(mesh.vertices, axis=0))
        n_crossing = count_self_intersections(mesh).n_pairs
        assert verify_delivery(path, PlannedPart(audit_topology(mesh).volume_mm3, extents, hash_file(path), n_crossing)).findings == ()
        findings = verify_delivery(path, PlannedPart(audit_topology(mesh).volume_mm3, extents, hash_file(path))).findings
        assert [finding.code for finding in findings] == ["delivery-crossing"]


class TestDecimation:
    def test_a_thin_wavy_plate_is_not_pushed_through_itself_by_decimation(self):
        """0.8 mm thick at most and simplified within 0.5 mm; without the check 63 pairs of its faces crossed."""
        plate = ball(20.0, n_splits=4)
        x, y, z = plate.vertices.T
        plate = plate.replaced(vertices=np.stack([x, y, 0.02 * z + 2.0 * np.sin(x / 2) * np.cos(y / 3)], axis=1))
        simpler = decimate_within(plate, 0.5).mesh
        assert len(simpler.faces) < 0.8 * len(plate.faces)
        assert n_pairs(simpler.vertices, simpler.faces) == 0
