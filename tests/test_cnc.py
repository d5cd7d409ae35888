"""The route that carves a part: what comes out for synthetic parts and real bones."""

from __future__ import annotations

import io
from types import SimpleNamespace

import numpy as np
import pytest
from dog_individuals import read_bone
from solid_shapes import box, capsule, together

from meshtools import carving_findings
from meshtools.files.drawing_dxf import write_dxf
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.bore_cuts import bore_tool, cut_bores
from meshtools.geometry.carved_solid import CarvingPlan, carve_from
from meshtools.geometry.directions import even_directions
from meshtools.geometry.slab_check import StackCheck
from meshtools.geometry.slabs import Dowel, SlabStack
from meshtools.geometry.transform import apply_matrix, move_points, scale
from meshtools.model import EvidenceClass, Mesh, Origin, Severity, SourceEntry
from meshtools.model_ready import Made, Part
from meshtools.settings_cnc import CncSettings, Cutter
from meshtools.stages.cnc import make_cnc, plan_carving

SOURCES = (SourceEntry(EvidenceClass.OWN, "ridge-07", Origin.SCANNED),)
MADE = SourceEntry(EvidenceClass.MADE, "", Origin.MADE)
KEEP_OFF = np.array([[0.0, 0.0, 120.0]])


def lying_capsule() -> Mesh:
    """A capsule of 240 mm, leaning in space."""
    turn = np.eye(4)
    turn[:3, :3] = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    return apply_matrix(capsule(30.0, 180.0, 32, 6, 20), turn)


@pytest.fixture(scope="module")
def made() -> Made:
    return make_cnc(Part("capsule", "r1", lying_capsule(), SOURCES, KEEP_OFF), CncSettings())


def test_bridges_keep_off_the_ends_of_a_long_part_whose_joints_nobody_knows() -> None:
    """The outermost 15 % of a bar of 720 mm are 108 mm at either end; the middle of a bridge keeps half its width from them."""
    carving = plan_carving(Part("capsule", "r1", scale(lying_capsule(), 3.0), SOURCES), CncSettings())
    axis = lying_capsule().vertices[np.argmax(np.linalg.norm(lying_capsule().vertices, axis=1))]
    starts = move_points(np.array([bridge.start for bridge in carving.bridges]), np.linalg.inv(carving.stock.stock_from_replica))
    assert len(starts) >= 3
    assert np.abs(starts @ axis / np.linalg.norm(axis)).max() < 360.0 - 108.0


def test_a_round_bar_is_carved_lying_down_with_nothing_uncut(made: Made) -> None:
    assert made.facts["depth_mm"] == pytest.approx(60.0, rel=0.03)
    assert made.facts["uncut_two_sides_percent"] < 0.1
    assert abs(made.facts["uncut_two_sides_percent"] - made.facts["uncut_by_contact_percent"]) < 0.5
    assert [finding for finding in made.findings if finding.severity is not Severity.NOTE] == []


def test_the_solid_lies_in_its_block_and_is_the_replica_moved(made: Made) -> None:
    solids = {solid.role: solid for solid in made.solids}
    carve, stock = solids["part"], solids["stock"]
    assert np.abs(apply_matrix(lying_capsule(), carve.made_from_replica).vertices.mean(axis=0) - carve.mesh.vertices.mean(axis=0)).max() < 1.0
    assert (carve.mesh.vertices.min(axis=0) >= 5.0).all()
    assert (carve.mesh.vertices.max(axis=0) <= stock.mesh.vertices.max(axis=0) - 5.0).all()
    assert np.linalg.det(carve.made_from_replica[:3, :3]) == pytest.approx(1.0)
    for role in ("part", "stock", "bridge"):
        audit = audit_topology(solids[role].mesh)
        assert (role, audit.is_closed, audit.is_outward) == (role, True, True)


def test_faces_that_are_nobodys_bone_are_marked_as_made(made: Made) -> None:
    for solid in made.solids:
        kinds = {made.sources[number].evidence for number in np.unique(solid.mesh.source)}
        assert kinds == ({EvidenceClass.OWN} if solid.role == "part" else {EvidenceClass.MADE})


