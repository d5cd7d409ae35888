"""The mould route: shrink, withdrawal without collision, undercuts of known depth, pour and vents, the cavity against the bone."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
import shapely
from dog_individuals import read_bone
from solid_shapes import ball, box

from meshtools.errors import GeometryError
from meshtools.geometry import mould_proof
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.body import surface_of
from meshtools.geometry.bore_cuts import bore_tool, cut_bores
from meshtools.geometry.column_map import map_columns
from meshtools.geometry.distance import Surface
from meshtools.geometry.jacket import without_pinches
from meshtools.geometry.mould_fittings import Key, high_points, place_keys, wrong_way_misfit
from meshtools.geometry.mould_keying import fitted, stray_keys
from meshtools.geometry.mould_pieces import HALVES, MouldPiece, RigidMould, cut_rigid_mould
from meshtools.geometry.mould_plan import fewest_pieces, turn_to
from meshtools.geometry.mould_proof import Rejoined, overlap_mm3, prove_withdrawal, rejoin
from meshtools.geometry.mould_sheet import (
    Fittings,
    fitting_facts,
    fitting_figures,
    fitting_findings,
    needle_findings,
    pour_findings,
    rigid_findings,
    seat_findings,
    stray_findings,
)
from meshtools.geometry.mould_tables import parting_figures
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.parting import Block, Membrane, bone_outline, trace_parting_lines, upright
from meshtools.geometry.seat_ribs import turned_in, with_ribs
from meshtools.geometry.self_intersection import find_meeting_pairs
from meshtools.geometry.shadow import joined, shadow_of, solid_of, without
from meshtools.geometry.shrink import pattern_scale
from meshtools.geometry.side_pieces import Cutting, SidePlan, clear_way, taken_over
from meshtools.geometry.stray_bodies import given_to_neighbours
from meshtools.geometry.tidying import tidied
from meshtools.geometry.undercuts import Bone, Probe
from meshtools.geometry.withdrawal import search_pulls
from meshtools.model import EvidenceClass, Mesh, Origin, Severity, SourceEntry
from meshtools.model_ready import Made, Part
from meshtools.settings_mould import MouldSettings, ShrinkLink
from meshtools.stages.mould import make_mould

UP = np.array([0.0, 0.0, 1.0])
CUTTING = Cutting(wall_mm=8.0, flange_mm=8.0, limit_mm=0.5, draft_deg=3.0, most_pieces=6)
NOTHING = Fittings((), (), 1.0, (), Rejoined(0.0, 0.0, 0.0, 0))
SMALL = MouldSettings(wall_mm=8.0, flange_mm=14.0, key_diameter_mm=6.0)


def torus(ring=20.0, tube=6.0, n=48) -> Mesh:
    """A ring that lies flat."""
    import manifold3d

    body = manifold3d.CrossSection.circle(tube, n).translate((ring, 0.0)).revolve(2 * n)
    return surface_of(body)


def mushroom(head=12.0, stalk=7.0) -> Mesh:
    """A flat cap on a round stalk that stands on a plate as wide as the cap: under the cap the bone stands back by head - stalk."""
    import manifold3d

    disc = [manifold3d.Manifold.cylinder(h, r, r, 64).translate((0, 0, z)) for h, r, z in ((8, head, 0), (14, stalk, 7), (8, head, 20))]
    return surface_of(joined(disc))


def pitted_box(depth=4.0) -> Mesh:
    """A box of 40 x 30 x 20 with a square pit of this depth in the middle of one side."""
    pit = box((2 * depth, 10.0, 10.0), (20.0, 0.0, 0.0))
    return surface_of(without(solid_of(*shape(box((40.0, 30.0, 20.0)))), [solid_of(*shape(pit))]))


def hull_of(points) -> Mesh:
    import manifold3d

    return surface_of(manifold3d.Manifold.hull_points(points))


def shape(mesh: Mesh):
    return mesh.vertices, mesh.faces


@cache
def cut_ball() -> RigidMould:
    """A ball of 15 mm in its mould, cut once for all who ask."""
    return cut_rigid_mould(ball(15.0), CUTTING)


def part_of(mesh: Mesh, **changes) -> Part:
    return Part("humerus-L", "1", mesh, (SourceEntry(EvidenceClass.OWN, "ridge-07", Origin.SCANNED),), **changes)


def made_codes(made: Made) -> set[str]:
    return {finding.code for finding in made.findings}


@pytest.mark.parametrize(("percents", "scale"), [((0.5,), 1.005025), ((0.4, 0.15), 1.005524), ((-0.3,), 0.997009), ((), 1.0)])
def test_a_pattern_is_larger_by_what_every_step_shrinks(percents: tuple[float, ...], scale: float) -> None:
    """Closed form 1 / prod(1 - s), rounded to six places."""
    assert pattern_scale(percents) == pytest.approx(scale, abs=5e-7)


def test_a_shrink_that_no_material_has_is_refused() -> None:
    with pytest.raises(GeometryError, match="no casting material"):
        pattern_scale([50.0])


def test_a_shrink_is_never_applied_twice() -> None:
    made = make_mould(part_of(ball(), facts={"pattern_scale": 1.005}), SMALL)
    assert not made.solids
    assert [finding.severity for finding in made.findings] == [Severity.FAILED]


def test_an_open_surface_gets_no_mould_but_a_reason() -> None:
    half = ball()
    made = make_mould(part_of(half.replaced(faces=half.faces[:-1], source=half.source[:-1])), SMALL)
    assert not made.solids
    assert made_codes(made) == {"mould-not-possible"} | {"mould-no-shrink"} & made_codes(made)


def test_a_bone_of_too_many_faces_for_a_rigid_mould_is_refused_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meshtools.geometry.mould_plan.MOST_FACES", 100)
    made = make_mould(part_of(ball()), SMALL)
    assert not made.solids
    assert "take a flexible mould" in made.findings[0].message


def test_the_shadow_of_a_ball_is_half_a_ball_and_the_cylinder_beneath_it() -> None:
    mesh = ball(10.0, n_splits=4)
    body = joined([solid_of(*shape(mesh)), shadow_of(*shape(mesh), UP, 5.0)])
    sections = 2.0 * np.pi * 1000 / 3 + np.pi * 100 * 15
    assert body.volume() == pytest.approx(sections, rel=3e-3)  # a ball of 2048 flat faces


def test_a_shadow_with_a_draft_leans_out_on_all_sides() -> None:
    """Closed form: beneath a face of 10 x 10, over 5 mm at 45 degrees, a frustum that ends 20 x 20; it begins a thousandth higher."""
    shade = shadow_of(*shape(box((10.0, 10.0, 10.0))), UP, 5.0, draft_deg=45.0)
    assert shade.volume() == pytest.approx(5.0 / 3.0 * (100.0 + 400.0 + 200.0), rel=1e-3)


def test_the_seat_of_a_side_piece_has_its_draft_on_every_side_of_any_outline() -> None:
    """The long side of a right triangle runs through the middle of its box: scaled about that, it would have no draft at all."""
    plan = SidePlan(UP, shapely.Polygon([(0, 0), (30, 0), (0, 20)]), 5.0)
    bone = Bone.create(box((1.0, 1.0, 1.0), (0.0, 0.0, -8.0)))
    outline = shapely.box(-40.0, -40.0, 40.0, 40.0)
    way = surface_of(clear_way(bone, Block(outline, outline, -10.0, 20.0, upright(outline, -10.0, 20.0)), plan, CUTTING))
    normals = np.cross(way.vertices[way.faces[:, 1]] - way.vertices[way.faces[:, 0]], way.vertices[way.faces[:, 2]] - way.vertices[way.faces[:, 0]])
    lean = np.degrees(np.arcsin(-normals[:, 2] / np.linalg.norm(normals, axis=1)))
    assert lean[np.abs(lean) < 80.0].min() == pytest.approx(3.0, abs=0.01)


def test_of_several_ways_to_lay_a_bone_that_with_the_shallowest_undercut_is_taken_where_none_reaches_it_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer pieces count only where all of the bone is reached."""
    tried = iter([(2, 3.0), (6, 0.4), (4, 0.9), (5, 0.3)])
    cubes = [solid_of(*shape(box((1.0, 1.0, 1.0))))]
    make = dataclasses.make_dataclass("Mould", ["pieces", "undercuts"])
    deep = dataclasses.make_dataclass("Deep", ["deepest_mm"])

    def cut(*_):
        n, deepest = next(tried)
        return make(tuple(MouldPiece(f"piece-{k}", UP, cubes[0]) for k in range(n)), deep(deepest))

    monkeypatch.setattr("meshtools.geometry.mould_plan.cut_rigid_mould", cut)
    bed = turn_to(ball(5.0), search_pulls(*shape(ball(5.0)), 1)[0], 1.0, 0.0)
    assert len(fewest_pieces(bed, (bed.pull,) * 4, CUTTING, 1.0)[1].pieces) == 5


