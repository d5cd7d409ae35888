"""A raw scan becomes a clean surface; what was done to it is counted, and what is unsure is a finding."""

from __future__ import annotations

import dataclasses
import json
import math

import manifold3d
import numpy as np
import pytest
from real_bones import dog_bone
from solid_shapes import ball, box, capsule, inverted, made_find, scan_of, soup, together, without

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.orient import flip_faces, make_consistent
from meshtools.geometry.shared_edges import part_pairs
from meshtools.geometry.weld import cut_crowded_edges, remove_fins, weld, weld_scan
from meshtools.model import Caliper, Mesh, Opening, RawScan, ScalePoints, Severity, Unit, plain
from meshtools.settings import CleanSettings
from meshtools.stages.clean import clean_scan

SETTINGS = CleanSettings()
BONE = capsule(10.0, 80.0)
BONE_VOLUME_MM3 = audit_topology(BONE).volume_mm3
DOG_TYPE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def clean(mesh, openings=(), settings=SETTINGS, **find):
    return clean_scan(scan_of(mesh), made_find(**find), settings, openings, 0.0)


def codes(result, severity=None):
    return {finding.code for finding in result.findings if severity in (None, finding.severity)}


def opening(kind, point, action, diameter_mm=5.0):
    return Opening(2, "ridge-07", kind, *point, diameter_mm, action)


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_a_bone_smaller_than_its_tolerance_or_longer_than_any_is_a_wrong_unit(scale):
    with pytest.raises(GeometryError, match="correct the unit"):
        clean(BONE.replaced(vertices=BONE.vertices * scale), unit=Unit.MM)


