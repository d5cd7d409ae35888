"""Printed parts: they fit the machine, go together one way only, are hollow to an even wall, and say what they are."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from dog_individuals import read_bone
from solid_shapes import ball, box, capsule, inverted, together

from meshtools.errors import GeometryError
from meshtools.geometry import print_parts
from meshtools.geometry.audit import audit_topology, signed_volume
from meshtools.geometry.body import enter, rod, solid_of, surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.engraving import EngravingDemand, engrave, place_on_skin
from meshtools.geometry.hollowing import drill, find_cavity, is_open, place_opening
from meshtools.geometry.joint_keys import KeyDemand, KeyPair, find_contacts, fit_keys, measured_clearance, place_all_keys, try_wrong_ways
from meshtools.geometry.print_findings import part_findings, process_findings, wall_findings
from meshtools.geometry.print_parts import PrintedPart
from meshtools.geometry.print_tables import parts_table
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.sections import Plane, section
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.splitting import Demand, split_to_fit
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.geometry.walls import measure_thickness
from meshtools.model import EvidenceClass, Mesh, Origin, Severity, SourceEntry
from meshtools.model_ready import Made, Part
from meshtools.settings_print import EXTRUSION, VAT, PrintSettings
from meshtools.stages.print import make_print

SOURCES = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED),)
NOWHERE = np.empty((0, 3))
SMALL = PrintSettings(build_x_mm=120, build_y_mm=120, build_z_mm=120, key_depth_mm=6)


def part_of(mesh: Mesh, keep_off: np.ndarray = NOWHERE) -> Part:
    return Part("rex/femur-left", "7f3a", mesh, SOURCES, keep_off)


def codes(made: Made) -> set[str]:
    return {finding.code for finding in made.findings}


def put_back(made: Made) -> list[Mesh]:
    return [apply_matrix(solid.mesh, np.linalg.inv(solid.made_from_replica)) for solid in made.solids]


@pytest.fixture(scope="module")
def vertebra() -> Part:
    """A dog's lumbar vertebra at eight times its size: 237 x 377 x 331 mm."""
    vertices, faces = read_bone("L_3")
    return part_of(Mesh.create(vertices * 8.0, faces))


@pytest.fixture(scope="module")
def printed(vertebra: Part) -> Made:
    return make_print(vertebra, PrintSettings())


@pytest.fixture(scope="module")
def halves() -> tuple:
    """A bar of 40 x 30 x 180 mm in parts of at most 115 mm, and its keys."""
    split = split_to_fit(enter(box((40.0, 30.0, 180.0))).solid, Demand((115.0,) * 3, np.array([0.0, 0.0, 1.0]), NOWHERE, 15.0, 6.0, 12.0, 20))
    return split, [pair for _, pair in place_all_keys(split, KeyDemand(12.0, 6.0, 3.0, 0.2))]


def test_every_part_of_a_bone_larger_than_the_machine_fits_it_with_its_keys(printed):
    """The build volume of 300 mm less 5 mm, on every axis."""
    sizes = np.array([np.ptp(solid.mesh.vertices, axis=0) for solid in printed.solids])
    assert len(sizes) > 1
    assert (sizes <= 295.0).all()
    assert np.abs([solid.mesh.vertices.min(axis=0) for solid in printed.solids]).max() < 1e-9  # each stands on the corner of the build volume


def test_every_part_is_one_closed_outward_body(printed):
    for solid in printed.solids:
        audit = audit_topology(solid.mesh)
        assert audit.is_closed
        assert audit.is_outward
        assert audit.n_pieces == 1
    assert not [finding for finding in printed.findings if finding.severity is Severity.FAILED]


def test_parts_put_back_are_the_replica(vertebra, printed):
    """Volume as cut within 1e-4, skin within 0.05 mm away from the engravings; measured here anew from the solids alone."""
    back = put_back(printed)
    joined = Surface(concatenate(back))
    distances, _ = joined.distance(vertebra.mesh.vertices)
    assert distances.max() < 0.05
    own = concatenate([mesh.replaced(faces=mesh.faces[mesh.source == 0], source=mesh.source[mesh.source == 0]) for mesh in back])
    assert Surface(vertebra.mesh).distance(own.vertices[np.unique(own.faces)])[0].max() < 0.05
    assert sum(entry["volume_cut_mm3"] for entry in printed.facts["parts"]) == pytest.approx(signed_volume(vertebra.mesh), rel=1e-4)
    assert printed.facts["rejoined"]["made_volume_error"] < 1e-4