def test_columns_of_a_side_pit_have_gaps_of_its_height_and_volume() -> None:
    columns = map_columns(*shape(pitted_box(4.0)), 0.25)
    assert columns.gaps_mm.max() == pytest.approx(10.0)
    assert columns.gap_volume_mm3 == pytest.approx(400.0, rel=0.05)  # columns of a quarter mm


@pytest.mark.parametrize("mesh", [ball(15.0, n_splits=4), torus()], ids=["ball", "ring lying flat"])
def test_a_ball_and_a_ring_lying_flat_come_out_of_two_pieces_without_undercut(mesh: Mesh) -> None:
    mould = cut_rigid_mould(mesh, CUTTING)
    assert [piece.name for piece in mould.pieces] == ["upper", "lower"]
    assert mould.undercuts.deepest_mm < 2e-3
    assert all(way.is_free for way in prove_withdrawal(mould.pieces, mould.bone.solid))
    check = rejoin(mould.block.solid, mould.pieces, (), mesh, mould.undercuts)
    assert abs(check.volume_ratio) < 1e-4
    assert max(check.off_mm, check.fattest_mm) < 0.05
    for piece in mould.pieces:
        assert not len(find_meeting_pairs(tidied(surface_of(piece.solid)))), piece.name


def test_the_undercut_beneath_an_overhang_is_as_deep_as_the_stalk_stands_back() -> None:
    """Radii 12 and 7 mm, facets of a 64-sided body: 12 cos(pi / 64) - 7 on the flats, 5 mm at most."""
    mould = cut_rigid_mould(mushroom(), Cutting(8.0, 8.0, 0.5, 3.0, 2))
    assert mould.undercuts.deepest_mm == pytest.approx(5.0, abs=0.03)
    ring = 64 / 2 * np.sin(2 * np.pi / 64) * (12.0**2 - 7.0**2) * 12.0
    assert mould.undercuts.volume_mm3 == pytest.approx(ring, rel=2e-3)