def test_tables_have_as_many_cells_as_their_headers_and_every_view_a_colour_per_face(made: Made) -> None:
    assert all(len(row) == len(table.header) for table in made.tables for row in table.rows)
    assert all(len(view.face_colours) == len(view.mesh.faces) for view in made.views)
    assert [drawing.name for drawing in made.drawings] == ["set-up", "slab-01", "slab-02"]


def test_dowels_and_bridges_have_in_the_drawings_the_names_and_places_of_the_tables(made: Made) -> None:
    """A name stands beside its dowel, and on the middle of its bridge."""
    texts = {text: (x, y) for drawing in made.drawings for layer in drawing.layers if layer.name != "datum" for x, y, text in layer.texts}
    rows = {table.name: table.rows for table in made.tables}
    assert sorted(texts) == sorted(row[0] for name in ("dowels", "bridges") for row in rows[name])
    for name, _, x, y, *_ in rows["dowels"]:
        assert texts[name] == pytest.approx((x + CncSettings().dowel_mm / 2.0 + 1.0, y + 1.0), abs=0.01)
    for name, x0, y0, _, x1, y1, *_ in rows["bridges"]:
        assert texts[name] == pytest.approx(((x0 + x1) / 2.0, (y0 + y1) / 2.0), abs=8.0)


def test_the_same_part_gives_the_same_result(made: Made) -> None:
    again = make_cnc(Part("capsule", "r1", lying_capsule(), SOURCES, KEEP_OFF), CncSettings())
    assert (again.facts, again.tables, again.figures) == (made.facts, made.tables, made.figures)
    assert all((a.mesh.vertices == b.mesh.vertices).all() for a, b in zip(again.solids, made.solids, strict=True))


@pytest.mark.parametrize(("sheet", "told"), [((2500.0, 400.0), []), ((400.0, 2500.0), []), ((2500.0, 60.0), [(80.0, 60.0)])])
def test_a_slab_may_be_turned_on_its_sheet_and_is_told_by_the_side_that_is_too_long(sheet: tuple[float, float], told: list) -> None:
    """A slab of 80 x 1260 mm."""
    stack = SimpleNamespace(slabs=(SimpleNamespace(sheet_mm=(80.0, 1260.0)),))
    settings = CncSettings(stock_x_mm=sheet[0], stock_y_mm=sheet[1])
    part, check = SimpleNamespace(part_id="plate"), StackCheck(1, 1, 5.0, 1, 0)
    carving = SimpleNamespace(part=part, stack_check=check, settings=settings, stack=stack, inside_share=1.0)
    assert [(finding.value, finding.limit) for finding in carving_findings._slabs(carving)] == told


@pytest.mark.slow
def test_a_part_larger_than_the_machine_is_carved_in_sections_that_fit_and_are_the_whole() -> None:
    whole = lying_capsule()
    part = bored(whole, 130.0 * axis_of(whole), -20.0 * axis_of(whole), 6.0)
    made = make_cnc(part, CncSettings(travel_x_mm=320.0, travel_y_mm=320.0))
    carved = [solid for solid in made.solids if solid.role == "part"]
    blocks = [solid.mesh.vertices.max(axis=0) for solid in made.solids if solid.role == "stock"]
    assert len(carved) == len(made.facts["sections"]) == 2
    assert max(block[0] for block in blocks) <= 320.0
    assert {finding.code for finding in made.findings if finding.severity is not Severity.NOTE} == {"carved-in-sections"}
    assert sum(audit_topology(solid.mesh).volume_mm3 for solid in carved) == pytest.approx(audit_topology(part.mesh).volume_mm3, rel=1e-6)
    drilled = sum(section["drilled_mm2"] for section in made.facts["sections"])
    assert drilled == pytest.approx(2 * np.pi * 6 * 140 + np.pi * 36, rel=0.01)  # closed form


@pytest.mark.parametrize(("x_mm", "told"), [(50.0, []), (97.0, ["D1"]), (130.0, [])])
def test_a_dowel_between_slabs_that_is_half_in_the_bone_is_told(x_mm: float, told: list) -> None:
    """A bar of 100 mm, cut at half its height."""
    stack = SlabStack((SimpleNamespace(low_mm=0.0, high_mm=50.0),), (Dowel(0, x_mm, 30.0, "allowance"),))
    carving = SimpleNamespace(part=SimpleNamespace(part_id="bar"), settings=CncSettings(), stack=stack, lying=box((100, 60, 100), (50, 30, 50)))
    messages = [finding.message for finding in carving_findings._showing(carving)]
    assert [name for message in messages for name in ("D1", "D2") if name in message] == told