def test_cut_faces_keys_and_letters_are_nobodys_bone(printed):
    made = printed.sources.index(SourceEntry(EvidenceClass.MADE, "", Origin.MADE))
    assert all(set(np.unique(solid.mesh.source)) == {0, made} for solid in printed.solids)


def test_the_same_replica_gives_the_same_parts(vertebra, printed):
    again = make_print(vertebra, PrintSettings())
    assert again.facts == printed.facts
    assert again.tables == printed.tables
    assert all(np.array_equal(one.mesh.vertices, other.mesh.vertices) for one, other in zip(again.solids, printed.solids, strict=True))


def test_the_gap_around_a_key_is_the_clearance(halves):
    """Distance from the pegs of the one part to the surface of the other: 0.2 mm, within 0.02 mm."""
    split, pairs = halves
    solids = [part.solid for part in split.parts]
    for pair in pairs:
        fit_keys(solids, pair, 0.2)
        body = enter(box())
        assert measured_clearance(pair, body.with_solid(solids[pair.female]).mesh(0)) == pytest.approx((0.2, 0.2), abs=0.02)
        overlap = solids[pair.male] ^ solids[pair.female]
        assert overlap.volume() == pytest.approx(0.0, abs=1e-6)


def test_parts_cannot_be_put_together_turned_about_the_cut(halves):
    split, pairs = halves
    solids = [part.solid for part in split.parts]
    fit_keys(solids, pairs[0], 0.2)
    ways = try_wrong_ways(pairs[0], solids[pairs[0].female])
    assert ways.is_safe
    assert ways.swap_mm3 > 10.0


def test_two_keys_of_one_diameter_are_found_to_fit_wrongly(halves):
    """The proof can fail: twins change places without a collision."""
    split, pairs = halves
    large, small = pairs[0].keys
    twins = KeyPair(pairs[0].contact, pairs[0].male, pairs[0].female, pairs[0].direction, (large, dataclasses.replace(small, diameter_mm=12.0)))
    solids = [part.solid for part in split.parts]
    fit_keys(solids, twins, 0.2)
    assert not try_wrong_ways(twins, solids[twins.female]).is_safe


def test_a_face_without_room_for_two_keys_is_reported_and_glued():
    made = make_print(part_of(box((8.0, 8.0, 180.0))), SMALL)
    assert "cut-without-keys" in codes(made)
    assert len(made.solids) == 2
    assert any(finding.severity is Severity.REVIEW for finding in made.findings if finding.code == "cut-without-keys")


def test_cuts_stay_away_from_joint_ends():
    """A rod of 170 mm could be cut in half anywhere near its middle; a joint right there moves the cut away from it."""
    rod_solid = enter(capsule(20.0, 130.0)).solid
    demand = Demand((115.0,) * 3, np.array([0.0, 0.0, 1.0]), NOWHERE, 15.0, 6.0, 12.0, 20)
    middle = split_to_fit(rod_solid, demand).cuts[0].plane
    moved = split_to_fit(rod_solid, dataclasses.replace(demand, keep_off=middle.to_space(np.zeros((1, 2)))))
    assert len(moved.parts) == 2
    assert moved.cuts[0].keep_off_mm >= 10.0


