"""What intake says of a scan before anything is built."""

from pathlib import Path

import pytest
import trimesh
from tiny_batch import make_tiny_batch

from meshtools.intake import look_at_scan
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
