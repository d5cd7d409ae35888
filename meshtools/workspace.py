"""A batch on disk: its register, plan and jobs, and which of its records still hold."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshtools.errors import UsageError
from meshtools.fence import LIMITS_FILE, Limits
from meshtools.files.atomic import write_all_atomic, write_atomic
from meshtools.handover import read_hand_overs
from meshtools.job_limits import job_limits, limits_rows
from meshtools.jobs.index import plan_bytes
from meshtools.jobs.record import LISTED, listed_names, read_record
from meshtools.keys import ContentHashes
from meshtools.links import WRITTEN_FOLDERS, leads_out
from meshtools.lots import jobs_before
from meshtools.model import Plan, Register, plain
from meshtools.plan import make_plan
from meshtools.record_places import JOBS_FILE, job_lines, laid_down_job, record_path
from meshtools.register import load_register
from meshtools.same_scans import with_copied_scans
from meshtools.size_checks import SIZE_CODE
from meshtools.stale_reasons import stale_reason
from meshtools.worklist import Worklist, make_worklist, plan_json

PLAN = "results/plan.json"
HASH_CACHE = ".snakemake/bonewright/hashes.json"
REPOSITORY = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Workspace:
    """A batch that has been read and planned."""

    folder: Path
    register: Register
    plan: Plan
    worklist: Worklist
    hashes: ContentHashes

    def nothing_to_plan(self, option: str = "--batch") -> str:
        """Why the plan is empty, and what to do. option: the one that names a batch."""
        named = self.folder if self.folder.parts else Path.cwd()
        is_own = self.folder.resolve() == REPOSITORY
        own = f" This is the folder of the program: if your batch is another one, name it with {option}." if is_own else ""
        if self.register.targets:
            return f"{named}: there is nothing to make: config/skeleton.csv names no element.{own}"
        return (
            f"{named}: there is nothing to make: config/config.yaml names no target. Write under 'targets' which animal the skeleton "
            f"is made of, such as `mount: {{individual: M-1}}` with an organismID of bones.csv.{own}"
        )

    def stale_jobs(self) -> list[tuple[str, str]]:
        """Jobs (stage, name) whose record is missing, has another key, is that of a crash, or lists a file that is missing or
        altered."""
        return [(stage, name) for stage, jobs in self.worklist.jobs.items() for name in jobs if not self.holds(stage, name)]

    def holds(self, stage: str, name: str) -> bool:
        """True where the record of a job is that of the job as it is planned now, and vouches for files that are there unaltered."""
        record = self.planned_record(stage, name)
        if record is None or _is_crash(record):
            return False
        return all(self.hashes.of(entry["path"]) == entry["sha256"] for entry in record["files"])

    def crashed_jobs(self) -> list[tuple[str, str]]:
        """Jobs (stage, name), as planned now, that ended without a result the last time, without those that were only told so by a job before them.
        Empty where the index is not of these jobs, or ended well."""
        every = [(stage, name) for stage, jobs in self.worklist.jobs.items() for name in jobs]
        records = {one: self.planned_record(*one) for one in every}
        crashed = {one for one, record in records.items() if record is not None and _is_crash(record)}
        roots = [one for one in every if one in crashed and crashed.isdisjoint(jobs_before(self.worklist.jobs, *one))]
        return roots if ("index", "index") in crashed else []

    def planned_record(self, stage: str, name: str) -> Mapping[str, Any] | None:
        """The record of a job, where it is that of the job as it is planned now."""
        record = read_record(self.folder / record_path(stage, name))
        return record if record is not None and record["key"] == self.worklist.key(stage, name) else None

    def why_stale(self, jobs: Sequence[tuple[str, str]]) -> str:
        """Why these stale jobs towards one element, given in their order, have to run, in words."""
        return stale_reason(self.folder, self.worklist.jobs, jobs) or self._unbuilt_words(jobs)

    def changed_since(self, stage: str, name: str) -> set[str]:
        """The entries of a job that are others than when its record was made, but for the keys that follow from them; none where that is not known,
        or where a file of the record is missing or altered."""
        path = self.folder / record_path(stage, name)
        record, job = read_record(path), self.worklist.jobs[stage][name]
        before = laid_down_job(self.folder, stage, name)
        if before is None or record is None or record["key"] != before.get("key"):
            return set()
        if any(self.hashes.of(entry["path"]) != entry["sha256"] for entry in record["files"]):
            return set()
        return {entry for entry in {*job, *before} - {"key"} if plain(job.get(entry)) != before.get(entry)}

    def _unbuilt_words(self, jobs: Sequence[tuple[str, str]]) -> str:
        """What to say of an element that lacks a record: after a build of others, or one that was cut short, its replica may stand all the same."""
        element = next((name for stage, name in jobs if stage == "report"), "")
        if not element or not (self.folder / "results" / element / "replica.ply").is_file():
            return "it was not built yet"
        if ("rebuild", element) in jobs:
            return "its replica is of an earlier build; the last one was of other bones, or not finished"
        return "its replica is built, but not all that goes with it: the last build was of other bones, or not finished"

    def open_joints(self) -> list[str]:
        """What the joints of the targets ask of a person, as far as their records hold."""
        records = [(job, read_record(self.folder / record_path("fit", name))) for name, job in self.worklist.jobs["fit"].items()]
        held = [record for job, record in records if record is not None and record["key"] == job["key"]]
        return [f"{f['severity']}: {f['message']}" for record in held for f in record["findings"] if f["severity"] != "note"]

    def open_sizes(self) -> list[str]:
        """Lengths of one unit that contradict each other, as far as the index holds: no page tells them."""
        record, job = read_record(self.folder / record_path("index", "index")), self.worklist.jobs["index"]["index"]
        held = [] if record is None or record["key"] != job["key"] else record["findings"]
        return [f"{f['severity']}: {f['message']}" for f in held if f["severity"] != "note" and f["code"] == SIZE_CODE]

    def open_fixings(self) -> list[str]:
        """What the holes of the armature ask of a person, as far as their records hold."""
        told = []
        for stage in ("row", "fixings"):
            for name, job in sorted(self.worklist.jobs[stage].items()):
                record = read_record(self.folder / record_path(stage, name))
                if record is not None and record["key"] == job["key"]:
                    told += [f"{f['severity']}: {name}: {f['message']}" for f in record["findings"] if f["severity"] != "note"]
        return told

    def drop_stale_records(self) -> list[tuple[str, str]]:
        """Remove the records that no longer hold, and half-written files of an earlier run. Returns the stale jobs."""
        stale = self.stale_jobs()
        for stage, name in stale:
            (self.folder / record_path(stage, name)).unlink(missing_ok=True)
        for place in ("results", ".snakemake/bonewright"):
            for leftover in (self.folder / place).rglob(".*.part"):
                leftover.unlink(missing_ok=True)
        self._drop_foreign_results()
        return stale

    def _drop_foreign_results(self) -> None:
        """Remove results of finds and elements that the plan no longer makes, so that nothing old looks ready."""
        results = self.folder / "results"
        wanted = {self.folder / record_path(stage, name) for stage, jobs in self.worklist.jobs.items() for name in jobs}
        kinds = ("*/*/record", "*/record", "*/report", "*/siding", "joints/*/joint", "fit", "rows/*/row")
        for path in sorted(path for kind in kinds for path in results.glob(f"*/{kind}.json")):
            record = read_record(path)
            if path not in wanted and record is not None and not leads_out(self.folder, path):
                _remove(path, [Path(entry["path"]).name for entry in record["files"]])
        for listed in sorted(results.glob(f"*/*/*/{LISTED}")):  # of a route that was given up while its record was away
            if listed.parent / "record.json" not in wanted and not leads_out(self.folder, listed):
                _remove(listed.parent / "record.json", listed_names(listed.parent))

    def save_hashes(self) -> None:
        """Keep the content hashes for the next run."""
        if self.hashes.changed:
            write_atomic(self.folder / HASH_CACHE, self.hashes.to_json())

    def write_job_files(self, limits: Mapping[str, Mapping[str, Limits]]) -> None:
        """Lay down the plan, the plain dict of every job and what each may take; files that are the same already are left alone."""
        self.write_plan()
        contents = {JOBS_FILE: job_lines(self.worklist.jobs), LIMITS_FILE: json.dumps(limits_rows(limits), sort_keys=True).encode()}
        write_all_atomic(_changed({self.folder / path: content for path, content in contents.items()}))
        self.save_hashes()

    def limits(self) -> dict[str, dict[str, Limits]]:
        """What each job may take in memory and time."""
        return job_limits(self.worklist.jobs, self.hashes)

    def write_plan(self) -> None:
        """Bring results/plan.json up to date; its bytes change only when the plan does."""
        write_all_atomic(_changed({self.folder / PLAN: plan_bytes(plan_json(self.plan))}))

    def is_plan_written(self) -> bool:
        """True where results/plan.json is the plan of the tables as they are. No record lists it: it belongs to no job, and `bonewright plan`
        may write it at any time."""
        path = self.folder / PLAN
        return path.is_file() and path.read_bytes() == plan_bytes(plan_json(self.plan))


def _is_crash(record: Mapping[str, Any]) -> bool:
    """True of the record of a job that ended without a result, or that follows from one."""
    return any(finding["code"] == "crash" for finding in record["findings"])


def _remove(path: Path, files: Sequence[str]) -> None:
    """Remove a record, the files that it lists, and its folder where nothing else is left in it."""
    for name in (*files, LISTED):
        (path.parent / name).unlink(missing_ok=True)
    path.unlink(missing_ok=True)
    if not any(path.parent.iterdir()):
        path.parent.rmdir()


def _changed(contents: Mapping[Path, bytes]) -> dict[Path, bytes]:
    """The files whose bytes on disk are not these."""
    return {path: content for path, content in contents.items() if not path.is_file() or path.read_bytes() != content}


def open_workspace(folder: Path) -> Workspace:
    """Read and plan the batch in `folder`. UsageError where there is none, TablesError with all problems of its tables."""
    if not (folder / "config" / "config.yaml").is_file():
        named = folder if folder.parts else Path.cwd()
        raise UsageError(f"{named}: this is no batch (config/config.yaml is missing). `bonewright new DIR` makes one.")
    for name in WRITTEN_FOLDERS:
        if leads_out(folder, folder / name):
            raise UsageError(f"{folder / name}: this is a link that leads out of the batch; put a folder there.")
    read = load_register(folder)
    cache = folder / HASH_CACHE
    try:
        remembered = json.loads(cache.read_bytes())
    except (FileNotFoundError, ValueError):
        remembered = {}
    hashes = ContentHashes(folder, remembered)
    register = with_copied_scans(read, folder, hashes)
    plan = make_plan(register)
    return Workspace(folder, register, plan, make_worklist(register, plan, hashes, read_hand_overs(folder)), hashes)
