"""Where the armature's holes lie in what a route delivers: in the frame that its solids share, and in the own frame of every file that holds one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.jobs.fixings import hole_table
from meshtools.model import FloatArray
from meshtools.model_ready import MadeSolid
from meshtools.report.job_sheet import FRAME_WORDS

WITHOUT_BONE = ("stock", "parting surface", "bridge")  # solids that hold no bone, so no hole is drilled by their files
N_LOOKS = 50
HEADER = ("frame", "hole", "point", "x mm", "y mm", "z mm", "axis x", "axis y", "axis z", "diameter mm", "depth mm")
NOTE = (
    "Frames: that of a file is the one its STL is written in (and the body of that name in the 3MF before it is set beside the others). Axes point "
    "into the bone. holes.csv has the same rows, those in the frames of the replica's files, and those from the datum points."
)


def hole_frames(
    solids: Sequence[MadeSolid], rows: Sequence[Mapping[str, Any]], route: str, holes: Sequence[Mapping[str, Any]]
) -> dict[str, FloatArray]:
    """Frame -> matrix (4, 4) from replica.ply: first those that several solids share, then each file that at least one hole reaches into.

    rows: of the record (jobs.ready_facts.solid_row), beside their solids.
    """
    shared: dict[str, FloatArray] = {}
    for solid, row in zip(solids, rows, strict=True):
        group = [k for k, other in enumerate(solids) if np.array_equal(other.made_from_replica, solid.made_from_replica)]
        if len(group) > 1 and route in FRAME_WORDS and solid is solids[group[0]]:
            of_what = "" if len(group) == len(solids) else f" of {row['file']}"
            shared[f"{FRAME_WORDS[route]}{of_what}"] = np.array(solid.made_from_replica)
    held = [row for row in rows if row["role"] not in WITHOUT_BONE and any(_reaches(row, hole) for hole in holes)]
    return shared | {row["file"]: np.array(row["delivered_from_replica"]) for row in held}


def _reaches(row: Mapping[str, Any], hole: Mapping[str, Any]) -> bool:
    """True where a hole's axis comes into the box of a file's solid, which lies about the origin."""
    matrix, points = np.array(row["delivered_from_replica"]), np.array(hole["points_mm"], dtype=np.float64)
    lengths = np.concatenate([[0.0], np.cumsum(np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1)))])
    at = np.linspace(0.0, lengths[-1], N_LOOKS)
    line = np.stack([np.interp(at, lengths, points[:, axis]) for axis in range(3)], axis=1) @ matrix[:3, :3].T + matrix[:3, 3]
    return bool((np.abs(line) <= np.array(row["extents_mm"]) / 2.0).all(axis=1).any())


def holes_csv(armature: Mapping[str, Any], frames: Mapping[str, FloatArray], rows: Sequence[Mapping[str, Any]]) -> bytes:
    """holes.csv of a route: the frames of the replica's files and the datum points as the armature has them, then those of the route; in the frame
    of a file only the holes that reach into it."""
    of_replica = {frame: np.array(matrix) for frame, matrix in armature["frames"].items()}
    parts = [hole_table(armature, of_replica)]
    for frame, matrix in frames.items():
        row = next((row for row in rows if row["file"] == frame), None)
        held = [hole for hole in armature["holes"] if row is None or _reaches(row, hole)]
        parts.append(hole_table({"holes": held, "datum": armature["datum"]}, {frame: matrix}, has_datum=False))
    return "".join([parts[0], *(part.split("\n", 1)[1] for part in parts[1:])]).encode()


def sheet_table(armature: Mapping[str, Any], frames: Mapping[str, FloatArray], rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The holes as a table of the job sheet, in the frames of the route; in those of single files only where no frame is shared."""
    files = {row["file"]: row for row in rows}
    chosen = {frame: matrix for frame, matrix in frames.items() if frame not in files} or frames
    cells: list[list[Any]] = []
    for frame, matrix in chosen.items():
        scale = float(np.cbrt(abs(np.linalg.det(matrix[:3, :3]))))
        for hole in armature["holes"]:
            if frame in files and not _reaches(files[frame], hole):
                continue
            points = np.array(hole["points_mm"]) @ matrix[:3, :3].T + matrix[:3, 3]
            ways = [points[1] - points[0], points[-1] - points[-2]]
            for name, point, way, size in (("mouth", points[0], ways[0], hole["hole_mm"]), ("end", points[-1], ways[1], None)):
                sizes = [scale * size, scale * hole["depth_mm"]] if size is not None else ["", ""]
                axis = [round(float(x), 5) + 0.0 for x in way / np.sqrt(np.sum(way**2))]
                cells.append([frame, hole["name"], name, *(float(x) for x in point), *axis, *sizes])
    return {"name": "holes", "title": "Holes of the armature, to be drilled or found open", "header": list(HEADER), "rows": cells, "note": NOTE}