def test_letters_take_away_their_strokes_times_the_depth_and_read_from_outside():
    """The floor of the letters, seen from outside, is the text's own picture and not its mirror image."""
    body = enter(box((100.0, 60.0, 20.0)))
    tablet = place_on_skin(body.replica, ("FLING-R", "EL7"), EngravingDemand(8.0, 1.2, 0.8, 2.0, 10.0), NOWHERE)
    engraving = engrave(body.solid, tablet, 0.8)
    assert engraving.removed_mm3 == pytest.approx(engraving.expected_mm3, rel=0.02)
    assert np.linalg.det(tablet.frame) == pytest.approx(1.0)
    width, height = tablet.lettering.size_mm
    grid = np.stack(np.meshgrid(np.arange(-width / 2, width / 2, 0.37), np.arange(-height / 2, height / 2, 0.37)), -1).reshape(-1, 2)
    sunk = sunk_at(engraving.solid, tablet, grid)
    import shapely

    wanted = shapely.contains_xy(tablet.lettering.area(), grid[:, 0], grid[:, 1])
    mirrored = shapely.contains_xy(tablet.lettering.area(), -grid[:, 0], grid[:, 1])
    assert (sunk == wanted).mean() > 0.99 > (sunk == mirrored).mean() + 0.1


def test_the_floor_of_letters_on_the_skin_is_nobodys_bone():
    """Faces that name the replica as their source lie on its surface."""
    body = enter(ball(60.0))
    engraving = engrave(body.solid, place_on_skin(body.replica, ("REPLICA", "A-1"), EngravingDemand(6.0, 1.2, 0.8, 2.0, 10.0), NOWHERE), 0.8)
    cut = body.with_solid(engraving.solid)
    own = cut.mesh(1).faces[cut.is_own(1)]
    assert Surface(body.replica).distance(cut.mesh(1).vertices[np.unique(own)])[0].max() < 1e-6
    assert engraving.removed_mm3 == pytest.approx(engraving.expected_mm3, rel=0.02)


def sunk_at(solid, tablet, grid: np.ndarray) -> np.ndarray:
    """True where a ray from outside falls deeper than half the letters' depth."""
    surface = Surface(enter(box()).with_solid(solid).mesh(0))
    starts = tablet.middle + grid @ tablet.frame[:2] + 5.0 * tablet.frame[2]
    return surface.first_hit(starts, np.broadcast_to(-tablet.frame[2], starts.shape)) > 5.4


def test_a_bone_too_small_for_letters_stays_without(printed):
    made = make_print(part_of(ball(9.0)), PrintSettings())
    assert "part-unengraved" in codes(made)
    assert len(made.solids) == 1
    assert all(entry["engraving"] for entry in printed.facts["parts"])


def test_a_hollow_ball_has_an_even_wall_and_one_cavity_with_open_drains():
    """Ball of 30 mm, wall 4 mm: the cavity is a ball of 26 mm within 3 %; the wall is measured from the finished part's inner faces."""
    made = make_print(part_of(ball(30.0, n_splits=4)), PrintSettings(process=VAT, wall_mm=4.0))
    entry = made.facts["parts"][0]
    hollow = entry["hollow"]
    assert hollow["cavity_mm3"] == pytest.approx(4.0 / 3.0 * np.pi * 26.0**3, rel=0.03)
    assert hollow["least_wall_mm"] >= 0.98 * 4.0
    assert hollow["is_open"]
    mesh = put_back(made)[0]
    radius = np.linalg.norm(mesh.vertices, axis=1)
    assert radius[(radius < 28.0) & (radius > 20.0)].max() < 30.0 - 0.98 * 4.0 + 0.05
    heights = sorted(z for _, _, z in hollow["openings_mm"])
    assert heights[0] < -29.0
    assert heights[1] > 29.0


@pytest.mark.slow
def test_the_wall_of_a_hollow_bone_is_nowhere_thinner_than_measured(vertebra):
    """Half a lumbar vertebra, wall 5 mm: 50,000 points of the cavity against the skin, by another library than the one that measured it."""
    upper, _ = enter(vertebra.mesh).solid.split_by_plane((0.0, 0.0, 1.0), float(vertebra.mesh.vertices[:, 2].mean()))
    mesh = enter(box()).with_solid(upper).mesh(0)
    cavity = find_cavity(upper, mesh, 5.0)
    distances, _ = Surface(mesh).distance(sample_surface(surface_of(cavity.solid), 50_000)[0])
    assert 0.98 * 5.0 <= cavity.least_wall_mm <= distances.min() + 1e-6
    assert np.quantile(distances, 0.95) < 1.12 * 5.0
    assert len(cavity.solid.decompose()) == 1


