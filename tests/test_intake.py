"""What intake says of a scan before anything is built."""

import argparse
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from solid_shapes import rod_on_a_table
from tiny_batch import make_tiny_batch

from meshtools.files.read_scan import read_scan_of
from meshtools.intake import _line, _totals, intake, other_files, write_drafts
from meshtools.intake_look import ScanVerdict, hold_sizes_together, look_at_scan
from meshtools.model import FloatArray
from meshtools.stages.clean import clean_scan
from meshtools.workspace import open_workspace


@pytest.mark.parametrize(("piece", "verdict"), [("1", "accept"), ("", "re-scan")])
def test_a_length_is_taken_on_the_pieces_that_are_the_bone_and_others_are_named(tmp_path: Path, piece: str, verdict: str) -> None:
    """A second body lies in the scan, half a metre off: with both, the bone seems far too long for its caliper."""
    batch = make_tiny_batch(tmp_path)
    scan, table = batch / "scans/a-femur-left.stl", batch / "config/bones.csv"
    bone = trimesh.load(scan)
    length_mm = float(bone.extents[2])
    trimesh.util.concatenate([bone, bone.copy().apply_scale(0.9).apply_translation((0, 0, 500))]).export(scan)
    header, row = table.read_text(encoding="utf-8").splitlines()
    table.write_text(f"{header},pieces\n{row.removesuffix(',,')},{length_mm:.2f},extent-z,{piece}\n", encoding="utf-8")
    workspace = open_workspace(batch)
    found = look_at_scan(workspace, "scans/a-femur-left.stl", workspace.register.finds[0])
    assert found.verdict == verdict
    assert any("2 separate pieces" in reason for reason in found.reasons) == (not piece)


def test_a_further_intake_takes_the_place_of_a_draft_that_nobody_touched_and_leaves_one_that_somebody_did(tmp_path: Path) -> None:
    assert write_drafts(tmp_path, ["scans/a.stl"]) == {"drafted_rows.csv": 1}
    assert write_drafts(tmp_path, ["scans/a.stl", "scans/b.stl"]) == {"drafted_rows.csv": 2}
    worked_on = (tmp_path / "drafted_rows.csv").read_text(encoding="utf-8").replace("scans/a.stl,", "scans/a.stl,mm")
    (tmp_path / "drafted_rows.csv").write_text(worked_on, encoding="utf-8")
    for _ in range(2):
        assert write_drafts(tmp_path, ["scans/a.stl", "scans/b.stl", "scans/c.stl"]) == {"drafted_rows.csv": 2, "drafted_rows_02.csv": 1}
    assert write_drafts(tmp_path, []) == {}
    assert [(path.name, path.read_text(encoding="utf-8")) for path in tmp_path.iterdir()] == [("drafted_rows.csv", worked_on)]


@pytest.mark.parametrize(("unit", "verdict"), [("mm", "accept"), ("m", "unit?")])
def test_a_bone_longer_than_five_metres_or_shorter_than_three_millimetres_is_asked_for_its_unit(tmp_path: Path, unit: str, verdict: str) -> None:
    batch = make_tiny_batch(tmp_path)
    scan, table = batch / "scans/a-femur-left.stl", batch / "config/bones.csv"
    trimesh.load(scan).apply_scale(0.1 if unit == "m" else 1.0).export(scan)
    table.write_text(table.read_text(encoding="utf-8").replace("a-femur-left.stl,mm", f"a-femur-left.stl,{unit}"), encoding="utf-8")
    workspace = open_workspace(batch)
    found = look_at_scan(workspace, "scans/a-femur-left.stl", workspace.register.finds[0])
    assert (found.verdict, found.greatest_length_mm is not None and found.greatest_length_mm > 5000) == (verdict, unit == "m")


