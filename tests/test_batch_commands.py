"""The commands of a batch, run as a user runs them."""

from __future__ import annotations

import argparse
import csv
import json
import re
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from made_once import made_once
from six_bones import bonewright, build, edit, make_six_bones
from tiny_batch import make_tiny_batch

from meshtools.cli import build_parser
from meshtools.commands_batch import Progress, _index_words, plan, status
from meshtools.glue import all_jobs
from meshtools.jobs.index import _index
from meshtools.jobs.run import run_job, write_crash_record
from meshtools.workspace import Workspace, open_workspace


def sign_off(batch: Path, element: str) -> None:
    """Sign the evidence that the page of an element shows today."""
    key = json.loads((batch / f"results/mount/{element}/report.json").read_text(encoding="utf-8"))["facts"]["evidence_key"]
    with (batch / "config/decisions.csv").open("a", encoding="utf-8") as stream:
        stream.write(f"mount,{element},,sign-off,yes,A. Curator,2026-03-01,looked at page and bone,{key}\n")


def test_a_folder_that_is_no_batch_is_refused_with_one_sentence(tmp_path: Path) -> None:
    done = bonewright("build", "--batch", tmp_path)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)


def test_a_new_batch_is_made_once_and_never_over_another(tmp_path: Path) -> None:
    first, second = bonewright("new", tmp_path / "batch"), bonewright("new", tmp_path / "batch")
    assert (first.returncode, second.returncode) == (0, 2)


def test_a_batch_without_a_target_is_not_built_and_says_what_to_name(tmp_path: Path) -> None:
    batch = tmp_path / "batch"
    bonewright("new", batch)
    built, planned = bonewright("build", "--batch", batch), bonewright("plan", "--batch", batch)
    assert (built.returncode, (batch / "logs").exists(), built.stderr.count("\n")) == (2, False, 1)
    assert "Write under 'targets' which animal the skeleton is made of" in built.stderr
    assert [planned.returncode, bonewright("status", "--batch", batch).returncode] == [1, 1]
    assert "nothing would improve" not in planned.stdout


def test_a_build_of_a_few_long_jobs_is_heard_of_every_half_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now_s = [0.0]
    monkeypatch.setattr("meshtools.commands_batch.time.monotonic", lambda: now_s[0])
    progress = Progress(cast(Workspace, SimpleNamespace(folder=tmp_path)), [("clean", name) for name in "abc"], quiet=False)
    for second in range(0, 70, 5):
        now_s[0] = float(second)
        progress.tick()
    assert capsys.readouterr().err == 2 * "0 of 3 jobs done\n"


def test_all_problems_of_the_tables_are_told_at_once(tmp_path: Path) -> None:
    batch = make_six_bones(tmp_path / "batch")
    edit(batch / "config/bones.csv", "a-skull,skull,median", "a-skull,skul,median")
    edit(batch / "config/skeleton.csv", "paired,,,forelimb", "pared,,,forelimb")
    done = bonewright("check", "--batch", batch)
    assert done.returncode == 2
    assert "Did you mean 'skull'?" in done.stderr
    assert "Did you mean 'paired'?" in done.stderr


@pytest.mark.slow
def test_an_unsigned_part_is_not_handed_over(batch: Path) -> None:
    done = bonewright("hand-over", "mount/skull", "--to", "Shop 2", "--batch", batch)
    assert (done.returncode, (batch / "hand-over").exists()) == (2, False)
    key = json.loads((batch / "results/mount/skull/report.json").read_text(encoding="utf-8"))["facts"]["evidence_key"]
    assert done.stderr.splitlines()[-1] == f"mount,skull,,sign-off,,NAME,YYYY-MM-DD,REASON,{key}"