class TestWelding:
    def test_a_triangle_soup_becomes_a_closed_surface(self):
        mesh = box((2, 3, 5))
        audit = audit_topology(weld_scan(**_arrays(soup(mesh.vertices, mesh.faces))).mesh)
        assert (audit.is_closed, audit.n_vertices, audit.volume_mm3) == (True, 8, pytest.approx(30.0))

    def test_every_kind_of_useless_face_is_dropped_and_counted(self):
        mesh = ball(10.0)
        faces = np.concatenate([mesh.faces, mesh.faces[:5, [1, 2, 0]], mesh.faces[5:7, ::-1], [[1, 1, 2]], [[0, 1, len(mesh.vertices)]]])
        vertices = np.concatenate([mesh.vertices, [[np.nan, 0, 0]]])
        welded = weld_scan(vertices, faces.astype(np.int32), None)
        assert (welded.counts["n_duplicates_removed"], welded.counts["n_degenerate_removed"], welded.counts["n_not_finite_removed"]) == (7, 1, 1)
        assert audit_topology(welded.mesh).is_closed

    def test_a_flat_face_in_a_closed_surface_goes_without_leaving_a_slit(self):
        mesh = box((2, 2, 2))
        middle = (mesh.vertices[0] + mesh.vertices[1]) / 2
        faces = [face for face in mesh.faces.tolist() if face != [0, 1, 3]] + [[0, 8, 3], [8, 1, 3], [0, 1, 8]]
        audit = audit_topology(weld(mesh.replaced(vertices=[*mesh.vertices, middle], faces=faces, source=0)).mesh)
        assert (audit.is_closed, audit.n_degenerate, audit.volume_mm3) == (True, 0, pytest.approx(8.0))

    def test_a_fin_goes_and_the_surface_below_stays_closed(self):
        mesh = ball(10.0)
        finned = mesh.replaced(vertices=[*mesh.vertices, [0, 0, 20.0]], faces=[*mesh.faces, [*mesh.faces[9][:2], len(mesh.vertices)]], source=0)
        repaired, n_fins = remove_fins(finned)
        assert (n_fins, audit_topology(repaired).is_closed) == (1, True)

    def test_two_boxes_that_share_an_edge_come_apart_as_two_closed_boxes(self):
        pair = weld(together(box((2, 2, 2)), box((2, 2, 2), (2, 2, 0)))).mesh
        assert audit_topology(pair).n_nonmanifold_edges == 1
        apart, n_cut = cut_crowded_edges(pair)
        audit = audit_topology(apart)
        assert (n_cut, audit.is_closed, audit.n_pieces, audit.volume_mm3) == (1, True, 2, pytest.approx(16.0, rel=1e-4))
        assert len(np.unique(apart.vertices.astype(np.float32), axis=0)) == 16

    def test_a_body_whose_skin_meets_itself_along_one_edge_closes(self):
        """Two cells are missing in the middle of a block, cornerwise: matter joins on above and below their common edge, so no copy of an end parts
        the skins there."""
        cells = [(x, y, z) for x in range(2) for y in range(2) for z in range(3) if z != 1 or x != y]
        block = cells_of(cells)
        assert audit_topology(block).n_nonmanifold_edges == 1
        result = clean(block)
        assert (result.facts["is_closed"], result.facts["n_pieces"], result.facts["n_edges_cut"]) == (True, 1, 1)
        assert result.facts["volume_mm3"] == pytest.approx(1000.0 * len(cells), rel=1e-4)

    @pytest.mark.parametrize("n_fewer", [0, 1])
    def test_a_parted_edge_keeps_sources_and_colours_and_a_face_left_over_ends_there(self, n_fewer):
        block = cells_of([(x, y, z) for x in range(2) for y in range(2) for z in range(3) if z != 1 or x != y])
        at_edge = np.flatnonzero((np.abs(block.vertices[block.faces][:, :, :2] - 10.0).max(axis=2) == 0.0).sum(axis=1) == 2)
        is_kept = ~np.isin(np.arange(len(block.faces)), at_edge[:n_fewer])
        mesh = Mesh.create(block.vertices, block.faces[is_kept], 3, np.full((len(block.vertices), 3), 7))
        parted = part_pairs(mesh, 0.001)
        audit = audit_topology(parted)
        assert (len(at_edge), audit.n_nonmanifold_edges, audit.n_open_edges) == (4, 0, 3 * n_fewer)
        assert (np.unique(parted.source).tolist(), np.unique(parted.colour).tolist()) == ([3], [7])
        assert audit.area_mm2 == pytest.approx(audit_topology(mesh).area_mm2, rel=1e-4)

    @pytest.mark.parametrize("share", [0.001, 0.3, 0.5])
    def test_faces_turned_at_random_agree_again(self, share):
        mesh = ball(10.0, n_splits=4)
        turned = flip_faces(mesh, np.random.default_rng(1).random(len(mesh.faces)) < share)
        again = flip_faces(turned, make_consistent(turned))
        assert audit_topology(again).n_inconsistent_edges == 0

    def test_colour_of_the_first_of_merged_vertices_is_kept(self):
        mesh = box().replaced(colour=np.arange(24).reshape(8, 3))
        scan = soup(mesh.vertices, mesh.faces)
        welded = weld_scan(scan.vertices, scan.faces, mesh.colour[mesh.faces.ravel()]).mesh
        assert {(*v, *c) for v, c in zip(welded.vertices, welded.colour, strict=True)} == {
            (*v, *c) for v, c in zip(mesh.vertices, mesh.colour, strict=True)}


def cells_of(cells: list[tuple[int, int, int]]) -> Mesh:
    """The skin of some cells of 10 mm."""
    corners, faces = {}, []
    for cell in cells:
        for axis in range(3):
            for side in (0, 1):
                beside = np.array(cell)
                beside[axis] += 2 * side - 1
                if tuple(beside.tolist()) in cells:
                    continue
                square = [(0, 0), (1, 0), (1, 1), (0, 1)] if side else [(0, 0), (0, 1), (1, 1), (1, 0)]
                points = [tuple(np.add(cell, np.roll((side, a, b), axis)).tolist()) for a, b in square]
                a, b, c, d = (corners.setdefault(point, len(corners)) for point in points)
                faces += [[a, b, c], [a, c, d]]
    return Mesh.create(10.0 * np.array(list(corners)), faces)


def _arrays(scan: RawScan):
    return {"vertices": scan.vertices, "faces": scan.faces, "colour": scan.colour}