def test_a_side_pit_is_an_undercut_of_its_depth_and_a_third_piece_takes_it_away() -> None:
    two = cut_rigid_mould(pitted_box(4.0), Cutting(8.0, 8.0, 0.5, 3.0, 2))
    assert two.undercuts.deepest_mm == pytest.approx(4.0, abs=0.01)
    assert two.undercuts.volume_mm3 == pytest.approx(400.0, rel=1e-2)
    three = cut_rigid_mould(pitted_box(4.0), CUTTING)
    assert [piece.name for piece in three.pieces] == ["side-1", "upper", "lower"]
    assert three.undercuts.deepest_mm < 0.5
    assert all(way.is_free for way in prove_withdrawal(three.pieces, three.bone.solid))


def test_a_box_with_a_pit_is_laid_so_that_the_pit_faces_the_way_out() -> None:
    best = search_pulls(*shape(pitted_box(4.0)), 3)[0]
    assert abs(best.direction[0]) > 0.9
    assert best.gap_mm3 < 1.0


def test_the_proof_notices_a_piece_that_holds_on_to_the_bone() -> None:
    mould = cut_ball()
    lock = solid_of(*shape(box((4.0, 4.0, 4.0), (0.0, 0.0, -17.5))))
    grown = [type(piece)(piece.name, piece.direction, joined([piece.solid, lock])) if piece.name == "upper" else piece for piece in mould.pieces]
    stuck = prove_withdrawal(grown, mould.bone.solid)[0]
    assert stuck.overlap_mm3 > 1.0
    assert stuck.n_hits > 0


def test_a_sliver_that_lies_in_one_body_only_is_no_overlap() -> None:
    """Two boxes that share half a millimetre, and what the kernel might show of two that are apart: the sharing alone counts."""
    one, near, far = (solid_of(*shape(box((10.0, 10.0, 10.0), (x, 0.0, 0.0)))) for x in (0.0, 9.5, 10.5))
    assert overlap_mm3(one, near) == pytest.approx(50.0)
    assert mould_proof._share_in(one ^ near, (one, near)) == 1.0
    assert mould_proof._share_in(one ^ near, (one, far)) == 0.0


def test_the_way_of_a_side_piece_that_takes_a_body_along_reaches_into_the_bone() -> None:
    """Cut off at the bone's skin, way and bone would share it, and what is cut by both would keep fins without thickness there."""
    bone = Bone.create(box((20.0, 20.0, 10.0), (0.0, 0.0, -5.0)))
    body, way = (solid_of(*shape(box(size, at))) for size, at in (((4.0, 4.0, 4.0), (0.0, 0.0, 2.0)), ((8.0, 8.0, 20.0), (4.0, 0.0, 12.0))))
    wider = taken_over(way, UP, body, bone, 30.0)
    assert wider is not None
    assert (wider ^ bone.solid).volume() > 0.01


def test_a_gap_between_side_pieces_is_as_deep_as_its_farthest_corner() -> None:
    """Three wide side pieces leave a triangle around a bone of 10 x 10 mm: its corners (-40, -10) and (40, -10) are hypot(35, 5) off the bone."""
    bone = Bone.create(box((10.0, 10.0, 10.0)))
    corners = np.array([[-40.0, -10.0], [40.0, -10.0], [0.0, 40.0]])
    around = [corners[k] + share * (corners[(k + 1) % 3] - corners[k]) for k in range(3) for share in (-9.0, 10.0)]
    ways = []
    for k in range(3):
        a, b = around[2 * k : 2 * k + 2]
        out = 500.0 * np.array([(b - a)[1], -(b - a)[0]]) / np.linalg.norm(b - a)
        ways.append(upright(shapely.Polygon([a, b, b + out, a + out]), -20.0, 20.0))
    left = Probe.create(bone, solid_of(*shape(box((600.0, 600.0, 10.0))))).measure(ways)
    assert left.deepest_mm == pytest.approx(np.hypot(35.0, 5.0), abs=0.2)
    assert left.volume_mm3 == pytest.approx(80 * 50 / 2 * 10 - 1000.0)


