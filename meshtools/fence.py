"""The fence around one job's process: how much memory and time it may take, and the sentence that is recorded when it takes more.

Memory is watched, never limited: libraries reserve far more address space than they use. A job is stopped for its memory only while the
machine itself runs short.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from meshtools.machine_memory import MachineMemory, machine_memory, process_tree, resident_mb

LIMITS_FILE = ".snakemake/bonewright/limits.json"
RESERVE_MB = 1024  # what is left to the machine: for its other programs, our own small processes and the kernel
LEAST_STOPPED_MB = 1024  # a job that holds less is never stopped for its memory
WATCH_S = 0.25
BASE_WALL_S = 30 * 60
WALL_S_PER_MILLION_FACES = 10 * 60
TRY_AGAIN = 75  # exit code of a job that wrote nothing, because an input changed meanwhile or the machine failed
PARENT = "BONEWRIGHT_PARENT"  # names the process that started a job's own, in its environment
STOPPED = 76  # a worker's answer where the fence ended the job; a sentence follows
WHAT_TO_DO = "Export the scan with fewer triangles, lower `most_faces` in config.yaml or give the machine more memory, then build again."


class Limits(NamedTuple):
    """What one job is expected to take at most: memory in MB of 2**20 bytes, and seconds from its start."""

    memory_mb: int = 1024
    wall_s: float = BASE_WALL_S


def wall_s(n_faces: int) -> float:
    """Seconds after which a job on so many faces is taken to hang. Our own figures, generous on purpose."""
    return BASE_WALL_S + WALL_S_PER_MILLION_FACES * n_faces / 1e6


def job_log(stage: str, name: str) -> str:
    """Path inside the batch of what a job's process said."""
    return f"logs/{stage}-{name.replace('/', '-')}.log"


def read_limits(batch: Path, stage: str, name: str) -> Limits:
    """The limits that were laid down for a job with its job file; the usual ones where there are none."""
    try:
        status = (batch / LIMITS_FILE).stat()
        row = _limits_rows(batch / LIMITS_FILE, status.st_mtime_ns, status.st_ino)[stage][name]
        return Limits(int(row["memory_mb"]), float(row["wall_s"]))
    except (OSError, ValueError, KeyError, TypeError):
        return Limits()


@lru_cache(maxsize=1)
def _limits_rows(path: Path, mtime_ns: int, inode: int) -> dict[str, dict[str, dict[str, float]]]:
    """The limits of all jobs, read once as long as their file stays the same."""
    return dict(json.loads(path.read_bytes()))


def memory_limit_mb(machine: MachineMemory) -> int:
    """What all jobs at work may take together, so that the reserve is left."""
    return max(machine.available_mb - RESERVE_MB, 1)


def refusal(stage: str, name: str, limits: Limits, machine: Callable[[], MachineMemory] = machine_memory) -> str:
    """Why a scan is not even begun on this machine, empty where it may be. Jobs after the cleaning are watched and not refused: how much
    cleaning leaves of a scan is not known before."""
    if stage != "clean" or limits.memory_mb <= (total_mb := machine().total_mb):
        return ""
    return (
        f"{name}: cleaning its scan takes about {limits.memory_mb} MB of memory and this machine has {total_mb} MB, so it was not begun. "
        f"{WHAT_TO_DO}"
    )


class Watch:
    """Watches the process of one job and its children."""

    def __init__(self, pid: int, job: tuple[str, str], limits: Limits, reserve_mb: int = RESERVE_MB, least_mb: int = LEAST_STOPPED_MB) -> None:
        self._pid, self._limits, self._reserve_mb, self._least_mb = pid, limits, reserve_mb, least_mb
        self._stage, self._name = job
        self._start_s = self._looked_s = time.monotonic()  # most jobs of a batch of small bones end before the first look

    def broken(self, machine: Callable[[], MachineMemory] = machine_memory) -> str:
        """Look at the job, a few times a second at most. The sentence that says why it has to be stopped, empty where it may go on."""
        now_s = time.monotonic()
        if now_s - self._looked_s < WATCH_S:
            return ""
        self._looked_s = now_s
        if now_s - self._start_s > self._limits.wall_s:
            return (
                f"{self._name}: the {self._stage} job had not ended after {self._limits.wall_s / 60:.3g} minutes, far longer than such a scan takes, "
                "and was stopped. Look at the scan, export it with fewer triangles, or build again."
            )
        memory = machine()
        if memory.available_mb >= self._reserve_mb:
            return ""
        held_mb = resident_mb(process_tree(self._pid))
        allowed_mb = max(self._least_mb, min(2 * self._limits.memory_mb, memory.total_mb - self._reserve_mb))
        if held_mb <= allowed_mb:
            return ""
        return (
            f"{self._name}: the {self._stage} job held {held_mb} MB of memory, more than the {self._limits.memory_mb} MB expected of it, while the "
            f"machine had {memory.available_mb} MB left, and was stopped. {WHAT_TO_DO}"
        )

    def stop(self) -> None:
        """End the job's process and all its children at once."""
        for pid in process_tree(self._pid):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
