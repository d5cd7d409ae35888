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