def test_a_drain_that_misses_the_cavity_is_not_called_open():
    solid, mesh = enter(ball(30.0)).solid, ball(30.0)
    cavity = find_cavity(solid, mesh, 4.0)
    up = np.array([0.0, 0.0, 1.0])
    openings = tuple(place_opening(cavity.solid, Surface(mesh), way, 4.0, (NOWHERE, np.empty(0))) for way in (up, -up))
    closed = solid - cavity.solid
    assert is_open(drill(closed, openings), 0, 2, int(cavity.solid.genus()))
    assert not is_open(closed - rod(np.array([28.5, 0, -9.0]), np.array([28.5, 0, 9.0]), 0.5), 0, 2, int(cavity.solid.genus()))


@pytest.mark.parametrize(("radius", "severity"), [(30.0, Severity.REVIEW), (16.0, Severity.NOTE)])
def test_a_part_whose_cavity_is_not_proven_to_drain_stays_solid_and_says_so(monkeypatch, radius, severity):
    """Wall 4 mm: the cavity of a ball of 30 mm has 74 cm³, that of 16 mm has 7 cm³, little enough to print solid unasked."""
    monkeypatch.setattr(print_parts, "is_open", lambda *given: False)
    made = make_print(part_of(ball(radius)), PrintSettings(process=VAT, wall_mm=4.0))
    assert made.facts["parts"][0]["hollow"] is None
    assert [finding.severity for finding in made.findings if finding.code == "stays-solid-undrained"] == [severity]
    assert audit_topology(made.solids[0].mesh).n_pieces == 1


def test_a_drain_does_not_open_into_a_narrow_end_where_a_wider_place_is_nearly_as_low():
    """A drop with a thin tip: 4 mm do not fit into the tip of its cavity."""
    cavity = solid_of(ball(26.0)) + rod(np.array([0.0, 0.0, -30.0]), np.array([0.0, 0.0, 0.0]), 0.8)
    up = np.array([0.0, 0.0, 1.0])
    opening = place_opening(cavity, Surface(ball(36.0)), up, 4.0, (NOWHERE, np.empty(0)))
    assert opening.open_share >= 0.6
    assert 0.5 < opening.off_extreme_mm <= 0.1 * 56.0


def test_a_hollow_part_stays_solid_around_a_socket():
    mesh = box((40.0, 40.0, 40.0))
    socket = np.array([[20.0, 0.0, 0.0]])
    cavity = find_cavity(solid_of(mesh), mesh, 4.0, ((socket, 12.0),))
    corners = np.asarray(cavity.solid.to_mesh64().vert_properties)[:, :3]
    assert np.linalg.norm(corners - socket, axis=1).min() > 11.5
    assert find_cavity(solid_of(mesh), mesh, 4.0).volume_mm3 == pytest.approx(32.0**3, rel=0.05)


def test_of_two_hollows_joined_by_a_thin_neck_one_is_kept_and_the_other_stays_solid():
    dumbbell = part_of(together(ball(25.0, (0, 0, -40.0)), ball(20.0, (0, 0, 40.0)), capsule(3.0, 80.0)))
    from meshtools.geometry.unite import unite_pieces

    made = make_print(dataclasses.replace(dumbbell, mesh=unite_pieces(dumbbell.mesh).mesh), PrintSettings(process=VAT, wall_mm=4.0))
    assert made.facts["parts"][0]["hollow"]["n_left_solid"] == 1
    assert made.facts["parts"][0]["hollow"]["is_open"]
    assert audit_topology(made.solids[0].mesh).n_pieces == 1
    assert "cavity-left-solid" in codes(made)


def test_a_part_too_thin_to_hollow_stays_solid_and_says_so():
    made = make_print(part_of(box((80.0, 60.0, 9.0))), PrintSettings(process=VAT))
    assert made.facts["parts"][0]["hollow"] is None
    assert "stays-solid" in codes(made)