def test_ribs_set_a_side_piece_in_its_seat_in_one_way_only_and_let_it_out() -> None:
    """Without them the piece for a square pit in the middle of a box goes in upside down."""
    mould = cut_rigid_mould(pitted_box(4.0), dataclasses.replace(CUTTING, flange_mm=20.0, wall_mm=15.0))
    bone = mould.bone.solid
    before = turned_in(mould.pieces, bone)
    pieces, ribs = with_ribs(mould.pieces, mould.block, mould.bone, (), (10.0, 0.2))
    assert [rib.piece for rib in ribs] == ["side-1", "side-1"]
    assert ribs[0].diameter_mm > ribs[1].diameter_mm
    assert all(way.is_free for way in prove_withdrawal(pieces, bone))
    assert all(Surface(mould.bone.mesh).distance(surface_of(rib.body()).vertices)[0].min() >= 1.5 for rib in ribs)
    after = turned_in(pieces, bone)
    assert 20.0 * before["side-1"] < after["side-1"]
    codes = [{found.code for found in seat_findings(mould.pieces, dataclasses.replace(NOTHING, ribs=r, turned_mm3=t))} for r, t in
             (((), {"side-1": 1.0}), (ribs, after))]  # fmt: skip
    assert codes == [{"mould-side-bare", "mould-side-turned", "mould-side-seats"}, {"mould-side-seats"}]


def test_a_large_body_cut_off_a_half_gets_keys_of_its_own_and_is_never_called_a_plug() -> None:
    flat = Membrane(-80.0, -80.0, 4.0, np.zeros((41, 41)))
    outline = shapely.box(-60.0, -40.0, 60.0, 40.0)
    block = Block(outline, shapely.Point(0, 0).buffer(5.0), -20.0, 20.0, upright(outline, -20.0, 20.0))
    cube = [shape(box(*where)) for where in (((50.0, 80.0, 20.0), (35.0, 0.0, 10.0)), ((50.0, 80.0, 20.0), (-35.0, 0.0, 10.0)),
                                             ((120.0, 80.0, 20.0), (0.0, 0.0, -10.0)))]  # fmt: skip
    names = (("upper", UP), ("upper-2", UP), ("lower", -UP))
    pieces = [MouldPiece(name, way, solid_of(*body), is_stray=name == "upper-2") for (name, way), body in zip(names, cube, strict=True)]
    keys = stray_keys(pieces, (block, flat), (), 8.0, HALVES)
    assert {name: [key.diameter_mm for key in own] for name, own in keys.items()} == {"upper-2": [12.0, 8.0]}
    done = fitted(pieces, HALVES, keys["upper-2"], (), 0.2)
    assert done[1].solid.volume() < pieces[1].solid.volume() - 500.0
    assert done[2].solid.volume() > pieces[2].solid.volume() + 500.0
    assert all(way.is_free for way in prove_withdrawal(done, solid_of(*shape(box((1.0, 1.0, 1.0), (0.0, 0.0, 40.0))))))
    found = stray_findings(done, dataclasses.replace(NOTHING, stray_keys=keys))
    assert [(one.code, one.severity, "2 keys" in one.message, "rubber" in one.message) for one in found] == [
        ("mould-body-large", Severity.REVIEW, True, False)
    ]


@pytest.mark.parametrize(("bone_at", "names"), [((0.0, 0.0, -20.0), ["upper"]), ((8.0, 0.0, 12.0), ["upper", "lower-2"])])
def test_a_stray_body_goes_with_a_neighbour_unless_the_bone_would_hold_it(bone_at: tuple, names: list[str]) -> None:
    """A small box beside the upper half: nothing is above it, or the bone is."""
    pieces = [
        MouldPiece("upper", UP, solid_of(*shape(box((10.0, 10.0, 10.0), (0.0, 0.0, 0.0))))),
        MouldPiece("lower-2", -UP, solid_of(*shape(box((4.0, 4.0, 4.0), (7.0, 0.0, 0.0)))), is_stray=True),
    ]
    left = given_to_neighbours(pieces, solid_of(*shape(box((5.0, 5.0, 5.0), bone_at))))
    assert [piece.name for piece in left] == names
    assert sum(piece.solid.volume() for piece in left) == pytest.approx(1064.0, rel=1e-3)
    assert [finding.code for finding in stray_findings(left, NOTHING)] == ["mould-bodies"] * (len(names) - 1)


def test_a_stray_body_that_took_a_smaller_one_goes_with_a_neighbour_in_its_turn() -> None:
    """Two boxes in a row beside the upper half: the outer and smaller one touches the inner one alone."""
    boxes = [("upper", 10.0, 0.0), ("lower-2", 4.0, 7.0), ("lower-3", 2.0, 10.0)]
    pieces = [
        MouldPiece(name, UP if name == "upper" else -UP, solid_of(*shape(box((size, size, size), (at, 0.0, 0.0)))), is_stray=name != "upper")
        for name, size, at in boxes
    ]
    left = given_to_neighbours(pieces, solid_of(*shape(box((5.0, 5.0, 5.0), (0.0, 0.0, -20.0)))))
    assert [piece.name for piece in left] == ["upper"]
    assert left[0].solid.volume() == pytest.approx(1072.0, rel=1e-3)


