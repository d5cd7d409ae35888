"""What the Snakefile asks. Only this module and those which start Snakemake (`start_build.py`, `light_snakemake.py`) know it. It loads little."""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

from meshtools.errors import BonewrightError, UsageError
from meshtools.fence import Limits, job_log, memory_limit_mb
from meshtools.geometry.threads import n_threads
from meshtools.lots import Jobs, Lot, Name, jobs_before, plain_lots
from meshtools.machine_memory import machine_memory
from meshtools.record_places import record_path
from meshtools.run_job import FOR_LIBRARIES, run_fenced
from meshtools.visible import visible

ASKING = {
    "--dry-run", "--dryrun", "--summary", "-S", "--detailed-summary", "-D", "--dag", "--rulegraph", "--filegraph", "--d3dag", "--lint",
    "--list-rules", "--list", "-l", "--list-target-rules", "--lt", "--touch", "-t", "--unlock",
}  # fmt: skip
PLANNED = "BONEWRIGHT_PLANNED"  # names the file of jobs and limits, in the environment of the snakemake that `build` starts
LONGEST_FLAT_NAME = 96  # characters of a path whose name in snakemake's memory fits any file system
LOTS = ".snakemake/bonewright/lots"


class CutShortError(BonewrightError):
    """A job wrote no record, because an input changed meanwhile or the machine failed; the next build runs it again."""


def _cut_short(stage: str, name: str) -> CutShortError:
    return CutShortError(f"{stage} {name}: nothing was recorded; see {job_log(stage, name)}. Build again.")


def _tell(error: BonewrightError) -> None:
    """Say what ends the plain form, or one of its jobs: the profile keeps snakemake quiet, about its errors too."""
    sys.stderr.write(visible(str(error), kept="\n") + "\n")


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
        from meshtools.batch_lock import lock_batch  # what plans is not needed where `build` has planned
        from meshtools.workspace import open_workspace

        try:
            workspace = open_workspace(Path())
            if not asks_only(sys.argv[1:]) and "BONEWRIGHT_LOCK_HELD" not in os.environ:
                lock_batch(Path())
                if not workspace.plan.recipes:
                    raise UsageError(workspace.nothing_to_plan("--directory"))
                workspace.drop_stale_records()
                os.environ["BONEWRIGHT_LOCK_HELD"] = "1"  # for the processes that snakemake starts for its jobs where a profile forbids threads
        except BonewrightError as error:
            _tell(error)
            raise SystemExit(2) from error
        limits = workspace.limits()
        return cls(workspace.worklist.jobs, limits, lay_down=partial(workspace.write_job_files, limits))

    def write_job_files(self) -> None:
        """Lay down the plain dict of every job, for the jobs to read, where `build` has not done so."""
        if self._lay_down is not None:
            self._lay_down()

    def run(self, stage: str, name: str, key: str) -> None:
        """Run one job to its record, in a process of its own; called in a thread of snakemake's. CutShortError where nothing was recorded."""
        if any(run_fenced([((stage, name, key), self._limits[stage][name])], n_threads())):
            error = _cut_short(stage, name)
            if self._lay_down is not None:
                _tell(error)
            raise error

    def run_lot(self, number: int, remember: Callable[[str, str, str], None]) -> None:
        """Run the jobs of a lot after each other, those on which nothing failed before, and mark the lot as made; `remember` is told of each that
        has run (rule, path of its record, key). CutShortError where one recorded nothing."""
        failed: dict[Name, CutShortError | OSError] = {}
        waiting = list(self._lots[number])
        cores = max(1, n_threads() // len(self._lots))  # where lots keep all cores busy, threads only get in each other's way
        while waiting:
            n_done = 0
            jobs = [((stage, name, self.key(stage, name)), self._limits[stage][name]) for stage, name in waiting]
            try:
                for code in run_fenced(jobs, cores):
                    stage, name = waiting[n_done]
                    n_done += 1
                    if code:
                        failed[stage, name] = _cut_short(stage, name)
                    else:
                        remember(stage, record_path(stage, name), self.key(stage, name))
            except OSError as error:
                failed[waiting[n_done]] = error
                n_done += 1
            waiting = self._startable(waiting[n_done:], failed)
        if failed:
            raise next(iter(failed.values()))
        Path(lot_mark(number)).touch()

    def _startable(self, waiting: Sequence[Name], failed: dict[Name, CutShortError | OSError]) -> list[Name]:
        """The jobs that do not start from one that failed; the others are noted as failed for the same reason."""
        startable = []
        for stage, name in waiting:
            reason = next((failed[one] for one in jobs_before(self._jobs, stage, name) if one in failed), None) if failed else None
            if reason is None:
                startable.append((stage, name))
            else:
                failed[stage, name] = reason
        return startable

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
    what has changed since. No part of snakemake's interface: 9.27 has it, in another version nothing is known of such a job. The file is written
    here, because snakemake's own way takes six times as long."""
    try:
        from snakemake.persistence import RECORD_FORMAT_VERSION, MetadataRecord

        known = dict(MetadataRecord(record_format_version=RECORD_FORMAT_VERSION, incomplete=False).items())
        folder, place_of = persistence._metadata_path, persistence._record_path
    except (ImportError, AttributeError, TypeError):
        return lambda *_: None

    def remember(rule: str, path: str, key: str) -> None:
        content = json.dumps(known | {"rule": rule, "params": [repr(key)], "endtime": time.time()}).encode()
        with suppress(OSError):  # it is a convenience: the record stands
            place = place_of(folder, path)
            if len(path) > LONGEST_FLAT_NAME:  # snakemake lays it into folders
                os.makedirs(os.path.dirname(place), exist_ok=True)
            descriptor = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o660)
            try:
                os.write(descriptor, content)
            finally:
                os.close(descriptor)

    return remember


def asks_only(arguments: Sequence[str]) -> bool:
    """True where snakemake's arguments only ask what would be done, so that nothing may be locked or removed. (Snakemake does not know
    it yet while it reads the Snakefile.)"""
    return any(argument in ASKING or (argument.startswith("-n") and argument.isascii()) for argument in arguments)


def all_jobs(jobs: Jobs) -> list[Name]:
    """Stage and name of every job."""
    return [(stage, name) for stage, items in jobs.items() for name in items]


def lot_mark(number: int) -> str:
    """Path inside the batch of an empty file that says that a lot of this build is made; it says nothing to any other build."""
    return f"{LOTS}/{number}.made"


def read_planned(path: Path) -> tuple[Jobs, dict[str, dict[str, Limits]], list[Lot]]:
    """Jobs, limits and lots as `lay_down_plan` wrote them."""
    content = json.loads(path.read_bytes())
    limits = {stage: {name: Limits(**row) for name, row in rows.items()} for stage, rows in content["limits"].items()}
    return content["jobs"], limits, plain_lots(content["lots"])