def test_a_part_that_no_section_helps_fails_and_says_into_how_many_it_would_come_apart() -> None:
    made = make_cnc(Part("capsule", "r1", lying_capsule(), SOURCES), CncSettings(travel_x_mm=170.0, travel_y_mm=170.0))
    too_large = next(finding for finding in made.findings if finding.code == "block-too-large")
    assert (too_large.severity, too_large.limit) == (Severity.FAILED, 170.0)
    assert made.findings[-1].code == "no-sections"
    assert made.findings[-1].message == (
        "capsule: no 16 sections or fewer were found that all fit; what limits them is travel_x_mm, travel_y_mm, travel_z_mm less clearance_mm."
    )
    made = make_cnc(Part("capsule", "r1", lying_capsule(), SOURCES), CncSettings(stock_y_mm=100.0))
    assert made.findings[-1].message == "capsule: stock_y_mm leaves no room for a part beside channel and frame, in sections neither."


def test_a_block_that_is_too_large_names_the_setting_that_it_exceeds_and_blames_the_machine_only_for_its_own() -> None:
    """A block of 400 x 180 x 90 mm; stock of 100 x 300 mm lies with its longer side along x, and is 60 mm high."""
    carving = SimpleNamespace(part=SimpleNamespace(part_id="bar"), stock=SimpleNamespace(size_mm=(400.0, 180.0, 90.0)))
    stock = CncSettings(stock_x_mm=100.0, stock_y_mm=300.0, stock_z_mm=60.0)
    machine = CncSettings(travel_x_mm=2000.0, travel_y_mm=150.0, travel_z_mm=110.0)
    told = []
    for carving.settings in (stock, machine):
        told += [finding.message.partition(" mm along ")[2] for finding in carving_findings._machine(carving)]
    assert told == [
        "x but stock_y_mm lets it be 300 mm; carve it in 2 sections along x and glue them.",
        "y but stock_x_mm lets it be 100 mm; glue or buy a larger block.",
        "z but stock_z_mm lets it be 60 mm; carve it in 2 sections along z and glue them.",
        "y but travel_y_mm lets it be 150 mm; take another machine.",
        "z but travel_z_mm less clearance_mm lets it be 60 mm; carve it in 2 sections along z and glue them.",
    ]


def test_a_lamina_under_a_coat_is_named_and_another_route_proposed() -> None:
    plate = Mesh.create(*_united(together(box((120.0, 60.0, 40.0)), box((60.0, 60.0, 6.0), (80.0, 0.0, 0.0)))))
    made = make_cnc(Part("plate", "r1", plate, SOURCES), CncSettings(coat_mm=2.0, least_core_mm=4.0))
    finding = next(finding for finding in made.findings if finding.code == "too-thin-for-coat")
    assert "print or cast" in finding.message
    assert made.views[-1].title.startswith("Dark: too thin")