def test_the_check_of_the_cavity_notices_a_wall_that_is_off() -> None:
    mesh, mould = ball(15.0), cut_ball()
    larger = mesh.replaced(vertices=mesh.vertices * 1.01)
    check = rejoin(mould.block.solid, mould.pieces, (), larger, mould.undercuts)
    assert check.volume_ratio == pytest.approx(1 / 1.01**3 - 1, rel=0.02)


def test_every_high_point_above_the_prominence_has_a_pour_or_a_vent() -> None:
    humps = surface_of(joined([solid_of(*shape(ball(8.0, (x, 0.0, z)))) for x, z in ((0.0, 0.0), (12.0, -1.0), (-12.0, -2.5))]))
    made = make_mould(part_of(humps), SMALL)
    ports = np.array([row[1:4] for table in made.tables if table.name == "pour-and-vents" for row in table.rows], dtype=float)
    turned = made.solids[0].made_from_replica
    points = humps.vertices @ turned[:3, :3].T + turned[:3, 3]
    way = 1.0 if next(figure.value for figure in made.figures if figure.label.startswith("half on top")) == "upper" else -1.0
    for point, _ in high_points(humps.replaced(vertices=points), UP * way, SMALL.vent_prominence_mm):
        assert np.linalg.norm(ports[:, :2] - point[:2], axis=1).min() < SMALL.pour_diameter_mm / 2


def test_high_points_of_two_humps_stand_out_as_far_as_the_saddle_lies_below() -> None:
    """Heights 10 and 8 over a saddle; two balls of radius 5 whose centres lie 8 apart meet 3 mm from the line of centres."""
    humps = surface_of(joined([solid_of(*shape(ball(5.0, (x, 0.0, 0.0), 4))) for x in (-4.0, 4.0)]))
    found = high_points(humps, UP, 0.5)
    assert [round(prominence, 1) for _, prominence in found] == [10.0, 2.0]


def test_a_pour_that_is_wide_for_its_bone_is_told() -> None:
    told = [pour_findings(box((28, breadth, 10)).vertices, 10.0)[0] for breadth in (17.5, 13.6)]
    assert [(finding.code, finding.severity) for finding in told] == [("mould-pour-wide", Severity.NOTE), ("mould-pour-wide", Severity.REVIEW)]
    assert pour_findings(box((28, 13.6, 10)).vertices, 6.0) == []


def test_rounding_makes_no_holes_in_the_outline_of_a_real_bone() -> None:
    """A femur has no way through it. The union of its faces left six slits of no width, each of which became a parting line and a needle."""
    (part,) = polygons_of(bone_outline(*read_bone("Femoris_L")))
    assert list(part.interiors) == []


@pytest.mark.parametrize(("ring", "codes"), [(7.0, ["mould-needles"]), (8.0, [])], ids=["2 mm", "4 mm"])
def test_a_needle_through_a_hole_of_the_bone_is_told_with_its_thickness(ring: float, codes: list[str]) -> None:
    """A ring lying flat has a round hole of twice the difference of its radii (closed form)."""
    mesh = torus(ring, 6.0)
    found = needle_findings(bone_outline(mesh.vertices, mesh.faces))
    assert [finding.code for finding in found] == codes
    assert [finding.value for finding in found] == [pytest.approx(2.0 * (ring - 6.0), rel=0.01)] * len(codes)


def test_a_rigid_mould_of_a_ring_with_a_narrow_hole_tells_its_needle() -> None:
    """The mould of a ball, its block with the outline of a ring that has a hole of 2 mm (closed form)."""
    mould, ring = cut_ball(), torus(7.0, 6.0)
    assert "mould-needles" not in {finding.code for finding in rigid_findings(mould, NOTHING, SMALL)}
    mould = dataclasses.replace(mould, block=dataclasses.replace(mould.block, bone_outline=bone_outline(ring.vertices, ring.faces)))
    told = {finding.code: finding for finding in rigid_findings(mould, NOTHING, SMALL)}
    assert told["mould-needles"].value == pytest.approx(2.0, rel=0.01)


def test_keys_fit_in_one_position_only(ball_mould: Made) -> None:
    assert ball_mould.facts["n_keys"] == 4
    assert ball_mould.facts["key_misfit_mm"] >= 2.0