def test_thin_walls_are_found_with_their_share_and_place():
    """A plate of 1 mm on a block: 1 mm at the plate, which material extrusion makes but which is below the recommended 1.6 mm."""
    from meshtools.geometry.unite import unite_pieces

    block = unite_pieces(together(box((20.0, 20.0, 20.0)), box((20.0, 1.0, 21.0), (0.0, 0.0, 19.0)))).mesh
    thickness = measure_thickness(block)
    assert thickness.least_mm == pytest.approx(1.0, abs=1e-6)
    assert 20.0 < thickness.percent_below(1.6) < 35.0
    place, _ = thickness.widest_place_below(1.6)
    assert abs(place[1]) == pytest.approx(0.5, abs=1e-6)
    assert place[2] > 10.0
    for least, code in ((0.8, "wall-below-recommended"), (1.2, "wall-too-thin")):
        found = wall_findings("rex/femur-left", thickness, PrintSettings(least_wall_extrusion_mm=least))
        assert [finding.code for finding in found] == [code]


def test_a_part_too_large_is_told_by_the_side_that_does_not_fit():
    """A part of 200 x 90 x 40 mm on a machine with room for 295 x 295 x 25: its height is what is wrong, not its length."""
    audit = audit_topology(box())
    part = PrintedPart(1, enter(box()), 1.0, 1.0, None, None, None, ())
    found = part_findings(part, audit, count_self_intersections(box()), np.array([200.0, 90.0, 40.0]), PrintSettings(build_z_mm=30.0))
    assert [(finding.value, finding.limit) for finding in found if finding.code == "part-too-large"] == [(40.0, 25.0)]
    table = parts_table([part], [box()], PrintSettings())
    assert table.rows[0][table.header.index("direction up")] == "fits nowhere"


@pytest.mark.parametrize("cuts", [(), (1,)])
def test_a_part_that_crosses_itself_is_told_by_its_place_in_the_replica_and_blamed_on_a_cut_only_where_there_is_one(cuts):
    """A cube with one corner pushed through the opposite side, which stands at the origin of the machine and elsewhere in the replica."""
    cube = box((10.0, 10.0, 10.0))
    corner = int(cube.vertices.sum(axis=1).argmax())
    pushed = cube.vertices.copy()
    pushed[corner] = (-8.0, 3.0, 2.0)
    crossings = count_self_intersections(cube.replaced(vertices=pushed))
    assert crossings.n_pairs
    part = PrintedPart(1, enter(box((10.0, 10.0, 10.0), (30.0, 40.0, 50.0))), 1.0, 1.0, None, None, None, cuts)
    found, = (f for f in part_findings(part, audit_topology(cube), crossings, np.full(3, 10.0), PrintSettings()) if f.code == "part-not-closed")
    x, y, z = np.round(np.array(crossings.places_mm[0]) + (25.0, 35.0, 45.0), 1) + 0.0
    assert f"near ({x}, {y}, {z}) mm" in found.message
    assert ("where it is cut" in found.message, "nothing was cut" in found.message) == (bool(cuts), not cuts)


def test_a_part_that_no_number_of_cuts_makes_fit_is_not_told_as_too_many_parts(monkeypatch):
    monkeypatch.setattr("meshtools.geometry.splitting._DEEPEST", 0)
    with pytest.raises(GeometryError, match="cut 1 time one after the other and a part still does not fit"):
        split_to_fit(enter(box((40.0, 30.0, 180.0))).solid, Demand((50.0,) * 3, np.array([0.0, 0.0, 1.0]), NOWHERE, 15.0, 6.0, 12.0, 20))


@pytest.mark.parametrize(("process", "hollow", "n_asked"), [(EXTRUSION, "yes", 1), (EXTRUSION, "by process", 0), (VAT, "yes", 0)])
def test_hollow_parts_by_material_extrusion_are_asked_about(process, hollow, n_asked):
    """Its ceilings fail (common practice, no source)."""
    assert len(process_findings("rex/femur-left", PrintSettings(process=process, hollow=hollow))) == n_asked


