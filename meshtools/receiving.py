"""Finished parts against their job sheets: pass or fail of every length, and the shrink that the next part should be made with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from meshtools.counted import counted
from meshtools.model import Received
from meshtools.register_rows import LENGTHS_OF_A_FILE
from meshtools.tolerances import tolerance_of

ROUNDING_MM = 1e-9
LARGEST_DEPARTURE = 0.1  # a measured length farther than this share from its nominal is a slip of a pen, not shrink


def judged(rows: Sequence[Received], routes: Mapping[str, Mapping[str, Any]], tolerance_class: str, part_tolerance_mm: float) -> list[dict[str, Any]]:
    """Every measured length of one element with its nominal, tolerance, difference and verdict: pass, fail, or no nominal.

    routes: route -> facts of its record. A nominal or tolerance that the row itself states wins.
    """
    out = []
    for row in rows:
        nominal_mm, tolerance_mm, basis = _planned(row, routes.get(row.route, {}), tolerance_class, part_tolerance_mm)
        difference_mm = None if nominal_mm is None else row.measured_mm - nominal_mm
        verdict = "no nominal"
        if difference_mm is not None and tolerance_mm is not None:
            verdict = "pass" if abs(difference_mm) <= tolerance_mm + ROUNDING_MM else "fail"
        out.append({
            "route": row.route, "part": row.part, "measure": row.measure, "article": row.article, "by": row.by, "date": row.date,
            "measured_mm": row.measured_mm, "nominal_mm": nominal_mm, "tolerance_mm": tolerance_mm, "basis": basis,
            "difference_mm": difference_mm, "verdict": verdict,
        })  # fmt: skip
    return sorted(out, key=lambda row: (row["route"], row["date"], row["part"], row["measure"], row["measured_mm"]))


def _planned(row: Received, facts: Mapping[str, Any], tolerance_class: str, part_tolerance_mm: float) -> tuple[float | None, float | None, str]:
    """Nominal, tolerance and what that rests on."""
    known = {entry["measure"]: entry for entry in facts.get("dimensions", ()) if entry["part"] == row.part}
    if row.measure in known and row.nominal_mm is None:
        entry = known[row.measure]
        nominal, tolerance, basis = entry["nominal_mm"], entry["tolerance_mm"], entry["basis"]
    else:
        solid = next((entry for entry in facts.get("solids", ()) if entry["name"] == row.part), None)
        of_file = solid["extents_mm"][LENGTHS_OF_A_FILE.index(row.measure)] if solid and row.measure in LENGTHS_OF_A_FILE else None
        nominal = row.nominal_mm if row.nominal_mm is not None else of_file
        process = facts.get("made", {}).get("process", "")
        tolerance, basis = tolerance_of(nominal, tolerance_class, part_tolerance_mm, process) if nominal is not None else (None, "")
    return (nominal, row.tolerance_mm, "the row") if row.tolerance_mm is not None else (nominal, tolerance, basis)


def next_scales(rows: Sequence[Mapping[str, Any]], least_measures: int, applied: Mapping[str, float]) -> list[dict[str, Any]]:
    """For each route the factor by which the finished part differs from its nominal, and what to make the next one with.

    rows: of `judged`; only the whole part's lengths count, of the latest date that has enough. applied: route -> the pattern's scale that
    the part was made with (1 where none). The ratio is the geometric mean of measured / nominal, r = exp(mean ln m_i / n_i); the next
    scale is applied / r, as one shrink s = 1 - 1 / scale (scale = 1 / (1 - s)), or 1 - r as one step more beside those that were allowed for.
    """
    proposals = []
    for route in sorted({row["route"] for row in rows}):
        usable = [row for row in rows if row["route"] == route and not row["part"] and row["nominal_mm"]]
        usable = [row for row in usable if abs(row["measured_mm"] / row["nominal_mm"] - 1) <= LARGEST_DEPARTURE]
        dates = sorted({row["date"] for row in usable if sum(other["date"] == row["date"] for other in usable) >= least_measures})
        if not dates:
            proposals.append({"route": route, "n": len(usable), "scale": None, "reason": f"fewer than {least_measures} lengths of one date"})
            continue
        logs = [math.log(row["measured_mm"] / row["nominal_mm"]) for row in usable if row["date"] == dates[-1]]
        mean = sum(logs) / len(logs)
        spread = math.sqrt(sum((value - mean) ** 2 for value in logs) / (len(logs) - 1)) if len(logs) > 1 else 0.0
        scale = applied.get(route, 1.0) / math.exp(mean)
        proposals.append({
            "route": route, "n": len(logs), "date": dates[-1], "ratio": math.exp(mean), "spread_percent": 100 * spread,
            "applied_scale": applied.get(route, 1.0), "scale": scale, "shrink_percent": 100 * (1 - 1 / scale),
            "further_shrink_percent": 100 * (1 - math.exp(mean)), "reason": _scale_words(math.exp(mean), len(logs), spread),
        })  # fmt: skip
    return proposals


def _scale_words(ratio: float, n: int, spread: float) -> str:
    departure = 100 * (ratio - 1)
    words = f"{counted(n, 'length')} came out {abs(departure):.2f} % {'larger' if departure > 0 else 'smaller'} than nominal"
    if spread > abs(ratio - 1):
        return f"{words}, but they differ among themselves by as much ({100 * spread:.2f} %): this is not shrink alone, look at the part first"
    return words
