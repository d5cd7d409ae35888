"""What each job of a batch is expected to take at most, in memory and time, from the headers of the scans behind it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from meshtools.fence import Limits, wall_s
from meshtools.files.scan_blocks import blocks_of
from meshtools.files.scan_size import ScanSize, estimated_peak_mb, scan_size
from meshtools.keys import ContentHashes
from meshtools.worklist import Job

NOTHING = ScanSize(0, 0, False)


def job_limits(jobs: Mapping[str, Mapping[str, Job]], hashes: ContentHashes) -> dict[str, dict[str, Limits]]:
    """Limits of every job by stage and name. Depends on scans and settings alone, never on the machine, and is part of no key.

    A job is taken to hold all that its finds hold while they are cleaned: more than it does, since cleaning decimates, but known before.
    """
    of_find = {name: _size_held(job, hashes) for name, job in jobs["clean"].items()}
    return {stage: {name: _limits([of_find[find] for find in _finds(jobs, stage, name)]) for name in items} for stage, items in jobs.items()}


def _finds(jobs: Mapping[str, Mapping[str, Job]], stage: str, name: str) -> list[str]:
    if stage == "clean":
        return [name]
    job = jobs[stage][name]
    finds = set(job.get("clean_keys", ()))
    if "rebuild_key" in job:  # a route or a page works on the replica of its own element
        finds |= set(jobs["rebuild"][name]["clean_keys"])
    for slug in job.get("rebuild_keys", ()):
        finds |= set(jobs["rebuild"][f"{name.split('/')[0]}/{slug}"]["clean_keys"])
    return sorted(finds)


def _limits(sizes: list[ScanSize]) -> Limits:
    base_mb = estimated_peak_mb(NOTHING)
    memory_mb = base_mb + sum(estimated_peak_mb(size) - base_mb for size in sizes)
    return Limits(memory_mb, wall_s(sum(size.n_faces for size in sizes)))


def _size_held(job: Job, hashes: ContentHashes) -> ScanSize:
    """The size of a scan as it is held: as the file has it, or reduced where it is read in blocks."""
    row = hashes.measured(job["scan"], _measured)
    if row is None:
        return NOTHING
    n_faces, n_vertices, has_colour, is_in_blocks = row
    most = int(job["settings"]["most_faces"])
    if is_in_blocks and n_faces > most:  # 4 bytes of each vertex's cell number are held beside it
        n_faces, n_vertices = most, 3 * most + n_vertices // 15
    return ScanSize(n_faces, n_vertices, bool(has_colour))


def _measured(path: Path) -> list[int]:
    size = scan_size(path)
    return [size.n_faces, size.n_vertices, int(size.has_colour), int(blocks_of(path) is not None)]


def limits_rows(limits: Mapping[str, Mapping[str, Limits]]) -> dict[str, Any]:
    """The limits as plain rows for the jobs to read."""
    return {stage: dict(_rows(items)) for stage, items in limits.items()}


def _rows(items: Mapping[str, Limits]) -> Iterator[tuple[str, dict[str, float]]]:
    for name, limits in items.items():
        yield name, {"memory_mb": limits.memory_mb, "wall_s": limits.wall_s}
