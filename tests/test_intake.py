"""What intake says of a scan before anything is built."""

from pathlib import Path

import pytest
import trimesh
from tiny_batch import make_tiny_batch

from meshtools.intake import look_at_scan, write_drafts
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
