"""Run one job as Snakemake asks for it, fenced off: native code that crashes ends as a failed record of that bone.

Snakemake calls this in a thread of its own process, which asks the warm worker and waits: a process that did only that would cost more than
some jobs do.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path

from meshtools.fence import PARENT, STOPPED, TRY_AGAIN, Limits, Watch, job_log, refusal
from meshtools.machine_memory import machine_memory

Job = tuple[str, str, str]  # stage, name, key
FOR_LIBRARIES = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "MALLOC_ARENA_MAX"), "1") | {
    "MALLOC_MMAP_THRESHOLD_": str(32 << 20),
    "MALLOC_TRIM_THRESHOLD_": str(256 << 20),
}
"""Set in every process that works: no threads of the libraries' own, and one heap for all threads of ours, or what one of them gives back is
of no use to the others (a seventh more memory, and slower; glibc). The heap keeps what is given back up to 256 MiB, for the next array: to have
it from the system each time costs half of all the time that a large scan spends there, and saves no memory at the peak."""


def run_fenced(jobs: Sequence[tuple[Job, Limits]], cores: int) -> Iterator[int]:
    """Send jobs to the worker if there is one, to be done after each other by one process; else run the first in a child process of our own. All
    in the batch's folder, which is this process's. `cores`: how many a job may keep busy.

    Yields 0 for a job that has ended and was recorded, 75 where nothing was recorded: build again. Where it ends before the last of the jobs, the
    others are to be asked for again, those that may still begin.
    """
    machine = cache(machine_memory)  # one look for all jobs
    refused = [refusal(job[0], job[1], limits, machine) for job, limits in jobs]
    job, limits = jobs[0]
    worker = os.environ.get("BONEWRIGHT_WORKER")
    if refused[0]:
        ends: Iterable[tuple[int, str]] = [(STOPPED, refused[0])]
    elif worker:
        ends = _ask_worker(worker, jobs[: next((place for place, sentence in enumerate(refused) if sentence), None)], cores)
    else:
        ends = [_run_child(job, limits)]
    for (job, _), (code, sentence) in zip(jobs, ends, strict=False):
        if code not in (0, TRY_AGAIN):
            from meshtools.jobs.run import write_crash_record  # with all that writes records, which is needed only here

            write_crash_record(Path(), job, code, sentence)
        yield TRY_AGAIN if code == TRY_AGAIN else 0


def _ask_worker(address: str, jobs: Sequence[tuple[Job, Limits]], cores: int) -> Iterator[tuple[int, str]]:
    """Codes of jobs as they end, up to the first that is not 0, and the sentence of the fence with that."""
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(address)
        except OSError:  # a worker that never came up, or that was killed
            yield _run_child(*jobs[0])
            return
        n_done = 0
        try:
            connection.sendall(f"{cores} {' '.join(word for job, _ in jobs for word in job)}\n".encode())
            while answer := connection.recv(4096):
                last = answer.lstrip(b"\0")
                n_done += len(answer) - len(last)
                yield from [(0, "")] * (len(answer) - len(last))
                if last:
                    while part := connection.recv(4096):
                        last += part
                    yield last[0], last[1:].decode()
                    return
        except OSError:
            yield TRY_AGAIN, ""
            return
        if not n_done:
            yield TRY_AGAIN, ""


def _run_child(job: Job, limits: Limits) -> tuple[int, str]:
    stage, name, _ = job
    log = Path(job_log(stage, name))
    log.parent.mkdir(parents=True, exist_ok=True)
    log.unlink(missing_ok=True)  # never written through a link
    with log.open("xb") as stream:
        command = [sys.executable, "-P", "-m", "meshtools.jobs.run", *job]
        child = subprocess.Popen(command, stdout=stream, stderr=stream, env=os.environ | FOR_LIBRARIES | {PARENT: str(os.getpid())})
        return watched_end(child, Watch(child.pid, (stage, name), limits))


def watched_end(child: subprocess.Popen[bytes], watch: Watch) -> tuple[int, str]:
    """Wait until a job's process ends or has to be ended. Returns its code, 128 + n for signal n, and the fence's sentence or an empty one."""
    while child.poll() is None:
        sentence = watch.broken()
        if sentence:
            watch.stop()
            child.wait()
            return STOPPED, sentence
        time.sleep(0.02)
    return child.returncode if child.returncode >= 0 else 128 - child.returncode, ""

