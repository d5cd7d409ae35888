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
from pathlib import Path

from meshtools.fence import STOPPED, TRY_AGAIN, Limits, Watch, job_log, refusal
from meshtools.jobs.run import PARENT, write_crash_record

Job = tuple[str, str, str]  # stage, name, key
FOR_LIBRARIES = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "MALLOC_ARENA_MAX"), "1")
"""Set in every process that works: no threads of the libraries' own, and one heap for all threads of ours, or what one of them gives back is
of no use to the others (a seventh more memory, and slower; glibc)."""


def run_fenced(job: Job, limits: Limits) -> int:
    """Send the job to the worker if there is one, else run it in a child process of our own; both in the batch's folder, which is this process's.

    Returns 0 where a record was written, 75 where nothing was: build again.
    """
    stage, name, _ = job
    worker = os.environ.get("BONEWRIGHT_WORKER")
    code, sentence = STOPPED, refusal(stage, name, limits)
    if not sentence:
        code, sentence = _ask_worker(worker, job, limits) if worker else _run_child(job, limits)
    if code in (0, TRY_AGAIN):
        return code
    write_crash_record(Path(), job, code, sentence)
    return 0


def _ask_worker(address: str, job: Job, limits: Limits) -> tuple[int, str]:
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(address)
        except OSError:  # a worker that never came up, or that was killed
            return _run_child(job, limits)
        answer = b""
        try:
            connection.sendall(f"{' '.join(job)}\n".encode())
            while part := connection.recv(4096):
                answer += part
        except OSError:
            return TRY_AGAIN, ""
    return (answer[0], answer[1:].decode()) if answer else (TRY_AGAIN, "")


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

