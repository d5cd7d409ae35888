"""What `bonewright verify` looks for: that every result is the one that was made, and that it is what its record says.

Nothing here is taken from the code that made the results: files are read by readers of their own (files/verify_*.py), and how far a
replica lies from its raw scans is measured by a second engine on samples of its own (files/second_distance.py).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.counted import counted
from meshtools.errors import ScanError
from meshtools.files.delivered_surface import DAMAGE, DeliveredSurface, read_delivered
from meshtools.files.read_scan import read_scan_of
from meshtools.files.second_distance import ROUNDING_SHARE, distances_mm, sample_points
from meshtools.jobs.ready_files import check_written_route
from meshtools.jobs.rebuild import check_written
from meshtools.jobs.record import read_record
from meshtools.keys import hash_file
from meshtools.links import leads_out
from meshtools.model import FloatArray
from meshtools.record_places import record_path
from meshtools.settings_ready import ROUTES
from meshtools.workspace import PLAN, Workspace

FIGURES = ("facts", "files", "sources", "status", "findings")


@dataclass(frozen=True)
class Verification:
    """Number of files read again, a sentence for each problem, and one for each result that is of an earlier state of the batch: no damage, but its
    files were not read."""

    n_files: int
    problems: tuple[str, ...]
    waiting: tuple[str, ...]


def verify_results(workspace: Workspace) -> Verification:
    """Read every result of the batch again and hold it against its record, the record against the index, the plan against the tables."""
    problems: list[str] = []
    waiting: list[str] = []
    n_files = 0
    for stage, jobs in workspace.worklist.jobs.items():
        for name, job in jobs.items():
            record = read_record(workspace.folder / record_path(stage, name))
            if record is None:
                problems.append(f"{stage} {name}: there is no record that can be read. Build first.")
                continue
            if record["key"] != job["key"]:
                waiting.append(f"{stage} {name}: something changed since it was built, so its files were not read. Build first.")
                continue
            if any(key not in record for key in FIGURES):
                problems.append(f"{record_path(stage, name)}: the record lacks some of its parts. Delete it and build again.")
                continue
            n_files += len(record["files"])
            altered = list(_altered_files(workspace.folder, record))
            problems += altered
            if stage == "rebuild" and record["status"] != "failed":
                problems += _delivery_problems(workspace, name, record, is_intact=not altered)
            if stage in ROUTES and not altered:
                problems += _route_problems(workspace.folder, stage, name, record)
    problems += _altered_records(workspace)
    if not workspace.is_plan_written():
        problems.append(f"{PLAN}: it is not the plan of the tables as they are. Run `bonewright plan`.")
    return Verification(n_files, tuple(problems), tuple(waiting))


def _altered_files(batch: Path, record: Mapping[str, Any]) -> Iterator[str]:
    for entry in record["files"]:
        path = batch / entry["path"]
        if not path.is_file():
            yield f"{entry['path']}: the file is missing. Build again."
        elif hash_file(path) != entry["sha256"]:
            yield f"{entry['path']}: the file is not the one that was made. Build again."


def _altered_records(workspace: Workspace) -> Iterator[str]:
    """Records whose bytes are not those that the index saw. One that is missing has been told of."""
    index = read_record(workspace.folder / record_path("index", "index"))
    if index is None or index["key"] != workspace.worklist.key("index", "index"):
        return
    seen = index.get("facts", {}).get("records")
    if seen is None:
        yield f"{record_path('index', 'index')}: the index was not made. Build again."
        return
    for stage, jobs in workspace.worklist.jobs.items():
        for path in (record_path(stage, name) for name in jobs if stage != "index"):
            if (workspace.folder / path).is_file() and hash_file(workspace.folder / path) != seen.get(path):
                yield f"{path}: the record was altered after the index was made. Delete it and build again."


def _delivery_problems(workspace: Workspace, name: str, record: Mapping[str, Any], is_intact: bool) -> list[str]:
    """What is wrong with the deliveries of one part, each sentence with the part's name. Only files as they were made are measured again."""
    try:
        problems = [finding.message for finding in check_written(workspace.folder, record)]
        problems += _strays(workspace, name, record) if is_intact and not problems else []
    except ScanError as error:
        problems = [str(error)]
    except (LookupError, TypeError, ValueError):
        return [f"{record_path('rebuild', name)}: the record, or one that it builds on, lacks figures. Delete it and build again."]
    return [f"{name}: {problem}" for problem in problems]


def _route_problems(batch: Path, route: str, name: str, record: Mapping[str, Any]) -> list[str]:
    """What is wrong with the files of a route, each sentence with the part's name."""
    try:
        return [f"{name}, {route}: {finding.message}" for finding in check_written_route(batch, record)]
    except (LookupError, TypeError, ValueError):
        return [f"{record_path(route, name)}: the record lacks figures. Delete it and build again."]


