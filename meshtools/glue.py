"""The only module that knows Snakemake: what the Snakefile asks for, and how `bonewright build` starts it."""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from meshtools.batch_lock import lock_batch
from meshtools.errors import BonewrightError, UsageError
from meshtools.fence import Limits, job_log, memory_limit_mb
from meshtools.files.atomic import write_atomic
from meshtools.geometry.threads import CORES
from meshtools.job_limits import limits_rows
from meshtools.jobs.run import die_with_parent, record_path
from meshtools.lots import Jobs, Lot, Name, jobs_before, make_lots, plain_lots
from meshtools.machine_memory import machine_memory
from meshtools.run_job import FOR_LIBRARIES, run_fenced
from meshtools.settings_ready import ROUTES
from meshtools.worklist import Job, sized_finds
from meshtools.workspace import Workspace, open_workspace

ASKING = {
    "--dry-run", "--dryrun", "--summary", "-S", "--detailed-summary", "-D", "--dag", "--rulegraph", "--filegraph", "--d3dag", "--lint",
    "--list-rules", "--list", "-l", "--list-target-rules", "--lt", "--touch", "-t", "--unlock",
}  # fmt: skip
PLANNED = "BONEWRIGHT_PLANNED"  # names the file of jobs and limits, in the environment of the snakemake that `build` starts
LONGEST_END_S = 2.0  # a worker told to end only kills its children, which takes milliseconds; one that hangs is not waited for
SNAKEFILE = Path(__file__).resolve().parent.parent / "Snakefile"
LOTS = ".snakemake/bonewright/lots"


class CutShortError(BonewrightError):
    """A job wrote no record, because an input changed meanwhile or the machine failed; the next build runs it again."""


class Batch:
    """What the Snakefile and the rules ask about the batch in the current folder."""

    def __init__(
        self, jobs: Jobs, limits: Mapping[str, Mapping[str, Limits]], lots: Sequence[Lot] = (), lay_down: Callable[[], None] | None = None
    ) -> None:
        self._jobs, self._limits, self._lots, self._lay_down = jobs, limits, lots, lay_down
        self._lot_of = {one: number for number, lot in enumerate(lots) for one in lot}
        self.memory_limit_mb = memory_limit_mb(machine_memory())
        """MB that all jobs at work may be expected to take together on this machine, now."""

    @classmethod
    def for_snakemake(cls) -> Batch:
        """The batch in the working folder as `build` has planned and locked it; in the plain form read, locked and freed of stale records here."""
        os.environ.update(FOR_LIBRARIES)
        if PLANNED in os.environ:
            return cls(*read_planned(Path(os.environ[PLANNED])))
        workspace = open_workspace(Path())
        if not asks_only(sys.argv[1:]) and "BONEWRIGHT_LOCK_HELD" not in os.environ:
            lock_batch(Path())
            workspace.drop_stale_records()
            os.environ["BONEWRIGHT_LOCK_HELD"] = "1"  # for the processes that snakemake starts for its jobs where a profile forbids threads
        return cls(workspace.worklist.jobs, workspace.limits(), lay_down=workspace.write_job_files)

    def write_job_files(self) -> None:
        """Lay down the plain dict of every job, for the jobs to read, where `build` has not done so."""
        if self._lay_down is not None:
            self._lay_down()

    def run(self, stage: str, name: str, key: str) -> None:
        """Run one job to its record, in a process of its own; called in a thread of snakemake's. CutShortError where nothing was recorded."""
        if run_fenced((stage, name, key), self._limits[stage][name]) != 0:
            raise CutShortError(f"{stage} {name}: nothing was recorded; see {job_log(stage, name)}. Build again.")

    def run_lot(self, number: int, remember: Callable[[str, str, str], None]) -> None:
        """Run the jobs of a lot after each other, those on which nothing failed before, and mark the lot as made; `remember` is told of each that
        has run (rule, path of its record, key). CutShortError where one recorded nothing."""
        failed: dict[Name, CutShortError | OSError] = {}
        for stage, name in self._lots[number]:
            if before := [failed[one] for one in jobs_before(self._jobs, stage, name) if one in failed]:
                failed[stage, name] = before[0]
                continue
            try:
                self.run(stage, name, self.key(stage, name))
            except (CutShortError, OSError) as error:
                failed[stage, name] = error
            else:
                remember(stage, record_path(stage, name), self.key(stage, name))
        if failed:
            raise next(iter(failed.values()))
        Path(lot_mark(number)).touch()

    def inputs(self, stage: str, name: str) -> list[str]:
        """What stands for the jobs that a job starts from: their records, or the marks of the lots that make them."""
        return self._outputs(jobs_before(self._jobs, stage, name))

    def lot_inputs(self, number: int) -> list[str]:
        """What stands for the jobs that a lot starts from."""
        own = set(self._lots[number])
        return self._outputs(one for job in self._lots[number] for one in jobs_before(self._jobs, *job) if one not in own)

    def lot_memory_mb(self, number: int) -> int:
        """Memory that any job of a lot is expected to take at most."""
        return max(self.memory_mb(stage, name) for stage, name in self._lots[number])

    def all_outputs(self) -> list[str]:
        """What stands for all jobs of the batch."""
        return self._outputs(all_jobs(self._jobs))

    def _outputs(self, jobs: Iterable[Name]) -> list[str]:
        return list(dict.fromkeys(lot_mark(self._lot_of[one]) if one in self._lot_of else record_path(*one) for one in jobs))

    def key(self, stage: str, name: str) -> str:
        """Key of one job; an unknown name is not this batch's."""
        return str(self._jobs[stage][name]["key"])

    def memory_mb(self, stage: str, name: str) -> int:
        """Memory that one job is expected to take at most. A job that needs all there is, or more, runs alone."""
        return min(self._limits[stage][name].memory_mb, self.memory_limit_mb)


