"""The job sheet of a route: every figure on it is one of the record, equal input gives equal bytes, and a route that failed says so."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import replace
from typing import Any

import numpy as np
import pypdf
import pytest
import trimesh
from report_sheet import SOURCES, invented_bone

from meshtools.files.verify_parts import verify_parts
from meshtools.geometry.stock import block_mesh
from meshtools.geometry.transform import apply_matrix
from meshtools.jobs.ready_facts import datum_lines
from meshtools.jobs.ready_files import read_me, route_files
from meshtools.model import Finding, Severity, plain
from meshtools.model_ready import Drawing, Figure, Layer, Made, MadeSolid, Part, RouteTable, RouteView
from meshtools.settings import Settings

MESH = invented_bone(48, 32)
STL = "adult-femur-left-body.stl"
SQUARE = np.array([[0.0, 0.0], [120.0, 0.0], [120.0, 80.0]])


def part_made(*findings: Finding) -> tuple[Part, Made]:
    colours = np.full((len(MESH.faces), 3), 190, np.uint8)
    view = RouteView("as it lies on the machine", MESH, colours, np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    table = RouteTable("parts", "Parts and where they go", ("part", "height_mm", "pieces"), (("body", 412.345678, 1), ("=1+1", 7.5, 2)))
    figures = (Figure("Least wall", 3.21987, "mm", "measured at 4000 points"), Figure("Mass", 1.23456, "kg", "PLA 1240 kg/m3"))
    made = Made((MadeSolid("body", "part", MESH, np.eye(4)),), SOURCES, {"n_parts": 1, "datum": "the lower left dowel"}, findings, figures, (table,),
                (Drawing("plan", "Plan", (Layer("outline", (SQUARE,)),)),), (view,))
    return Part("ADULT-FEMUR-LEFT", "2", MESH, SOURCES), made


def about() -> dict[str, Any]:
    return {
        "route": "print", "machine": "big-printer", "target": "adult", "element": "femur-left", "evidence": "OWN-R", "evidence_words": "",
        "evidence_share": {"OWN-R": 0.951, "FILL": 0.03, "MADE": 0.019}, "n_finds": 1, "uses": "replica.ply", "part_tolerance_mm": 0.5,
        "tolerance_class": "medium", "settings": plain(Settings().print), "estimate": plain(Settings().estimate),
        "bone_status": {"words": "Not released: 2 findings about this bone wait for a person.", "waits": True},
    }  # fmt: skip


def test_every_section_of_a_part_states_its_datum() -> None:
    figures = (Figure("Section 1: Datum", "lower corner", "", "z up"), Figure("Section 2: Datum", "lower corner", "", "z up"), Figure("Mass", 1.0))
    assert [row["label"] for row in datum_lines(Made((), SOURCES, {}, (), figures))] == ["Section 1: Datum", "Section 2: Datum"]


def test_holes_stand_in_the_own_frame_of_each_file_that_holds_them_and_in_the_frame_that_solids_share() -> None:
    """A hole between two corners of the surface, found again in the STL as a second reader has it and in the stock's coordinates."""
    to_stock = np.array([[0.0, -1.0, 0.0, 70.0], [1.0, 0.0, 0.0, 20.0], [0.0, 0.0, 1.0, 5.0], [0.0, 0.0, 0.0, 1.0]])
    part, made = part_made()
    solids = MadeSolid("carve", "part", apply_matrix(MESH, to_stock), to_stock), MadeSolid("stock", "stock", block_mesh(np.full(3, 500.0)), to_stock)
    ends = MESH.vertices[[10, 700]]
    hole = {"name": "1", "kind": "bore", "points_mm": ends.tolist(), "rod_mm": 8.0, "hole_mm": 8.4, "depth_mm": 40.0, "wall_mm": 9.0, "flat_mm": None}
    datum = {"points_mm": {letter: ends[0].tolist() for letter in "ABC"}, "datum_from_replica": np.eye(4).tolist()}
    armature = {"holes": [hole], "datum": datum, "frames": {"replica.ply, bored.ply": np.eye(4).tolist()}}
    carving = {"route": "cnc", "settings": plain(Settings().cnc), "armature": armature, "enclosed": {"holes.csv": b"as it was"}}
    contents, facts, _ = route_files(part, replace(made, solids=solids), about() | carving)
    rows = list(csv.DictReader(io.StringIO(contents["holes.csv"].decode())))
    mouth = {row["frame"]: [float(row[axis]) for axis in "xyz"] for row in rows if row["what"] == "mouth"}
    stl = "adult-femur-left-carve.stl"
    assert list(mouth) == ["replica.ply, bored.ply", "datum A B C", "stock coordinates", stl]
    assert mouth["stock coordinates"] == pytest.approx(to_stock[:3, :3] @ ends[0] + to_stock[:3, 3], abs=1e-3)
    corners = trimesh.load(io.BytesIO(contents[stl]), file_type="stl").vertices
    assert np.sqrt(((corners - mouth[stl]) ** 2).sum(axis=1)).min() < 2e-3
    assert [row[:3] for row in facts["hole_table"]["rows"]] == [["stock coordinates", "1", "mouth"], ["stock coordinates", "1", "end"]]
    assert "Holes of the armature" in words_of(contents["sheet.pdf"])


