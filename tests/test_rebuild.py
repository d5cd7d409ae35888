"""From clean surfaces to one replica: what is united, closed, counted and said."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from meshtools.errors import GeometryError
from meshtools.files.atomic import write_atomic
from meshtools.files.deliver import PartLabel, encode_3mf, encode_glb, encode_stl
from meshtools.files.mesh_ply import write_replica_ply
from meshtools.files.verify_delivery import PlannedPart, verify_delivery
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.opening_place import PlacedScan, place_in_scan
from meshtools.geometry.passages import KeptRim
from meshtools.geometry.pinning import join_bodies
from meshtools.geometry.solid import centre_of_mass_mm, close_openings
from meshtools.geometry.unite import Union, concatenate, signed_volume_mm3, unite_pieces
from meshtools.geometry.winding import is_inside
from meshtools.model import EvidenceClass, Mesh, Opening, Origin, Recipe, Severity, SourceEntry, StageResult
from meshtools.settings import RebuildSettings
from meshtools.stages.rebuild import rebuild_element

DOG = Path(__file__).parent.parent / ".cache" / "dog"
needs_dog = pytest.mark.skipif(not DOG.is_dir(), reason="the dog skeleton is not in the cache")
SCANNED = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED),)
RECIPE = Recipe("rex", "femur-left", EvidenceClass.DON_R, ("f-1",), True, 1.25, None, "three lengths", "no own femur", (), "planned")
RECIPE_AT_SIZE = dataclasses.replace(RECIPE, factor=1.0)
BOX_FACES = np.array(
    [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]
)


def box(low, high, source=0, grey=None, is_inward=False) -> Mesh:
    """A closed box between two corners, outward unless told otherwise."""
    corners = [[(low, high)[k][0], (low, high)[j][1], (low, high)[i][2]] for k in (0, 1) for j in (0, 1) for i in (0, 1)]
    faces = BOX_FACES[:, [0, 2, 1]] if is_inward else BOX_FACES
    return Mesh.create(corners, faces, source, None if grey is None else np.full((8, 3), grey))


def lidless(mesh: Mesh) -> Mesh:
    """The box without its top: the rim is the square of the largest z."""
    return mesh.replaced(faces=mesh.faces[:-2], source=mesh.source[:-2])


def volume_mm3(mesh: Mesh) -> float:
    return signed_volume_mm3(mesh.vertices, mesh.faces)


def read_dog_bone(name: str) -> Mesh:
    """A bone of the dog in mm, vertices with equal coordinates merged."""
    triangles = np.fromfile(DOG / name, np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")]), offset=84)
    vertices, corners = np.unique(triangles["corners"].reshape(-1, 3), axis=0, return_inverse=True)
    return Mesh.create(vertices.astype(np.float64) * 1000.0, corners.reshape(-1, 3))


def rebuilt(mesh: Mesh, recipe: Recipe = RECIPE, openings: tuple[Opening, ...] = (), **settings) -> StageResult:
    return rebuild_element(recipe, [Cleaned("f-1", mesh, SCANNED, 1.0)], RebuildSettings(**settings), openings)


def codes(result: StageResult) -> list[str]:
    return [finding.code for finding in result.findings]


def expect_union(union: Union, n_before: int, n_after: int, volume: float) -> None:
    assert (union.n_before, union.n_after) == (n_before, n_after)
    assert audit_topology(union.mesh).is_closed
    assert volume_mm3(union.mesh) == pytest.approx(volume, rel=1e-9)


class TestUniting:
    def test_overlapping_bodies_become_one_and_every_face_keeps_its_source(self):
        union = unite_pieces(concatenate([box((0, 0, 0), (4, 4, 4), 3), box((2, 1, 1), (6, 3, 3), 8)]))
        expect_union(union, 2, 1, 64 + 16 - 8)
        middles = union.mesh.vertices[union.mesh.faces].mean(axis=1)
        assert np.array_equal(union.mesh.source == 8, middles[:, 0] > 4.0)

    def test_colour_survives_the_union(self):
        union = unite_pieces(concatenate([box((0, 0, 0), (4, 4, 4), 0, 40), box((2, 1, 1), (6, 3, 3), 0, 200)]))
        expect_union(union, 2, 1, 72)
        assert set(union.mesh.colour[union.mesh.vertices[:, 0] == 6.0].ravel()) == {200}
        assert set(union.mesh.colour[union.mesh.vertices[:, 0] == 0.0].ravel()) == {40}

    def test_a_cavity_stays_a_cavity(self):
        union = unite_pieces(concatenate([box((0, 0, 0), (9, 9, 9)), box((3, 3, 3), (6, 6, 6), is_inward=True), box((8, 1, 1), (12, 2, 2))]))
        expect_union(union, 3, 2, 729 - 27 + 3)
        assert (union.n_cavities, union.n_bodies, union.n_turned) == (1, 1, 0)

    def test_a_body_within_a_cavity_is_not_lost(self):
        shells = [box((0, 0, 0), (9, 9, 9)), box((3, 3, 3), (6, 6, 6), is_inward=True), box((4, 4, 4), (5, 5, 5))]
        expect_union(unite_pieces(concatenate(shells)), 3, 3, 729 - 27 + 1)

    def test_an_inside_out_body_is_turned_before_the_kernel_sees_it(self):
        """The kernel accepts an inside-out body with status NoError and would subtract it."""
        union = unite_pieces(concatenate([box((0, 0, 0), (4, 4, 4)), box((2, 1, 1), (6, 3, 3), is_inward=True)]))
        expect_union(union, 2, 1, 72)
        assert union.n_turned == 1

    def test_a_body_stored_twice_counts_once(self):
        """Four faces meet at each edge; the kernel alone accepts both bodies and doubles the volume."""
        mesh = box((0, 0, 0), (4, 4, 4))
        union = unite_pieces(mesh.replaced(faces=np.concatenate([mesh.faces, mesh.faces]), source=np.zeros(24)))
        expect_union(union, 1, 1, 64)
        assert union.n_glued == 1

    def test_bodies_that_touch_along_a_wall_become_one(self):
        union = unite_pieces(concatenate([box((0, 0, 0), (4, 4, 4)), box((4, 0, 0), (6, 4, 4))]))
        expect_union(union, 2, 1, 96)

    def test_an_open_piece_is_left_alone_and_counted(self):
        union = unite_pieces(concatenate([box((0, 0, 0), (4, 4, 4)), lidless(box((2, 1, 1), (6, 3, 3)))]))
        assert (union.n_left_alone, union.n_after, len(union.mesh.faces)) == (1, 2, 22)

    def test_one_piece_comes_back_as_it_was(self):
        mesh = box((0, 0, 0), (4, 4, 4))
        assert unite_pieces(mesh).mesh is mesh

    @needs_dog
    @pytest.mark.parametrize(("name", "n_before", "n_after"), [("BONEMergedSkull.stl", 23, 11), ("BONEJaw.stl", 23, 19)])
    def test_a_skull_with_its_teeth_becomes_one_body(self, name, n_before, n_after):
        """Counts measured on the dog; all but one of the pieces left are pockets below 0.01 mm3 between tooth and socket."""
        union = unite_pieces(read_dog_bone(name))
        assert (union.n_before, union.n_after, union.n_bodies) == (n_before, n_after, 1)
        assert audit_topology(union.mesh).is_closed


@needs_dog
def test_a_jaw_reflected_and_scaled_is_delivered_whole_in_every_format_and_twice_the_same(tmp_path):
    """23 bodies in the scan; each file is read back from disk and compared with the plan."""
    jaw, label = read_dog_bone("BONEJaw.stl"), PartLabel("rex/mandible", "1", "rex", "mandible", RECIPE.evidence)
    first, second = rebuilt(jaw), rebuilt(jaw)
    assert write_replica_ply(first.mesh) == write_replica_ply(second.mesh)
    for name, encode in {"stl": encode_stl, "3mf": encode_3mf, "glb": encode_glb}.items():
        path = tmp_path / f"replica.{name}"
        digest = write_atomic(path, encode(first.mesh, label, first.sources).content)
        assert verify_delivery(path, PlannedPart(first.facts["volume_mm3"], first.facts["extents_mm"], digest)).findings == ()


class TestClosing:
    def test_a_rim_within_the_limit_is_closed_and_marked(self):
        closing = close_openings(lidless(box((0, 0, 0), (3, 4, 5))), 6.0, (), 7)
        assert audit_topology(closing.mesh).is_closed
        assert (closing.n_closed, closing.n_closed_by_name, closing.left_open) == (1, 0, ())
        assert set(closing.mesh.source[-2:]) == {7}
        assert volume_mm3(closing.mesh) == pytest.approx(60.0)

    def test_a_wide_rim_that_nobody_named_stays_open_and_nothing_is_delivered(self):
        result = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))))
        finding = next(finding for finding in result.findings if finding.code == "open-rim")
        assert (finding.severity, finding.limit, result.facts["deliverable"]) == (Severity.REVIEW, 25.0, False)

    def test_an_open_rim_is_told_as_the_row_of_openings_csv_that_closes_it_in_units_of_its_scan(self):
        """In metres; the find's own span is 50 mm (3-4-5), the replica's 62.5 mm."""
        parts = [Cleaned("f-1", lidless(box((0, 0, 0), (30, 40, 50))), SCANNED, 1000.0)]
        result = rebuild_element(RECIPE, parts, RebuildSettings(), ())
        message = next(finding.message for finding in result.findings if finding.code == "open-rim")
        assert "near (15.0, 20.0, 50.0) mm of its clean surface spans 62.5 mm" in message
        assert "add to openings.csv the row f-1,break,0.0150,0.0200,0.0500,50.0,close,, (its columns: find,kind,x,y,z," in message

    def test_an_open_rim_of_a_hand_made_file_is_closed_where_it_was_modelled_since_no_row_may_name_it(self):
        """openings.csv names finds of bones.csv alone."""
        recipe = dataclasses.replace(RECIPE, evidence=EvidenceClass.SCU, finds=("model-rex-femur-left",), model_file="models/femur.stl")
        parts = [Cleaned("model-rex-femur-left", lidless(box((0, 0, 0), (30, 40, 50))), SCANNED, 1.0)]
        message = next(f.message for f in rebuild_element(recipe, parts, RebuildSettings(), ()).findings if f.code == "open-rim")
        assert "models/femur.stl near (15.0, 20.0, 50.0) mm" in message
        assert "in the program that it was modelled in" in message
        assert "openings.csv" not in message

    def test_a_place_is_told_in_the_scan_of_the_find_that_is_nearest_to_it(self):
        moved = np.array([[1.0, 0, 0, 100], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
        at_zero = Mesh.create([(0, 0, 0)], [])
        scans = [PlacedScan(Cleaned(find, at_zero, (), unit), pose) for find, unit, pose in (("f-1", 1.0, np.eye(4)), ("f-2", 25.4, moved))]
        assert place_in_scan((102.54, 0.0, 0.0), scans).row("break", 3.0, "close") == "f-2,break,0.100,0.000,0.000,3.0,close,,"

    def test_a_wide_rim_that_a_person_named_is_closed(self):
        opening = Opening(4, "f-1", "break", 15.0, 20.0, 50.0, 40.0, "close")
        result = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))), openings=(opening,))
        assert result.facts["deliverable"]
        assert result.facts["volume_mm3"] == pytest.approx(60_000 * 1.25**3)
        assert {"filled-area", "fill-span"} <= set(codes(result))
        assert all("missing-part in decisions.csv" in f.message for f in result.findings if f.code in ("filled-area", "fill-span"))

    def test_a_rim_that_a_person_keeps_open_is_never_closed_silently(self):
        opening = Opening(4, "f-1", "foramen", 1.5, 2.0, 5.0, 4.0, "keep")
        result = rebuilt(lidless(box((0, 0, 0), (3, 4, 5))), openings=(opening,))
        assert "open-rim-kept" in codes(result)
        assert not result.facts["deliverable"]

    @pytest.mark.parametrize(
        ("kind", "cure"), [("foramen", "how deep it is (depth_mm), where it leads (passage) or close"), ("break", "close")]
    )
    def test_a_rim_that_is_kept_open_is_told_by_the_row_that_keeps_it_and_what_that_row_may_say(self, kind: str, cure: str):
        """In inches: the row stands at (0.05, 0.07, 0.19), which is not the middle of the rim."""
        opening = Opening(4, "f-1", kind, 0.05 * 25.4, 0.07 * 25.4, 0.19 * 25.4, 4.0, "keep")
        parts = [Cleaned("f-1", lidless(box((0, 0, 0), (3, 4, 5))), SCANNED, 25.4)]
        message = next(f.message for f in rebuild_element(RECIPE, parts, RebuildSettings(), (opening,)).findings if f.code == "open-rim-kept")
        assert f"until its row (find,kind,x,y,z = f-1,{kind},0.05,0.07,0.19) says {cure}." in message


class TestPassages:
    WIDTH = 10.0
    SECTION = 24 * 25.0 * np.sin(2 * np.pi / 48)  # a regular polygon of 48 corners round a radius of 5 mm (closed form)

    def kept(self, z: float, **changes) -> Opening:
        return dataclasses.replace(Opening(4, "f-1", "foramen", 15.0, 20.0, z, self.WIDTH, "keep"), **changes)

    def test_a_kept_rim_with_a_depth_becomes_a_blind_pit_of_that_depth(self):
        result = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))), openings=(self.kept(50.0, depth_mm=12.0),))
        assert result.facts["deliverable"]
        assert result.facts["volume_mm3"] == pytest.approx((60_000 - 12 * self.SECTION) * 1.25**3, rel=1e-9)
        assert (result.facts["n_pits_cut"], result.facts["n_pieces_after"]) == (1, 1)
        told = next(finding.message for finding in result.findings if finding.code == "passages-made")
        assert ": 1 blind pit was cut where" in told
        assert "scanned skin that stood within that width is gone" in told

    def test_two_kept_rims_of_one_passage_become_a_tunnel(self):
        whole = box((0, 0, 0), (30, 40, 50))
        bottom_and_top = np.flatnonzero(np.ptp(whole.vertices[whole.faces][:, :, 2], axis=1) == 0)
        tube = whole.replaced(faces=np.delete(whole.faces, bottom_and_top, axis=0), source=np.delete(whole.source, bottom_and_top))
        result = rebuilt(tube, openings=(self.kept(50.0, passage="nerve"), self.kept(0.0, passage="nerve")))
        assert result.facts["deliverable"]
        assert result.facts["volume_mm3"] == pytest.approx((60_000 - 50 * self.SECTION) * 1.25**3, rel=1e-9)
        assert "passage-breaks-out" not in codes(result)
        assert result.facts["evidence_share"]["MADE"] > 0.1

    def test_a_passage_with_one_end_only_is_never_closed_silently(self):
        ends = (self.kept(50.0, passage="nerve"), self.kept(0.0, passage="nerve"))
        result = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))), openings=ends)
        assert {"passage-not-cut", "passage-breaks-out"} <= set(codes(result))
        missed = next(finding.message for finding in result.findings if finding.code == "passage-not-cut")
        assert "(find,kind,x,y,z = f-1,foramen,15,20,0)" in missed

    def test_the_rest_of_a_kept_rim_counts_as_filled(self):
        result = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))), openings=(self.kept(50.0, depth_mm=12.0),))
        top = result.mesh.vertices[result.mesh.faces].mean(axis=1)[:, 2] > 50.0 * 1.25 - 1e-6
        assert {result.sources[row] for row in result.mesh.source[top]} == {SourceEntry(EvidenceClass.FILL, "f-1", Origin.FILLED)}
        assert {"filled-area", "fill-span"} <= set(codes(result))

    def test_a_pit_deeper_than_the_bone_is_told(self):
        result = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))), openings=(self.kept(50.0, depth_mm=60.0),))
        assert "passage-breaks-out" in codes(result)

    def test_a_pit_has_its_stated_width_but_no_more_than_its_rim_spans(self):
        right = rebuilt(lidless(box((0, 0, 0), (30, 40, 50))), openings=(self.kept(50.0, depth_mm=1.0, diameter_mm=28.0),))
        assert right.facts["volume_mm3"] == pytest.approx((60_000 - 2.8**2 * self.SECTION) * 1.25**3, rel=1e-9)
        rim = KeptRim(np.array([[0.0, 0, 0], [3, 0, 0], [3, 4, 0], [0, 4, 0]]), self.kept(0.0, depth_mm=1.0, diameter_mm=400.0))
        assert rim.width_mm == pytest.approx(5.0)


class TestBodies:
    def test_a_pin_joins_a_loose_body_and_is_marked_as_made(self):
        result = rebuilt(concatenate([box((0, 0, 0), (10, 10, 10)), box((12, 0, 0), (20, 10, 10))]), pin_diameter_mm=2.0)
        assert (result.facts["n_bodies"], result.facts["n_pins"], result.facts["n_pieces_after"]) == (1, 1, 1)
        assert result.sources[-1] == SourceEntry(EvidenceClass.MADE, "", Origin.MADE)
        assert 0.0 < result.facts["evidence_share"]["MADE"] < 0.1
        assert "pins-made" in codes(result)

    def test_bodies_that_touch_along_an_edge_only_are_not_delivered(self):
        """Closed by its vertex numbers, but four faces meet at the edge for any reader of STL."""
        result = rebuilt(concatenate([box((0, 0, 0), (4, 4, 4)), box((4, 4, 0), (8, 8, 4))]))
        assert result.facts["is_closed"]
        assert not result.facts["deliverable"]
        assert "bodies-touch" in codes(result)

    def test_without_a_pin_loose_bodies_are_counted(self):
        result = rebuilt(concatenate([box((0, 0, 0), (10, 10, 10)), box((12, 0, 0), (20, 10, 10))]))
        assert next(finding.value for finding in result.findings if finding.code == "loose-bodies") == 2
        assert result.facts["deliverable"]

    HALVES = concatenate([box((0, 0, 0), (10, 10, 40)), box((0, 0, 42), (10, 10, 80))])

    def test_a_pin_runs_inside_both_halves_of_a_shaft_and_not_along_its_skin(self):
        """What a pin within the bone adds is its way across the gap alone, 2 mm of a section of 48 corners (closed form), a little more where it
        leans; one along the closest corners, on an edge of the shaft, would add three quarters of its whole length."""
        joining = join_bodies(self.HALVES, 3.0, 5)
        section_mm2 = 24 * 1.5**2 * np.sin(2 * np.pi / 48)
        assert joining.holds == (1.0,)
        assert 2.0 * section_mm2 <= volume_mm3(joining.union.mesh) - 7800.0 < 2.5 * section_mm2

    def test_a_pin_that_would_run_along_the_outside_is_refused_with_its_remedy(self):
        result = rebuilt(self.HALVES, RECIPE_AT_SIZE, pin_diameter_mm=16.0)
        finding = next(finding for finding in result.findings if finding.code == "pin-outside")
        assert (finding.severity, result.facts["n_pins"], result.facts["n_bodies"]) == (Severity.REVIEW, 0, 2)
        assert "of the depth it needs in bone (50 % at least)" in finding.message
        assert "Set a smaller pin_diameter_mm" in finding.message
        assert not {"pins-made", "loose-bodies", "bodies-not-joined"} & set(codes(result))

    def test_a_pin_that_is_shortened_lest_it_come_out_again_is_told_by_the_share_of_its_wanted_depth(self):
        """A pin of 2 mm wants 4 mm of each body, and one is a plate of 3 mm, where even a leaning one finds less."""
        result = rebuilt(concatenate([box((0, 0, 0), (10, 10, 10)), box((0, 0, 12), (10, 10, 15))]), RECIPE_AT_SIZE, pin_diameter_mm=2.0)
        message = next(finding.message for finding in result.findings if finding.code == "pins-made")
        told = re.search(r"in the body that holds it least, bone holds (\d+) % of the wanted depth\.$", message)
        assert told, message
        assert 75 <= int(told[1]) <= 95

    def test_a_mesh_is_asked_what_lies_in_it_a_few_times_a_pin_and_not_for_every_line_that_is_tried(self, monkeypatch):
        """Each time it sorts all its faces anew."""
        asked = []
        monkeypatch.setattr("meshtools.geometry.pinning.is_inside", lambda mesh, points: asked.append(len(points)) or is_inside(mesh, points))
        assert join_bodies(self.HALVES, 3.0, 5).holds == (1.0,)
        assert len(asked) <= 16

    def test_pins_take_the_shortest_way_from_body_to_body(self):
        row = concatenate([box((k * 12, 0, 0), (k * 12 + 10, 10, 10)) for k in range(4)])
        joining = join_bodies(row, 1.0, 5)
        assert (joining.n_pins, joining.union.n_bodies, joining.union.n_after) == (3, 1, 1)
        assert np.ptp(joining.union.mesh.vertices[:, 0]) == pytest.approx(46.0)


class TestReplica:
    def test_a_reflected_and_scaled_donor_is_outward_and_of_true_size(self):
        """1.25 -> volume x 1.953125 (closed form); across x = 0 the box lies at negative x."""
        result = rebuilt(box((1, 0, 0), (3, 4, 5)))
        assert result.facts["volume_mm3"] == pytest.approx(40 * 1.953125, rel=1e-12)
        assert result.facts["extents_mm"] == pytest.approx([2.5, 5.0, 6.25])
        assert result.facts["centre_of_mass_mm"] == pytest.approx([-2.5, 2.5, 3.125])
        assert np.diag(result.facts["replica_from_scan"]) == pytest.approx([-1.25, 1.25, 1.25, 1.0])

    def test_a_reflected_replica_says_what_asymmetry_is_natural(self):
        assert "natural-asymmetry" in codes(rebuilt(box((0, 0, 0), (3, 4, 5))))
        assert codes(rebuilt(box((0, 0, 0), (3, 4, 5)), dataclasses.replace(RECIPE, reflect=False))) == []

    def test_only_scanned_faces_take_the_class_of_the_recipe(self):
        mesh = box((0, 0, 0), (3, 4, 5), [0] * 10 + [1, 1])
        sources = (*SCANNED, SourceEntry(EvidenceClass.FILL, "f-1", Origin.FILLED))
        result = rebuild_element(RECIPE, [Cleaned("f-1", mesh, sources, 1.0)], RebuildSettings(), ())
        assert result.facts["evidence_share"] == pytest.approx({"DON-R": 82 / 94, "FILL": 12 / 94})
        assert result.facts["volume_from_bone_percent"] == pytest.approx(100 * 82 / 94)
        assert result.facts["filled_area_percent"] == pytest.approx(100 * 12 / 94)

    def test_two_finds_keep_their_own_sources(self):
        recipe = dataclasses.replace(RECIPE, finds=("f-1", "f-2"))
        second = (SourceEntry(EvidenceClass.OWN, "f-2", Origin.SCANNED),)
        pieces = [Cleaned("f-1", box((0, 0, 0), (4, 4, 4)), SCANNED, 1.0), Cleaned("f-2", box((2, 1, 1), (6, 3, 3)), second, 1.0)]
        result = rebuild_element(recipe, pieces, RebuildSettings(), ())
        middles = result.mesh.vertices[result.mesh.faces].mean(axis=1)
        of_second = np.array([entry.find == "f-2" for entry in result.sources])[result.mesh.source]
        assert np.array_equal(of_second, middles[:, 0] < -5.0)
        assert "parts-not-joined" in codes(result)

    def test_parts_that_nobody_placed_lie_as_scanned_and_nothing_else_is_said_of_how_they_lie(self):
        recipe = dataclasses.replace(RECIPE, finds=("f-1", "f-2"))
        pieces = [Cleaned(name, box((x, 0, 0), (x + 4, 4, 4)), SCANNED, 1.0) for name, x in (("f-1", 0), ("f-2", 9))]
        result = rebuild_element(recipe, pieces, RebuildSettings(pin_diameter_mm=1.0), ())
        assert result.facts["composition"]["poses"] == [np.eye(4).tolist()] * 2
        assert result.facts["n_bodies"] == 2
        assert {"loose-bodies", "pins-made", "pins-not-made"}.isdisjoint(codes(result))

    @pytest.mark.parametrize(
        ("parts", "says"),
        [
            ([box((3, 3, 3), (6, 6, 6), is_inward=True)], "1 closed cavity inside, 27 mm³ in all, made by 1 inside-out piece of the scan."),
            (
                [box((2, 2, 2), (5, 5, 5), is_inward=True), box((4, 4, 4), (7, 7, 7), is_inward=True)],
                "1 closed cavity inside, 53 mm³ in all, made by 2 inside-out pieces of the scan.",
            ),
        ],
    )
    def test_closed_cavities_are_told_with_what_they_hold_and_where_they_come_from(self, parts, says):
        result = rebuilt(concatenate([box((0, 0, 0), (9, 9, 9)), *parts]), RECIPE_AT_SIZE)
        assert [finding.message for finding in result.findings if finding.code == "closed-cavities"] == [f"{RECIPE.element}: {says}"]

    @pytest.mark.parametrize(
        ("hollow", "says"),
        [
            ([], "1 closed cavity inside, 343 mm³ in all, left between bodies that were united."),
            (
                [box((-1.5, 3, 3), (-0.5, 4, 4), is_inward=True)],
                "2 closed cavities inside, 344 mm³ in all, made by 1 inside-out piece of the scan or left between bodies that were united.",
            ),
        ],
    )
    def test_a_cavity_that_six_plates_close_is_told_as_one_between_bodies(self, hollow, says):
        """The plates cross each other and leave a cube of 7 mm (closed form)."""
        plates = [box((-2, -1, -1), (1, 10, 10)), box((8, -1, -1), (11, 10, 10)), box((0, 0, 0), (9, 1, 9.5)), box((0, 8, 0), (9, 9, 9.5))]
        plates += [box((0.5, 0.5, 0.2), (8.5, 8.5, 1)), box((0.5, 0.5, 8), (8.5, 8.5, 9))]
        result = rebuilt(concatenate([*plates, *hollow]), RECIPE_AT_SIZE)
        assert [finding.message for finding in result.findings if finding.code == "closed-cavities"] == [f"{RECIPE.element}: {says}"]

    def test_an_empty_surface_makes_no_replica(self):
        with pytest.raises(GeometryError, match="no clean surface"):
            rebuilt(Mesh.create([], []))

    def test_the_centre_of_mass_of_a_box_is_its_middle_wherever_it_lies(self):
        assert centre_of_mass_mm(box((1e5, 0, 0), (1e5 + 2, 4, 8))) == pytest.approx((1e5 + 1, 2, 4), abs=1e-9)