def test_the_holes_of_an_armature_are_not_moulded_but_drilled_into_the_casting() -> None:
    """A ball of 15 mm with a socket of 3 mm radius: the pattern is that of the whole ball."""
    whole = ball(15.0)
    tool = bore_tool(np.array([[0.0, 0.0, 20.0], [0.0, 0.0, 2.0]]), 3.0, 0, has_colour=False)
    part = part_of(cut_bores(whole, [tool], 0).mesh, unbored=whole)
    drilled, plain = (make_mould(one, MouldSettings(form="pattern")) for one in (part, part_of(whole)))
    assert made_codes(drilled) - made_codes(plain) == {"mould-holes-drilled"}
    assert drilled.facts == plain.facts


def test_keys_at_the_corners_of_a_square_would_fit_the_wrong_way() -> None:
    corners = [Key(np.array(place, float), 0.0, 0.0, 6.0) for place in ((0, 0), (10, 0), (0, 10), (-10, 0))]
    assert wrong_way_misfit(corners) == pytest.approx(10 * np.sqrt(2))
    corners[2:] = [Key(np.array((-5.0, y)), 0.0, 0.0, 6.0) for y in (75**0.5, -(75**0.5))]
    assert wrong_way_misfit(corners) < 1e-9


def test_keys_that_no_turn_brings_to_another_socket_have_no_wrong_position_and_no_endless_figure() -> None:
    keys = tuple(Key(np.array(place, float), 0.0, 0.0, 6.0) for place in ((0, 0), (40, 0), (80, 1), (120, -1)))
    held = dataclasses.replace(NOTHING, keys=keys)
    assert fitting_facts(held)["key_misfit_mm"] is None
    assert fitting_findings(held, 0.0) == []
    assert "no turn brings one" in next(figure.basis for figure in fitting_figures(held, [0.0], SMALL) if figure.label == "keys")


def test_keys_in_a_row_do_not_fit_the_wrong_way_merely_because_a_little_turn_moves_them_little() -> None:
    row = [Key(np.array((0.1 * k * k, 100.0 * k)), 0.0, 0.0, 6.0) for k in range(4)]
    assert wrong_way_misfit(row) is None


def test_the_foot_of_a_key_beside_a_step_of_the_parting_surface_stays_clear_of_the_bone() -> None:
    """The surface falls by 12 mm where the bone begins, 10 mm beside the strip of flange: a foot reaches 13 mm down and is 3.25 mm wider there."""
    height = np.where(np.arange(121) < 60, 0.0, -12.0)[:, None] * np.ones((121, 121))
    table, bone = shapely.box(40.4, 0.0, 120.0, 120.0), shapely.box(60.0, -20.0, 140.0, 140.0)
    block, column = Block(table, bone, -60.0, 40.0, upright(table, -60.0, 40.0)), upright(bone, -60.0, 40.0)
    keys = place_keys(block, Membrane(0.0, 0.0, 1.0, height), (), 10.0)
    assert len(keys) == 4
    assert (dataclasses.replace(keys[0], ground=None).body(0.0) ^ column).volume() > 4.0
    assert all((key.body(0.2) ^ column).volume() == 0.0 for key in keys)
    pin, socket = (shapely.Polygon(keys[0].body(clearance).slice(-8.0).to_polygons()[0]) for clearance in (0.0, 0.2))
    assert pin.area < shapely.Polygon(dataclasses.replace(keys[0], ground=None).body(0.0).slice(-8.0).to_polygons()[0]).area - 1.0
    assert pin.distance(socket.exterior) == pytest.approx(0.2, abs=0.002)


def test_a_key_on_a_slope_reaches_below_the_parting_surface_all_round_it() -> None:
    """A bowl: height x^2 / 40 over a grid of 1 mm; where it is steep, its fall within a key's reach is more than the slope in the middle says."""
    x = np.arange(-40.0, 41.0)
    membrane = Membrane(-40.0, -40.0, 1.0, np.repeat((x**2 / 40)[:, None], 81, axis=1))
    outline = shapely.box(-38, -38, 38, 38)
    block = Block(outline, shapely.box(-3, -3, 3, 3), -20.0, 60.0, solid_of(*shape(box((76.0, 76.0, 80.0)))))
    for key in place_keys(block, membrane, (), 6.0):
        around = key.place + key.diameter_mm / 2 * np.stack([np.cos(x), np.sin(x)], axis=1)
        assert key.body(0.2).bounding_box()[2] < membrane.at(around).min()


@pytest.fixture(scope="module")
def ball_mould() -> Made:
    return make_mould(part_of(ball(15.0)), MouldSettings(shrink=(ShrinkLink("casting resin", 0.5, "an invented data sheet"),)))


def test_a_mould_states_each_shrink_with_its_source(ball_mould: Made) -> None:
    table = next(table for table in ball_mould.tables if table.name == "shrink")
    assert table.rows[0] == ("casting resin", 0.5, 1.005025, "an invented data sheet")
    assert ball_mould.facts["pattern_scale"] == pytest.approx(1.005025, abs=5e-7)
    assert not ball_mould.findings


