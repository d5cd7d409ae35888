"""The commands that find the mirror plane of one bone, complete a bone or undo its deformation, without a batch. Output is in millimetres."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.commands_file import check_output, read_surface, size_words, told_of, triple, write_surface
from meshtools.errors import UsageError
from meshtools.model import MM_PER_UNIT, Finding, FloatArray, Severity, Unit, plain


def find_plane(options: argparse.Namespace) -> Answer:
    """`bonewright plane`: the plane across which a bone best matches its own reflection; exit 1 where it asks or refuses."""
    from meshtools.counted import plane_cell
    from meshtools.geometry.completing import plane_facts
    from meshtools.geometry.midsagittal import PlaneHint, find_midsagittal_plane

    hint = None
    if options.midline and options.left_right:
        raise UsageError("--midline and --left-right: give one of the two.")
    if options.midline:
        hint = PlaneHint(midline_points=np.array([triple("--midline", text) for text in options.midline]))
    elif options.left_right:
        hint = PlaneHint(left_right=np.array(triple("--left-right", options.left_right)))
    fit = find_midsagittal_plane(read_surface(options.file, options.unit), hint)
    facts = plane_facts(fit)
    normal = ", ".join(f"{x:.6f}" for x in fit.normal)
    lines = [
        f"{fit.verdict}: normal {normal}, offset {fit.offset_mm:.4f} mm, within {fit.bound95_deg:.2f} degrees (95 %)",
        f"left against right {fit.residual_rms_mm:.4f} mm rms, 95 % within {fit.residual_p95_mm:.4f} mm, over skin that both sides have",
        *(f"  {reason}" for reason in fit.reasons),
    ]
    if fit.verdict != "accept":
        cells = [plane_cell(fit.normal, fit.offset_mm), *(plane_cell(rival.normal, rival.offset_mm) for rival in fit.runners_up)]
        lines += [f"  plane {n} for decisions.csv: {cell}" for n, cell in enumerate(cells, 1)]
    return Answer(tuple(lines), facts, DONE if fit.verdict == "accept" else PERSON_NEEDED)


def restore_file(options: argparse.Namespace) -> Answer:
    """`bonewright restore`: complete a bone from its own other half, or from its counterpart of the other side."""
    from meshtools.geometry.completing import Rows, complete_from_other_half, complete_from_partner
    from meshtools.settings import RestoreSettings

    check_output(options)
    mesh = read_surface(options.file, options.unit)
    name, rows = options.file.stem, Rows((1,), 2)
    if options.counterpart is not None:
        if options.normal is not None or options.offset_mm is not None:
            raise UsageError("--counterpart: the missing part comes from that bone, so a plane (--normal, --offset-mm) has no use; leave one out.")
        completion = complete_from_partner(name, mesh, read_surface(options.counterpart, options.unit), True, rows, RestoreSettings())
    else:
        completion = complete_from_other_half(name, mesh, _plane(options), rows, RestoreSettings())
    write_surface(options.output, completion.mesh)
    changed = "" if completion.facts.get("is_changed") else " (nothing was taken over: it is the bone as it came)"
    findings = [_for_a_file(name, finding, completion.facts) for finding in completion.findings]
    lines = [f"{options.output}: {len(completion.mesh.faces)} faces, {size_words(completion.mesh)}{changed}", *told_of(findings)]
    sources = ["the bone itself", "taken over, reflected", "seam and caps"]
    facts: dict[str, Any] = {"output": str(options.output), "findings": plain(findings), "sources": sources} | completion.facts
    needs_person = any(finding.severity is not Severity.NOTE for finding in findings)
    return Answer(tuple(lines), facts, PERSON_NEEDED if needs_person else DONE)


def _for_a_file(name: str, finding: Finding, facts: Mapping[str, Any]) -> Finding:
    """A finding of completing in the words of the command, where a plane is an option and no row of a table."""
    from meshtools.geometry.completing import plane_problem

    if finding.code not in ("plane-ask", "plane-refused"):
        return finding
    remedy = "Give one with --normal X,Y,Z --offset-mm D; `bonewright plane` lists candidates."
    return replace(finding, message=f"{plane_problem(name, facts['plane'])} {remedy}")


def _plane(options: argparse.Namespace) -> tuple[float, float, float, float] | None:
    if options.normal is None:
        if options.offset_mm is not None:
            raise UsageError("--offset-mm: a plane needs --normal too.")
        return None
    x, y, z = triple("--normal", options.normal)
    if not any((x, y, z)):
        raise UsageError(f"--normal {options.normal}: a plane needs a normal that is not zero.")
    return x, y, z, options.offset_mm or 0.0


LANDMARK_COLUMNS = ("left_x", "left_y", "left_z", "right_x", "right_y", "right_z")
MIDLINE_COLUMNS = ("mid_x", "mid_y", "mid_z")


def retrodeform_file(options: argparse.Namespace) -> Answer:
    """`bonewright retrodeform`: undo an even shear, or with --bend a smooth uneven deformation; exit 1 where it does not clearly help."""
    from meshtools.geometry.retrodeform import unbend, unshear

    check_output(options)
    pairs, midline = read_landmarks(options.pairs, MM_PER_UNIT[Unit(options.unit)])
    found = (unbend if options.bend else unshear)(read_surface(options.file, options.unit), pairs, midline)
    write_surface(options.output, found.mesh)
    state = "undone" if found.is_clearly_better else "as it was"
    lines = (
        f"{options.output}: {'bend' if options.bend else 'shear'} {state}; {found.reason}",
        f"  largest displacement {found.largest_displacement_mm:.3f} mm{'' if found.is_clearly_better else ', not made'}",
        f"  note: {found.cannot_recover}",
    )
    facts: dict[str, Any] = {
        "output": str(options.output), "is_applied": found.is_clearly_better, "reason": found.reason,
        "matrix": None if found.matrix is None else found.matrix.tolist(), "residual_before_percent": found.residual_before_percent,
        "residual_after_percent": found.residual_after_percent, "largest_displacement_mm": found.largest_displacement_mm,
        "cannot_recover": found.cannot_recover,
    }  # fmt: skip
    return Answer(lines, facts, DONE if found.is_clearly_better else PERSON_NEEDED)


def read_landmarks(path: Path, mm_per_unit: float) -> tuple[FloatArray, FloatArray]:
    """Landmark pairs (k, 2, 3) and points of the midline (j, 3) in mm, from a table with columns left_x .. right_z and mid_x .. mid_z.

    A row holds a pair, a midline point, or both. UsageError names the row and what is wrong with it.
    """
    from meshtools.files.tables import read_table

    header, rows = read_table(path)
    missing = [column for column in LANDMARK_COLUMNS if column not in header.cells]
    if missing:
        raise UsageError(f"--pairs {path}: column {missing[0]} is missing; the columns are {', '.join((*LANDMARK_COLUMNS, *MIDLINE_COLUMNS))}.")
    pairs, midline = [], []
    for row in rows:
        cells = dict(zip(header.cells, row.cells, strict=False))
        both, middle = (_numbers(path, row.number, cells, columns) for columns in (LANDMARK_COLUMNS, MIDLINE_COLUMNS))
        pairs += [both] if both else []
        midline += [middle] if middle else []
        if not both and not middle:
            raise UsageError(f"--pairs {path} row {row.number}: holds neither a pair nor a midline point; fill it or take it out.")
    return mm_per_unit * np.array(pairs).reshape(-1, 2, 3), mm_per_unit * np.array(midline).reshape(-1, 3)


def _numbers(path: Path, row: int, cells: dict[str, str], columns: tuple[str, ...]) -> list[float]:
    """The numbers of some columns of a row; none where all of them are empty."""
    texts = [cells.get(column, "") for column in columns]
    if not any(texts):
        return []
    try:
        values = [float(text) for text in texts]
    except ValueError:
        values = [float("nan")]
    if not np.isfinite(values).all():
        raise UsageError(f"--pairs {path} row {row}: {columns[0]} to {columns[-1]} are filled with numbers together, or all left empty.")
    return values