class TestPieces:
    def test_floaters_go_and_closed_teeth_stay(self):
        """Teeth of 2.5 mm radius have 1.3 % of the bone's area, a 0.3 mm ball 0.02 %."""
        teeth = [ball(2.5, (8.0, 0, z)) for z in (-20, 0, 20)]
        dust = [ball(0.3, (30.0, y, 5), n_splits=1) for y in range(40)]
        result = clean(together(*dust, BONE, *teeth))
        assert (result.facts["n_pieces_kept"], result.facts["n_pieces_floater"], result.facts["n_pieces"]) == (4, 40, 4)
        assert not codes(result, Severity.REVIEW)

    def test_a_small_open_shred_goes_but_a_small_closed_piece_of_the_same_area_stays(self):
        shred = without(ball(1.2, (30, 0, 0)), (30, 0, 1.2), 1.2)
        result = clean(together(BONE, shred, ball(0.9, (0, 30, 0))))
        assert [piece["outcome"] for piece in result.facts["pieces"]] == ["kept", "floater", "kept"]

    @pytest.mark.parametrize(("x", "is_asked"), [(8.5, True), (30.0, False)])
    def test_an_open_piece_left_out_is_asked_about_where_it_lies_at_the_bone(self, x, is_asked):
        """Half a broken tooth in its socket is as small as a shred that floats beside the bone."""
        shred = without(ball(1.2, (x, 0, 0)), (x, 0, 1.2), 1.2)
        assert ("floater-at-bone" in codes(clean(together(BONE, shred)), Severity.REVIEW)) == is_asked

    def test_many_floaters_above_the_budget_ask_for_review(self):
        shreds = [without(ball(1.2, (30, 3 * k, 0)), (30, 3 * k, 1.2), 1.2) for k in range(12)]
        finding, = [f for f in clean(together(BONE, *shreds)).findings if f.code == "floater-budget"]
        assert (finding.severity, finding.limit) == (Severity.REVIEW, 2.0)
        assert finding.value > 2.0

    def test_two_bones_in_one_scan_are_reported_with_their_numbers_until_one_is_named(self):
        pair = together(capsule(8.0, 60.0), BONE.replaced(vertices=np.add(BONE.vertices, (50, 0, 0))))
        assert "comparable-pieces" in codes(clean(pair), Severity.REVIEW)
        named = clean(pair, pieces=(1,))
        assert named.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3, rel=1e-6)
        assert "comparable-pieces" not in codes(named)

    def test_a_piece_number_that_the_scan_does_not_have_is_said(self):
        assert "piece-number" in codes(clean(BONE, pieces=(1, 4)), Severity.REVIEW)
        with pytest.raises(GeometryError, match="ridge-07"):
            clean_scan(scan_of(BONE), made_find(pieces=(4,)), SETTINGS, (opening("support", (0, 0, 0), "remove"),), 0.0)

    def test_a_named_support_block_goes_and_an_unnamed_one_is_proposed_with_its_place(self):
        scan = together(BONE, box((30, 30, 6), (0, 0, -60)))
        proposed, = [f for f in clean(scan).findings if f.code == "support-like"]
        assert (proposed.severity, "0, 0, -60" in proposed.message.replace("-0,", "0,")) == (Severity.REVIEW, True)
        removed = clean(scan, [opening("support", (2.0, 1.0, -60.5), "remove")])
        assert removed.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3, rel=1e-6)
        assert not codes(removed, Severity.REVIEW)

    def test_a_scan_inside_out_is_turned_and_its_cavity_stays_a_cavity(self):
        hollow = together(BONE, inverted(ball(5.0)))
        result = clean(inverted(hollow))
        inside = audit_topology(ball(5.0)).volume_mm3
        assert result.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3 - inside, rel=1e-6)
        assert (result.facts["is_outward"], result.facts["n_cavities"]) == (True, 1)
        assert "inside-out" in codes(result)

    def test_a_tooth_inside_out_with_its_root_in_the_bone_is_turned_and_not_taken_for_a_cavity(self):
        result = clean(together(BONE, inverted(ball(4.0, (8.0, 0, 0)))))
        assert result.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3 + audit_topology(ball(4.0)).volume_mm3, rel=1e-6)

    def test_a_scan_without_a_usable_face_names_the_find(self):
        with pytest.raises(GeometryError, match="ridge-07"):
            clean_scan(RawScan(np.zeros((3, 3)), np.array([[0, 1, 2]], dtype=np.int32), None, "stl", None), made_find(), SETTINGS, (), 0.0)


