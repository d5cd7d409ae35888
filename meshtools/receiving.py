"""Finished parts against their job sheets: pass or fail of every length, and the shrink that the next part should be made with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from meshtools.counted import counted
from meshtools.factor import student_t
from meshtools.model import Received
from meshtools.register_rows import LENGTHS_OF_A_FILE
from meshtools.tolerances import tolerance_of

ROUNDING_MM = 1e-9
SCALE_DECIMALS = 4  # two scales that are one to so many are one
SAME_SCALE = 2e-5  # scales that differ by less are one: a sheet states six decimals, a shrink in per cent three
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
            "pattern_scale": row.pattern_scale,
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


def decimal_slip(measured_mm: float, nominal_mm: float) -> str:
    """A question where a measured length is ten or a hundred times off its nominal; nothing where it is not."""
    for times in (10.0, 100.0):
        for ratio, words in ((times, "too large"), (1.0 / times, "too small")):
            if abs(measured_mm / (ratio * nominal_mm) - 1.0) <= LARGEST_DEPARTURE:
                return f"that is about {times:g} times {words}: did the decimal point slip in received.csv, or was it not measured in mm?"
    return ""


def next_scales(rows: Sequence[Mapping[str, Any]], least_measures: int, applied: Mapping[str, float]) -> list[dict[str, Any]]:
    """For each route the factor by which the finished part differs from its nominal, and what to make the next one with.

    rows: of `judged`; only the whole part's lengths count, of the latest date that has enough with one pattern scale. applied: route -> the
    pattern's scale of today (1 where none). The ratio is the geometric mean of measured / nominal, r = exp(mean ln m_i / n_i); the next scale is
    that of the part that was measured / r, as one shrink s = 1 - 1 / scale (scale = 1 / (1 - s)), or as one step more beside those of today.
    """
    proposals = []
    for route in sorted({row["route"] for row in rows}):
        usable = [row for row in rows if row["route"] == route and not row["part"] and row["nominal_mm"]]
        usable = [row for row in usable if abs(row["measured_mm"] / row["nominal_mm"] - 1) <= LARGEST_DEPARTURE]
        articles: dict[tuple[str, float], list[Mapping[str, Any]]] = {}
        for row in usable:
            articles.setdefault((row["date"], round(row["pattern_scale"] or 0.0, SCALE_DECIMALS)), []).append(row)
        today = applied.get(route, 1.0)
        enough = sorted(  # of one date that made with a scale like today's comes last
            (article for article, lengths in articles.items() if len(lengths) >= least_measures),
            key=lambda article: (article[0], -abs((article[1] or today) - today)),
        )
        if not enough:
            reason = f"fewer than {least_measures} lengths of one date (and one pattern scale)"
            proposals.append({"route": route, "n": len(usable), "scale": None, "reason": reason})
            continue
        proposals.append({"route": route} | _next_scale(articles[enough[-1]], today))
    return proposals


def _next_scale(lengths: Sequence[Mapping[str, Any]], today: float) -> dict[str, Any]:
    """The proposal from the lengths of one article, of one date and made with one pattern scale."""
    date, stated = lengths[0]["date"], lengths[0]["pattern_scale"]
    if not stated and abs(today - 1.0) > SAME_SCALE:
        reason = (f"the rows of {date} do not say with which pattern scale their part was made, and one made before shrink was entered must not "
                  f"count against today's {today:.6f}: enter the scale of its job sheet as pattern_scale (1 where it had no shrink)")  # fmt: skip
        return {"n": len(lengths), "date": date, "scale": None, "reason": reason}
    logs = [math.log(row["measured_mm"] / row["nominal_mm"]) for row in lengths]
    mean = sum(logs) / len(logs)
    spread = math.sqrt(sum((value - mean) ** 2 for value in logs) / (len(logs) - 1)) if len(logs) > 1 else 0.0
    ratio, doubt = math.exp(mean), _doubt(lengths, mean, spread)
    found = {"n": len(logs), "date": date, "ratio": ratio, "spread_percent": 100 * spread, "made_scale": stated or today, "applied_scale": today}
    departure = 100 * (ratio - 1)
    words = f"{counted(len(logs), 'length')} came out {abs(departure):.2f} % {'larger' if departure > 0 else 'smaller'} than nominal"
    if doubt:
        return found | {"scale": None, "reason": f"{words}, but {doubt}"}
    scale = (stated or today) / ratio
    return found | {"scale": scale, "shrink_percent": 100 * (1 - 1 / scale), "further_shrink_percent": 100 * (1 - today / scale),
                    "is_met": abs(scale / today - 1) <= SAME_SCALE, "reason": words}  # fmt: skip


def _doubt(lengths: Sequence[Mapping[str, Any]], mean: float, spread: float) -> str:
    """Why the lengths do not agree on one shrink; empty where they do.

    One whose length would still be off by more than its tolerance after it, or a mean within its 95 % interval from nothing (Student's t): a
    shrink is the same along every length.
    """
    off = [row for row in lengths if abs(row["measured_mm"] - math.exp(mean) * row["nominal_mm"]) > row["tolerance_mm"] + ROUNDING_MM]
    if off:
        worst = max(off, key=lambda row: abs(row["measured_mm"] / row["nominal_mm"] - math.exp(mean)))
        percent = 100 * (worst["measured_mm"] / worst["nominal_mm"] - 1)
        return (f"they differ among themselves: {worst['measure']} is off by {percent:+.2f} %, and one shrink for all would leave it beyond its "
                "tolerance. This is not shrink alone: look at the part and at what was measured first")  # fmt: skip
    if len(lengths) > 1 and student_t(len(lengths) - 1) * spread / math.sqrt(len(lengths)) > abs(mean):
        if all(row["verdict"] == "pass" for row in lengths):
            return "that is within their tolerances and what chance makes of them: change nothing"
        return f"they differ among themselves by too much ({100 * spread:.2f} %) to tell shrink from chance: measure more lengths, or each again"
    return ""