def _united(mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    from meshtools.geometry.unite import unite_pieces

    united = unite_pieces(mesh).mesh
    return united.vertices, united.faces


def bored(whole: Mesh, mouth: np.ndarray, bottom: np.ndarray, radius_mm: float) -> Part:
    """A part with one hole, its walls nobody's bone, beside itself without it."""
    tool = bore_tool(np.stack([mouth, bottom]), radius_mm, 1, has_colour=False)
    return Part("capsule", "r1", cut_bores(whole, [tool], 0).mesh, (*SOURCES, MADE), KEEP_OFF, {"n_joints": 0}, whole)


def test_holes_of_the_armature_change_no_set_up_and_no_uncut_share_and_are_told_as_drilled(made: Made) -> None:
    """A socket of radius 6 and 25 mm deep in the side of a bar of radius 30: its wall is 2 pi r h + pi r^2 (closed form)."""
    whole = lying_capsule()
    side = whole.vertices[np.argmin(np.abs(whole.vertices @ axis_of(whole)))]
    inward = -side / np.linalg.norm(side)
    part = bored(whole, side - 5.0 * inward, side + 25.0 * inward, 6.0)
    drilled = make_cnc(part, CncSettings())
    same = ("directions", "uncut_two_sides_percent", "uncut_by_contact_percent", "smallest_inside_radius_mm", "block_mm")
    assert [drilled.facts[key] for key in same] == [made.facts[key] for key in same]
    assert drilled.facts["drilled_mm2"] == pytest.approx(2 * np.pi * 6 * 25 + np.pi * 36, rel=0.03)
    assert drilled.facts["solid_mm3"] == pytest.approx(audit_topology(part.mesh).volume_mm3, rel=1e-9)
    assert drilled.facts["n_slabs_holding_bone"] == drilled.facts["n_slabs"]
    assert {finding.code for finding in drilled.findings} >= {"joints-unknown"}
    assert all("walls of holes" in view.title for view in drilled.views)


def axis_of(mesh: Mesh) -> np.ndarray:
    return np.linalg.eigh(np.cov(mesh.vertices.T))[1][:, -1]


def test_under_a_coat_holes_are_as_wide_as_they_are_drilled() -> None:
    """A hole of radius 6 along a bar of radius 30 with a coat of 2: what is carved is a bar of radius 28 less the hole (closed form, by length)."""
    whole = capsule(30.0, 120.0, 32, 6, 20)
    part = bored(whole, np.array([0.0, 0.0, 100.0]), np.array([0.0, 0.0, 0.0]), 6.0)
    plan = CarvingPlan(0.5, 1.0, 1_000_000, 2.0)
    carved = carve_from(whole, plan, part.mesh)
    audit = audit_topology(carved.solid)
    assert (audit.is_closed, audit.is_outward) == (True, True)
    removed = audit_topology(carved.mesh).volume_mm3 - audit.volume_mm3
    assert removed == pytest.approx(np.pi * 36.0 * carved.mesh.vertices[:, 2].max(), rel=0.01)


def test_without_a_ball_the_part_comes_back_failed_with_what_to_do() -> None:
    made = make_cnc(Part("capsule", "r1", lying_capsule(), SOURCES), CncSettings(cutters=(Cutter("flat", "flat", 6.0, 30.0, 60.0, 30.0),)))
    assert made.solids == ()
    assert [(finding.severity, finding.code) for finding in made.findings] == [(Severity.FAILED, "not-carvable")]


def test_a_part_with_a_hole_comes_back_failed() -> None:
    mesh = lying_capsule()
    made = make_cnc(Part("capsule", "r1", mesh.replaced(faces=mesh.faces[1:], source=mesh.source[1:]), SOURCES), CncSettings())
    assert [(finding.severity, finding.code) for finding in made.findings] == [(Severity.FAILED, "not-carvable")]


def test_every_drawing_opens_without_errors(made: Made) -> None:
    from ezdxf import recover

    for drawing in made.drawings:
        _, auditor = recover.read(io.BytesIO(write_dxf(drawing)))
        assert (drawing.name, len(auditor.errors), len(auditor.fixes)) == (drawing.name, 0, 0)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Femoris_L", "humerus_L", "Tibia_L", "Radius_L"])
def test_a_long_bone_of_a_large_animal_is_carved_from_two_sides(name: str) -> None:
    """Bars: 1 % uncut above 1 mm with a 6 mm ball, two methods within half a point, every slab holds its bone and its dowels; no deeper than 1.2
    times the narrowest extent of all directions, so than any set-up that could be shallower."""
    vertices, faces = read_bone(name)
    facts = make_cnc(Part(name, "r1", Mesh.create(vertices * 8.0, faces), SOURCES), CncSettings()).facts
    assert facts["uncut_two_sides_percent"] <= 1.0
    assert abs(facts["uncut_two_sides_percent"] - facts["uncut_by_contact_percent"]) <= 0.5
    assert facts["n_slabs_holding_bone"] == facts["n_slabs_doweled"] == facts["n_slabs"]
    assert facts["inside_stack_percent"] == 100.0
    along = vertices * 8.0 @ even_directions(5000).T
    assert facts["depth_mm"] <= 1.2 * np.ptp(along, axis=0).min()
