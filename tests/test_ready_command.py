"""`bonewright ready`: one file without a batch, its exit codes and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh

from meshtools import cli
from meshtools.commands_file import BATCH_ONLY, read_closed


@pytest.fixture
def bone(tmp_path: Path) -> Path:
    """A closed shaft, 60 mm long, in metres."""
    ball = trimesh.creation.icosphere(subdivisions=3)
    path = tmp_path / "Old Femur.stl"
    trimesh.Trimesh(np.asarray(ball.vertices) * (0.008, 0.009, 0.03), ball.faces, process=False).export(path)
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = cli.main([str(argument) for argument in arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def test_one_closed_file_becomes_solids_and_a_sheet_and_the_original_stays(
    bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = bone.read_bytes()
    code, out, _ = run(capsys, "ready", "print", bone, "--unit", "m", "-o", tmp_path / "out", "--json")
    answer = json.loads(out)
    assert (code, answer["status"]) == ((0, "ok") if answer["status"] == "ok" else (1, "review"))
    names = {Path(entry["path"]).name for entry in answer["files"]}
    assert {"sheet.pdf", "old-femur-print.zip", "old-femur-print.3mf", "old-femur-01.stl"} <= names
    assert names == {path.name for path in (tmp_path / "out").iterdir()} - {"record.json", ".made.json"}
    assert answer["dimensions"][0]["nominal_mm"] == pytest.approx(60.0, abs=0.01)
    assert bone.read_bytes() == before


def test_the_machine_of_a_config_file_holds(bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "config.yaml").write_text("machines:\n  tiny: {route: print, build_x_mm: 40, build_y_mm: 40, build_z_mm: 40}\n", encoding="utf-8")
    arguments = ("ready", "print", bone, "--unit", "m", "-o", tmp_path / "out", "--config", tmp_path / "config.yaml", "--json")
    _, out, _ = run(capsys, *arguments, "--machine", "tiny")
    assert len(json.loads(out)["solids"]) > 1
    code, _, err = run(capsys, *arguments, "--machine", "huge")
    assert (code, "there is no such machine" in err, "for print it names tiny" in err) == (2, True, True)
    code, _, err = run(capsys, "ready", "mould", *arguments[2:], "--machine", "tiny")
    assert (code, "it is a machine for print" in err, "it names none for mould" in err) == (2, True, True)
    code, _, err = run(capsys, *arguments[:7], "--machine", "tiny")
    assert (code, "name it with --config" in err) == (2, True)


@pytest.mark.parametrize(("scale", "words"), [(1e-5, "less than the tolerance"), (1e3, "m long in the unit that is stated")])
def test_a_size_that_no_bone_has_is_a_wrong_unit(bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], scale: float, words: str) -> None:
    mesh = trimesh.load(bone)
    mesh.apply_scale(scale)
    mesh.export(tmp_path / "wrong.stl")
    code, _, err = run(capsys, "ready", "cnc", tmp_path / "wrong.stl", "--unit", "m", "-o", tmp_path / "out")
    assert (code, words in err, "correct the unit" in err, (tmp_path / "out").exists()) == (2, True, True, False)


def test_an_open_surface_a_wrong_folder_and_broken_settings_are_refused_with_a_sentence(
    bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mesh = trimesh.load(bone)
    trimesh.Trimesh(mesh.vertices, mesh.faces[2:], process=False).export(tmp_path / "open.stl")
    code, _, err = run(capsys, "ready", "cnc", tmp_path / "open.stl", "--unit", "m", "-o", tmp_path / "out")
    assert (code, "is not closed" in err, (tmp_path / "out").exists()) == (2, True, False)
    code, _, err = run(capsys, "ready", "print", bone, "--unit", "m", "-o", tmp_path)
    assert (code, "Choose another folder" in err) == (2, True)
    (tmp_path / "config.yaml").write_text("print: {build_x_mm: 3}\n", encoding="utf-8")
    code, _, err = run(capsys, "ready", "print", bone, "--unit", "m", "-o", tmp_path / "out", "--config", tmp_path / "config.yaml")
    assert (code, "print.build_x_mm: '3' is outside" in err) == (2, True)


def test_an_open_scan_is_refused_with_its_widest_hole_and_what_closes_it_and_that_closes_it(
    bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = trimesh.load(bone)
    for name, n_faces, words in (
        ("small", 1, "`bonewright clean` mends its edges and closes holes up to 5 mm: clean it first."),
        ("wide", 120, "mends its edges and closes holes up to 5 mm only. Make it in a batch (`bonewright new`), which closes"),
    ):
        order = np.argsort(np.linalg.norm(whole.triangles_center - whole.triangles_center[0], axis=1))
        path = tmp_path / f"{name}.stl"
        trimesh.Trimesh(whole.vertices, np.delete(whole.faces, order[:n_faces], axis=0), process=False).export(path)
        code, _, err = run(capsys, "ready", "cnc", path, "--unit", "m", "-o", tmp_path / name)
        assert (code, words in err) == (2, True), err
    cleaned = tmp_path / "cleaned.ply"
    assert run(capsys, "clean", tmp_path / "small.stl", "--unit", "m", "--tolerance-mm", "0.1", "-o", cleaned)[0] in (0, 1)
    assert len(read_closed(cleaned, "mm").faces) > 0


@pytest.mark.parametrize(("arguments", "told"), [
    (("clean", "--tolerance-mm", "0.1"), "wider than the tolerance of 0.1 mm"),
    (("restore",), "no mirror plane was found, so nothing was taken over from its other half: "),
])  # fmt: skip
def test_what_a_command_on_one_file_finds_speaks_of_no_part_page_or_table(
    bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], told: str
) -> None:
    """A shaft has no mirror plane of its own: it is given as options here, in the lines and in the JSON."""
    _, out, _ = run(capsys, arguments[0], bone, "--unit", "m", *arguments[1:], "-o", tmp_path / "out.ply", "--json")
    _, lines, _ = run(capsys, arguments[0], bone, "--unit", "m", *arguments[1:], "-o", tmp_path / "out.ply")
    for words in (lines, " ".join(finding["message"] for finding in json.loads(out)["findings"])):
        assert told in words
        assert [word for word in ("page", ".csv", "part tolerance", "register") if word in words] == []
        assert ("--normal X,Y,Z --offset-mm D" in words) is (arguments[0] == "restore")


def test_a_finding_on_one_file_that_names_a_table_is_followed_by_where_that_is(
    bone: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two bodies in one scan: its own pieces are named in a table, which only a batch has."""
    body = trimesh.load(bone)
    trimesh.util.concatenate([body, body.copy().apply_translation((0.1, 0, 0))]).export(tmp_path / "two.stl")
    code, out, _ = run(capsys, "clean", tmp_path / "two.stl", "--unit", "m", "--tolerance-mm", "0.1", "-o", tmp_path / "out.ply")
    assert (code, "bones.csv" in out, out.splitlines()[-1]) == (1, True, BATCH_ONLY)
