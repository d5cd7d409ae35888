"""Run one job as Snakemake asks for it, fenced off: native code that crashes ends as a failed record of that bone.

Usage: python -m meshtools.run_job STAGE NAME KEY, in the batch's folder. Imports almost nothing, so that a job which goes to the
warm worker costs little. Exit 0: a record was written. Exit 75: nothing was written, build again.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

from meshtools.fence import STOPPED, TRY_AGAIN, Limits, Watch, job_log, read_limits, refusal
from meshtools.machine_memory import machine_memory

Job = tuple[str, str, str]  # stage, name, key
SINGLE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def main(arguments: list[str]) -> int:
    """Send the job to the worker if there is one, else run it in a child process of our own."""
    stage, name, key = arguments
    worker = os.environ.get("BONEWRIGHT_WORKER")
    limits = read_limits(Path(), stage, name)
    code, sentence = STOPPED, refusal(stage, name, limits, machine_memory())
    if not sentence:
        code, sentence = _ask_worker(worker, (stage, name, key), limits) if worker else _run_child((stage, name, key), limits)
    if code in (0, TRY_AGAIN):
        return code
    if not main_is_alive():
        return TRY_AGAIN
    from meshtools.jobs.run import write_crash_record

    write_crash_record(Path(), (stage, name, key), code, sentence)
    return 0


def main_is_alive() -> bool:
    """False once the snakemake process that all jobs belong to is gone."""
    main_pid = os.environ.get("BONEWRIGHT_MAIN_PID")
    if main_pid is None:
        return True
    try:
        state = Path(f"/proc/{main_pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in ("Z", "X")  # dead, though nobody has taken note yet


def _ask_worker(address: str, job: Job, limits: Limits) -> tuple[int, str]:
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(address)
        except OSError:  # a worker that never came up; one that was killed takes this process with it
            return _run_child(job, limits) if main_is_alive() else (TRY_AGAIN, "")
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
        child = subprocess.Popen(command, stdout=stream, stderr=stream, env=os.environ | SINGLE_THREAD)
        return watched_end(child, Watch(child.pid, (stage, name), limits))


def watched_end(child: subprocess.Popen[bytes], watch: Watch) -> tuple[int, str]:
    """Wait until a job's process ends or has to be ended. Returns its code, 128 + n for signal n, and the fence's sentence or an empty one."""
    while child.poll() is None:
        if not main_is_alive():
            child.kill()
            return TRY_AGAIN, ""
        sentence = watch.broken()
        if sentence:
            watch.stop()
            child.wait()
            return STOPPED, sentence
        time.sleep(0.02)
    return child.returncode if child.returncode >= 0 else 128 - child.returncode, ""


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
