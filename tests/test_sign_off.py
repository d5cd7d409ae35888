"""What a signature vouches for, read off the keys of the evidence: nothing is built here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from six_bones import edit, make_six_bones_tables

from meshtools.commands_hand_over import new_key_words
from meshtools.handover import lapsed_words
from meshtools.workspace import open_workspace

DONOR = "b-femur-left,femur,left,ind-b,Fictotherium exemplum,adult,98,b-femur-left.stl,mm,,"


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    """The tables of the six bones with every part signed."""
    folder = make_six_bones_tables(tmp_path / "batch")
    jobs = open_workspace(folder).worklist.jobs["report"]
    rows = [f"mount,{name.split('/')[1]},,sign-off,yes,A. Curator,2031-03-01,seen,{job['evidence_keys']['whole']}\n" for name, job in jobs.items()]
    with (folder / "config/decisions.csv").open("a", encoding="utf-8") as stream:
        stream.writelines(rows)
    return folder


def lapsed(batch: Path) -> dict[str, list[str]]:
    """What has changed since the signature, of every part whose signature has lapsed."""
    jobs = open_workspace(batch).worklist.jobs["report"]
    return {name.removeprefix("mount/"): job["lapsed_sign_offs"][0]["changed"] for name, job in jobs.items() if not job["sign_off"]}


def test_nothing_lapses_where_nothing_changes(batch: Path) -> None:
    assert lapsed(batch) == {}


def test_a_new_donor_lapses_only_the_signatures_whose_pages_name_it_and_says_so(batch: Path) -> None:
    edit(batch / "config/bones.csv", "b-tibia-left,tibia", f"{DONOR}\nb-tibia-left,tibia")
    assert lapsed(batch) == {key: ["what its page lists as looked at and not taken"] for key in ("femur-left", "femur-right")}


def test_a_cell_that_stands_on_no_page_and_bears_on_no_replica_lapses_no_signature(batch: Path) -> None:
    edit(batch / "config/bones.csv", "scan,unit,", "scan,unit,capture,")
    edit(batch / "config/bones.csv", "a-skull.stl,mm,", "a-skull.stl,mm,structured light,")
    for row in ("a-humerus-right.ply", "a-femur-left.stl", "a-mandible.stl", "b-tibia-left.stl", "b-sacrum.stl"):
        edit(batch / "config/bones.csv", f"{row},mm,", f"{row},mm,,")
    assert lapsed(batch) == {}


def test_a_taxon_that_a_page_shows_lapses_its_signature_and_the_message_names_the_row(batch: Path) -> None:
    edit(batch / "config/bones.csv", "a-skull,skull,median,ind-a,Fictotherium exemplum", "a-skull,skull,median,ind-a,Fictotherium  novum")
    assert lapsed(batch)["skull"] == ["a row of its finds in bones.csv, openings.csv or poses.csv"]
    job = open_workspace(batch).worklist.jobs["report"]["mount/skull"]
    told = "given on other evidence and has lapsed (changed since: a row of its finds in bones.csv, openings.csv or poses.csv)"
    assert (lapsed_words(job), new_key_words(open_workspace(batch), "mount/skull")) == (told, "its page shows the new key after a build")


@pytest.mark.parametrize(("name", "old", "new", "words"), [
    ("config.yaml", "part_tolerance_mm: 0.4", "part_tolerance_mm: 0.5", ["how it is made (finds, factor, mirror plane, settings)"]),
    ("bones.csv", "a-skull.stl,mm,,", "a-skull.stl,mm,90.0,greatest-length", ["a row of its finds in bones.csv, openings.csv or poses.csv"]),
])  # fmt: skip
def test_a_change_of_what_is_made_lapses_the_signature_and_says_what_changed(batch: Path, name: str, old: str, new: str, words: list[str]) -> None:
    edit(batch / "config" / name, old, new)
    assert lapsed(batch)["skull"] == words


def test_a_new_scan_lapses_the_signature_and_says_so(batch: Path) -> None:
    (batch / "scans").mkdir(exist_ok=True)
    (batch / "scans/a-skull.stl").write_bytes(b"another")
    assert lapsed(batch) == {"skull": ["a scan that it is made from"]}


def test_a_key_that_no_page_showed_lapses_without_a_guess_at_what_changed(batch: Path) -> None:
    key = open_workspace(batch).worklist.jobs["report"]["mount/skull"]["evidence_keys"]["whole"]
    edit(batch / "config/decisions.csv", key, "0123456789abcdef")
    assert lapsed(batch) == {"skull": []}


@pytest.mark.parametrize(("wrong", "n"), [(lambda key: f"{key[:3]}x{key[4:-2]}yz", "3 characters"), (lambda key: key[:-1], "1 character")])
def test_a_key_that_was_copied_wrongly_is_told_as_that_and_not_as_evidence_that_changed(batch: Path, wrong: Callable[[str], str], n: str) -> None:
    key = open_workspace(batch).worklist.jobs["report"]["mount/skull"]["evidence_keys"]["whole"]
    edit(batch / "config/decisions.csv", key, wrong(key))
    job = open_workspace(batch).worklist.jobs["report"]["mount/skull"]
    assert lapsed_words(job) == f"given with a key that differs from today's key in {n}: copy it again"
