"""The job of a route, run in one process on records laid down by hand: which surface it takes, what it stays away from, how it fails."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from meshtools.commands_routes import open_routes, route_totals
from meshtools.errors import GeometryError
from meshtools.files.mesh_ply import write_replica_ply
from meshtools.jobs.bone_status import NOTHING_WAITS, bone_status
from meshtools.jobs.ready import run_route
from meshtools.jobs.record import JobFiles, StaleInputError, write_results
from meshtools.jobs.report_routes import waiting
from meshtools.model import EvidenceClass, Finding, Mesh, Origin, Record, Severity, SourceEntry, plain
from meshtools.model_ready import Drawing, Layer, Made, MadeSolid, Part
from meshtools.settings import Settings
from meshtools.settings_print import PrintSettings

SOURCES = (SourceEntry(EvidenceClass.OWN, "a-1", Origin.SCANNED),)
NAME = "mount/femur-left"


def block(x: float, y: float, z: float) -> Mesh:
    import trimesh

    box = trimesh.creation.box((x, y, z))
    return Mesh.create(np.asarray(box.vertices), np.asarray(box.faces))


def write(batch: Path, place: str, facts: dict[str, Any], surface: tuple[str, Mesh] | None, key: str, status: str = "ok", *said: str) -> None:
    contents = {surface[0]: write_replica_ply(surface[1])} if surface else {}
    findings = tuple(Finding(Severity.REVIEW, "any", message) for message in said)
    write_results(batch, f"results/{place}", Record("any", key, status, facts, findings, SOURCES, ()), contents, JobFiles(()))


def job(**more: Any) -> dict[str, Any]:
    return {
        "stage": "print", "name": NAME, "key": "k", "route": "print", "machine": "", "settings": plain(PrintSettings()),
        "estimate": plain(Settings().estimate), "tolerance_class": "part", "part_tolerance_mm": 0.5, "part_id": "MOUNT-FEMUR-LEFT", "revision": 1,
        "target": "mount", "element": "femur-left", "evidence": "OWN", "n_finds": 1, "rebuild_key": "r",
        "made_key": "m", "clean_keys": {}, "siding_keys": {}, "sign_off": None, "lapsed_sign_offs": [], "asked": [],
    } | more  # fmt: skip


class Stage:
    """A route that makes the part as it is, and remembers what it was given."""

    def __init__(self, *findings: Finding, names: tuple[str, ...] = ("body",)) -> None:
        self.findings, self.names, self.part = findings, names, None

    def __call__(self, part: Part, settings: PrintSettings) -> Made:
        self.part = part
        return Made(tuple(MadeSolid(name, "part", part.mesh, np.eye(4)) for name in self.names), part.sources, {}, self.findings)


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    write(tmp_path, f"{NAME}/record.json", {"deliverable": True, "evidence_share": {"OWN": 1.0}}, ("replica.ply", block(60, 25, 10)), "r")
    return tmp_path


def made(batch: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((batch / f"results/{NAME}/print/record.json").read_text(encoding="utf-8"))
    return found


def test_a_bored_part_takes_the_place_of_the_replica_with_its_holes_and_templates(batch: Path) -> None:
    drawing = Drawing("drill-femur", "Drill template", (Layer("outline", (np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 9.0]]),)),))
    facts = {"holes": [{"points_mm": [[30.0, 0.0, 0.0], [10.0, 0.0, 0.0]]}], "drawings": plain((drawing,))}
    write(batch, f"{NAME}/armature/record.json", facts, ("bored.ply", block(60, 25, 9)), "b", "review", "A thin wall is asked for.")
    stage = Stage()
    run_route(batch, job(armature_key="b"), stage, PrintSettings)
    assert stage.part is not None
    assert np.ptp(stage.part.mesh.vertices, axis=0).tolist() == [60.0, 25.0, 9.0]
    assert np.ptp(stage.part.skin.vertices, axis=0).tolist() == [60.0, 25.0, 10.0]
    np.testing.assert_allclose(stage.part.keep_off, [[30, 0, 0], [10, 0, 0]])
    assert made(batch)["facts"]["uses"] == "bored.ply"
    assert [finding["message"] for finding in made(batch)["findings"]] == ["A thin wall is asked for."]
    assert {"drill-femur.dxf", "drill-femur.svg"} <= {Path(entry["path"]).name for entry in made(batch)["files"]}


def test_the_middle_of_a_joint_surface_is_kept_off_in_the_coordinates_of_the_replica(batch: Path) -> None:
    place = np.eye(4)
    place[:3, 3] = 100.0, 0.0, 0.0
    facts = {"centre_mm": [70.0, 5.0, 0.0], "place_a": np.eye(4).tolist(), "place_b": place.tolist()}
    write(batch, "mount/joints/femur-left__tibia-left/joint.json", facts, None, "j1")
    write(batch, "mount/joints/hip-left__femur-left/joint.json", facts, None, "j2")
    stage = Stage()
    run_route(batch, job(joint_keys={"mount/joints/femur-left__tibia-left": "j1", "mount/joints/hip-left__femur-left": "j2"}), stage, PrintSettings)
    assert stage.part is not None
    np.testing.assert_allclose(stage.part.keep_off, [[70, 5, 0], [-30, 5, 0]])


@pytest.mark.parametrize(
    ("facts", "status", "armature", "words"),
    [
        ({"deliverable": False}, "review", False, "the replica is open"),
        ({}, "failed", False, "there is no replica"),
        ({"deliverable": True}, "ok", True, "holes that could not be made. The bore is not cut."),
    ],
)
def test_what_cannot_be_made_is_a_failed_record_of_the_route_alone(
    tmp_path: Path, facts: dict[str, Any], status: str, armature: bool, words: str
) -> None:
    write(tmp_path, f"{NAME}/record.json", facts, ("replica.ply", block(60, 25, 10)), "r", status)
    write(tmp_path, f"{NAME}/armature/record.json", {"holes": []}, None, "b", "review", "The bore is not cut.")
    run_route(tmp_path, job(**({"armature_key": "b"} if armature else {})), Stage(), PrintSettings)
    record = made(tmp_path)
    assert (record["status"], record["files"], record["findings"][0]["code"]) == ("failed", [], "not-made")
    assert words in record["findings"][0]["message"]


def test_a_stage_that_can_make_nothing_of_the_part_says_why(batch: Path) -> None:
    def refuses(part: Part, settings: PrintSettings) -> Made:
        raise GeometryError("it has no inside.")

    run_route(batch, job(), refuses, PrintSettings)
    assert made(batch)["findings"][0]["message"] == "it has no inside."


def test_a_solid_that_is_wrong_when_read_back_leaves_the_sheet_alone(batch: Path) -> None:
    def inside_out(part: Part, settings: PrintSettings) -> Made:
        return Made((MadeSolid("body", "part", part.mesh.replaced(faces=part.mesh.faces[:, ::-1]), np.eye(4)),), part.sources, {}, ())

    run_route(batch, job(), inside_out, PrintSettings)
    record = made(batch)
    assert record["status"] == "failed"
    assert "delivery-inside-out" in {finding["code"] for finding in record["findings"]}
    assert [Path(entry["path"]).name for entry in record["files"]] == ["sheet.pdf"]
    assert {path.name for path in (batch / f"results/{NAME}/print").iterdir()} == {"sheet.pdf", "record.json", ".made.json"}


def test_a_solid_whose_matrix_is_not_its_own_is_noticed(batch: Path) -> None:
    def shifted(part: Part, settings: PrintSettings) -> Made:
        matrix = np.eye(4)
        matrix[0, 3] = 2.0  # says that the file lies 2 mm aside, which it does not
        return Made((MadeSolid("body", "part", part.mesh, matrix),), part.sources, {}, ())

    run_route(batch, job(), shifted, PrintSettings)
    assert [finding["code"] for finding in made(batch)["findings"]] == ["parts-place"]
    assert [Path(entry["path"]).name for entry in made(batch)["files"]] == ["sheet.pdf"]


def test_fewer_parts_than_before_leave_none_of_the_old_ones(batch: Path) -> None:
    run_route(batch, job(), Stage(names=("a", "b", "c")), PrintSettings)
    run_route(batch, job(made_key="m2"), Stage(Finding(Severity.NOTE, "n", "A note."), names=("a",)), PrintSettings)
    folder = batch / f"results/{NAME}/print"
    assert sorted(path.name for path in folder.glob("*.stl")) == ["mount-femur-left-a.stl"]
    assert made(batch)["status"] == "ok"


SIGNED = {"by": "A. Curator", "date": "2031-03-01"}
ASKED = [plain(Finding(Severity.REVIEW, "any", "Look at it."))]


def test_a_new_sign_off_makes_sheet_and_archive_again_and_nothing_else(batch: Path) -> None:
    """As it would all be made anew, to the byte."""
    stage, folder = Stage(), batch / f"results/{NAME}/print"
    run_route(batch, job(asked=ASKED), stage, PrintSettings)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    stage.part = None
    run_route(batch, job(key="k2", asked=ASKED, sign_off=SIGNED), stage, PrintSettings)
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert {name for name in before if before[name] != after[name]} == {"sheet.pdf", "mount-femur-left-print.zip", "record.json"}
    assert (stage.part, made(batch)["key"]) == (None, "k2")
    assert made(batch)["facts"]["bone_status"]["words"] == "Signed off on 2031-03-01 by A. Curator, with 1 open finding of scans and rebuilding."
    (folder / ".drawn").unlink()
    run_route(batch, job(key="k2", asked=ASKED, sign_off=SIGNED), stage, PrintSettings)
    assert stage.part is not None
    assert after == {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("damage", [lambda folder: (folder / "mount-femur-left-body.stl").write_bytes(b"other"),
                                    lambda folder: (folder / ".drawn").write_bytes(b"other"), None])  # fmt: skip
def test_what_was_altered_or_made_otherwise_is_made_again(batch: Path, damage: Any) -> None:
    stage = Stage()
    run_route(batch, job(), stage, PrintSettings)
    stage.part = None
    if damage:
        damage(batch / f"results/{NAME}/print")
    run_route(batch, job(sign_off=SIGNED, **({} if damage else {"made_key": "m2"})), stage, PrintSettings)
    assert (stage.part is not None, made(batch)["status"]) == (True, "ok")


LAPSED = "Not released: the sign-off of 2031-03-01 by A. Curator was given on other evidence and has lapsed"


@pytest.mark.parametrize(("more", "words", "waits"), [
    ({}, NOTHING_WAITS, False),
    ({"asked": ASKED}, "Not released: 1 finding about this bone waits for a person.", True),
    ({"asked": ASKED, "siding_keys": {"a-1": "s"}}, "Not released: 2 findings about this bone wait for a person.", True),
    ({"sign_off": SIGNED}, "Signed off on 2031-03-01 by A. Curator.", False),
    ({"sign_off": SIGNED, "asked": ASKED}, "Signed off on 2031-03-01 by A. Curator, with 1 open finding of scans and rebuilding.", False),
    ({"sign_off": SIGNED, "siding_keys": {"a-1": "s"}},
     "Signed off on 2031-03-01 by A. Curator, with 1 open finding of scans and rebuilding; 1 of them is not part of what was signed.", True),
    ({"lapsed_sign_offs": [SIGNED]}, f"{LAPSED}.", True),
    ({"lapsed_sign_offs": [SIGNED], "asked": ASKED}, f"{LAPSED}; 1 finding about this bone waits for a person.", True),
])  # fmt: skip
def test_a_sheet_says_who_signed_the_bone_or_how_much_of_it_waits_for_a_person(batch: Path, more: dict[str, Any], words: str, waits: bool) -> None:
    write(batch, "finds/a-1/siding.json", {}, None, "s", "review", "It is of the other side.")
    assert bone_status(batch, job(**more)) == {"words": words, "waits": waits}


@pytest.mark.parametrize(("more", "line"), [
    ({}, "1 ready, 0 review, 0 failed"), ({"asked": ASKED}, "0 ready, 0 review, 0 failed, 1 waits for a person"),
    ({"asked": ASKED, "sign_off": SIGNED}, "1 ready, 0 review, 0 failed"),
])  # fmt: skip
def test_a_part_of_a_bone_that_is_not_released_is_not_counted_as_ready(batch: Path, more: dict[str, Any], line: str) -> None:
    run_route(batch, job(**more), Stage(), PrintSettings)
    assert totals_of(batch) == [f"parts by their routes: {line}"]


def totals_of(batch: Path) -> list[str]:
    worklist = SimpleNamespace(jobs={"print": {NAME: {"key": "k"}}, "cnc": {}, "mould": {}}, key=lambda *_: "p")
    workspace: Any = SimpleNamespace(folder=batch, worklist=worklist)
    return route_totals(workspace, (), open_routes(workspace))


def test_a_part_waits_where_only_the_page_of_its_bone_asks_for_a_person(batch: Path) -> None:
    run_route(batch, job(), Stage(), PrintSettings)
    rows = waiting({"made": [{"route": "print", "status": "ready"}, {"route": "cnc", "status": "failed"}]})
    assert [row["status"] for row in rows["made"]] == ["waits", "failed"]
    write(batch, f"{NAME}/report.json", {"making": rows}, None, "p", "review")
    assert totals_of(batch) == ["parts by their routes: 0 ready, 0 review, 0 failed, 1 waits for a person"]


def test_a_replica_that_was_altered_is_no_input(batch: Path) -> None:
    (batch / f"results/{NAME}/replica.ply").write_bytes(write_replica_ply(block(1, 1, 1)))
    with pytest.raises(StaleInputError):
        run_route(batch, job(), Stage(), PrintSettings)