@pytest.fixture(scope="module")
def made() -> tuple[dict[str, bytes], dict[str, Any]]:
    note = Finding(Severity.REVIEW, "thin", "The wall is thin at one place.", 1.234567, 1.6, "mm")
    contents, facts, _ = route_files(*part_made(note), about())
    return contents, facts


def words_of(pdf: bytes) -> str:
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    return re.sub(r"\s+", " ", text)


def test_every_dimension_on_the_sheet_is_that_of_the_record(made: tuple[dict[str, bytes], dict[str, Any]]) -> None:
    contents, facts = made
    words = words_of(contents["sheet.pdf"])
    for row in facts["dimensions"]:
        assert f"{row['nominal_mm']:.2f} ± {row['tolerance_mm']:g}" in words
    assert [text for text in facts["drawing"]["stated"] if text not in words] == []
    assert facts["drawing"]["stated"] == [f"{facts['drawn_mm'][k]:.2f} mm" for k in (0, 2, 1)]
    stated = {float(text) for text in re.findall(r"\d+\.\d\d(?= mm| ±)", words)}
    known = [*facts["sizes_mm"], *facts["drawn_mm"], *(length for solid in facts["solids"] for length in solid["extents_mm"]), 3.21987, 1.234567, 1.6]
    assert stated <= {round(value, 2) for value in known}
    assert "ADULT-FEMUR-LEFT" in words
    assert "revision 2" in words
    assert "95.1 % of the surface comes from a scanned bone" in words
    assert "412.35" in words  # of the route's table, whose header says mm


def test_three_pictures_stand_in_one_row() -> None:
    part, made = part_made()
    contents = route_files(part, replace(made, views=made.views * 3), about())[0]
    heights: list[float] = []

    def note_height(text: str, place: list[float], _line: Any, _font: Any, _size: Any) -> None:
        heights.extend([place[5]] * text.count("as it lies on the machine"))

    for page in pypdf.PdfReader(io.BytesIO(contents["sheet.pdf"])).pages:
        page.extract_text(visitor_text=note_height)
    assert heights == pytest.approx([heights[0]] * 3)


def test_the_sheet_carries_findings_datum_cautions_and_files(made: tuple[dict[str, bytes], dict[str, Any]]) -> None:
    words = words_of(made[0]["sheet.pdf"])
    finding = "decide The wall is thin at one place. 1.23 mm (limit 1.60 mm)"
    for wanted in (finding, "the lower left dowel", "NIOSH 2023", STL, "adult-femur-left-print.3mf"):
        assert wanted in words


def test_sheet_and_read_me_begin_with_how_the_bone_stands(made: tuple[dict[str, bytes], dict[str, Any]]) -> None:
    contents, facts = made
    words = about()["bone_status"]["words"]
    head = words_of(contents["sheet.pdf"]).partition("Views to scale")[0]
    with zipfile.ZipFile(io.BytesIO(contents["adult-femur-left-print.zip"])) as package:
        assert (words in head, package.read("read-me.txt").decode().splitlines()[2]) == (True, f"STATUS: {words}")
    assert facts["bone_status"]["waits"] is True


