"""The fit job: the replicas of one target that meet in a joint and come from different sources, held against single individuals."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.files.mesh_ply import read_replica_ply
from meshtools.geometry.end_widths import EndWidths, end_widths
from meshtools.jobs.record import JobFiles, StaleInputError, read_record, write_results
from meshtools.jobs.siding import clean_surface
from meshtools.keys import hash_file
from meshtools.model import Finding, Record, status_of
from meshtools.plain import from_plain
from meshtools.settings import FitSettings
from meshtools.stages.fit import GAP_NOTE, check_fit

FILES = JobFiles(())


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Measure the joints of one target. A replica that was not made leaves its joints unmeasured."""
    replicas = {slug: _replica_widths(batch, f"{job['name']}/{slug}", key) for slug, key in sorted(job["rebuild_keys"].items())}
    cleaned: dict[str, EndWidths] = {}
    for find, key in sorted(job["clean_keys"].items()):
        surface = clean_surface(batch, find, key)
        if surface is not None:
            cleaned[find] = end_widths(surface)
    settings, rows, findings = from_plain(FitSettings, job["settings"]), [], list[Finding]()
    for joint in job["joints"]:
        pairs = [(a, b) for a, b in joint["references"] if a in cleaned and b in cleaned]
        references = {f"{a} with {b}": (cleaned[a], cleaned[b]) for a, b in pairs}
        row, found = check_fit((joint["a"], joint["b"]), (replicas[joint["a"]], replicas[joint["b"]]), references, settings)
        rows.append(row)
        findings += found
    record = Record("fit", job["key"], status_of(tuple(findings)), {"rows": rows, "gap": GAP_NOTE}, tuple(findings), (), ())
    write_results(batch, f"results/{job['name']}/fit.json", record, {}, FILES)


def _replica_widths(batch: Path, name: str, key: str) -> EndWidths | None:
    record = read_record(batch / f"results/{name}/record.json")
    if record is None or record["key"] != key:
        raise StaleInputError(f"results/{name}: the replica is not the planned one. Build again.")
    path = f"results/{name}/replica.ply"
    files = {entry["path"]: entry["sha256"] for entry in record["files"]}
    if record["status"] == "failed" or path not in files:
        return None
    if hash_file(batch / path) != files[path]:
        raise StaleInputError(f"{path}: the file was altered after it was made. Build again.")
    return end_widths(read_replica_ply(batch / path))
