"""What brings a scan to millimetres, and what checks it: the unit, two marked points, or a caliper length; never the same length twice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from meshtools.geometry.measure import greatest_length, measure
from meshtools.model import MM_PER_UNIT, Caliper, Find, Finding, FloatArray, Severity, Unit
from meshtools.settings import CleanSettings

MISTAKEN_FACTORS = (10.0, 100.0, 1000.0, 25.4, 2.54, 0.1, 0.01, 0.001, 1 / 25.4, 1 / 2.54)
MISTAKE_MARGIN = math.log(1.06)
"""A ratio this near to the ratio of two units is named as the likely mistake (common practice, no source)."""
LARGEST_MM = 20_000.0
"""No bone is longer, nor a skull (our default)."""

USUAL_MM = (3.0, 5000.0)
"""Whole bones outside these lengths are rare enough to ask for their unit (our default)."""


def unit_question(length_mm: float, rows: list[dict[str, Any]]) -> str:
    """A sentence that asks for the unit of a bone of unusual greatest length, unless a caliper length (rows of `check_lengths`) bears it out."""
    is_borne_out = any(row["role"] == "check" and abs(row["difference_mm"]) <= row["limit_mm"] for row in rows)
    if is_borne_out or USUAL_MM[0] <= length_mm <= USUAL_MM[1]:
        return ""
    few = "below" if length_mm < USUAL_MM[0] else "above"
    limit_mm = USUAL_MM[0] if length_mm < USUAL_MM[0] else USUAL_MM[1]
    return (
        f"is the unit right? a greatest length of {length_mm:.4g} mm is {few} {limit_mm:g} mm; correct the unit in bones.csv, "
        "or state a caliper length that bears it out"
    )


def units_that_fit(length: float) -> str:
    """Which length a bone of a usual size would have in which unit, of a greatest length in the numbers of its file: `0.087 would be 87 mm in m`."""
    lengths_mm = {unit: length * size for unit, size in MM_PER_UNIT.items()}
    fitting = [f"{size:.4g} mm in {unit.value}" for unit, size in lengths_mm.items() if USUAL_MM[0] <= size <= USUAL_MM[1]]
    if not fitting:
        return f"a length of {length:.4g} is that of no usual bone in {', '.join(unit.value for unit in MM_PER_UNIT)}"
    return f"{length:.4g} would be {', '.join(fitting)}"


def size_problem(vertices: FloatArray, part_tolerance_mm: float) -> str:
    """A sentence where the points (n, 3) in mm are so small or so large that their unit is wrong and not the bone; else nothing."""
    longest_mm = float(np.ptp(vertices, axis=0).max())
    if part_tolerance_mm <= longest_mm <= LARGEST_MM:
        return ""
    length_mm = greatest_length(vertices)
    if length_mm < part_tolerance_mm:
        size = f"the scan is {length_mm:.3g} mm long in the unit that is stated, less than the tolerance of {part_tolerance_mm:g} mm"
    elif length_mm > LARGEST_MM:
        size = f"the scan is {length_mm / 1000:.3g} m long in the unit that is stated"
    else:
        return ""
    return f"{size}; correct the unit to the one that the scan was exported in"


def starting_scale(find: Find) -> tuple[float, str]:
    """Millimetres per scan unit and where they come from: unit, scale-points, or caliper (then 1, until the caliper can be measured)."""
    if find.unit is not Unit.NONE:
        return MM_PER_UNIT[find.unit], "unit"
    if find.scale_points is not None:
        distance = float(np.linalg.norm(np.subtract(find.scale_points.a, find.scale_points.b)))
        if distance > 0:
            return find.scale_points.distance_mm / distance, "scale-points"
    return 1.0, "caliper" if find.caliper is not None else "none"


def caliper_scale(vertices: FloatArray, caliper: Caliper) -> float:
    """Factor that gives the vertices the caliper's length; 1 where the vertices have no extent there."""
    length = measure(vertices, caliper.measure)
    return caliper.length_mm / length if length > 0 else 1.0


def check_lengths(vertices: FloatArray, find: Find, basis: str, settings: CleanSettings) -> tuple[list[dict[str, Any]], list[Finding]]:
    """Compare the caliper lengths of the register with the surface, in mm: both sides as plain rows, and the findings.

    The length that gave the scale (basis) is listed with role `scale` and never counts as a check.
    """
    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    for caliper, name in ((find.caliper, "caliper"), (find.second_caliper, "second caliper")):
        if caliper is None:
            continue
        role = "scale" if basis == "caliper" and name == "caliper" else "check"
        row = _length_row(vertices, caliper, name, role, settings)
        rows.append(row)
        if role == "check":
            findings += _length_findings(row, find, basis, settings)
    return rows, findings + _unchecked(rows, find, basis)