def spare_work(workflow: Any) -> None:
    """Leave out what snakemake would do for every job and nobody asks for: with small bones it took a third of snakemake's time.

    Jobs are begun as cores come free: the limit of jobs a second would wake the scheduler once a second for each job that has ended, to the end.
    Records are written whole or not at all, so no job need be marked as incomplete while it runs. Messages that `build` keeps quiet are not made.
    With a handler of our own for the interrupt key, asyncio does not set and remove one for each of the four loops that it runs for a job.
    The limit and the marks are no part of snakemake's interface: 9.27 has both, another version may not.
    """
    if hasattr(workflow.scheduler, "job_rate_limiter"):
        workflow.scheduler.job_rate_limiter = None
    if hasattr(workflow.persistence, "_mark_incomplete"):
        workflow.persistence._mark_incomplete = lambda *_: None
    if PLANNED in os.environ:
        logging.getLogger("snakemake.logging").setLevel(logging.WARNING)
    signal.signal(signal.SIGINT, _interrupt)


def _interrupt(number: int, frame: object) -> None:
    raise KeyboardInterrupt


def remembering(persistence: Any) -> Callable[[str, str, str], None]:
    """Lets snakemake know of a job that it did not start itself: its record was made under this key. Without it a later `snakemake -n` would not tell
    what has changed since. No part of snakemake's interface: 9.27 has it, in another version nothing is known of such a job."""

    def remember(rule: str, path: str, key: str) -> None:
        with suppress(OSError, TypeError):  # it is a convenience: the record stands
            known = MetadataRecord(rule=rule, params=[repr(key)], record_format_version=RECORD_FORMAT_VERSION, incomplete=False, endtime=time.time())
            persistence._write_record(path, known)

    try:
        from snakemake.persistence import RECORD_FORMAT_VERSION, MetadataRecord
    except ImportError:
        return lambda *_: None
    return remember if hasattr(persistence, "_write_record") else lambda *_: None