def _looked_at(batch: Path, row: str = "a-femur-left.stl,mm,,", config: str = "") -> ScanVerdict:
    """The verdict on the tiny batch's scan with these last cells of its row and this at the end of config.yaml."""
    table, settings = batch / "config/bones.csv", batch / "config/config.yaml"
    table.write_text(table.read_text(encoding="utf-8").replace("a-femur-left.stl,mm,,", row), encoding="utf-8")
    settings.write_text(settings.read_text(encoding="utf-8") + config, encoding="utf-8")
    workspace = open_workspace(batch)
    return look_at_scan(workspace, "scans/a-femur-left.stl", workspace.register.finds[0])


def _cut(batch: Path, is_kept: Callable[[FloatArray], NDArray[np.bool_]]) -> None:
    """Leave only faces of the scan whose middles (n, 3) are kept."""
    path = batch / "scans/a-femur-left.stl"
    bone = trimesh.load(path)
    bone.update_faces(is_kept(bone.triangles_center))
    bone.export(path)


def test_a_hole_that_a_build_will_not_close_is_told_by_intake_with_the_row_that_closes_it(tmp_path: Path) -> None:
    """The scan is accepted. Once the row stands in openings.csv nothing is asked any more, as in a build."""
    batch = make_tiny_batch(tmp_path)
    _cut(batch, lambda middles: (middles[:, 0] < 6.0) | (abs(middles[:, 2]) > 12.0))
    found = _looked_at(batch, config="rebuild:\n  close_rims_up_to_mm: 20\n")
    assert (found.verdict, len(found.asks)) == ("accept", 1)
    assert "more than 20 mm, and nobody named it. A build delivers nothing until it is closed" in found.asks[0]
    assert _line(found).startswith("accept, but: scans/")
    assert _totals([found]) == "1 accepted (1 with something that a build will ask), 0 to scan again"
    row, columns = found.asks[0].partition("openings.csv the row ")[2].split(")")[0].split(" (its columns: ")
    (batch / "config/openings.csv").write_text(f"{columns}\n{row}\n", encoding="utf-8")
    assert _looked_at(batch).asks == ()