@pytest.fixture(scope="module")
def handed_over(built_once: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """The six bones with a signed skull that went to Shop 2 and was built again, and what that build ran. Copy it, do not change it."""

    def make(folder: Path) -> tuple[Path, list[str]]:
        batch = Path(shutil.copytree(built_once, folder))
        sign_off(batch, "skull")
        build(batch)
        given = bonewright("hand-over", "mount/skull", "--to", "Shop 2", "--batch", batch, "--json")
        assert given.returncode == 0, given.stderr
        return batch, build(batch)["ran"]

    return made_once(tmp_path_factory, "handed over", make)


@pytest.mark.slow
def test_a_change_after_the_hand_over_names_the_recipient_and_raises_the_revision(handed_over: tuple[Path, list[str]], tmp_path: Path) -> None:
    batch = Path(shutil.copytree(handed_over[0], tmp_path / "batch"))
    edit(batch / "config/bones.csv", "a-skull.stl,mm,,", "a-skull.stl,cm,,")
    build(batch)
    page = json.loads((batch / "results/mount/skull/report.json").read_text(encoding="utf-8"))
    assert any("Shop 2" in finding["message"] for finding in page["findings"])
    assert (page["facts"]["revision"], page["facts"]["sign_off"]["state"]) == ("2", "lapsed")


@pytest.mark.slow
def test_handing_over_changes_no_result(handed_over: tuple[Path, list[str]]) -> None:
    assert handed_over[1] == ["index:index", "report:mount/skull"]


@pytest.mark.slow
def test_a_part_is_handed_to_two_recipients_without_a_build_between(handed_over: tuple[Path, list[str]], tmp_path: Path) -> None:
    batch = Path(shutil.copytree(handed_over[0], tmp_path / "batch"))
    for recipient in ("Shop 3", "Shop 4"):
        given = bonewright("hand-over", "mount/skull", "--to", recipient, "--batch", batch)
        assert (given.returncode, given.stderr) == (0, "")
    page = batch / "results/mount/skull/report.html"
    page.write_bytes(page.read_bytes() + b" ")
    refused = bonewright("hand-over", "mount/skull", "--to", "Shop 5", "--batch", batch)
    assert (refused.returncode, "its results are not up to date" in refused.stderr) == (2, True)


@pytest.mark.slow
def test_a_revision_goes_to_a_further_recipient_as_it_was_frozen_though_its_page_tells_more_by_now(
    handed_over: tuple[Path, list[str]], tmp_path: Path
) -> None:
    batch = Path(shutil.copytree(handed_over[0], tmp_path / "batch"))
    frozen, made = next((batch / "hand-over").rglob("report.html")), batch / "results/mount/skull/report.html"
    before, earlier = frozen.read_bytes(), made.read_bytes()
    edit(batch / "config/config.yaml", "targets:", "report:\n  replica_density_kg_m3: 1300.0\ntargets:")
    build(batch, "mount/skull")
    assert made.read_bytes() != earlier
    given = bonewright("hand-over", "mount/skull", "--to", "Shop 3", "--batch", batch)
    assert (given.returncode, given.stderr) == (0, "")
    assert frozen.read_bytes() == before
    frozen.write_bytes(before + b" ")
    refused = bonewright("hand-over", "mount/skull", "--to", "Shop 4", "--batch", batch)
    assert (refused.returncode, "this is not what Shop 2 was given" in refused.stderr) == (2, True)
    assert "this is not what Shop 2 was given" in bonewright("verify", "--batch", batch).stdout


@pytest.mark.slow
def test_a_page_that_was_handed_over_has_no_link_to_what_was_not(handed_over: tuple[Path, list[str]]) -> None:
    page = next((handed_over[0] / "hand-over").rglob("report.html"))
    links = re.findall(r'href="([^"#][^"]*)"', page.read_text(encoding="utf-8"))
    assert [link for link in links if not (page.parent / link).is_file()] == []


@pytest.mark.slow
def test_verify_finds_a_file_that_was_altered(batch: Path) -> None:
    assert bonewright("verify", "--batch", batch).returncode == 0
    path = batch / "results/mount/skull/replica.glb"
    path.write_bytes(path.read_bytes()[:-4] + b"\0\0\0\0")
    done = bonewright("verify", "--batch", batch)
    assert (done.returncode, "mount/skull/replica.glb" in done.stdout) == (1, True)


@pytest.mark.slow
def test_verify_reads_what_was_handed_over(handed_over: tuple[Path, list[str]], tmp_path: Path) -> None:
    batch = Path(shutil.copytree(handed_over[0], tmp_path / "batch"))
    frozen = next((batch / "hand-over").rglob("replica.stl"))
    frozen.write_bytes(frozen.read_bytes()[:-1])
    done = bonewright("verify", "--batch", batch)
    assert (done.returncode, done.stdout.count("Shop 2")) == (1, 1)


def test_status_says_why_an_element_is_to_be_built(batch: Path) -> None:
    edit(batch / "config/config.yaml", "clean:", "clean:\n  fill_span_review_percent: 12.5")
    done = bonewright("status", "--batch", batch)
    assert "changed since the last build: settings in config.yaml" in done.stdout


def test_status_says_of_a_build_that_was_cut_short_that_the_replica_stands(batch: Path) -> None:
    (batch / "results/mount/skull/report.json").unlink()
    done = bonewright("status", "--batch", batch)
    assert "mount/skull (OWN): its replica is built, but not all that goes with it" in done.stdout


def test_status_does_not_call_a_build_of_other_bones_unfinished_nor_an_open_replica_unbuilt(batch: Path) -> None:
    """The build of the mandible takes away the records of the skull, which do not hold any more. An open replica has no STL."""
    edit(batch / "config/bones.csv", "a-skull.stl,mm,,", "a-skull.stl,mm,90.0,greatest-length")
    (batch / "results/mount/skull/replica.stl").unlink()
    build(batch, "mandible")
    done = bonewright("status", "--batch", batch)
    assert "to build: mount/skull (OWN): its replica is of an earlier build; the last one was of other bones, or not finished" in done.stdout


def test_an_option_that_a_command_does_not_know_is_refused_with_its_usage_and_the_nearest_one(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        build_parser().parse_args(["status", "--bach", "demo"])
    told = capsys.readouterr().err
    assert (ended.value.code, told.startswith("usage: bonewright status [-h] [--json] [--batch DIR]")) == (2, True)
    assert "unrecognized arguments: --bach demo. Did you mean --batch?" in told
    with pytest.raises(SystemExit):
        build_parser().parse_args(["compare", "a.stl", "b.stl", "c.stl", "--unit", "mm"])
    assert capsys.readouterr().err.endswith("unrecognized arguments: c.stl\n")


def test_status_counts_the_findings_of_the_register_that_stand_on_no_row(tmp_path: Path) -> None:
    """The invented demo batch, not built: an animal in it has two whole humeri of one side."""
    assert bonewright("demo", tmp_path / "demo").returncode == 0
    done = bonewright("status", "--batch", tmp_path / "demo")
    assert "findings of the register and the plan: 1 failed; `bonewright plan` tells them" in done.stdout
    told = json.loads(bonewright("status", "--batch", tmp_path / "demo", "--json").stdout)
    assert [finding["code"] for finding in told["findings"]] == ["duplicate-element"]


def test_check_and_status_name_a_sign_off_that_has_lapsed(batch: Path) -> None:
    with (batch / "config/decisions.csv").open("a", encoding="utf-8") as stream:
        stream.write("mount,femur-left,,sign-off,yes,A. Curator,2026-03-01,looked at it,0123456789abcdef\n")
    assert "mount/femur-left: the sign-off by A. Curator was given on other evidence" in bonewright("check", "--batch", batch).stdout
    done = bonewright("status", "--batch", batch)
    assert done.returncode == 1
    assert "review: mount/femur-left: the sign-off by A. Curator was given on other evidence and has lapsed; " in done.stdout
    assert "sign-off: 1 lapsed, 8 unsigned; 0 handed over" in done.stdout


def test_a_missing_scan_is_told_by_intake_build_and_what_to_do_next_and_once_on_the_index(batch: Path) -> None:
    (batch / "scans/a-skull.stl").unlink()
    for name in ("a-femur-left.stl", "a-humerus-right.ply", "b-tibia-left.stl", "b-sacrum.stl"):
        (batch / "scans" / name).unlink()
    taken = bonewright("intake", "--batch", batch)
    told = "find a-skull: the scan scans/a-skull.stl is not there; put the file there or correct the name. [config/bones.csv row 4]"
    assert (taken.returncode, f"missing: config/bones.csv, {told}" in taken.stdout) == (1, True)
    assert "1 scan, 1 accepted, 0 to scan again, 5 scans of bones.csv missing." in taken.stdout
    workspace = open_workspace(batch)
    step = workspace.plan.next_steps[0]
    assert step.message.startswith("put the missing scans of a-femur-left, a-humerus-right, a-skull, b-sacrum, b-tibia-left into scans/, or correct")
    assert "mount/skull" in step.elements
    findings = _index(dict(workspace.worklist.jobs["index"]["index"]), [], {}, [])["findings"]
    assert sum("a-skull.stl is not there" in finding["message"] for finding in findings) == 1
    assert build(batch, "mount/skull")["elements"][0]["why"].startswith("find a-skull: a-skull.stl does not exist")
    page = json.loads((batch / "results/mount/skull/report.json").read_text(encoding="utf-8"))
    assert "Put scans/a-skull.stl in its place, or correct the file name where it is registered." in page["findings"][0]["message"]


def test_the_record_of_a_replica_says_that_its_status_is_of_one_step_and_where_the_bone_stands(built_once: Path) -> None:
    record = json.loads((built_once / "results/mount/skull/record.json").read_text(encoding="utf-8"))
    assert record["facts"]["status_is_of"].startswith("rebuilding alone; report.json says how the bone stands")


def test_the_summary_has_one_row_an_element_with_its_volume(built_once: Path) -> None:
    with (built_once / "results/summary.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["status"], float(row["volume_mm3"]) > 0) for row in rows] == [("ready", True)] * 9


@pytest.mark.slow
def test_intake_drafts_rows_for_scans_that_the_register_does_not_know(batch: Path) -> None:
    shutil.copy(batch / "scans/a-skull.stl", batch / "scans/New Ulna left.stl")
    done = bonewright("intake", "--batch", batch)
    assert done.returncode == 1
    with (batch / "intake/drafted_rows.csv").open(encoding="utf-8") as stream:
        assert [(row["find"], row["side"], row["unit"]) for row in csv.DictReader(stream)] == [("new-ulna-left", "left", "")]


@pytest.mark.parametrize(("is_there", "names", "words"), [
    (True, (), " (of an earlier build: run `bonewright build`)"),
    (True, ("femur-left",), " (this build was of femur-left only, and the index stands as before: run `bonewright build` without a name"),
    (False, ("femur-left",), " (this build was of femur-left only, and there is no index yet: run `bonewright build` without a name"),
])  # fmt: skip
def test_a_build_of_one_element_says_that_the_index_stands_as_before(is_there: bool, names: tuple[str, ...], words: str) -> None:
    assert _index_words(is_there, names).startswith(words)


@pytest.mark.parametrize("is_altered", [False, True])
def test_after_a_job_that_crashed_the_index_is_told_with_the_log_of_that_job_alone(tmp_path: Path, is_altered: bool) -> None:
    """Not of the jobs after it, which only say so, and not as one of an earlier build: unless the tables were edited since."""
    batch = make_tiny_batch(tmp_path)
    workspace = open_workspace(batch)
    workspace.write_job_files(workspace.limits())
    for stage, name in all_jobs(workspace.worklist.jobs):
        if stage == "clean":
            write_crash_record(batch, (stage, name, workspace.worklist.key(stage, name)), 139)
        else:
            assert run_job(batch, stage, name, workspace.worklist.key(stage, name)) == 0
    if is_altered:
        edit(batch / "config/bones.csv", ",98,", ",97,")
    (line,) = [line for line in status(argparse.Namespace(batch=batch)).lines if "index.html" in line]
    told = f"(1 job ended without a result, see {batch / 'logs/clean-a-femur-left.log'}; another `bonewright build` tries it again)"
    assert line.endswith("(of an earlier build: run `bonewright build`)" if is_altered else told)


@pytest.mark.parametrize("harm", ["", "refused", "missing", "mended"])
def test_the_sums_of_a_plan_say_which_elements_they_count_although_nothing_can_be_made_of_their_scan(tmp_path: Path, harm: str) -> None:
    """A scan that the last build refused, or that is not there; not one that was replaced since."""
    batch = make_tiny_batch(tmp_path)
    scan = batch / "scans/a-femur-left.stl"
    content = scan.read_bytes()
    if harm:
        scan.write_bytes(content[:500])
        workspace = open_workspace(batch)
        workspace.write_job_files(workspace.limits())
        assert run_job(batch, "clean", "a-femur-left", workspace.worklist.key("clean", "a-femur-left")) == 0
    if harm == "mended":
        scan.write_bytes(content)
    if harm == "missing":
        scan.unlink()
    answer = plan(argparse.Namespace(batch=batch))
    (line,) = [line for line in answer.lines if line.startswith("mount: by count")]
    told = "these sums count what is planned, with 2 elements whose scan is missing or that failed in the last build: femur-left, femur-right"
    assert (told in line) is (harm in ("refused", "missing"))
    assert answer.facts["unmade"] == ({"mount": ["femur-left", "femur-right"]} if told in line else {})


def test_a_plan_tells_once_why_a_decision_about_a_gap_was_not_carried_out(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path)
    with (batch / "config/skeleton.csv").open("a", encoding="utf-8") as stream:
        stream.write("humerus,paired,,,forelimb,forelimb,,,\n")
    row = "mount,humerus-left,,class,OWN,A. Keeper,2031-05-06,it was seen in a drawer,\n"
    (batch / "config/decisions.csv").write_text(f"target,element,find,kind,value,by,date,reason,evidence_key\n{row}", encoding="utf-8")
    answer = plan(argparse.Namespace(batch=batch))
    (line,) = [line for line in answer.lines if "not carried out" in line]
    assert line.startswith("review: Decision class OWN for mount/humerus-left, by A. Keeper on 2031-05-06 was not carried out: ")
    assert line.endswith(" was not carried out: no such find can be used for humerus-left.")