def _length_row(vertices: FloatArray, caliper: Caliper, name: str, role: str, settings: CleanSettings) -> dict[str, Any]:
    mesh_mm = measure(vertices, caliper.measure)
    difference = mesh_mm - caliper.length_mm
    limit = max(settings.caliper_limit_percent / 100.0 * caliper.length_mm, settings.caliper_limit_mm)
    return {
        "name": name, "measure": caliper.measure, "role": role, "mesh_mm": round(mesh_mm, 6), "caliper_mm": caliper.length_mm,
        "difference_mm": round(difference, 6), "percent": round(100.0 * difference / caliper.length_mm, 6), "limit_mm": round(limit, 6),
    }


def _length_findings(row: dict[str, Any], find: Find, basis: str, settings: CleanSettings) -> list[Finding]:
    difference = abs(row["difference_mm"])
    if difference > row["limit_mm"]:
        message = (
            f"{find.find}: the scan's {row['measure']} is {row['mesh_mm']:.2f} mm, the {row['name']} says {row['caliper_mm']:.2f} mm "
            f"({row['percent']:+.2f} %). {_mistake_words(row, find.unit)}"
        )
        return [Finding(Severity.REVIEW, "caliper", message, round(difference, 6), row["limit_mm"], "mm")]
    if basis != "unit" and abs(row["percent"]) > settings.scale_difference_review_percent:
        message = (
            f"{find.find}: the length that gives the scale and the {row['name']} ({row['measure']}) disagree by {abs(row['percent']):.2f} %. "
            "Measure both again, and correct the cell that is wrong in bones.csv; or sign it off as it is."
        )
        return [Finding(Severity.REVIEW, "scale-difference", message, abs(row["percent"]), settings.scale_difference_review_percent, "%")]
    return []


def likely_unit(row: Mapping[str, Any], unit: Unit) -> Unit | None:
    """The unit that a scan seems to have by a row of `check_lengths` whose lengths contradict each other; none where no unit explains it."""
    ratio = row["mesh_mm"] / row["caliper_mm"]
    if ratio <= 0 or unit is Unit.NONE:
        return None
    off = {other: abs(math.log(ratio * size / MM_PER_UNIT[unit])) for other, size in MM_PER_UNIT.items() if other is not unit}
    return next((other for other, value in off.items() if value < MISTAKE_MARGIN), None)


def likely_factor(row: Mapping[str, Any]) -> float | None:
    """The plain factor of units or digits that a caliper length seems to be off by; none where it is no such factor."""
    ratio = row["mesh_mm"] / row["caliper_mm"]
    return next((factor for factor in MISTAKEN_FACTORS if ratio > 0 and abs(math.log(ratio / factor)) < MISTAKE_MARGIN), None)


def _mistake_words(row: Mapping[str, Any], unit: Unit) -> str:
    """What was probably mistaken, and what to do about it: one thing after the other."""
    if other := likely_unit(row, unit):
        ratio = row["mesh_mm"] / row["caliper_mm"]
        question = f"The factor is about {ratio:.4g}: is the scan in {other.value} and not in {unit.value}?"
        return f"{question} If so, correct the unit in bones.csv; if not, the caliper cell."
    if factor := likely_factor(row):
        return f"The factor is about {factor:.4g}: was a unit or a digit mistaken? Correct that cell in bones.csv."
    return "Look at the caliper cell first, then at the scan: scan again where that is wrong."


def _unchecked(rows: list[dict[str, Any]], find: Find, basis: str) -> list[Finding]:
    """What is missing: a scale at all, or a length that checks it."""
    if basis == "none":
        message = f"{find.find}: the scan has no unit, no scale points and no caliper length, so its size is unknown; add one to bones.csv."
        return [Finding(Severity.FAILED, "no-scale", message)]
    if any(row["role"] == "check" for row in rows):
        return []
    if find.unit_source == "decision":
        message = f"{find.scan}: nothing checks that this file made by hand is in mm; compare the extents of the replica with the skeleton."
        return [Finding(Severity.NOTE, "scale-unchecked", message)]
    if basis == "unit":
        return [Finding(Severity.NOTE, "scale-unchecked", f"{find.find}: no caliper length checks the scale of the scan.")]
    message = f"{find.find}: the scale comes from the {basis.replace('-', ' ')} alone; a second length of the bone is needed to check it."
    return [Finding(Severity.REVIEW, "scale-unchecked", message)]


def unit_finding(find: Find, file_unit: Unit | None) -> list[Finding]:
    """A finding where the scan file states another unit than the register; the register's is used."""
    if file_unit is None or file_unit is find.unit:
        return []
    message = f"{find.find}: the scan file states its unit as {file_unit.value}, bones.csv says {find.unit.value}; the table's was used."
    return [Finding(Severity.REVIEW, "unit-contradiction", message, file_unit.value, find.unit.value)]
