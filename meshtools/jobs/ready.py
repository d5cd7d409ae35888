"""What the jobs of all routes do: read the replica, or the bored one, run the stage, write the files and the sheet, read all back."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.files.mesh_ply import read_replica_ply
from meshtools.jobs.bone_status import bone_status
from meshtools.jobs.fixings import drawings_of
from meshtools.jobs.ready_drawn import Drawn, read_drawn
from meshtools.jobs.ready_files import ROUTE_FILES, write_drawn, write_route
from meshtools.jobs.record import StaleInputError, failed_record, read_record, write_results
from meshtools.keys import hash_file
from meshtools.model import Finding, FloatArray, Mesh, SourceEntry
from meshtools.model_ready import Made, Part
from meshtools.plain import from_plain
from meshtools.record_places import record_path

ASKED_ONLY = ("wall-asked-thin",)  # a remark on what was asked for, no reason why a hole could not be cut
Make = Callable[[Part, Any], Made]


def run_route(batch: Path, job: Mapping[str, Any], make: Make, settings: type) -> None:
    """Make one route of one element, or only its sheet and archive where nothing but the status of the bone has changed. What cannot be made ends
    in a failed record of this route alone."""
    record_path = f"results/{job['name']}/{job['stage']}/record.json"
    status = {"bone_status": bone_status(batch, job)}
    drawn = read_drawn((batch / record_path).parent, job["made_key"])
    if drawn is not None and _is_written(batch, record_path, drawn, {**job, **status}):
        return
    try:
        part, about = _part(batch, job)
        made = make(part, from_plain(settings, job["settings"]))
        made = replace(made, findings=(*about.pop("armature_findings", ()), *made.findings))
    except GeometryError as error:
        record = failed_record(job["stage"], job["key"], "not-made", str(error), _bare_facts(job))
        write_results(batch, record_path, record, {}, ROUTE_FILES)
        return
    write_route(batch, record_path, job["key"], (part, made), {**job, **about, **status})


def _is_written(batch: Path, record_path: str, drawn: Drawn, about: Mapping[str, Any]) -> bool:
    """Write what was kept under a new sheet. False where reading it back found a file wrong."""
    record = write_drawn(batch, record_path, about["key"], drawn, about)
    return len(record.findings) == len(drawn.findings)


def _bare_facts(job: Mapping[str, Any]) -> dict[str, Any]:
    return {key: job[key] for key in ("route", "machine", "part_id", "revision", "target", "element", "evidence")}


def _part(batch: Path, job: Mapping[str, Any]) -> tuple[Part, dict[str, Any]]:
    """The part to make and what its record says of its evidence. GeometryError where there is none, StaleInputError where it changed."""
    replica = _record(batch, f"results/{job['name']}/record.json", job["rebuild_key"])
    if replica["status"] == "failed":
        raise GeometryError("there is no replica; its page says why.")
    if not replica["facts"].get("deliverable"):
        raise GeometryError("the replica is open, and only a closed one can be made; decide on its holes (openings.csv) first.")
    path, record, unbored = f"results/{job['name']}/replica.ply", replica, None
    if job.get("armature_key"):
        record = _record(batch, f"results/{job['name']}/armature/record.json", job["armature_key"])
        path = f"results/{job['name']}/armature/bored.ply"
        if record["status"] == "failed" or path not in {entry["path"] for entry in record["files"]}:
            reasons = [row["message"] for row in record["findings"] if row["code"] not in ASKED_ONLY and row["severity"] != "note"]
            raise GeometryError(f"its armature asks for holes that could not be made. {' '.join(reasons)}".rstrip())
        unbored = _surface(batch, f"results/{job['name']}/replica.ply", replica)
    mesh = _surface(batch, path, record)
    sources = tuple(from_plain(SourceEntry, row) for row in record["sources"])
    known = {"n_joints": len(job.get("joint_keys", ()))}
    part = Part(job["part_id"], str(job["revision"]), mesh, sources, _keep_off(batch, record["facts"], job), known, unbored)
    shares = replica["facts"].get("evidence_share", {})
    return part, {"evidence_share": shares, "uses": Path(path).name, "evidence_words": ""} | _armature(batch, record, job)


def _armature(batch: Path, record: Mapping[str, Any], job: Mapping[str, Any]) -> dict[str, Any]:
    """What goes along with a bored part: its drill templates, and its table of holes as it stands beside the bored surface."""
    if not job.get("armature_key"):
        return {}
    tables = {Path(entry["path"]).name: entry for entry in record["files"] if entry["path"].endswith(".csv")}
    contents = {name: (batch / entry["path"]).read_bytes() for name, entry in tables.items()}
    for name, entry in tables.items():
        if hashlib.sha256(contents[name]).hexdigest() != entry["sha256"]:
            raise StaleInputError(f"{entry['path']}: the file was altered after it was made. Build again.")
    findings = tuple(from_plain(Finding, row) for row in record["findings"])
    holes = {key: record["facts"].get(key) for key in ("holes", "datum", "frames")}
    return {"templates": drawings_of(record), "enclosed": contents, "armature_findings": findings, "armature": holes}


def _record(batch: Path, path: str, key: str) -> dict[str, Any]:
    record = read_record(batch / path)
    if record is None or record["key"] != key:
        raise StaleInputError(f"{path}: the record is not the planned one. Build again.")
    return record


def _surface(batch: Path, path: str, record: Mapping[str, Any]) -> Mesh:
    """A surface that a record lists. StaleInputError where it is not the one that was written."""
    if hash_file(batch / path) != {entry["path"]: entry["sha256"] for entry in record["files"]}[path]:
        raise StaleInputError(f"{path}: the file was altered after it was made. Build again.")
    return read_replica_ply(batch / path)


def _keep_off(batch: Path, facts: Mapping[str, Any], job: Mapping[str, Any]) -> FloatArray:
    """Points (n, 3) that cuts, bridges and gates stay away from: both ends of every hole of the armature, and the middle of every joint surface
    that a frame of poses.csv shows."""
    points = [hole["points_mm"][place] for hole in facts.get("holes", ()) for place in (0, -1)]
    for joint, key in sorted(job.get("joint_keys", {}).items()):
        row = _record(batch, record_path("joint", joint), key)["facts"]
        place = row.get("place_a" if joint.split("/")[-1].startswith(f"{job['element']}__") else "place_b")
        if row.get("centre_mm") and place:
            frame_from_replica = np.array(place, dtype=np.float64).reshape(4, 4)
            points.append(np.linalg.solve(frame_from_replica, np.array([*row["centre_mm"], 1.0]))[:3].tolist())
    return np.array(points, dtype=np.float64).reshape(-1, 3)
