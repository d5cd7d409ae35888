"""The command that lays the pieces of one broken bone together."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.cleaned_find import cleaned_find
from meshtools.errors import GeometryError
from meshtools.files.tables import csv_row
from meshtools.guides import Guide, guide_for, pieces_of
from meshtools.model import Find, FloatArray, Pose
from meshtools.register_cells import POSES
from meshtools.workspace import Workspace, open_workspace

if TYPE_CHECKING:
    from meshtools.geometry.laying import Laid, LaidPieces

N_DIGITS = 9
BY = "bonewright lay"


def lay(options: argparse.Namespace) -> Answer:
    """`bonewright lay`: rows of poses.csv for the pieces of one bone, laid on a whole one of its kind and then break on break. Writes nothing."""
    workspace = open_workspace(options.batch)
    pieces = pieces_of(workspace.register.finds, options.find)
    guide = guide_for(workspace.register.finds, pieces[0], options.like)
    laid = _laid(workspace, pieces, guide)
    doubts = [doubt for find, one in zip(pieces, laid.pieces, strict=True) if (doubt := _doubt(find, one))]
    frame = f"{options.find}-laid"
    rows = [csv_row(_cells(find, one, frame, guide)) for find, one in zip(pieces, laid.pieces, strict=True)]
    lines = [_guide_line(pieces, guide, laid), *map(_line, pieces, laid.pieces), *(f"review: {doubt}" for doubt in doubts)]
    start = "If that is how they lie" if doubts else "To use it"
    lines += [f"{start}, copy these rows into config/poses.csv{_in_place_of(workspace.register.poses, pieces)}, build, and look at the seams:"]
    lines += [",".join(POSES.columns), *rows]
    facts = {
        "find": options.find, "guide": guide.find.find, "is_reflected": guide.reflect, "guide_scale": round(laid.guide_scale, 6), "frame": frame,
        "pieces": [_facts(find, one) for find, one in zip(pieces, laid.pieces, strict=True)], "doubts": doubts, "poses": rows,
    }  # fmt: skip
    return Answer(tuple(lines), facts, PERSON_NEEDED if doubts else DONE)


def _laid(workspace: Workspace, pieces: Sequence[Find], guide: Guide) -> LaidPieces:
    from meshtools.geometry.laying import lay_pieces
    from meshtools.geometry.transform import reflect

    surface = cleaned_find(workspace, guide.find).mesh
    meshes = [cleaned_find(workspace, find).mesh for find in pieces]
    try:
        return lay_pieces(meshes, reflect(surface) if guide.reflect else surface, guide.is_same_animal)
    except GeometryError as error:
        raise GeometryError(f"The pieces of {pieces[0].find} could not be laid on {guide.find.find}: {error}.") from error


def _in_place_of(poses: Sequence[Pose], pieces: Sequence[Find]) -> str:
    """Whose rows have to go for those that are drafted: a find has one pose."""
    names = {find.find for find in pieces}
    placed = [f"row {pose.row} ({pose.find})" for pose in sorted(poses, key=lambda pose: pose.row) if pose.find in names]
    return f" in place of {', '.join(placed)}" if placed else ""


def _doubt(find: Find, laid: Laid) -> str:
    """Why a person should look before the pose is used; nothing where it is sure."""
    if not laid.found.is_trusted:
        return f"how {find.find} lies on the guide is not sure: {laid.found.reason}."
    if laid.is_first or math.isfinite(laid.break_rms_mm):
        return ""
    return (
        f"{find.find} lies where the guide puts it ({laid.why}), a millimetre or two off on a bone of 200 mm; where bone is missing between the "
        "pieces that is as good as it gets, otherwise move it in a viewer."
    )


def _guide_line(pieces: Sequence[Find], guide: Guide, laid: LaidPieces) -> str:
    names = ", ".join(find.find for find in pieces)
    side = " mirrored" if guide.reflect else ""
    size = "of the same animal" if guide.is_same_animal else f"of another animal, brought to their size by {laid.guide_scale:.4f}"
    return f"{names} laid on {guide.find.find}{side}, {size}."


def _line(find: Find, laid: Laid) -> str:
    start = f"{find.find}: on the guide to {laid.found.residual_rms_percent:.2f} % of its length (rms)"
    if laid.is_first:
        return f"{start}; the others are laid on it."
    if math.isfinite(laid.break_rms_mm):
        return f"{start}; its break moved by {laid.moved_mm:.2f} mm and lies on the others' to {laid.break_rms_mm:.2f} mm (rms)."
    return f"{start}; {laid.why}."


def _facts(find: Find, laid: Laid) -> dict[str, Any]:
    break_rms_mm = round(laid.break_rms_mm, 4) if math.isfinite(laid.break_rms_mm) else None
    return {
        "find": find.find, "matrix": laid.pose.tolist(), "is_trusted": laid.found.is_trusted, "reason": laid.found.reason,
        "residual_percent": round(laid.found.residual_rms_percent, 4), "break_rms_mm": break_rms_mm, "moved_mm": round(laid.moved_mm, 4),
        "why": laid.why,
    }  # fmt: skip


def _cells(find: Find, laid: Laid, frame: str, guide: Guide) -> list[str]:
    remarks = f"on {guide.find.find}" + (", then break on break" if math.isfinite(laid.break_rms_mm) else "")
    return [find.find, frame, _numbers(laid.pose), BY, remarks]


def _numbers(pose: FloatArray) -> str:
    return " ".join(f"{value:.{N_DIGITS}g}" for value in pose[:3].ravel())