class TestScale:
    @pytest.mark.parametrize(("unit", "mm"), [(Unit.MM, 1.0), (Unit.CM, 10.0), (Unit.M, 1000.0), (Unit.INCH, 25.4)])
    def test_the_unit_of_the_register_brings_the_scan_to_millimetres(self, unit, mm):
        result = clean(BONE.replaced(vertices=BONE.vertices / mm), unit=unit, caliper=Caliper(100.0, "greatest-length"))
        assert result.facts["greatest_length_mm"] == pytest.approx(100.0)
        assert not codes(result, Severity.REVIEW)

    @pytest.mark.parametrize(("length_mm", "is_wrong"), [(100.49, False), (100.6, True), (99.55, False), (99.4, True)])
    def test_a_caliper_difference_above_half_a_percent_asks_for_review(self, length_mm, is_wrong):
        result = clean(BONE, caliper=Caliper(length_mm, "greatest-length"))
        assert ("caliper" in codes(result, Severity.REVIEW)) == is_wrong
        row, = result.facts["lengths"]
        assert (row["mesh_mm"], row["caliper_mm"], row["difference_mm"]) == pytest.approx((100.0, length_mm, 100.0 - length_mm), abs=1e-5)

    def test_a_scan_in_inches_said_to_be_millimetres_is_named_as_such(self):
        result = clean(BONE.replaced(vertices=BONE.vertices / 25.4), caliper=Caliper(100.0, "greatest-length"))
        finding, = [f for f in result.findings if f.code == "caliper"]
        assert "in inch and not in mm" in finding.message

    def test_the_caliper_is_held_against_the_bone_without_its_floaters(self):
        result = clean(together(BONE, ball(0.3, (0, 0, 90))), caliper=Caliper(100.0, "extent-z"))
        assert "caliper" not in codes(result)

    def test_a_model_without_unit_takes_its_scale_from_the_caliper_which_is_then_no_check(self):
        shrunk = together(BONE.replaced(vertices=BONE.vertices * 0.0123), ball(0.002, (0, 0, 1.4)))
        alone = clean(shrunk, unit=Unit.NONE, caliper=Caliper(100.0, "greatest-length"))
        assert alone.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3, rel=1e-6)
        assert (alone.facts["scale_basis"], codes(alone, Severity.REVIEW)) == ("caliper", {"scale-unchecked"})
        second = {"unit": Unit.NONE, "caliper": Caliper(100.0, "greatest-length")}
        assert not codes(clean(shrunk, **second, second_caliper=Caliper(20.05, "greatest-breadth")), Severity.REVIEW)
        assert "caliper" in codes(clean(shrunk, **second, second_caliper=Caliper(22.0, "greatest-breadth")), Severity.REVIEW)

    def test_scale_points_give_the_scale_and_the_caliper_checks_it(self):
        points = ScalePoints((0, 0, -0.5), (0, 0, 0.5), 100.0)
        small = BONE.replaced(vertices=BONE.vertices / 100.0)
        result = clean(small, unit=Unit.NONE, scale_points=points, caliper=Caliper(100.0, "greatest-length"))
        assert (result.facts["mm_per_unit"], codes(result, Severity.REVIEW)) == (100.0, set())

    def test_no_scale_at_all_fails_the_find(self):
        assert codes(clean(BONE, unit=Unit.NONE), Severity.FAILED) == {"no-scale"}

    def test_a_file_that_states_another_unit_than_the_register_is_reported(self):
        raw = dataclasses.replace(scan_of(BONE), file_unit=Unit.M)
        assert "unit-contradiction" in codes(clean_scan(raw, made_find(), SETTINGS, (), 0.0), Severity.REVIEW)