def test_pieces_are_closed_outward_and_free_of_self_intersections_at_pattern_scale(ball_mould: Made) -> None:
    for solid in ball_mould.solids:
        audit = audit_topology(solid.mesh)
        assert audit.is_closed, solid.name
        assert audit.is_outward, solid.name
        assert not len(find_meeting_pairs(solid.mesh)), solid.name
        assert np.linalg.det(solid.made_from_replica[:3, :3]) == pytest.approx(1.005025**3, abs=1e-5)


def test_the_imprint_keeps_the_sources_of_the_bone_and_all_else_is_made(ball_mould: Made) -> None:
    made = [entry.evidence for entry in ball_mould.sources].index(EvidenceClass.MADE)
    for solid in ball_mould.solids:
        assert set(np.unique(solid.mesh.source)) == {0, made}


def test_the_same_part_gives_the_same_mould_to_the_last_bit(ball_mould: Made) -> None:
    again = make_mould(part_of(ball(15.0)), MouldSettings(shrink=(ShrinkLink("casting resin", 0.5, "an invented data sheet"),)))
    assert all(np.array_equal(a.mesh.vertices, b.mesh.vertices) for a, b in zip(ball_mould.solids, again.solids, strict=True))
    assert again.facts == ball_mould.facts


def test_the_parting_line_lies_on_the_silhouette_where_the_parting_surface_meets_the_bone_lower() -> None:
    """A steep cone of 24 sides, 0.5 mm wider above: its silhouette is its upper rim. A ray along the outline itself hits or misses by rounding."""
    turn = 2 * np.pi * (np.arange(24) + 0.37) / 24
    rims = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(24, z)]) for r, z in ((10.0, -8.0), (10.5, 8.0))]
    cone = hull_of(np.concatenate(rims))
    membrane = Membrane(-20.0, -20.0, 1.0, np.zeros((41, 41)))
    (line,) = trace_parting_lines(cone, bone_outline(cone.vertices, cone.faces), membrane)
    assert line[:, 2].min() > 8.0 - 1.0  # 0.02 mm within the outline its skin lies 0.64 mm lower
    figures = {figure.label: figure for figure in parting_figures((line,), membrane)}
    assert figures["parting line, largest step"].value < 0.1
    assert figures["flange above or below the line, at most"].value == pytest.approx(line[:, 2].max(), abs=0.01)


def test_a_step_of_the_parting_line_is_stated_with_its_place() -> None:
    line = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 1.0], [1.0, 1.0, 4.0], [0.0, 1.0, 2.5]])
    step = parting_figures((line,))[-1]
    assert (step.value, "1.00 mm on; at x, y, z = 1.0, 0.5, 2.5 mm" in step.basis) == (3.0, True)


def test_a_pattern_carries_its_parting_line_as_a_groove_of_the_stated_depth() -> None:
    made = make_mould(part_of(ball(15.0, n_splits=5)), MouldSettings(form="pattern"))
    (pattern,) = made.solids
    assert pattern.role == "pattern"
    assert made.facts["groove_depth_mm"] == pytest.approx(0.3, abs=0.03)
    expected = np.pi * 0.3**2 / 2 * 2 * np.pi * 15.0  # half a disc 0.6 wide and 0.3 deep, around the equator
    assert made.facts["groove_mm3"] == pytest.approx(expected, rel=0.15)
    (table,) = [table for table in made.tables if table.name == "parting-line"]
    line = np.array([row[2:] for row in table.rows], dtype=float)
    assert {row[0] for row in table.rows} == {1}
    facet = np.linalg.norm(np.diff(pattern.mesh.vertices[pattern.mesh.faces[:, :2]][pattern.mesh.source == 0], axis=1), axis=2).max()
    assert np.abs(np.linalg.norm(line, axis=1) - 15.0).max() < 0.05  # a great circle: on the ball,
    assert np.abs(line[:, 2]).max() < facet  # in the plane square to the way out through the ball's middle, as far as flat faces have one,
    around = np.linalg.norm((line - np.roll(line, -1, axis=0))[:, :2], axis=1).sum()
    assert around == pytest.approx(2 * np.pi * 15.0, rel=2e-3)  # once around
    removed = pattern.mesh.vertices[np.linalg.norm(pattern.mesh.vertices, axis=1) < 15.0 - 0.2]
    assert len(removed)
    assert np.abs(removed[:, 2]).max() < facet + 0.3  # and the groove lies along it


@pytest.fixture(scope="module")
def flexible_mould() -> Made:
    return make_mould(part_of(mushroom()), dataclasses.replace(SMALL, kind="flexible", rubber_mm=6.0, core_wall_mm=3.0))


def test_a_jacket_comes_off_the_rubber_with_its_draft_where_the_bone_itself_is_undercut(flexible_mould: Made) -> None:
    assert [solid.role for solid in flexible_mould.solids] == ["jacket", "jacket", "mould piece", "mould piece", "core"]
    assert all(out["overlap_mm3"] == 0.0 and out["n_hits"] == 0 for out in flexible_mould.facts["ways_out"])
    assert flexible_mould.facts["jacket_draft_deg"] >= SMALL.jacket_draft_deg
    assert made_codes(flexible_mould) == {"mould-no-shrink", "mould-core-held"}