def test_loose_bodies_are_parts_of_their_own_and_trapped_voids_are_filled():
    made = make_print(part_of(together(ball(30.0), inverted(ball(10.0)), ball(20.0, (80.0, 0.0, 0.0)))), PrintSettings())
    assert [solid.name for solid in made.solids] == ["01", "02"]
    assert {"loose-bodies", "voids-filled"} <= codes(made)
    assert sum(signed_volume(solid.mesh) for solid in made.solids) > signed_volume(ball(30.0))


def test_a_replica_that_cannot_be_printed_says_why():
    """An unknown process, an open surface, and too many parts: no solids, one finding of severity failed that names what to set."""
    cube = box((400.0, 400.0, 400.0))
    for part, settings, named in (
        (part_of(cube), PrintSettings(process="casting"), "print.process"),
        (part_of(cube.replaced(faces=cube.faces[1:], source=cube.source[1:])), PrintSettings(), "closed"),
        (part_of(cube), PrintSettings(most_parts=3), "raise print.most_parts"),
        (part_of(together(*(ball(20.0, (60.0 * k, 0.0, 0.0)) for k in range(4)))), PrintSettings(most_parts=3), "raise print.most_parts to 4"),
    ):
        made = make_print(part, settings)
        assert not made.solids
        assert [finding.severity for finding in made.findings] == [Severity.FAILED]
        assert named in made.findings[0].message


def test_a_part_keeps_the_stated_direction_up_and_its_matrix_says_how_it_lies(printed, vertebra):
    upright = make_print(part_of(capsule(20.0, 60.0)), PrintSettings(up_x=1.0, up_z=0.0))
    up = upright.solids[0].made_from_replica[:3, :3] @ (1.0, 0.0, 0.0)
    assert up == pytest.approx([0.0, 0.0, 1.0])
    for solid in printed.solids:
        assert np.linalg.det(solid.made_from_replica[:3, :3]) == pytest.approx(1.0)
        own = solid.mesh.vertices[np.unique(solid.mesh.faces[solid.mesh.source == 0])]
        skin = Surface(apply_matrix(vertebra.mesh, solid.made_from_replica))
        assert skin.distance(own)[0].max() < 1e-3


def test_the_table_of_keys_puts_parts_together_in_the_reverse_order_of_the_cuts(printed):
    """Each step joins groups that are whole by then: no part meets one of its own group, and at the end all are one."""
    group = {f"{number:02d}": number for number in range(1, len(printed.solids) + 1)}
    rows = printed.tables[1].rows
    for step in sorted({row[0] for row in rows}):
        pairs = [row[1].split("-") for row in rows if row[0] == step]
        assert all(group[one] != group[other] for one, other in pairs)
        for one, other in pairs:
            group = {name: group[one] if number == group[other] else number for name, number in group.items()}
    assert len(set(group.values())) == 1


def test_views_tell_neighbours_apart_by_their_grey(printed):
    assembled = printed.views[0]
    greys = np.unique(assembled.face_colours[:, 0])
    assert len(greys) == len(printed.solids)
    assert np.diff(greys.astype(int)).min() >= 16
    assert len(printed.views) == 1 + len(printed.solids)


def test_a_section_keeps_matter_that_lies_within_a_hole():
    """A rod inside a tube: ring and disc, in whatever order the kernel gives their outlines."""
    ends = np.array([0.0, 0.0, -10.0]), np.array([0.0, 0.0, 10.0])
    tube = rod(*ends, 10.0) - rod(*(2.0 * end for end in ends), 8.0)
    area = section(tube + rod(*ends, 5.0), Plane.across(np.array([0.0, 0.0, 1.0]), 0.0))
    assert area.area == pytest.approx(np.pi * (100.0 - 64.0 + 25.0), rel=2e-3)


def test_every_contact_of_a_split_is_found():
    """A cube cut in eight has twelve faces between neighbours."""
    split = split_to_fit(enter(box((150.0, 150.0, 150.0))).solid, Demand((115.0,) * 3, np.array([0.0, 0.0, 1.0]), NOWHERE, 15.0, 6.0, 12.0, 20))
    assert len(split.parts) == 8
    assert len(find_contacts(split)) >= 12