class TestHoles:
    small = without(BONE, (10, 0, 0), 1.8)
    large = without(small, (-10, 0, 10), 4.5)

    def test_a_small_hole_is_closed_and_listed_and_a_large_one_stays_open_and_listed(self):
        result = clean(self.large)
        fill, = result.facts["fills"]
        assert fill["centre_mm"] == pytest.approx([10, 0, 0], abs=0.5)
        assert (fill["n_faces"], result.facts["is_closed"], len(result.facts["rims_left"])) == (int((result.mesh.source == 1).sum()), False, 1)
        assert ("open-rims" in codes(result, Severity.NOTE), result.facts["volume_mm3"]) == (True, None)

    def test_a_kept_opening_is_not_closed_and_a_large_one_named_to_close_is(self):
        openings = [opening("foramen", (10, 0, 0), "keep"), opening("break", (-10, 0, 10), "close", 9.0)]
        result = clean(self.large, openings)
        assert [row["centre_mm"][0] > 0 for row in result.facts["rims_left"]] == [True]
        assert [fill["centre_mm"][0] < 0 for fill in result.facts["fills"]] == [True]

    def test_opening_coordinates_are_in_scan_units(self):
        scan = self.small.replaced(vertices=self.small.vertices / 1000.0)
        assert clean(scan, [opening("foramen", (0.010, 0, 0), "keep")], unit=Unit.M).facts["n_fills"] == 0

    def test_an_opening_that_names_no_rim_is_said(self):
        assert "opening-unmatched" in codes(clean(BONE, [opening("break", (10, 0, 0), "close")]), Severity.REVIEW)

    def test_a_wide_fill_asks_for_review(self):
        result = clean(self.large, settings=dataclasses.replace(SETTINGS, close_holes_up_to_mm=30.0, fill_span_review_percent=5.0))
        assert "fill-span" in codes(result, Severity.REVIEW)
        assert result.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3, rel=0.005)

    def test_a_spike_is_cut_out_and_a_cone_tip_is_not(self):
        vertices = BONE.vertices.copy()
        vertices[[3000, 3500]] *= [[1.3, 1.3, 1.0], [0.75, 0.75, 1.0]]
        cone = capsule(10.0, 80.0)
        tapering = cone.vertices * np.clip((55 - cone.vertices[:, 2]) / 40, 0.02, 1)[:, None] ** (1, 1, 0)
        result = clean(BONE.replaced(vertices=vertices))
        assert (result.facts["n_spikes_cut"], result.facts["is_closed"]) == (2, True)
        assert result.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3, rel=1e-3)
        assert (clean(BONE).facts["n_spikes_cut"], clean(cone.replaced(vertices=tapering)).facts["n_spikes_cut"]) == (0, 0)

    def test_a_slit_is_widened_and_closed_as_a_hole(self):
        """One face is split at the middle of an edge and its neighbour is not: a rim of three points on a line."""
        a, b, c = BONE.faces[7000]
        middle = len(BONE.vertices)
        faces = [*np.delete(BONE.faces, 7000, axis=0), [a, middle, c], [middle, b, c]]
        slit = BONE.replaced(vertices=[*BONE.vertices, BONE.vertices[[a, b]].mean(axis=0)], faces=faces, source=0)
        result = clean(slit)
        assert (result.facts["is_closed"], result.facts["n_degenerate"]) == (True, 0)
        assert result.facts["volume_mm3"] == pytest.approx(BONE_VOLUME_MM3, rel=1e-3)

    def test_coarse_points_are_noted_with_the_resolution_rule(self):
        """Q = 1 - m/s (Archaeology Data Service guide, quoting English Heritage): m = 12, s = 6 gives -1."""
        coarse = ball(60.0, n_splits=3)
        finding, = [f for f in clean(coarse, settings=dataclasses.replace(SETTINGS, part_tolerance_mm=6.0)).findings if f.code == "spacing"]
        facts = clean(coarse, settings=dataclasses.replace(SETTINGS, part_tolerance_mm=6.0)).facts
        assert finding.value == pytest.approx(facts["spacing_mm"], abs=1e-6)
        assert facts["resolution_ratio"] == pytest.approx(1 - facts["spacing_mm"] / 6.0, abs=1e-6)

    def test_the_blocks_of_a_volume_are_noted_and_a_bone_is_none(self):
        """A stepped cone of seven square slabs, in faces of 2 mm at most."""
        slabs = [manifold3d.Manifold.cube((28.0 - 4 * k, 28.0 - 4 * k, 2.0), True).translate((0, 0, 1.5 * k)) for k in range(7)]
        body = sum(slabs[1:], slabs[0]).refine_to_length(2.0).to_mesh64()
        steps = Mesh.create(np.asarray(body.vert_properties)[:, :3], np.asarray(body.tri_verts))
        noted = [finding for finding in clean(steps).findings if finding.code == "square-steps"]
        assert [(finding.severity, finding.value) for finding in noted] == [(Severity.NOTE, pytest.approx(100.0, abs=1e-6))]
        assert "square-steps" not in codes(clean(BONE))


