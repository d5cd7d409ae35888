"""Where the record of each job lies in a batch, and the plain dicts that the jobs run on."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

JOBS_FILE = ".snakemake/bonewright/jobs.txt"
_LINE = json.JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False)
RECORD_PATHS = {
    "clean": "results/finds/{name}/record.json",
    "siding": "results/finds/{name}/siding.json",
    "rebuild": "results/{name}/record.json",
    "print": "results/{name}/print/record.json",
    "cnc": "results/{name}/cnc/record.json",
    "mould": "results/{name}/mould/record.json",
    "report": "results/{name}/report.json",
    "joint": "results/{name}/joint.json",
    "fit": "results/{name}/fit.json",
    "row": "results/{name}/row.json",
    "fixings": "results/{name}/armature/record.json",
    "index": "results/index.json",
}


def record_path(stage: str, name: str) -> str:
    """Path of a job's record inside the batch."""
    return RECORD_PATHS[stage].format(name=name)


def job_lines(jobs: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> bytes:
    """The plain dicts of all jobs as they are laid down, one a line behind its stage and name: one file, because a file of its own costs as much as
    all that a small job reads."""
    lines = (f"{stage} {name} {_LINE.encode(job)}\n" for stage, named in jobs.items() for name, job in named.items())
    return "".join(lines).encode()


def laid_down_job(batch: Path, stage: str, name: str) -> dict[str, Any] | None:
    """The plain dict of a job as it was laid down last; None where there is none that can be read."""
    path = batch / JOBS_FILE
    try:
        status = path.stat()
        job = json.loads(_lines_of(path, status.st_mtime_ns, status.st_ino, status.st_size)[f"{stage} {name}".encode()])
    except (FileNotFoundError, NotADirectoryError, KeyError, ValueError):
        return None
    return job if isinstance(job, dict) else None


@lru_cache(maxsize=1)
def _lines_of(path: Path, mtime_ns: int, inode: int, size: int) -> dict[bytes, bytes]:
    """Stage and name -> JSON, read once as long as the file stays the same."""
    words = (line.split(b" ", 2) for line in path.read_bytes().split(b"\n"))
    return {stage + b" " + name: job for stage, name, job in (row for row in words if len(row) == 3)}
