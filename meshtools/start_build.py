"""How `bonewright build` starts Snakemake: for which records, with which plan laid down, beside which worker."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path

from meshtools.errors import UsageError
from meshtools.fence import Limits
from meshtools.files.atomic import write_atomic
from meshtools.geometry.threads import CORES
from meshtools.glue import LOTS, PLANNED, all_jobs, lot_mark
from meshtools.job_limits import limits_rows
from meshtools.jobs.run import die_with_parent
from meshtools.lots import Jobs, Lot, looked_up_finds, make_lots
from meshtools.record_places import record_path
from meshtools.run_job import FOR_LIBRARIES
from meshtools.settings_ready import ROUTES
from meshtools.worklist import Job
from meshtools.workspace import Workspace

LONGEST_END_S = 2.0  # a worker told to end only kills its children, which takes milliseconds; one that hangs is not waited for
MOST_MEANT, LEAST_ALIKE = 3, 0.6  # names that an unknown one is held to mean, and how like each is
SNAKEFILE = Path(__file__).resolve().parent.parent / "Snakefile"


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
            raise UsageError(_unbuilt_words(workspace, wanted))
        parts |= found
    sided = {find for part in parts for find in jobs["report"][part]["siding_keys"]}
    finds = {find for part in parts for find in jobs["rebuild"][part]["clean_keys"]}
    finds |= {other for find in sided for other in jobs["siding"][find]["clean_keys"]}
    finds |= {find for part in parts for find in looked_up_finds(jobs["report"][part])}
    of_finds = [record_path("clean", find) for find in sorted(finds)] + [record_path("siding", find) for find in sorted(sided)]
    of_parts = [record_path(stage, part) for stage in ("rebuild", *ROUTES, "report") for part in sorted(parts) if part in jobs[stage]]
    return of_finds + _joint_outputs(jobs, sorted(parts)) + of_parts + _armature_outputs(jobs, sorted(parts))


def _unbuilt_words(workspace: Workspace, wanted: str) -> str:
    """Why nothing is built for this name: it is that of a gap, whose reason is told, or of no element of the batch."""
    for recipe in workspace.plan.recipes:
        if wanted in (f"{recipe.target}/{recipe.element}", recipe.element):
            told = f"'{wanted}' is a gap of this batch, for which nothing is built. {recipe.reason}"
            return f"{told} `bonewright plan` lists the gaps and what would fill them."
    meant = _nearest_words(wanted, workspace.worklist.jobs["report"])
    return f"'{wanted}' is not an element that this batch builds.{meant} `bonewright plan` lists them."


def _nearest_words(wanted: str, names: Collection[str]) -> str:
    """` Did you mean 'mount/femur-left'?`, with up to three names: those of that element come first; nothing where none is near."""
    slug = wanted.rsplit("/", 1)[-1]
    same = [name for name in sorted(names) if name.split("/", 1)[1] == slug]
    slugs = {name.split("/", 1)[1] for name in names}
    alike = get_close_matches(slug, sorted(slugs), n=MOST_MEANT, cutoff=LEAST_ALIKE)
    meant = (same or [name for near in alike for name in sorted(names) if name.split("/", 1)[1] == near])[:MOST_MEANT]
    return f" Did you mean {' or '.join(repr(name) for name in meant)}?" if meant else ""


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
    asked = set(outputs)
    missing = [one for one in all_jobs(workspace.worklist.jobs) if (path := record_path(*one)) in asked and not (batch / path).exists()]
    with warm_worker(batch, sorted({stage for stage, _ in missing})) as address, log.open("xb") as stream:
        limits = workspace.limits()
        lots = make_lots(workspace.worklist.jobs, limits, missing, cores)
        in_lots = {record_path(*one) for lot in lots for one in lot}
        targets = [*(lot_mark(number) for number in range(len(lots))), *(path for path in outputs if path not in in_lots)]
        planned = str(lay_down_plan(workspace, batch, limits, lots))
        environment = os.environ | FOR_LIBRARIES | {"BONEWRIGHT_WORKER": address, "BONEWRIGHT_LOCK_HELD": "1", PLANNED: planned}
        places = ["-s", str(SNAKEFILE), "--directory", str(batch)]
        command = [sys.executable, "-P", "-m", "meshtools.light_snakemake", *places, "--cores", str(cores), "--", *targets]
        child = subprocess.Popen(command, stdout=stream, stderr=stream, env=environment, cwd=batch, preexec_fn=die_with_parent)
        while not _has_ended(child):
            tick()
    return child.returncode


def _has_ended(child: subprocess.Popen[bytes]) -> bool:
    """Wait for the end of a process, a second at most. True where it has ended."""
    try:
        descriptor = os.pidfd_open(child.pid)
    except (AttributeError, OSError):  # a Python or a kernel without it, or no descriptor left
        time.sleep(0.1)
    else:
        select.select([descriptor], [], [], 1.0)
        os.close(descriptor)
    return child.poll() is not None


def lay_down_plan(workspace: Workspace, batch: Path, limits: Mapping[str, Mapping[str, Limits]], lots: Sequence[Lot]) -> Path:
    """Lay down the files of all jobs, and one file with all of them, their limits and lots for snakemake: planning takes as long as starting it."""
    workspace.write_job_files(limits)
    for mark in (batch / LOTS).glob("*.made"):
        mark.unlink(missing_ok=True)
    path = batch / ".snakemake" / "bonewright" / "planned.json"
    content = {"jobs": workspace.worklist.jobs, "limits": limits_rows(limits), "lots": lots}
    write_atomic(path, json.dumps(content, ensure_ascii=False, allow_nan=False).encode())
    return path


@contextmanager
def warm_worker(batch: Path, stages: Sequence[str]) -> Iterator[str]:
    """A worker process for jobs of these stages, for the time of a build. Yields the address of its socket."""
    with tempfile.TemporaryDirectory(prefix="bonewright-") as folder:
        address = str(Path(folder) / "worker")
        (batch / "logs" / "worker.log").unlink(missing_ok=True)
        log = (batch / "logs" / "worker.log").open("xb")
        command = [sys.executable, "-P", "-m", "meshtools.worker", address, str(batch), *stages]
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