def test_a_scan_that_ends_open_all_round_is_told_by_intake_in_the_words_of_a_build(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    _cut(batch, lambda middles: middles[:, 2] < 10.0)
    found = _looked_at(batch)
    register = open_workspace(batch).register
    cleaned = clean_scan(read_scan_of(batch, "scans/a-femur-left.stl"), register.finds[0], register.settings.clean, (), 0.1)
    ends = [finding.message for finding in cleaned.findings if finding.code == "open-end"]
    assert len(ends) == 1
    assert [reason for reason in found.asks if "ends open all round" in reason] == ends


@pytest.mark.parametrize(
    ("unit", "caliper_mm", "verdict", "told"),
    [
        ("m", "80.00", "another unit", "is the scan in mm and not in m? If so, correct the unit in bones.csv; if not, the caliper cell"),
        ("cm", "80.00", "another unit", "is the scan in mm and not in cm? If so, correct the unit in bones.csv; if not, the caliper cell"),
        ("mm", "8.00", "unit?", "was a unit or a digit mistaken? Correct that cell in bones.csv"),
        ("mm", "70.00", "re-scan", "Look at the caliper cell first, then at the scan: scan again where that is wrong"),
    ],
)  # fmt: skip
def test_a_caliper_length_tells_a_wrong_unit_from_a_scan_to_take_again(tmp_path: Path, unit: str, caliper_mm: str, verdict: str, told: str) -> None:
    found = _looked_at(make_tiny_batch(tmp_path), f"a-femur-left.stl,{unit},{caliper_mm},extent-z")
    line = _line(found)
    assert (found.verdict, told in line, ".;" in line) == (verdict, True, False)
    words = {"another unit": ", 1 in another unit", "unit?": ", 1 whose unit is asked", "re-scan": ""}
    assert _totals([found]) == f"0 accepted, {int(verdict == 're-scan')} to scan again{words[verdict]}"


def test_a_scan_smaller_than_the_tolerance_has_one_length_and_one_remedy(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    trimesh.load(batch / "scans/a-femur-left.stl").apply_scale(0.001).export(batch / "scans/a-femur-left.stl")
    with_caliper = _looked_at(batch, "a-femur-left.stl,mm,80.00,extent-z")
    assert (with_caliper.verdict, len(with_caliper.reasons)) == ("another unit", 1)
    assert with_caliper.reasons[0].endswith("is the scan in m and not in mm? If so, correct the unit in bones.csv; if not, the caliper cell.")
    bare = _looked_at(make_tiny_batch(tmp_path / "bare"))
    assert bare.verdict == "accept"
    shutil.copy(batch / "scans/a-femur-left.stl", tmp_path / "bare/scans")
    bare = _looked_at(tmp_path / "bare")
    assert bare.verdict == "another unit"
    assert f"the scan is {bare.greatest_length_scan_units:.3g} mm long in the unit that is stated" in bare.reasons[0]


def test_a_scan_without_a_unit_is_a_verdict_of_its_own_and_says_which_unit_would_make_it_a_bone(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    trimesh.load(batch / "scans/a-femur-left.stl").apply_scale(0.001).export(batch / "scans/a-femur-left.stl")
    workspace = open_workspace(batch)
    found = look_at_scan(workspace, "scans/a-femur-left.stl", None)
    assert (found.verdict, _totals([found])) == ("no unit", "0 accepted, 0 to scan again, 1 without a unit")
    assert found.reasons[0].endswith(f"in which unit was it exported? {found.greatest_length_scan_units:.4g} would be "
                                     f"{1000 * found.greatest_length_scan_units:.4g} mm in m")  # fmt: skip


@pytest.mark.parametrize(("unit", "verdict", "told"), [
    ("mm", "accept", ""), ("m", "another unit", "the scan is 80 m long"), ("none", "no unit", "the unit is not stated"),
])  # fmt: skip
def test_a_scan_without_a_row_is_judged_in_the_unit_of_its_folder(tmp_path: Path, unit: str, verdict: str, told: str) -> None:
    """As the scan of a row without a unit is; it is still drafted, and the innermost folder counts."""
    batch = make_tiny_batch(tmp_path)
    (batch / "scans/new").mkdir()
    shutil.copy(batch / "scans/a-femur-left.stl", batch / "scans/new/Femur.stl")
    settings = batch / "config/config.yaml"
    folders = f"scans: {{folders: {{.: {{unit: cm}}, new: {{unit: {unit}}}}}}}\n"
    settings.write_text(settings.read_text(encoding="utf-8") + folders, encoding="utf-8")
    answer = intake(argparse.Namespace(batch=batch))
    (found,) = [row for row in answer.facts["scans"] if row["scan"] == "scans/new/Femur.stl"]
    assert (found["verdict"], found["find"], answer.facts["drafted"]) == (verdict, "", ["scans/new/Femur.stl"])
    own = found["greatest_length_scan_units"]
    assert found["greatest_length_mm"] == (None if unit == "none" else pytest.approx(own * {"mm": 1, "m": 1000}[unit], rel=1e-4))
    assert told in " ".join(found["reasons"])
    assert any(line.startswith(verdict) and "scans/new/Femur.stl (not in bones.csv" in line for line in answer.lines)


@pytest.mark.parametrize(("file", "name"), [("Other Femur.stl", "other-femur"), ("A femur left.stl", "A femur left.stl")])
def test_the_row_that_closes_a_hole_of_a_scan_without_a_row_names_the_find_of_its_draft(tmp_path: Path, file: str, name: str) -> None:
    """As long as no find of bones.csv has that name: then the file, so that nobody closes a hole of the other one."""
    batch = make_tiny_batch(tmp_path)
    (batch / "scans/new").mkdir()
    shutil.copy(batch / "scans/a-femur-left.stl", batch / "scans/new" / file)
    bone = trimesh.load(batch / "scans/new" / file)
    bone.update_faces((bone.triangles_center[:, 0] < 6.0) | (abs(bone.triangles_center[:, 2]) > 12.0))
    bone.export(batch / "scans/new" / file)
    settings = batch / "config/config.yaml"
    more = "rebuild:\n  close_rims_up_to_mm: 20\nscans: {folders: {new: {unit: mm}}}\n"
    settings.write_text(settings.read_text(encoding="utf-8") + more, encoding="utf-8")
    answer = intake(argparse.Namespace(batch=batch))
    (found,) = [row for row in answer.facts["scans"] if row["scan"] == f"scans/new/{file}"]
    assert found["find"] == ""
    assert f"openings.csv the row {name},break," in found["asks"][0]


def test_intake_notes_a_wide_spacing_by_the_rule_and_figure_of_a_build(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    found, workspace = _looked_at(batch), open_workspace(batch)
    find, settings = workspace.register.finds[0], workspace.register.settings.clean
    cleaned = clean_scan(read_scan_of(batch, find.scan), find, settings, (), 0.1)
    notes = [finding.message for finding in cleaned.findings if finding.code == "spacing"]
    assert len(notes) == 1
    assert list(found.reasons) == notes


def test_lengths_of_other_finds_that_speak_for_another_unit_are_told_by_intake(tmp_path: Path) -> None:
    """The right femur of the animal is stated in cm, its file being in mm; neither row has a caliper length."""
    batch = make_tiny_batch(tmp_path)
    shutil.copy(batch / "scans/a-femur-left.stl", batch / "scans/a-femur-right.stl")
    table = batch / "config/bones.csv"
    right = table.read_text(encoding="utf-8").splitlines()[1].replace("left", "right").replace(",mm,", ",cm,")
    table.write_text(f"{table.read_text(encoding='utf-8')}{right}\n", encoding="utf-8")
    workspace = open_workspace(batch)
    found = hold_sizes_together(workspace, [look_at_scan(workspace, find.scan, find) for find in workspace.register.finds])
    assert [verdict.verdict for verdict in found] == ["unit?", "unit?"]
    assert "a-femur-right in mm and not in cm" in found[1].reasons[0]


def test_bones_of_one_group_stated_in_one_unit_are_held_against_each_other_by_intake(tmp_path: Path) -> None:
    """The tibia was exported in inch and stated in mm, as all scans of the batch: nothing but its length beside the femur tells."""
    batch = make_tiny_batch(tmp_path)
    trimesh.load(batch / "scans/a-femur-left.stl").apply_scale(1 / 25.4).export(batch / "scans/a-tibia-left.stl")
    table, skeleton = batch / "config/bones.csv", batch / "config/skeleton.csv"
    femur = table.read_text(encoding="utf-8").splitlines()[1]
    table.write_text(f"{table.read_text(encoding='utf-8')}{femur.replace('femur', 'tibia')}\n", encoding="utf-8")
    place = next(line for line in skeleton.read_text(encoding="utf-8").splitlines() if line.startswith("femur,"))
    skeleton.write_text(f"{skeleton.read_text(encoding='utf-8')}{place.replace('femur', 'tibia', 1)}\n", encoding="utf-8")
    workspace = open_workspace(batch)
    found = hold_sizes_together(workspace, [look_at_scan(workspace, find.scan, find) for find in workspace.register.finds])
    assert "a-tibia-left in inch and not in mm" in {verdict.find: verdict for verdict in found}["a-tibia-left"].reasons[0]


def test_intake_numbers_the_pieces_that_count_as_the_bone_until_they_are_named(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    path = batch / "scans/a-femur-left.stl"
    bone = trimesh.load(path)
    bone.export(path)
    assert not any("count as the bone" in reason for reason in _looked_at(batch).reasons)
    trimesh.util.concatenate([bone, bone.copy().apply_scale(0.2).apply_translation([60.0, 0.0, 0.0])]).export(path)
    found = _looked_at(batch)
    (told,) = (reason for reason in found.reasons if "count as the bone" in reason)
    assert told.startswith("pieces 1 (100 %), 2 (4 %) count as the bone")
    assert found.verdict == "accept"
    trimesh.util.concatenate([bone, *(bone.copy().apply_scale(0.2).apply_translation([60.0, 0.0, 40.0 * k]) for k in range(69))]).export(path)
    assert any(reason.startswith("pieces 1 (") and " and 50 more count as the bone" in reason for reason in _looked_at(batch).reasons)


def test_a_scan_that_is_one_surface_with_its_table_is_asked_about_the_table_alone(tmp_path: Path) -> None:
    """A rod on a table, seen from above: no rim of the table is one of the bone, and none is offered to be closed. Cut off, it leaves the rod's own
    underside, a fifth and more of it; where there is a further scan, that is no reason to ask for one."""
    batch = make_tiny_batch(tmp_path)
    lying, table = rod_on_a_table(), batch / "config/bones.csv"
    trimesh.Trimesh(lying.vertices, lying.faces).export(batch / "scans/a-femur-left.stl")
    found = _looked_at(batch)
    (told,) = found.asks
    assert ("stands on a flat surface" in told, found.verdict, found.missing_percent) == (True, "accept", None)
    assert not any("openings.csv" in reason or "missing" in reason for reason in found.reasons)
    header, row = table.read_text(encoding="utf-8").splitlines()
    table.write_text(f"{header},support\n{row},remove\n", encoding="utf-8")
    found = _looked_at(batch)
    assert (found.verdict, found.missing_percent > 15.0) == ("open", True)
    further = row.replace("a-femur-left", "a-femur-left-2", 1)
    table.write_text(f"{header},support,part_of\n{row},remove,\n{further},remove,a-femur-left\n", encoding="utf-8")
    found = _looked_at(batch)
    assert (found.verdict, [reason for reason in found.reasons if "missing in this one of the bone's scans" in reason] != []) == ("accept", True)


def test_a_half_shell_is_open_and_not_to_be_scanned_again_but_a_scan_in_tatters_is(tmp_path: Path) -> None:
    """Good halves, which a further scan completes, were asked to be scanned again. A scan that nothing is registered of yet is judged alike."""
    batch = make_tiny_batch(tmp_path)
    whole = (batch / "scans/a-femur-left.stl").read_bytes()
    _cut(batch, lambda middles: middles[:, 1] < 0.0)
    half = _looked_at(batch)
    bare = look_at_scan(open_workspace(batch), "scans/a-femur-left.stl", None)
    assert [(found.verdict, found.missing_percent > 20.0) for found in (half, bare)] == [("open", True)] * 2
    assert all("a further scan that has the rest is a row of its own with part_of" in found.reasons[0] for found in (half, bare))
    assert _totals([half]) == "0 accepted, 0 to scan again, 1 wide open"
    (batch / "scans/a-femur-left.stl").write_bytes(whole)
    _cut(batch, lambda middles: (np.floor(middles[:, 2] / 8.0) + np.floor(np.arctan2(middles[:, 1], middles[:, 0]) / 1.05)) % 2 == 0)
    tatters = _looked_at(batch)
    assert (tatters.verdict, "of the surface is missing in" in tatters.reasons[0]) == ("re-scan", True)


def test_a_scan_with_many_holes_of_one_size_is_not_said_to_be_open_in_one_or_two_places(tmp_path: Path) -> None:
    """Eight holes in a ball, 2.3 % of it each (closed form: sin^2 / 4 of half their angle): 18 % is missing, and 14 % beside any two of them."""
    batch = make_tiny_batch(tmp_path)
    ball = trimesh.creation.icosphere(5, 50.0)
    corners = np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) / np.sqrt(3.0)
    middles = ball.triangles_center / np.linalg.norm(ball.triangles_center, axis=1)[:, None]
    ball.update_faces((middles @ corners.T).max(axis=1) < np.cos(np.radians(17.5)))
    ball.export(batch / "scans/a-femur-left.stl")
    found = _looked_at(batch)
    assert (found.verdict, found.missing_percent) == ("re-scan", pytest.approx(18.1, abs=0.5))
    assert any("about 18 % of the surface is missing in 8 places" in reason for reason in found.reasons)


def test_intake_says_how_many_files_of_another_ending_it_does_not_look_at(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    for name in ("a.obj", "a.mtl", "a.JPG", ".hidden.fbx"):
        (batch / "scans" / name).touch()
    assert other_files(batch) == []
    for name in ("b.FBX", "c.fbx", "notes.txt", "no-ending"):
        (batch / "scans" / name).touch()
    assert other_files(batch) == [
        "not looked at: 4 files below scans/ (1 without an ending, 2 .fbx, 1 .txt); scans end in .stl, .ply, .obj, .off, .glb, .3mf."]


def test_each_of_two_finds_that_share_a_scan_gets_a_verdict(tmp_path: Path) -> None:
    """A tray of two bones scanned at once: only the last row of it was told."""
    batch = make_tiny_batch(tmp_path)
    path, table = batch / "scans/a-femur-left.stl", batch / "config/bones.csv"
    bone = trimesh.load(path)
    trimesh.util.concatenate([bone, bone.copy().apply_scale(0.9).apply_translation([90.0, 0.0, 0.0])]).export(path)
    head, row = table.read_text(encoding="utf-8").splitlines()[:2]
    rows = [f"{line},{piece}" for piece, line in ((1, row), (2, row.replace("a-femur-left,femur,left", "a-femur-right,femur,right")))]
    table.write_text("\n".join([f"{head},pieces", *rows]) + "\n", encoding="utf-8")
    told = intake(argparse.Namespace(batch=batch)).lines
    assert ["a-femur-left.stl, a-femur-left (" in told[0], "a-femur-left.stl, a-femur-right (" in told[1]] == [True, True]
    assert told[-1].startswith("1 scan of 2 bones, 2 accepted")


def test_a_file_that_is_a_copy_of_another_is_asked_about_with_the_find_that_has_its_bytes(tmp_path: Path) -> None:
    """A file of another bone is not, nor is a file of the same size."""
    batch = make_tiny_batch(tmp_path)
    own = batch / "scans/a-femur-left.stl"
    shutil.copy(own, batch / "scans/a-tibia-left.stl")
    (batch / "scans/b-tibia-left.stl").write_bytes(b"another" + own.read_bytes()[7:])
    told = intake(argparse.Namespace(batch=batch))
    copies = [line for line in told.lines if "byte for byte" in line]
    assert [line.split(" (")[0] for line in copies] == ["no unit: scans/a-tibia-left.stl"]
    assert "the same, byte for byte, as scans/a-femur-left.stl (a-femur-left, left femur): look which bone it shows" in copies[0]
    assert told.exit_code == 1


def test_two_finds_with_copies_of_one_file_are_both_asked_about_by_intake(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    shutil.copy(batch / "scans/a-femur-left.stl", batch / "scans/a-femur-right.stl")
    table = batch / "config/bones.csv"
    head, row = table.read_text(encoding="utf-8").splitlines()[:2]
    table.write_text(f"{head}\n{row}\n{row.replace('left', 'right')}\n", encoding="utf-8")
    told = intake(argparse.Namespace(batch=batch)).lines
    names = "a-femur-left (left femur, scans/a-femur-left.stl) and a-femur-right (right femur, scans/a-femur-right.stl)"
    words = f"finds {names}: their files are the same, byte for byte"
    assert [(line.split(":")[0], words in line) for line in told[:2]] == [("accept, but", True)] * 2
