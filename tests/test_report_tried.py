"""What pages say of finds that were not taken, once it is known whether their scans can be read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from six_bones import edit, make_six_bones_tables

from meshtools.jobs.record import StaleInputError
from meshtools.jobs.report_part import with_part_lengths
from meshtools.jobs.report_tried import tried_and_next_best
from meshtools.lots import jobs_before
from meshtools.workspace import open_workspace

ROWS = [
    {"class": "OWN", "find": "", "why": "ind-a has no left femur among the finds"},
    {"class": "DON", "find": "broken", "why": "usable, ranks after a"},
    {"class": "DON", "find": "unread", "why": "usable, ranks after a"},
    {"class": "DON", "find": "sound", "why": "usable, ranks after a"},
]


def clean_record(batch: Path, find: str, status: str) -> None:
    path = batch / f"results/finds/{find}/record.json"
    path.parent.mkdir(parents=True)
    findings = [{"severity": "failed", "message": f"find {find}: the file ends early."}] if status == "failed" else []
    path.write_text(json.dumps({"key": "1", "status": status, "findings": findings}), encoding="utf-8")


def test_a_find_whose_scan_cannot_be_read_is_not_called_usable_and_is_not_the_next_best(tmp_path: Path) -> None:
    clean_record(tmp_path, "broken", "failed")
    clean_record(tmp_path, "sound", "ok")
    job = {"recipe": {"tried": ROWS}, "tried_keys": {"broken": "1", "sound": "1"}}
    told = tried_and_next_best(tmp_path, job)
    assert [row["why"] for row in told["tried"]] == [
        "ind-a has no left femur among the finds", "not usable: find broken: the file ends early", "usable, ranks after a; its scan was not read",
        "usable, ranks after a",
    ]  # fmt: skip
    assert told["next_best"]["find"] == "unread"
    with pytest.raises(StaleInputError):
        tried_and_next_best(tmp_path, job | {"tried_keys": {"broken": "2"}})


def test_a_bone_that_is_half_says_how_long_it_and_the_bone_of_the_other_side_are(tmp_path: Path) -> None:
    """A person sees by how much a replica is short; with no clean bone of the other side its own length alone is told."""
    path = tmp_path / "results/finds/whole/record.json"
    path.parent.mkdir(parents=True)
    path.write_text(json.dumps({"key": "1", "status": "ok", "facts": {"greatest_length_mm": 196.5}, "findings": []}), encoding="utf-8")
    rows = [{"code": "portion", "severity": "review", "message": "It is a part."}, {"code": "other", "severity": "review", "message": "No."}]
    recipe = {"class": "OWN", "findings": rows, "tried": [{"class": "OWN-R", "find": "whole", "why": "usable"}]}
    job = {"recipe": recipe, "tried_keys": {"whole": "1"}}
    told, alone = (with_part_lengths(tmp_path, job | more, {"greatest_length_mm": 102.7})[0]["message"] for more in ({}, {"tried_keys": {}}))
    assert told == "It is a part. The replica is 102.7 mm long, the bone of the other side (whole) 196.5 mm."
    assert alone == "It is a part. The replica is 102.7 mm long."
    noted = recipe | {"findings": [row | {"severity": "note"} for row in rows]}
    assert with_part_lengths(tmp_path, job | {"recipe": noted}, {"greatest_length_mm": 102.7}) == noted["findings"]
    with pytest.raises(StaleInputError):
        with_part_lengths(tmp_path, job | {"tried_keys": {"whole": "2"}}, {"greatest_length_mm": 102.7})


def test_a_page_waits_for_the_finds_not_taken_that_are_cleaned_anyway_and_has_none_cleaned_for_it(tmp_path: Path) -> None:
    batch = make_six_bones_tables(tmp_path / "batch")
    donor = "b-femur-left,femur,left,ind-b,Fictotherium exemplum,adult,98,b-femur-left.stl,mm,,\n"
    edit(batch / "config/bones.csv", "b-tibia-left,tibia", f"{donor}b-tibia-left,tibia")
    jobs = open_workspace(batch).worklist.jobs
    assert set(jobs["report"]["mount/femur-left"]["tried_keys"]) == {"b-femur-left"}  # a-femur-left is held against it
    assert ("clean", "b-femur-left") in jobs_before(jobs, "report", "mount/femur-left")
    edit(batch / "config/bones.csv", "ind-b,Fictotherium exemplum,adult,98,b-femur-left", "ind-b,Fictotherium exemplum,adult,40,b-femur-left")
    jobs = open_workspace(batch).worklist.jobs
    assert ("b-femur-left" in jobs["clean"]) == ("b-femur-left" in jobs["report"]["mount/femur-left"]["tried_keys"])
