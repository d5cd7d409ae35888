"""The fixings job: the holes of the armature cut into one replica, their table in every frame, and their drill templates."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from meshtools.files.mesh_ply import write_replica_ply
from meshtools.jobs.joint import replica_surface
from meshtools.jobs.record import JobFiles, StaleInputError, read_record, write_results
from meshtools.model import Finding, FloatArray, Record, Severity, SourceEntry, plain, status_of
from meshtools.model_fixings import Fixing, RowStretch
from meshtools.model_ready import Drawing, Layer
from meshtools.plain import from_plain
from meshtools.settings_fixings import FixingSettings
from meshtools.stages.fixings import cut_fixings

FILES = JobFiles(("bored.ply", "holes.csv"))
COLUMNS = ("frame", "unit", "what", "name", "x", "y", "z", "axis_x", "axis_y", "axis_z", "diameter", "depth", "wall", "remarks")
DATUM_FRAME = "datum A B C"


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Cut the holes of one element. Without a replica there is nothing to cut; the record then says so."""
    name, path = job["name"], f"results/{job['name']}/armature/record.json"
    mesh = replica_surface(batch, name, job["rebuild_keys"][name.split("/")[1]])
    rebuilt = read_record(batch / f"results/{name}/record.json") or {}
    if mesh is None or not rebuilt["facts"].get("deliverable"):
        why = "was not made" if mesh is None else "is open, and only a closed replica can be bored"
        finding = Finding(Severity.REVIEW, "no-replica", f"{name} {why}, so no hole is cut into it.")
        write_results(batch, path, Record("fixings", job["key"], "review", {"holes": [], "is_bored": False}, (finding,), (), ()), {}, FILES)
        return
    sources = tuple(from_plain(SourceEntry, source) for source in rebuilt["sources"])
    fixings = [from_plain(Fixing, {"row": 0} | row) for row in job["fixings"]]
    stretches = [stretch for row, key in sorted(job["row_keys"].items()) for stretch in _stretches(batch, row, key, name.split("/")[1])]
    made = cut_fixings(mesh, sources, fixings, stretches, from_plain(FixingSettings, job["settings"]))
    frames = _frames(rebuilt["facts"]["delivered_from_scan"])
    facts = dict(made.facts) | {"is_bored": made.mesh is not None, "drawings": plain(made.drawings)}
    facts["frames"] = {frame: matrix.tolist() for frame, matrix in frames.items()}
    contents = {}
    if made.mesh is not None:
        contents = {"bored.ply": write_replica_ply(made.mesh), "holes.csv": hole_table(made.facts, frames).encode()}
    record = Record("fixings", job["key"], status_of(made.findings), facts, made.findings, made.sources, ())
    write_results(batch, path, record, contents, FILES)


def _stretches(batch: Path, row: str, key: str, element: str) -> list[RowStretch]:
    """The stretch of a row in one element; none where the row could not be laid."""
    record = read_record(batch / f"results/{row}/row.json")
    if record is None or record["key"] != key:
        raise StaleInputError(f"results/{row}: the row is not the planned one. Build again.")
    stretch = record["facts"].get("stretches", {}).get(element)
    return [from_plain(RowStretch, stretch)] if stretch else []


def _frames(delivered_from_scan: Mapping[str, Any]) -> dict[str, FloatArray]:
    """File -> matrix (4, 4) from replica.ply to the frame and unit of the file; bored.ply lies as replica.ply does."""
    replica = np.array(delivered_from_scan["replica.ply"], dtype=np.float64)
    back = np.linalg.inv(replica)
    found = {name: np.array(matrix, dtype=np.float64) @ back for name, matrix in sorted(delivered_from_scan.items()) if name != "replica.ply"}
    return {"replica.ply, bored.ply": np.eye(4)} | found


def hole_table(facts: Mapping[str, Any], frames: Mapping[str, FloatArray], has_datum: bool = True) -> str:
    """holes.csv: the datum points and every mouth, bottom and corner of every hole, in each frame and, unless has_datum is False, in that of the
    datum points.

    A hole's first row is its mouth, with the axis into the bone; the next ones are the points that its axis goes on to.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    of_datum = {DATUM_FRAME: np.array(facts["datum"]["datum_from_replica"])} if has_datum else {}
    for frame, matrix in (dict(frames) | of_datum).items():
        scale = float(np.cbrt(abs(np.linalg.det(matrix[:3, :3]))))
        unit = "m" if abs(scale - 0.001) < 1e-6 else "mm"
        for letter, point in facts["datum"]["points_mm"].items():
            writer.writerow([frame, unit, "datum", letter, *_texts(_moved(matrix, [point])[0], unit), *[""] * 7])
        for hole in facts["holes"]:
            points = _moved(matrix, hole["points_mm"])
            for k, point in enumerate(points):
                way = points[min(k + 1, len(points) - 1)] - points[min(k, len(points) - 2)]
                what = "mouth" if k == 0 else "corner" if k < len(points) - 1 else "bottom" if hole["kind"] == "socket" else "mouth at the other end"
                sizes = _texts([scale * hole["hole_mm"], scale * hole["depth_mm"], scale * hole["wall_mm"]], unit) if k == 0 else [""] * 3
                told = f"for a rod of {hole['rod_mm']:g} mm{_flat_words(hole, matrix)}" if k == 0 else ""
                writer.writerow([frame, unit, what, hole["name"], *_texts(point, unit), *_texts(way / np.sqrt(np.sum(way**2)), ""), *sizes, told])
    return stream.getvalue()


def _flat_words(hole: Mapping[str, Any], matrix: FloatArray) -> str:
    if hole["flat_mm"] is None:
        return ""
    vector = np.array(hole["flat_mm"])
    way = matrix[:3, :3] @ vector
    way = way / np.sqrt(np.sum(way**2))
    return f" with a flat {np.sqrt(np.sum(vector**2)):.2f} mm from the axis towards {' '.join(f'{x:.5f}' for x in way + 0.0)}"


def drawings_of(record: Mapping[str, Any]) -> tuple[Drawing, ...]:
    """The drill templates of an armature record, as it stands on disk, for whoever writes drawings."""
    found = []
    for drawing in record["facts"].get("drawings", ()):
        layers = []
        for layer in drawing["layers"]:
            closed, opened = (tuple(np.array(line) for line in layer[kind]) for kind in ("closed", "open"))
            layers.append(Layer(layer["name"], closed, opened, tuple((x, y, text) for x, y, text in layer["texts"])))
        found.append(Drawing(drawing["name"], drawing["title"], tuple(layers)))
    return tuple(found)


def _moved(matrix: FloatArray, points: Any) -> FloatArray:
    return np.asarray(np.array(points, dtype=np.float64) @ matrix[:3, :3].T + matrix[:3, 3])


def _texts(values: Any, unit: str) -> list[str]:
    """Numbers to 0.001 mm, directions to seven digits."""
    digits = 3 if unit == "mm" else 7 if unit == "" else 6
    return [f"{round(float(value), digits) + 0.0:.{digits}f}" for value in values]
