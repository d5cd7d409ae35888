"""Exactly the changed bones run again, and nothing else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import trimesh
from six_bones import bone, build, edit, jobs_run_since, make_six_bones, newest_ns, result_hashes

ALL_CLEAN = {f"clean-{find}" for find in ("a-femur-left", "a-humerus-right", "a-skull", "a-mandible", "b-tibia-left", "b-sacrum")}
ELEMENTS = ("femur-left", "femur-right", "humerus-left", "humerus-right", "tibia-left", "tibia-right", "skull", "mandible", "sacrum")


def rebuilt(*elements: str) -> set[str]:
    """Jobs that follow from rebuilding some elements."""
    return {f"{stage}-mount-{element}" for stage in ("rebuild", "report") for element in elements} | {"index-index"}


def append(path: Path, line: str) -> None:
    path.write_text(path.read_text(encoding="utf-8") + line + "\n", encoding="utf-8")


EDITS = {
    "a caliper cell": (
        lambda b: edit(b / "config/bones.csv", "a-skull.stl,mm,,", "a-skull.stl,mm,90.0,greatest-length"),
        {"clean-a-skull"} | rebuilt("skull"),
    ),
    "a sign-off that does not bind": (
        lambda b: append(b / "config/decisions.csv", "mount,skull,,sign-off,yes,A. Curator,2026-03-01,looked at it,0123456789abcdef"),
        {"report-mount-skull", "index-index"},
    ),
    "a factor": (
        lambda b: append(b / "config/decisions.csv", "mount,tibia-left,,factor,0.97,A. Curator,2026-03-01,shaft widths,"),
        rebuilt("tibia-left"),
    ),
    "a clean setting": (
        lambda b: edit(b / "config/config.yaml", "part_tolerance_mm: 0.4", "part_tolerance_mm: 0.5"),
        ALL_CLEAN | rebuilt(*ELEMENTS),
    ),
    "a skeleton row": (lambda b: edit(b / "config/skeleton.csv", "UBERON:0003129", "UBERON:0003128"), {"index-index"}),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", EDITS)
def test_one_edit_runs_exactly_the_jobs_that_depend_on_it(batch: Path, name: str) -> None:
    change, expected = EDITS[name]
    change(batch)
    before_ns = newest_ns(batch)
    build(batch)
    assert jobs_run_since(batch, before_ns) == expected


@pytest.mark.slow
def test_an_edit_of_a_compared_find_compares_again_and_rebuilds_nothing(batch: Path) -> None:
    """A second femur is used by no element, but its shape speaks about the first one."""
    vertices, faces = bone("a-femur-left")
    trimesh.Trimesh(vertices * 0.9, faces, process=False).export(batch / "scans/b-femur-left.stl")
    append(batch / "config/bones.csv", "b-femur-left,femur,left,ind-b,Fictotherium exemplum,adult,98,b-femur-left.stl,mm,,")
    assert {row["status"] for row in build(batch)["elements"]} == {"ready"}
    edit(batch / "config/bones.csv", "b-femur-left.stl,mm,,", "b-femur-left.stl,mm,99.9,greatest-length")
    before_ns = newest_ns(batch)
    build(batch)
    pages = {"report-mount-femur-left", "report-mount-femur-right", "index-index"}
    assert jobs_run_since(batch, before_ns) == {"clean-b-femur-left", "siding-a-femur-left"} | pages


def touch(batch: Path) -> None:
    for path in [*batch.glob("scans/*"), *batch.glob("config/*")]:
        os.utime(path)


def save_again(batch: Path) -> None:
    for path in batch.glob("scans/*"):
        content = path.read_bytes()
        path.unlink()
        path.write_bytes(content)


def reorder(batch: Path) -> None:
    for path in batch.glob("config/*.csv"):
        header, *rows = path.read_text(encoding="utf-8").splitlines()
        path.write_text("\n".join([header, *reversed(rows)]) + "\n", encoding="utf-8")


def comment(batch: Path) -> None:
    edit(batch / "config/config.yaml", "targets:", "# looked at on a rainy day\ntargets:")


@pytest.mark.slow
@pytest.mark.parametrize("harmless", [touch, save_again, reorder, comment])
def test_an_edit_without_meaning_runs_nothing(batch: Path, harmless: object) -> None:
    before_ns = newest_ns(batch)
    harmless(batch)  # type: ignore[operator]
    assert (build(batch)["ran"], jobs_run_since(batch, before_ns)) == ([], set())


@pytest.mark.slow
def test_one_core_in_another_folder_makes_the_same_bytes(built_once: Path, tmp_path: Path) -> None:
    batch = make_six_bones(tmp_path / "elsewhere")
    build(batch, "--cores", "1")
    assert result_hashes(batch) == result_hashes(built_once)


@pytest.mark.slow
def test_an_altered_result_is_made_again_and_the_rest_is_left(batch: Path, built_once: Path) -> None:
    (batch / "results/mount/skull/replica.stl").write_bytes(b"last week's file")
    before_ns = newest_ns(batch)
    build(batch)
    assert jobs_run_since(batch, before_ns) <= rebuilt("skull")
    assert result_hashes(batch) == result_hashes(built_once)


@pytest.mark.slow
def test_a_broken_scan_fails_its_elements_and_leaves_the_rest_as_they_were(batch: Path, built_once: Path) -> None:
    (batch / "scans/a-femur-left.stl").write_bytes(b"<html>sign in</html>")
    answer = build(batch)
    broken = {row["element"] for row in answer["elements"] if row["status"] == "failed"}
    assert broken == {"femur-left", "femur-right"}
    assert not (batch / "results/mount/femur-left/replica.stl").exists()
    theirs = ("results/mount/femur", "results/finds/a-femur-left", "results/index", "results/summary")
    untouched = {k: v for k, v in result_hashes(built_once).items() if not k.startswith(theirs)}
    assert untouched.items() <= result_hashes(batch).items()