def test_rubber_is_nowhere_thinner_than_wished_and_leaves_the_bone_as_it_is(flexible_mould: Made) -> None:
    """Face to face by the kernel, and by distances from points all over the bone, which can only be larger."""
    least = flexible_mould.facts["rubber_mm"][0]
    assert 6.0 - 0.01 <= least <= flexible_mould.facts["rubber_sampled_mm"] + 1e-6
    assert abs(flexible_mould.facts["rejoin"]["volume_ratio"]) < 1e-4
    assert flexible_mould.facts["rejoin"]["fattest_mm"] < 0.05


def test_rubber_and_jackets_are_closed_and_free_of_self_intersections(flexible_mould: Made) -> None:
    for solid in flexible_mould.solids:
        assert audit_topology(solid.mesh).is_closed, solid.name
        assert not len(find_meeting_pairs(solid.mesh)), solid.name


def test_a_core_leaves_the_wall_everywhere_but_at_its_prints(flexible_mould: Made) -> None:
    """Measured face to face, not by the grid that the core was cut with."""
    core, bone = flexible_mould.solids[-1], mushroom()
    turn = core.made_from_replica
    skin = Surface(bone.replaced(vertices=bone.vertices @ turn[:3, :3].T + turn[:3, 3]))
    points = core.mesh.vertices
    for start, end, width in flexible_mould.facts["core_prints"]:
        start, end = np.array(start), np.array(end)
        along = (end - start) / np.linalg.norm(end - start)
        is_beside = (points - start) @ along < 0.0
        is_off = np.linalg.norm(points - start - np.outer((points - start) @ along, along), axis=1) > 0.51 * width
        points = points[is_beside | is_off]
    assert skin.distance(points)[0].min() >= 0.98 * 3.0
    assert flexible_mould.facts["casting_hollow_mm3"] < flexible_mould.facts["casting_mm3"]


@pytest.mark.parametrize("kind", ["flexible", "rigid"])
def test_two_prints_hold_the_core_in_seats_of_both_halves_with_clearance(kind: str, flexible_mould: Made) -> None:
    """The halves are moved out past the prints (no overlap), and are everywhere the clearance away from the core."""
    hollow = dataclasses.replace(SMALL, core_wall_mm=4.0, core_print_mm=5.0)
    made = flexible_mould if kind == "flexible" else make_mould(part_of(ball(15.0, n_splits=3)), hollow)
    assert len(made.facts["core_prints"]) == 2
    assert all(out["overlap_mm3"] == 0.0 and out["n_hits"] == 0 for out in made.facts["ways_out"])
    assert abs(made.facts["rejoin"]["volume_ratio"]) < 1e-4
    core = solid_of(*shape(made.solids[-1].mesh))
    for half in [solid for solid in made.solids if solid.role == "mould piece"]:
        assert core.min_gap(solid_of(*shape(half.mesh)), 2.0) == pytest.approx(SMALL.key_clearance_mm, abs=0.01), half.name


def test_rubber_that_would_meet_in_a_mere_edge_is_thickened_there() -> None:
    """Two hills on either side of a cell's diagonal: four faces at one edge, which the kernel pairs at will."""
    flat = np.zeros((4, 4))
    high = flat.copy()
    high[1, 2] = high[2, 1] = 1.0
    opened, low = without_pinches(high, flat, flat)
    assert opened[1, 1] == opened[2, 2] == pytest.approx(0.02)
    assert (opened - high).max() == pytest.approx(0.02)
    assert (low == flat).all()


@pytest.mark.slow
def test_a_vertebra_gets_a_jacket_that_comes_off() -> None:
    made = make_mould(part_of(Mesh.create(*read_bone("L_3"))), MouldSettings(kind="flexible"))
    assert made_codes(made) == {"mould-no-shrink"}
    assert all(out["overlap_mm3"] == 0.0 and out["n_hits"] == 0 for out in made.facts["ways_out"])


@pytest.mark.slow
@pytest.mark.parametrize(("name", "most"), [("Phalanges_B_L_1", 2), ("humerus_L", 4), ("Scapula_L", 4), ("L_3", 6)])
def test_a_real_bone_comes_out_of_its_pieces(name: str, most: int) -> None:
    from meshtools.geometry.unite import unite_pieces

    mesh = unite_pieces(Mesh.create(*read_bone(name))).mesh
    made = make_mould(part_of(mesh), MouldSettings(shrink=(ShrinkLink("casting resin", 0.5, "an invented data sheet"),)))
    assert 2 <= len(made.solids) <= most
    assert all(piece["good"] for piece in made.facts["pieces"])
    assert made_codes(made) <= {"mould-vent-side", "mould-crumbs", "mould-pour-wide", "mould-side-seats"}  # notes; the pour is wide for a phalanx
    for solid in made.solids:
        assert audit_topology(solid.mesh).is_closed
        assert not len(find_meeting_pairs(solid.mesh)), solid.name
