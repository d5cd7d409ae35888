"""The command that finds the mirror plane of a skeleton whose bones have been placed in a common frame."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.batch_lock import lock_batch
from meshtools.cleaned_find import try_cleaned_find
from meshtools.counted import counted
from meshtools.errors import GeometryError, UsageError
from meshtools.files.atomic import write_atomic
from meshtools.model import Find, FloatArray, Pose, Side
from meshtools.table_lines import aligned
from meshtools.workspace import Workspace, open_workspace

if TYPE_CHECKING:
    from meshtools.assembling import OtherSide, PlacedPlane
    from meshtools.geometry.assembly import AssemblyPlane

N_DIGITS = 9  # of a matrix: a nanometre


def assembly(options: argparse.Namespace) -> Answer:
    """`bonewright assembly`: the plane of the placed median bones of a frame, which depart, and where the bones of one side go on the other."""
    from meshtools.assembling import MIN_PLANES, common_plane, departing, other_sides

    workspace = open_workspace(options.batch)
    frame = options.frame.strip().casefold()
    placed = _placed(workspace, frame)
    lock_batch(options.batch)
    planes, left_out = _planes(workspace, placed)
    facts: dict[str, Any] = {"frame": frame, "plane": None, "bones": [], "left_out": left_out, "other_sides": []}
    lines = [f"left out: {why}" for why in left_out]
    if len(planes) < MIN_PLANES:
        lines.append(f"{counted(len(planes), 'plane')} in frame {frame}: two or more median bones are needed. Place or scan more of them.")
        return _written(options, facts, lines, PERSON_NEEDED)
    plane = common_plane(planes)
    departs = departing(plane)
    missing = other_sides(placed, plane)
    facts |= {
        "plane": {"normal": _rounded(plane.normal), "offset_mm": round(float(plane.offset_mm), N_DIGITS), "bound95_deg": round(plane.bound95_deg, 4),
                  "reflection": _rounded(plane.matrix)},
        "bones": [_bone_row(planes, plane, place, departs[place]) for place in range(len(planes))],
        "other_sides": [_other_side_row(other) for other in missing],
    }  # fmt: skip
    lines = [*_bone_lines(facts["bones"]), *lines, *_plane_lines(facts)]
    return _written(options, facts, lines, PERSON_NEEDED if any(departs) else DONE)


def _placed(workspace: Workspace, frame: str) -> list[tuple[Find, Pose]]:
    finds = {find.find: find for find in workspace.register.finds}
    poses = workspace.register.poses
    placed = [(finds[pose.find], pose) for pose in poses if pose.frame == frame]
    if not placed:
        frames = ", ".join(sorted({pose.frame for pose in poses})) or "none"
        raise UsageError(f"config/poses.csv places nothing in a frame '{frame}'; its frames are: {frames}.")
    return sorted(placed, key=lambda item: item[0].find)


def _planes(workspace: Workspace, placed: Sequence[tuple[Find, Pose]]) -> tuple[list[PlacedPlane], list[str]]:
    """The planes of the median bones, and a sentence for each placed find that gives none though it should."""
    from meshtools.assembling import plane_in_place

    planes: list[PlacedPlane] = []
    left_out = [f"{find.find}: its side is unknown" for find, _ in placed if find.side is Side.UNKNOWN]
    for find, pose in placed:
        if find.side is not Side.MEDIAN:
            continue
        surface = try_cleaned_find(workspace, find)
        if isinstance(surface, str):
            left_out.append(surface)
            continue
        try:
            plane = plane_in_place(find, surface.mesh, pose)
        except GeometryError as error:
            left_out.append(f"{find.find}: {error}")
            continue
        if plane.fit.verdict == "refuse":
            left_out.append(f"{find.find}: its own plane is not to be told. {' '.join(plane.fit.reasons)}".rstrip())
        else:
            planes.append(plane)
    return planes, left_out


def _bone_row(planes: Sequence[PlacedPlane], plane: AssemblyPlane, place: int, departs: bool) -> dict[str, Any]:
    bone = planes[place]
    return {
        "find": bone.find.find, "element": bone.find.element, "verdict": bone.fit.verdict, "reasons": list(bone.fit.reasons),
        "normal": _rounded(bone.fit.normal), "offset_mm": round(float(bone.fit.offset_mm), N_DIGITS), "jk_deg": round(bone.fit.jk_deg, 4),
        "weight": round(float(plane.weight[place]), 4), "deviation_deg": round(float(plane.deviation_deg[place]), 4),
        "deviation_mm": round(float(plane.deviation_mm[place]), 4), "departs": departs,
    }  # fmt: skip


def _other_side_row(other: OtherSide) -> dict[str, Any]:
    return {
        "element": other.element, "from_find": other.find.find, "frame_from_scan": _rounded(other.frame_from_scan),
        "frame_from_reflected": _rounded(other.frame_from_reflected),
    }  # fmt: skip


def _rounded(values: FloatArray) -> Any:
    return (values.round(N_DIGITS) + 0.0).tolist()  # no minus zero


def _bone_lines(rows: Sequence[dict[str, Any]]) -> list[str]:
    table = [("element", "find", "own plane", "jk deg", "weight", "off deg", "off mm", "departs")]
    for row in rows:
        figures = f"{row['jk_deg']:.2f}", f"{row['weight']:.2f}", f"{row['deviation_deg']:.2f}", f"{row['deviation_mm']:+.2f}"
        table.append((row["element"], row["find"], row["verdict"], *figures, "yes" if row["departs"] else "no"))
    return aligned(table)


def _plane_lines(facts: dict[str, Any]) -> list[str]:
    plane = facts["plane"]
    normal = ", ".join(f"{x:.6f}" for x in plane["normal"])
    lines = [f"plane of {facts['frame']}: normal {normal}, offset {plane['offset_mm']:.4f} mm, within {plane['bound95_deg']:.2f} degrees (95 %)"]
    names = [row["find"] for row in facts["bones"] if row["departs"]]
    if names:
        lines.append(f"departing: {', '.join(names)}: look whether the bone is bent, or correct its pose in config/poses.csv.")
    return lines + [f"{row['element']} goes where {row['from_find']} lands, reflected across the plane" for row in facts["other_sides"]]


def _written(options: argparse.Namespace, facts: dict[str, Any], lines: Sequence[str], exit_code: int) -> Answer:
    name = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_") else "-" for letter in facts["frame"])
    place = f"results/assemblies/{name}.json"
    write_atomic(options.batch / place, (json.dumps(facts, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode())
    return Answer((*lines, f"{options.batch / place}: the plane, every bone's own, and the matrices."), facts | {"file": place}, exit_code)
