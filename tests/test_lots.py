"""Small jobs are handed to Snakemake in lots: in an order that works, none twice, each recorded and failing by itself."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from six_bones import BONEWRIGHT, edit

from meshtools import glue
from meshtools.fence import Limits, wall_s
from meshtools.glue import Batch, CutShortError, all_jobs, lot_mark
from meshtools.lots import MOST_BONES, MOST_FACES, jobs_before, make_lots
from meshtools.record_places import JOBS_FILE, job_lines, laid_down_job
from meshtools.start_build import SNAKEFILE

STAGES = ("clean", "siding", "rebuild", "joint", "row", "fixings", "print", "cnc", "mould", "report", "fit", "index")
Jobs = dict[str, dict[str, dict[str, Any]]]


def invented_jobs(n_bones: int) -> Jobs:
    """Jobs of bones of one scan each, and of a mirrored bone of the first scan."""
    jobs: Jobs = {stage: {} for stage in STAGES}
    for number in range(n_bones):
        jobs["clean"][f"c-{number}"] = {"key": "k"}
        jobs["rebuild"][f"mount/b-{number}"] = {"key": "k", "clean_keys": {f"c-{number}": "k"}}
    jobs["rebuild"]["mount/mirrored"] = {"key": "k", "clean_keys": {"c-0": "k"}}
    jobs["report"] = {name: {"key": "k", "clean_keys": job["clean_keys"]} for name, job in jobs["rebuild"].items()}
    jobs["index"]["index"] = {"key": "k"}
    return jobs


def small(jobs: Jobs) -> dict[str, dict[str, Limits]]:
    return {stage: dict.fromkeys(items, Limits()) for stage, items in jobs.items()}


@pytest.mark.parametrize(("n_bones", "cores"), [(1, 1), (5, 2), (40, 1), (40, 4), (300, 2)])
def test_every_small_job_is_in_one_lot_after_all_that_it_starts_from(n_bones: int, cores: int) -> None:
    jobs = invented_jobs(n_bones)
    lots = make_lots(jobs, small(jobs), all_jobs(jobs), cores)
    order = [one for lot in lots for one in lot]
    assert sorted(order) == sorted(one for one in all_jobs(jobs) if one[0] != "index")
    for place, one in enumerate(order):
        assert set(jobs_before(jobs, *one)) <= set(order[:place])
    assert len(lots) >= min(n_bones + 1, 8 * cores)
    assert max(map(len, lots)) <= 3 * MOST_BONES


def test_large_and_joined_bones_and_what_waits_for_them_go_one_by_one() -> None:
    jobs = invented_jobs(4)
    limits = small(jobs)
    limits["clean"]["c-1"] = Limits(wall_s=wall_s(MOST_FACES + 1))
    jobs["rebuild"]["mount/b-2"]["restore_settings"] = {}
    jobs["print"]["mount/b-3"] = {"key": "k", "clean_keys": {}}
    jobs["report"]["mount/b-3"]["route_keys"] = {"print": "k"}
    placed = {one for lot in make_lots(jobs, limits, all_jobs(jobs), 1) for one in lot}
    assert {("clean", "c-0"), ("clean", "c-2"), ("rebuild", "mount/b-3"), ("report", "mount/mirrored")} <= placed
    alone = {("clean", "c-1"), ("rebuild", "mount/b-1"), ("report", "mount/b-1"), ("rebuild", "mount/b-2"), ("report", "mount/b-2"),
             ("print", "mount/b-3"), ("report", "mount/b-3"), ("index", "index")}  # fmt: skip
    assert not placed & alone


def test_the_index_starts_from_the_clean_records_of_the_lengths_that_it_tells() -> None:
    jobs = invented_jobs(3)
    pages = {("report", name) for name in jobs["report"]}
    assert set(jobs_before(jobs, "index", "index")) == pages
    jobs["index"]["index"]["sizes"] = {"clean_keys": {"c-2": "k", "c-0": "k"}}
    assert set(jobs_before(jobs, "index", "index")) == pages | {("clean", "c-0"), ("clean", "c-2")}


def test_only_missing_jobs_are_in_lots() -> None:
    jobs = invented_jobs(3)
    assert make_lots(jobs, small(jobs), [("report", "mount/b-1"), ("index", "index")], 2) == [[("report", "mount/b-1")]]
    assert make_lots(jobs, small(jobs), [], 2) == []


def test_a_job_that_records_nothing_stops_what_follows_from_it_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs = invented_jobs(2)
    lot = [one for lot in make_lots(jobs, small(jobs), all_jobs(jobs), 1) for one in lot]
    ran, remembered = [], []
    monkeypatch.chdir(tmp_path)

    def run_until_nothing_is_recorded(asked: Sequence[tuple[tuple[str, str, str], Limits]], cores: int) -> Iterator[int]:
        for job, _ in asked:
            ran.append(job[:2])
            yield 75 if job[:2] == ("clean", "c-0") else 0
            if job[:2] == ("clean", "c-0"):
                return

    monkeypatch.setattr(glue, "run_fenced", run_until_nothing_is_recorded)
    with pytest.raises(CutShortError, match="clean c-0: nothing was recorded"):
        Batch(jobs, small(jobs), [lot]).run_lot(0, lambda *told: remembered.append(told))
    others = [("clean", "c-1"), ("rebuild", "mount/b-1"), ("report", "mount/b-1")]
    assert ran == [("clean", "c-0"), *others]
    assert [path for _, path, _ in remembered] == ["results/finds/c-1/record.json", "results/mount/b-1/record.json", "results/mount/b-1/report.json"]
    assert not Path(lot_mark(0)).exists()


def test_a_job_comes_back_as_it_was_laid_down_and_a_torn_file_holds_none(tmp_path: Path) -> None:
    jobs = {"clean": {"c-1": {"key": "k", "note": "two\nlines, \u2028 and 'quotes'"}}, "report": {"mount/b-1": {"key": "r"}}}
    path = tmp_path / JOBS_FILE
    assert laid_down_job(tmp_path, "clean", "c-1") is None
    path.parent.mkdir(parents=True)
    path.write_bytes(job_lines(jobs))
    assert laid_down_job(tmp_path, "clean", "c-1") == jobs["clean"]["c-1"]
    assert laid_down_job(tmp_path, "report", "mount/b-1") == {"key": "r"}
    assert laid_down_job(tmp_path, "report", "mount/b-2") is None
    path.write_bytes(job_lines(jobs)[:30])
    assert laid_down_job(tmp_path, "clean", "c-1") is None


@pytest.mark.slow
def test_snakemake_tells_what_changed_since_a_build_whose_jobs_it_was_given_in_lots(tiny: Path) -> None:
    command = [sys.executable, "-P", "-m", "snakemake", "-n", "-s", str(SNAKEFILE), "--directory", str(tiny), "--quiet", "host"]

    def told() -> str:
        done = subprocess.run(command, check=True, capture_output=True, encoding="utf-8", timeout=300)
        return done.stdout + done.stderr

    assert "Nothing to be done" in told()
    edit(tiny / "config" / "config.yaml", "part_tolerance_mm: 0.4", "part_tolerance_mm: 0.5")
    changed = told()
    assert "rule clean:" in changed
    assert "rule rebuild:" in changed
    assert subprocess.run([*BONEWRIGHT, "build", "--batch", str(tiny)], capture_output=True, timeout=300, check=False).returncode in (0, 1)
    assert "Nothing to be done" in told()


@pytest.mark.slow
@pytest.mark.parametrize(("config", "wanted"), [
    ({}, "{batch}: this is no batch (config/config.yaml is missing)."), ({"config.yaml": "targest: {}\n"}, "Did you mean 'targets'?"),
    (None, "there is nothing to make: config/config.yaml names no target."),
], ids=["no batch", "a misspelt table", "the empty batch"])  # fmt: skip
def test_plain_snakemake_says_why_it_cannot_begin_although_it_is_quiet(tmp_path: Path, config: dict[str, str] | None, wanted: str) -> None:
    if config is None:
        shutil.copytree(SNAKEFILE.parent / "config", tmp_path / "config")
    for name, content in (config or {}).items():
        (tmp_path / "config").mkdir()
        (tmp_path / "config" / name).write_text(content)
    command = [sys.executable, "-P", "-m", "snakemake", "-c1", "-s", str(SNAKEFILE), "--directory", str(tmp_path)]
    done = subprocess.run(command, check=False, capture_output=True, encoding="utf-8", timeout=300)
    assert (done.returncode, wanted.format(batch=tmp_path) in done.stderr) == (2, True), done.stderr


def test_the_plain_form_names_a_job_that_recorded_nothing_and_build_tells_it_itself(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    jobs = invented_jobs(1)
    monkeypatch.setattr(glue, "run_fenced", lambda asked, cores: iter([75] * len(asked)))
    for lay_down in (lambda: None, None):
        with pytest.raises(CutShortError):
            Batch(jobs, small(jobs), lay_down=lay_down).run("clean", "c-0", "k")
        assert ("clean c-0: nothing was recorded" in capsys.readouterr().err) == (lay_down is not None)