def asks_only(arguments: Sequence[str]) -> bool:
    """True where snakemake's arguments only ask what would be done, so that nothing may be locked or removed. (Snakemake does not know
    it yet while it reads the Snakefile.)"""
    return any(argument in ASKING or (argument.startswith("-n") and argument.isascii()) for argument in arguments)


def all_jobs(jobs: Jobs) -> list[Name]:
    """Stage and name of every job."""
    return [(stage, name) for stage, items in jobs.items() for name in items]


def all_records(jobs: Jobs) -> list[str]:
    """Paths of the records of all jobs."""
    return [record_path(*one) for one in all_jobs(jobs)]


def wanted_outputs(workspace: Workspace, names: Sequence[str]) -> list[str]:
    """Records of all jobs for `ELEMENT` or `TARGET/ELEMENT` arguments; of the whole batch for none. The records in between are asked
    for too, because Snakemake makes no missing file again as long as what follows from it stands."""
    jobs = workspace.worklist.jobs
    if not names:
        return all_records(jobs)
    parts: set[str] = set()
    for wanted in names:
        found = {name for name in jobs["report"] if wanted in (name, name.split("/", 1)[1])}
        if not found:
            raise UsageError(f"'{wanted}' is not an element that this batch builds. `bonewright plan` lists them.")
        parts |= found
    sided = {find for part in parts for find in jobs["report"][part]["siding_keys"]}
    finds = {find for part in parts for find in jobs["rebuild"][part]["clean_keys"]}
    finds |= {other for find in sided for other in jobs["siding"][find]["clean_keys"]}
    finds |= {find for part in parts for find in sized_finds(jobs["report"][part])}
    of_finds = [record_path("clean", find) for find in sorted(finds)] + [record_path("siding", find) for find in sorted(sided)]
    of_parts = [record_path(stage, part) for stage in ("rebuild", *ROUTES, "report") for part in sorted(parts) if part in jobs[stage]]
    return of_finds + _joint_outputs(jobs, sorted(parts)) + of_parts + _armature_outputs(jobs, sorted(parts))


def _joint_outputs(jobs: Mapping[str, Mapping[str, Job]], parts: Sequence[str]) -> list[str]:
    """Records of the joints that the routes of these parts look at, and of all that sets those joints."""
    joints = sorted({joint for part in parts for route in ROUTES if part in jobs[route] for joint in jobs[route][part].get("joint_keys", ())})
    wanted: dict[str, None] = {}
    for joint in joints:
        rebuilt = [f"{joint.split('/')[0]}/{slug}" for slug in jobs["joint"][joint]["rebuild_keys"]]
        finds = sorted({*jobs["joint"][joint]["clean_keys"], *(find for name in rebuilt for find in jobs["rebuild"][name]["clean_keys"])})
        paths = [("clean", find) for find in finds] + [("rebuild", name) for name in rebuilt] + [("joint", joint)]
        wanted |= dict.fromkeys(record_path(stage, name) for stage, name in paths)
    return list(wanted)


def _armature_outputs(jobs: Mapping[str, Mapping[str, Job]], parts: Sequence[str]) -> list[str]:
    """Records of the holes of these parts, and of all that poses the rows which go through them."""
    bored = [part for part in parts if part in jobs["fixings"]]
    rows = sorted({row for part in bored for row in jobs["fixings"][part]["row_keys"]})
    wanted: dict[str, None] = {}
    for row in rows:
        job, target = jobs["row"][row], row.split("/")[0]
        rebuilt = [f"{target}/{slug}" for slug in job["rebuild_keys"]]
        finds = sorted({*job["clean_keys"], *(find for name in rebuilt for find in jobs["rebuild"][name]["clean_keys"])})
        paths = [("clean", find) for find in finds] + [("rebuild", name) for name in rebuilt] + [("row", row)]
        wanted |= dict.fromkeys(record_path(stage, name) for stage, name in paths)
    return [*wanted, *(record_path("fixings", part) for part in bored)]


