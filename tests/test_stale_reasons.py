"""Why `status` says that a bone is made again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from six_bones import edit

from meshtools.commands_batch import element_rows
from meshtools.record_places import JOBS_FILE, job_lines, record_path
from meshtools.stale_reasons import stale_reason
from meshtools.workspace import open_workspace

CHANGED = "changed since the last build: "
TIBIA = "b-tibia-left,tibia,left,ind-b,Fictotherium exemplum,adult,"


def copy_as_another(scan: Path, to: Path) -> None:
    """The same surface in a file with other bytes in its header: one file for two finds would be asked about on their pages."""
    to.write_bytes(b"another" + scan.read_bytes()[7:])


def add_donor(batch: Path) -> None:
    copy_as_another(batch / "scans/a-femur-left.stl", batch / "scans/b-femur-left.stl")
    row = TIBIA.replace("tibia", "femur") + "98,b-femur-left.stl,mm,,\n"
    edit(batch / "config/bones.csv", TIBIA, row + TIBIA)


def rename_scan(batch: Path) -> None:
    (batch / "scans/a-skull.stl").rename(batch / "scans/a-skull-1.stl")
    edit(batch / "config/bones.csv", "a-skull.stl", "a-skull-1.stl")


def edit_row(batch: Path) -> None:
    edit(batch / "config/bones.csv", f"{TIBIA}98", f"{TIBIA}91")


def replace_scan(batch: Path) -> None:
    copy_as_another(batch / "scans/a-mandible.stl", batch / "scans/a-skull.stl")


def lose_a_file(batch: Path) -> None:
    (batch / "results/mount/skull/replica.stl").unlink()


def lose_a_record(batch: Path) -> None:
    (batch / "results/mount/skull/report.json").unlink()


NEW_DONOR = CHANGED + "the finds that were not taken, the finds whose lengths it is compared with; another find, b-femur-left, was not cleaned yet"
EDITED = CHANGED + "the row b-tibia-left of bones.csv (preserved_percent), the reason in the plan"


@pytest.mark.parametrize(("change", "wanted"), [
    (add_donor, {"femur-left": NEW_DONOR, "femur-right": NEW_DONOR}),
    (rename_scan, {"skull": CHANGED + "the row a-skull of bones.csv (scan)"}),
    (edit_row, {"tibia-left": EDITED, "tibia-right": EDITED}),
    (replace_scan, {"skull": CHANGED + "the scan of a-skull"}),
    (lose_a_file, {"skull": "a file of its replica is missing or was altered"}),
    (lose_a_record, {"skull": "its replica is built, but not all that goes with it: the last build was of other bones, or not finished"}),
], ids=["a new donor", "a renamed scan", "an edited row", "another scan", "a lost file", "a lost record"])  # fmt: skip
def test_status_names_what_has_changed_itself_and_nothing_that_only_follows(
    batch: Path, change: Callable[[Path], None], wanted: dict[str, str]
) -> None:
    change(batch)
    workspace = open_workspace(batch)
    rows = element_rows(workspace, set(workspace.stale_jobs()))
    assert {row["element"]: row["why"] for row in rows if row["status"] == "to build"} == wanted


@pytest.mark.parametrize(("before", "now", "why"), [
    ({"names": ["b"], "clean_keys": {"b": "1"}}, {"names": ["b"], "clean_keys": {"b": "2"}}, CHANGED + "a find whose length it is compared with"),
    ({"names": ["b"], "clean_keys": {"b": "1"}}, {"names": ["c"], "clean_keys": {"c": "2"}}, CHANGED + "the finds whose lengths it is compared with"),
    ({"names": ["b"], "clean_keys": {"b": "1"}}, {"names": ["b"], "clean_keys": {"b": "1"}}, CHANGED + "the software"),
], ids=["another scan", "another find", "nothing but its code"])  # fmt: skip
def test_the_software_is_not_blamed_for_a_page_that_looks_at_the_length_of_another_scan(
    tmp_path: Path, before: dict[str, object], now: dict[str, object], why: str
) -> None:
    jobs = {"rebuild": {"mount/a": {"key": "r", "clean_keys": {"a": "1"}}}, "report": {"mount/a": {"key": "old", "sizes": before}}}
    for path, content in ((JOBS_FILE, job_lines(jobs)), (record_path("report", "mount/a"), b'{"key": "old", "findings": []}')):
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(content)
    jobs["report"]["mount/a"] = {"key": "new", "sizes": now}
    assert stale_reason(tmp_path, jobs, [("report", "mount/a")]) == why


SIGNED = {"by": "A. Curator", "date": "2031-05-06", "evidence_key": "k"}
LAPSED = [SIGNED | {"changed": ["a scan that it is made from"]}]
OWN, COMPLETED = {"finds": ["a"], "class": "OWN"}, {"finds": ["a"], "class": "OWN-C"}
PLANNED, ROW = "how it is made, by the plan", {"find": "a", "x": 1.0}
OTHERS_ROW = ROW | {"find": "c"}


@pytest.mark.parametrize(("stage", "before", "now", "why"), [
    ("rebuild", {"recipe": COMPLETED, "restore_settings": {"n": 1}}, {"recipe": OWN}, PLANNED),
    ("rebuild", {"recipe": OWN}, {"recipe": COMPLETED, "restore_settings": {"n": 1}}, PLANNED),
    ("rebuild", {"recipe": OWN}, {"recipe": OWN | {"finds": ["a", "c"]}, "restore_settings": {"n": 1}, "part_tolerance_mm": 0.1}, PLANNED),
    ("rebuild", {"recipe": OWN, "part_tolerance_mm": 0.1}, {"recipe": OWN, "part_tolerance_mm": 0.2}, "the tolerance"),
    ("rebuild", {"recipe": OWN}, {"recipe": OWN, "part_tolerance_mm": 0.1}, "the software"),
    ("rebuild", {"recipe": OWN, "restore_settings": {"n": 1}}, {"recipe": OWN, "restore_settings": {"n": 2}}, "settings in config.yaml"),
    ("rebuild", {"recipe": OWN, "openings": [ROW]}, {"recipe": OWN | {"finds": ["c"]}, "openings": [OTHERS_ROW]}, PLANNED),
    ("rebuild", {"recipe": OWN, "poses": [ROW]}, {"recipe": OWN | {"finds": ["a", "c"]}, "poses": [ROW, OTHERS_ROW]}, PLANNED),
    ("rebuild", {"recipe": OWN, "openings": [ROW]}, {"recipe": OWN, "openings": [ROW | {"x": 2.0}]}, "openings.csv"),
    ("report", {"recipe": OWN, "sign_off": SIGNED, "lapsed_sign_offs": [], "revision": 1},
     {"recipe": COMPLETED, "sign_off": None, "lapsed_sign_offs": LAPSED, "revision": 2}, PLANNED),
    ("report", {"sign_off": SIGNED, "lapsed_sign_offs": []}, {"sign_off": None, "lapsed_sign_offs": LAPSED}, "its sign-off"),
    ("report", {"recipe": OWN, "lapsed_sign_offs": [SIGNED]}, {"recipe": COMPLETED, "lapsed_sign_offs": []}, "its sign-off, " + PLANNED),
], ids=["no more completed", "completed now", "a further scan", "another tolerance", "an entry of new software", "settings",
        "rows of another find", "rows of a further find", "another row", "a lapse that follows", "a lapse", "a sign-off taken back"])  # fmt: skip
def test_a_decision_on_how_a_bone_is_made_is_not_told_as_changed_settings_rows_or_signatures(
    tmp_path: Path, stage: str, before: dict[str, object], now: dict[str, object], why: str
) -> None:
    """The files were byte for byte as before; which of their lines bear on the bone, and what a signature is worth, had changed with the decision."""
    clean = {"mount/a": {"key": "r", "clean_keys": {"a": "1"}}}
    jobs = {"rebuild": clean} | {stage: {"mount/a": before | {"key": "old", "clean_keys": {"a": "1"}}}}
    for path, content in ((JOBS_FILE, job_lines(jobs)), (record_path(stage, "mount/a"), b'{"key": "old", "findings": []}')):
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(content)
    jobs[stage] = {"mount/a": now | {"key": "new", "clean_keys": {"a": "1"}}}
    assert stale_reason(tmp_path, jobs, [(stage, "mount/a")]) == CHANGED + why
