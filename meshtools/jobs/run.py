"""Start one job as it was laid down. Also the process that a job runs in when there is no warm worker."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from contextlib import suppress
from importlib import import_module
from pathlib import Path

from meshtools.errors import is_passing
from meshtools.fence import PARENT, TRY_AGAIN, job_log
from meshtools.jobs.record import StaleInputError, failed_record, write_results
from meshtools.record_places import laid_down_job, record_path

PR_SET_PDEATHSIG = 1


def run_job(batch: Path, stage: str, name: str, key: str) -> int:
    """Run one job to its record. Returns 0, or 75 where nothing was recorded because an input changed meanwhile or the machine failed."""
    job = laid_down_job(batch, stage, name)
    if job is None or job.get("key") != key:
        return TRY_AGAIN
    try:
        import_module(f"meshtools.jobs.{stage}").run(batch, job)
    except (StaleInputError, FileNotFoundError) as error:  # a file that was there when the build was planned
        sys.stderr.write(f"{error}\n")
        return TRY_AGAIN
    except OSError as error:
        if not is_passing(error):
            raise
        sys.stderr.write(f"{stage} {name}: {error.strerror}{f' ({error.filename})' if error.filename else ''}.\n")
        return TRY_AGAIN
    return 0


def write_crash_record(batch: Path, job: tuple[str, str, str], code: int, sentence: str = "") -> None:
    """Record that the process of a job (stage, name, key) ended by itself (a crash in native code, no memory) or was stopped for the reason
    that `sentence` gives, so that the other bones go on."""
    stage, name, key = job
    message = sentence or f"{name}: the {stage} job ended without a result ({_ending(code)}); see {job_log(stage, name)}. Build again, or report it."
    files = import_module(f"meshtools.jobs.{stage}").FILES
    write_results(batch, record_path(stage, name), failed_record(stage, key, "crash", message), {}, files)


def _ending(code: int) -> str:
    if code == 128 + signal.SIGKILL:
        return "it was killed, most likely because the machine's memory ran out"
    return f"signal {code - 128}" if code > 128 else f"code {code}"


def offer_to_kernel() -> None:
    """Make this process the one that the kernel ends where memory runs out, before snakemake and what else is at work on the machine (proc(5))."""
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")


def die_with_parent() -> None:
    """Ask the kernel to end this process when its parent ends, so that nobody writes after a kill (Linux)."""
    ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


if __name__ == "__main__":
    die_with_parent()
    if os.environ.get(PARENT, str(os.getppid())) != str(os.getppid()):  # it had ended before it could take this process with it
        sys.exit(TRY_AGAIN)
    offer_to_kernel()
    sys.exit(run_job(Path(), *sys.argv[1:4]))