def run_snakemake(workspace: Workspace, outputs: Sequence[str], cores: int, tick: Callable[[], None]) -> int:
    """Run the workflow to the outputs with a warm worker; `tick` is called some times a second. Returns snakemake's exit code."""
    batch = workspace.folder.resolve()
    log = batch / "logs" / "snakemake.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    log.unlink(missing_ok=True)  # never written through a link
    os.environ[CORES] = str(cores)
    with warm_worker(batch) as address, log.open("xb") as stream:
        asked = set(outputs)
        missing = [one for one in all_jobs(workspace.worklist.jobs) if (path := record_path(*one)) in asked and not (batch / path).exists()]
        lots = make_lots(workspace.worklist.jobs, workspace.limits(), missing, cores)
        in_lots = {record_path(*one) for lot in lots for one in lot}
        targets = [*(lot_mark(number) for number in range(len(lots))), *(path for path in outputs if path not in in_lots)]
        planned = str(lay_down_plan(workspace, batch, lots))
        environment = os.environ | FOR_LIBRARIES | {"BONEWRIGHT_WORKER": address, "BONEWRIGHT_LOCK_HELD": "1", PLANNED: planned}
        command = [sys.executable, "-P", "-m", "snakemake", "-s", str(SNAKEFILE), "--directory", str(batch), "--cores", str(cores), "--", *targets]
        child = subprocess.Popen(command, stdout=stream, stderr=stream, env=environment, cwd=batch, preexec_fn=die_with_parent)
        while child.poll() is None:
            tick()
            time.sleep(0.1)
    return child.returncode


def lot_mark(number: int) -> str:
    """Path inside the batch of an empty file that says that a lot of this build is made; it says nothing to any other build."""
    return f"{LOTS}/{number}.made"


def lay_down_plan(workspace: Workspace, batch: Path, lots: Sequence[Lot]) -> Path:
    """Lay down the files of all jobs, and one file with all of them, their limits and lots for snakemake: planning takes as long as starting it."""
    workspace.write_job_files()
    for mark in (batch / LOTS).glob("*.made"):
        mark.unlink(missing_ok=True)
    path = batch / ".snakemake" / "bonewright" / "planned.json"
    content = {"jobs": workspace.worklist.jobs, "limits": limits_rows(workspace.limits()), "lots": lots}
    write_atomic(path, json.dumps(content, ensure_ascii=False, allow_nan=False).encode())
    return path


def read_planned(path: Path) -> tuple[Jobs, dict[str, dict[str, Limits]], list[Lot]]:
    """Jobs, limits and lots as `lay_down_plan` wrote them."""
    content = json.loads(path.read_bytes())
    limits = {stage: {name: Limits(**row) for name, row in rows.items()} for stage, rows in content["limits"].items()}
    return content["jobs"], limits, plain_lots(content["lots"])


@contextmanager
def warm_worker(batch: Path) -> Iterator[str]:
    """A worker process for the time of a build. Yields the address of its socket."""
    with tempfile.TemporaryDirectory(prefix="bonewright-") as folder:
        address = str(Path(folder) / "worker")
        (batch / "logs" / "worker.log").unlink(missing_ok=True)
        log = (batch / "logs" / "worker.log").open("xb")
        command = [sys.executable, "-P", "-m", "meshtools.worker", address, str(batch)]
        worker = subprocess.Popen(command, stdout=log, stderr=log, env=os.environ | FOR_LIBRARIES, preexec_fn=die_with_parent)
        try:
            while not Path(address).exists() and worker.poll() is None:
                time.sleep(0.01)
            yield address
        finally:
            worker.terminate()
            try:
                worker.wait(LONGEST_END_S)
            except subprocess.TimeoutExpired:
                worker.kill()
                worker.wait()
            log.close()
