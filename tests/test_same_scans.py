"""One file that is said to be the scan of two bones."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from six_bones import bonewright, build
from test_register import BONES, write_batch
from tiny_batch import make_tiny_batch

from meshtools.keys import ContentHashes
from meshtools.same_scans import copied_scans
from meshtools.workspace import open_workspace

TWO_BONES = """element,pairing,series,position,region,group,uberon,homologue_key,joins
femur,paired,,,hindlimb,hindlimb,UBERON:0000981,,
tibia,median,,,hindlimb,hindlimb,UBERON:0000979,,
"""


def two_finds(folder: Path, scan: str) -> Path:
    """The tiny batch with a further row, of a tibia that has this scan."""
    batch = make_tiny_batch(folder)
    table = batch / "config/bones.csv"
    row = f"a-tibia,tibia,median,ind-a,Fictotherium exemplum,adult,98,{scan},mm,,\n"
    table.write_text(table.read_text(encoding="utf-8") + row, encoding="utf-8")
    (batch / "config/skeleton.csv").write_text(TWO_BONES, encoding="utf-8")
    return batch


@pytest.mark.parametrize("scan", ["a-tibia.stl", "a-femur-left.stl"])
def test_one_file_for_two_bones_is_asked_about_on_every_page_made_from_either_and_on_the_index(tmp_path: Path, scan: str) -> None:
    """A file that was copied under a wrong name, or named by two rows, made a bone that was ready and is another bone."""
    batch = two_finds(tmp_path / "batch", scan)
    if scan == "a-tibia.stl":
        shutil.copy(batch / "scans/a-femur-left.stl", batch / "scans" / scan)
    checked = bonewright("check", "--batch", batch)
    assert (checked.returncode, "[config/bones.csv rows 2 and 3]" in checked.stdout) == (1, True)
    found = {f"{row['target']}/{row['element']}": (row["status"], row["why"]) for row in build(batch)["elements"]}
    assert {name: status for name, (status, _) in found.items()} == dict.fromkeys(("mount/femur-left", "mount/femur-right", "mount/tibia"), "review")
    told = "their files are the same, byte for byte" if scan == "a-tibia.stl" else "they use one scan"
    assert all("config/bones.csv, finds a-femur-left" in why and told in why for _, why in found.values())
    pages = [batch / f"results/{name}/report.html" for name in found]
    assert all(told in page.read_text(encoding="utf-8") for page in (*pages, batch / "results/index.html"))


def test_a_page_that_tells_of_a_shared_file_can_be_signed(tmp_path: Path) -> None:
    """One cast that is meant to stand for two bones: whoever signs has seen it, and a key from before does not hold."""
    batch = two_finds(tmp_path / "batch", "a-tibia.stl")
    before = open_workspace(batch).worklist.jobs["report"]["mount/tibia"]["evidence_keys"]
    shutil.copy(batch / "scans/a-femur-left.stl", batch / "scans/a-tibia.stl")
    build(batch)
    page = json.loads((batch / "results/mount/tibia/report.json").read_text(encoding="utf-8"))
    assert page["facts"]["evidence_key"] not in before.values()
    (batch / "config/decisions.csv").write_text(
        "target,element,find,kind,value,by,date,reason,evidence_key\n"
        f"mount,tibia,,sign-off,yes,A. Curator,2026-03-01,the cast stands for both,{page['facts']['evidence_key']}\n", encoding="utf-8")
    rows = {row["element"]: row for row in build(batch)["elements"]}
    assert (rows["tibia"]["is_accepted"], rows["femur-left"]["is_accepted"]) == (True, False)


@pytest.mark.parametrize(("pieces", "n_told"), [(("", ""), 1), (("1", "1 2"), 1), (("1", ""), 1), (("1", "2"), 0)])
def test_copies_of_a_file_of_several_bones_are_told_unless_each_row_has_its_own_pieces(tmp_path: Path, pieces: tuple[str, str], n_told: int) -> None:
    head, rows = BONES.replace("unit\n", "unit,pieces\n"), "r1,EX-1,rib-01,left,b.ply,mm,{}\nr2,EX-1,rib-02,left,c.ply,mm,{}\n"
    batch = write_batch(tmp_path, bones=head + rows.format(*pieces))
    for name in ("b.ply", "c.ply"):
        (batch / "scans" / name).write_bytes(b"a tray of two ribs")
    found = [finding.value for finding in open_workspace(batch).register.findings if finding.code == "scan-copied"]
    assert found == ["r1, r2"] * n_told


def test_a_further_scan_of_a_bone_that_is_a_copy_of_the_first_is_told_to_add_nothing(tmp_path: Path) -> None:
    """The file of the other half was meant: the bone would be put together from one half alone."""
    head, first, *_ = BONES.splitlines()
    batch = write_batch(tmp_path, bones=f"{head},part_of\n{first},\nfem-l-2,EX-1,femur,left,b.ply,mm,fem-l\n")
    for name in ("b.ply", "fem-l.ply"):
        (batch / "scans" / name).write_bytes(b"a half shell")
    (found,) = (finding for finding in open_workspace(batch).register.findings if finding.code == "scan-copied")
    assert (found.value, "so one scan adds nothing to the other" in found.message) == ("fem-l, fem-l-2", True)


def test_only_files_of_one_size_are_read_to_find_copies_and_empty_or_missing_ones_are_none(tmp_path: Path) -> None:
    for name, content in (("a", b"one bone"), ("b", b"one bone"), ("c", b"two bone"), ("d", b"longer bone"), ("e", b""), ("f", b"")):
        (tmp_path / name).write_bytes(content)
    hashes = ContentHashes(tmp_path)
    assert list(copied_scans(tmp_path, hashes, ["d", "c", "b", "a", "a", "e", "f", "missing"])) == ["a", "b"]
    assert sorted(json.loads(hashes.to_json())) == ["a", "b", "c"]
