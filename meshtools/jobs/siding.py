"""The siding job: the clean surface of one find beside those of others, to see whether side and element are what its row says."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.files.mesh_ply import read_replica_ply
from meshtools.jobs.record import JobFiles, StaleInputError, read_record, write_results
from meshtools.keys import hash_file
from meshtools.model import Mesh, Record, Side, status_of
from meshtools.stages.siding import ComparedFind, Comparison, check_siding

FILES = JobFiles(())


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Compare one find with its partners. Finds whose scan could not be cleaned are left out and listed."""
    meshes = {name: clean_surface(batch, name, key) for name, key in sorted(job["clean_keys"].items())}
    finds = {name: _compared(name, job["compared"][name], mesh) for name, mesh in meshes.items() if mesh is not None}
    unusable = [name for name, mesh in meshes.items() if mesh is None]
    comparisons = _comparisons(job, finds)
    facts: dict[str, Any] = {"find": job["name"], "unusable": unusable}
    findings: tuple[Any, ...] = ()
    if job["name"] in finds and comparisons:
        rows, findings = check_siding(finds[job["name"]], comparisons, _settled(job["settled"]))
        facts |= rows
    else:
        facts["not_compared"] = "no usable surface to compare with" if job["name"] in finds else "its own scan is not usable"
    record = Record("siding", job["key"], status_of(findings), facts, findings, (), ())
    write_results(batch, f"results/finds/{job['name']}/siding.json", record, {}, FILES)


def clean_surface(batch: Path, find: str, key: str) -> Mesh | None:
    """The clean surface of a find, None where its scan could not be used. StaleInputError where it is not the planned one."""
    record = read_record(batch / f"results/finds/{find}/record.json")
    if record is None or record["key"] != key:
        raise StaleInputError(f"results/finds/{find}: the clean surface is not the planned one. Build again.")
    paths = {entry["path"]: entry["sha256"] for entry in record["files"] if entry["path"].endswith("/clean.ply")}
    if record["status"] == "failed" or not paths:
        return None
    path, sha256 = next(iter(paths.items()))
    if hash_file(batch / path) != sha256:
        raise StaleInputError(f"{path}: the file was altered after it was made. Build again.")
    return read_replica_ply(batch / path)


def _compared(name: str, row: Mapping[str, Any], mesh: Mesh) -> ComparedFind:
    return ComparedFind(name, row["element"], Side(row["side"]), row["is_whole"], mesh)


def _comparisons(job: Mapping[str, Any], finds: Mapping[str, ComparedFind]) -> list[Comparison]:
    comparisons = []
    for row in job["partners"]:
        if row["find"] in finds:
            comparisons.append(Comparison(finds[row["find"]], tuple(finds[name] for name in row["neighbours"] if name in finds)))
    return comparisons


def _settled(decision: Mapping[str, str] | None) -> str:
    return f"{decision['by']} decided on {decision['date']} that this find is used ({decision['reason']})." if decision else ""
