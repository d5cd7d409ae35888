"""The joint job: the replicas of two neighbours set into their joint, and the gap between them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.files.mesh_ply import read_replica_ply
from meshtools.geometry.posing import left_of
from meshtools.geometry.transform import apply_matrix
from meshtools.jobs.record import JobFiles, StaleInputError, read_record, write_results
from meshtools.jobs.siding import clean_surface
from meshtools.keys import hash_file
from meshtools.model import FloatArray, JointPose, Mesh, Record, status_of
from meshtools.model_pose import JointPlaces
from meshtools.plain import from_plain
from meshtools.settings import FitSettings
from meshtools.stages.joint import check_joint

FILES = JobFiles(())


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Measure one joint. A replica that was not made leaves it unmeasured."""
    target = job["name"].split("/")[0]
    one, other = (replica_surface(batch, f"{target}/{slug}", job["rebuild_keys"][slug]) for slug in (job["a"], job["b"]))
    surfaces = {find: mesh for find, key in sorted(job["clean_keys"].items()) if (mesh := clean_surface(batch, find, key)) is not None}
    places = from_plain(JointPlaces, job["places"]) if job["places"] else None
    row = from_plain(JointPose, {"row": 0} | job["row"]) if job["row"] else None
    facts, findings = check_joint(places, (one, other), surfaces, row, from_plain(FitSettings, job["settings"]), _left(job, surfaces))
    record = Record("joint", job["key"], status_of(findings), facts, findings, (), ())
    write_results(batch, f"results/{job['name']}/joint.json", record, {}, FILES)


def replica_surface(batch: Path, name: str, key: str) -> Mesh | None:
    """The replica of `target/element`, None where it was not made. StaleInputError where it is not the planned one."""
    record = read_record(batch / f"results/{name}/record.json")
    if record is None or record["key"] != key:
        raise StaleInputError(f"results/{name}: the replica is not the planned one. Build again.")
    path = f"results/{name}/replica.ply"
    files = {entry["path"]: entry["sha256"] for entry in record["files"]}
    if record["status"] == "failed" or path not in files:
        return None
    if hash_file(batch / path) != files[path]:
        raise StaleInputError(f"{path}: the file was altered after it was made. Build again.")
    return read_replica_ply(batch / path)


def _left(job: Mapping[str, Any], surfaces: Mapping[str, Mesh]) -> FloatArray | None:
    placed = {find: apply_matrix(surfaces[find], _array(matrix)) for find, matrix in job["left_poses"].items() if find in surfaces}
    return left_of([(placed[a], placed[b]) for a, b in job["left_pairs"] if a in placed and b in placed])


def _array(matrix: list[float]) -> FloatArray:
    import numpy as np

    return np.array(matrix, dtype=np.float64).reshape(4, 4)