def test_all_facts_are_plain_and_the_same_input_gives_the_same_result():
    one, two = clean(TestHoles.large), clean(TestHoles.large)
    assert json.dumps(plain(one.facts), allow_nan=False) == json.dumps(plain(two.facts), allow_nan=False)
    assert one.mesh.vertices.tobytes() == two.mesh.vertices.tobytes()
    assert one.mesh.faces.tobytes() == two.mesh.faces.tobytes()


def _dog_scan(name):
    corners = np.fromfile(dog_bone(name), dtype=DOG_TYPE, offset=84)["corners"].astype(np.float64)
    return RawScan(corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3), None, "stl", None)


@pytest.mark.parametrize("name", ["MergedSkull", "Jaw"])
def test_all_23_closed_pieces_of_a_skull_and_a_jaw_survive(name):
    """Dog bones of dm_control 1.0.50 (Apache-2.0), metres."""
    result = clean_scan(_dog_scan(name), made_find(unit=Unit.M), SETTINGS, (), 0.0)
    assert (result.facts["n_pieces"], result.facts["is_closed"], result.facts["is_outward"]) == (23, True, True)


def test_sheets_that_meet_along_one_edge_and_are_no_skin_are_refused_with_a_sentence() -> None:
    """Four faces on one edge: each is a fin of the others, and nothing is left."""
    tips = [[0.0, 10.0, 0.0], [0.0, -10.0, 0.0], [0.0, 0.0, 10.0], [0.0, 0.0, -10.0]]
    vertices, faces = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], *tips]), np.array([[0, 1, 2], [0, 1, 3], [1, 0, 4], [0, 1, 5]], np.int32)
    with pytest.raises(GeometryError, match="holds no face that is part of a skin"):
        clean_scan(RawScan(vertices, faces, None, "stl", None), made_find(unit=Unit.MM), SETTINGS, (), 0.0)


def test_a_damaged_femur_comes_back_within_a_percent_of_its_volume():
    """Holes, floaters, duplicate, turned and degenerate faces and fins are put into a real femur (dm_control 1.0.50, Apache-2.0)."""
    raw = _dog_scan("Femoris_L")
    femur = weld_scan(raw.vertices * 1000.0, raw.faces, None).mesh
    rng = np.random.default_rng(4)
    torn = femur.replaced(faces=np.delete(femur.faces, rng.choice(len(femur.faces), 12, replace=False), axis=0), source=0)
    torn = flip_faces(torn, rng.random(len(torn.faces)) < 0.02)
    n = len(torn.vertices)
    fins = [[*face[:2], n] for face in torn.faces[:3]]
    faces = np.concatenate([torn.faces, torn.faces[:20], [[5, 5, 6]], fins])
    dust = [ball(rng.uniform(0.1, 0.9), femur.vertices[rng.integers(n)] + rng.normal(size=3) * 8, n_splits=1) for _ in range(30)]
    damaged = together(torn.replaced(vertices=[*torn.vertices, femur.vertices.mean(axis=0)], faces=faces, source=0), *dust)
    result = clean(damaged, settings=dataclasses.replace(SETTINGS, close_holes_up_to_mm=30.0))
    assert (result.facts["is_closed"], result.facts["is_outward"], result.facts["n_pieces"]) == (True, True, 1)
    assert result.facts["volume_mm3"] == pytest.approx(audit_topology(femur).volume_mm3, rel=0.01)
    assert math.isfinite(result.facts["greatest_length_mm"])