def test_sheet_and_read_me_say_how_solids_of_one_frame_are_laid_together(made: tuple[dict[str, bytes], dict[str, Any]]) -> None:
    part, one = part_made()
    beside = MESH.replaced(vertices=MESH.vertices + (500.0, -20.0, 7.5))
    frame = np.array([[0.0, -1.0, 0.0, 3.0], [1.0, 0.0, 0.0, -4.0], [0.0, 0.0, 1.0, 5.0], [0.0, 0.0, 0.0, 1.0]])
    solids = (MadeSolid("body", "part", MESH, frame), MadeSolid("beside", "part", beside, frame))
    contents, facts, _ = route_files(part, replace(one, solids=solids), about() | {"route": "mould", "settings": plain(Settings().mould)})
    for solid, row in zip(solids, facts["solids"], strict=True):
        low, high = solid.mesh.vertices.min(axis=0), solid.mesh.vertices.max(axis=0)
        np.testing.assert_allclose(row["place_mm"], (low + high) / 2, atol=6e-4)
    place = facts["solids"][1]["place_mm"]
    assert ", ".join(f"{x:.2f}" for x in place) + " mm" in words_of(contents["sheet.pdf"])
    assert f"adult-femur-left-beside.stl  {', '.join(f'{x:.3f}' for x in place)}" in read_me(facts)
    assert "axes of the mould" in read_me(facts)
    assert made[1]["solids"][0]["place_mm"] == []  # alone, it belongs to nothing
    assert "move each STL" not in read_me(made[1])


def test_equal_input_gives_equal_bytes_of_every_file(made: tuple[dict[str, bytes], dict[str, Any]]) -> None:
    note = Finding(Severity.REVIEW, "thin", "The wall is thin at one place.", 1.234567, 1.6, "mm")
    again, facts, _ = route_files(*part_made(note), about())
    assert again == made[0]
    assert facts == made[1]


def test_a_route_that_cannot_make_the_part_gets_a_sheet_that_says_so_and_no_solid() -> None:
    failed = Finding(Severity.FAILED, "too-large", "It does not fit the machine.", 900, 300, "mm")
    contents, facts, findings = route_files(*part_made(failed), about())
    assert (list(contents), facts["solids"]) == (["sheet.pdf"], [])
    words = words_of(contents["sheet.pdf"])
    assert "DO NOT MAKE" in words
    assert "It does not fit the machine." in words
    assert findings[0].severity is Severity.FAILED


def test_files_are_read_back_and_a_cut_solid_or_a_changed_archive_is_noticed(made: tuple[dict[str, bytes], dict[str, Any]], tmp_path: Any) -> None:
    import hashlib

    contents, facts = made
    for name, content in contents.items():
        (tmp_path / name).write_bytes(content)
    sha256 = {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()}
    assert verify_parts(tmp_path, facts["solids"], sha256) == ()
    open_stl = bytearray(contents[STL])
    open_stl[84 + 12 : 84 + 24] = open_stl[84 + 24 : 84 + 36]  # a corner of the first triangle in the place of another
    (tmp_path / STL).write_bytes(bytes(open_stl))
    assert [finding.code for finding in verify_parts(tmp_path, facts["solids"], sha256)] == ["parts-hash"]
    sha256[STL] = hashlib.sha256(bytes(open_stl)).hexdigest()
    codes = {finding.code for finding in verify_parts(tmp_path, facts["solids"], sha256)}
    assert {"delivery-open", "parts-unreadable"} <= codes  # the archive holds the other one


def test_a_table_is_no_formula_for_a_spreadsheet(made: tuple[dict[str, bytes], dict[str, Any]]) -> None:
    assert made[0]["parts.csv"].decode() == "part,height_mm,pieces\r\nbody,412.345678,1\r\n'=1+1,7.5,2\r\n"