def _strays(workspace: Workspace, name: str, record: Mapping[str, Any]) -> Iterator[str]:
    """Measure again how far skin that stands for the scan lies from the raw scans, and these from the replica: no farther than the page says."""
    page = read_record(workspace.folder / record_path("report", name))
    stated = (page or {"facts": {}})["facts"].get("deviation")
    if not stated:
        return
    replica = read_delivered((workspace.folder / f"results/{name}/replica.ply").read_bytes(), ".ply")
    scan = _scan_in_place(workspace, name, record)
    size_mm = float(np.ptp(np.concatenate([scan.vertices, replica.vertices]), axis=0).max())
    skin = replica.faces[_stands_for_scan(replica, record)]
    ways = {"replica_to_scan": (skin, replica, scan), "scan_to_replica": (scan.faces, scan, replica)}
    for way, (faces, points_of, other) in ways.items():
        if not stated.get(way) or not len(faces):
            continue
        points = sample_points(points_of.vertices, faces, zlib.crc32(name.encode()))
        farthest_mm = float(distances_mm(points, other.vertices, other.faces).max())
        limit_mm = float(stated[way]["max_bound_mm"]) + ROUNDING_SHARE * size_mm
        if not farthest_mm <= limit_mm:
            words = {"replica_to_scan": "the replica lies", "scan_to_replica": "the raw scan lies"}[way]
            other_words = {"replica_to_scan": "the raw scan", "scan_to_replica": "the replica"}[way]
            yield (
                f"replica.ply: {words} up to {farthest_mm:.4f} mm from {other_words} (measured again at {counted(len(points), 'point')}), "
                f"but its page says at most {limit_mm:.4f} mm; do not use it, build again."
            )


def _stands_for_scan(replica: DeliveredSurface, record: Mapping[str, Any]) -> NDArray[np.bool_]:
    follows = np.array([row["origin"] == "scanned" and row["class"] != "OWN-C" for row in record["sources"]], dtype=bool)
    return np.asarray(follows[replica.source]) if replica.source is not None else np.zeros(len(replica.faces), dtype=bool)


def _scan_in_place(workspace: Workspace, name: str, record: Mapping[str, Any]) -> DeliveredSurface:
    """The raw scans of a part where its recipe puts them, mm."""
    job = workspace.worklist.jobs["report"][name]
    composition = record["facts"]["composition"]
    poses = dict(zip(composition["finds"], composition["poses"], strict=True)) if composition else {job["recipe"]["finds"][0]: np.eye(4)}
    vertices, faces, n_vertices = [], [], 0
    for find, (path, _) in sorted(job["scans"].items()):
        if find not in poses:  # a counterpart does not lie where its scan lies
            continue
        clean = read_record(workspace.folder / record_path("clean", find)) or {"facts": {}}
        points, corners = _read_raw(workspace.folder, path, clean["facts"])
        pose = np.array(poses[find], dtype=np.float64).reshape(4, 4)
        points = (points * float(clean["facts"]["mm_per_unit"])) @ pose[:3, :3].T + pose[:3, 3]
        sides = np.array([-1.0 if job["recipe"]["reflect"] else 1.0, 1.0, 1.0])
        vertices.append(points * sides * float(job["recipe"]["factor"]))
        faces.append(corners[np.isfinite(points[corners]).all(axis=(1, 2))] + n_vertices)
        n_vertices += len(points)
    placed = np.nan_to_num(np.concatenate(vertices), nan=0.0, posinf=0.0, neginf=0.0)
    used, numbers = np.unique(np.concatenate(faces), return_inverse=True)
    return DeliveredSurface(placed[used], numbers.reshape(-1, 3).astype(np.int64))


def _read_raw(batch: Path, scan: str, facts: Mapping[str, Any]) -> tuple[FloatArray, NDArray[np.int64]]:
    """Vertices in the unit of the file and faces: by a general library where it finds as many faces, else, and where the scan was too large
    to be read as a whole, by the package's own reader, which refuses a link that leads out of the batch."""
    path = batch / scan
    if path.suffix.lower() in (".stl", ".ply") and not facts.get("reduction") and not leads_out(batch, path):
        import trimesh

        try:
            loaded = trimesh.load(path, force="mesh", process=False)
        except DAMAGE:
            loaded = None
        if loaded is not None and len(getattr(loaded, "faces", ())) == facts.get("n_faces_raw"):
            return np.asarray(loaded.vertices, dtype=np.float64), np.asarray(loaded.faces, dtype=np.int64)
    try:
        raw = read_scan_of(batch, scan, facts.get("most_faces"))
    except ScanError as error:
        raise ScanError(f"{error} Its replica cannot be held against it.") from error
    return np.asarray(raw.vertices, dtype=np.float64), np.asarray(raw.faces, dtype=np.int64)
