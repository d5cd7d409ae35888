"""Fit: do neighbours whose replicas come from different sources have joint ends that suit each other? Widths in, rows and findings out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from meshtools.geometry.end_widths import EndWidths
from meshtools.model import Finding, Severity
from meshtools.settings import FitSettings

NOT_MEASURED = "Where no gap is given, poses.csv does not say how bones of both elements lie in one frame."
HOW_MEASURED = "Gaps are the least distance of the two replicas, set as bones of poses.csv lie in their frame and pose.csv says."
ENDS = ("wide", "narrow")
Ends = tuple[str, str]


def check_fit(joint: tuple[str, str], widths: tuple[EndWidths | None, EndWidths | None], references: Mapping[str, tuple[EndWidths, EndWidths]],
              settings: FitSettings) -> tuple[dict[str, Any], tuple[Finding, ...]]:  # fmt: skip
    """Compare the widths of two replicas at their joint with the same two bones of single individuals.

    joint: the two slugs; widths of their replicas, None where one was not made; references: by the names of two finds of one individual, the
    widths of both. Which end faces the joint is not known: it is taken to be the pair of ends that are most alike, in the references where there
    are any. A bone without a long axis is compared as a whole. ratio is width a / width b, None where only one is whole and there is no reference;
    expected_ratio the geometric mean of the references.
    """
    a, b = joint
    row: dict[str, Any] = {"joint": f"{a} / {b}", "a": a, "b": b, "references": sorted(references)}
    row |= dict.fromkeys(("width_a_mm", "width_b_mm", "ends", "ratio", "expected_ratio", "departure_percent"))
    one, other = widths
    if one is None or other is None:
        return row | {"verdict": "not made"}, ()
    ends = matching_ends((one, other), list(references.values()))
    if not min(_width(bone, end) for pair in (*references.values(), (one, other)) for bone, end in zip(pair, ends, strict=True)) > 0:
        return row | {"verdict": "no width"}, ()
    width_a, width_b = _width(one, ends[0]), _width(other, ends[1])
    row |= {"width_a_mm": round(width_a, 4), "width_b_mm": round(width_b, 4), "ends": list(ends), "ratio": round(width_a / width_b, 6)}
    if not references:  # the size of a whole bone and the width of an end have no ratio that says anything by itself
        return row | {"verdict": "no reference"} | ({"ratio": None} if ends.count("whole") == 1 else {}), ()
    expected = math.exp(math.fsum(math.log(_width(p, ends[0]) / _width(q, ends[1])) for p, q in references.values()) / len(references))
    departure = 100.0 * (width_a / width_b / expected - 1.0)
    row |= {"expected_ratio": round(expected, 6), "departure_percent": round(departure, 4)}
    limit = settings.joint_width_review_percent
    if abs(departure) <= limit:
        return row | {"verdict": "fits"}, ()
    which = f"{a} is {abs(departure):.0f} % {'wider' if departure > 0 else 'narrower'} than {b} asks for"
    message = (
        f"{a} and {b}: at their joint {which}: {width_a:.1f} mm to {width_b:.1f} mm, {width_a / width_b:.2f}, where {_named(references)} "
        f"{'has' if len(references) == 1 else 'have'} {expected:.2f}. Look at the factors and the choice of bones before the parts are made."
    )
    return row | {"verdict": "review"}, (Finding(Severity.REVIEW, "joint-width", message, round(departure, 4), limit, "%"),)


def unjudged_row(joint: tuple[str, str], verdict: str) -> dict[str, Any]:
    """The row of a joint whose widths are not compared: `one source`, which suit each other as they did in the animal, or `a part`, of which nobody
    knows whether its end at the joint is there."""
    row: dict[str, Any] = {"joint": f"{joint[0]} / {joint[1]}", "a": joint[0], "b": joint[1], "references": [], "verdict": verdict}
    return row | dict.fromkeys(("width_a_mm", "width_b_mm", "ends", "ratio", "expected_ratio", "departure_percent"))


def gap_note(rows: Sequence[Mapping[str, Any]]) -> str:
    """A sentence below the table of joints: how gaps were measured, and why some were not."""
    is_known = [row["gap_mm"] is not None for row in rows]
    return " ".join(words for words, says in ((HOW_MEASURED, any(is_known)), (NOT_MEASURED, not all(is_known))) if says)


def matching_ends(replicas: tuple[EndWidths, EndWidths], references: Sequence[tuple[EndWidths, EndWidths]]) -> Ends:
    """The ends of two bones, wide or narrow, that are most alike in width over all references, or of the replicas themselves where there are
    none; `whole` for a bone that has no ends in one of them."""
    allowed = [ENDS if all(pair[k].has_axis for pair in (*references, replicas)) else ("whole",) for k in (0, 1)]
    pairs = references or [replicas]

    def unlike(ends: Ends) -> float:
        return math.fsum(abs(math.log(max(_width(p, ends[0]), 1e-9) / max(_width(q, ends[1]), 1e-9))) for p, q in pairs)

    return min([(first, second) for first in allowed[0] for second in allowed[1]], key=unlike)


def _width(bone: EndWidths, end: str) -> float:
    return {"wide": bone.wide_mm, "narrow": bone.narrow_mm, "whole": bone.whole_mm}[end]


def _named(references: Mapping[str, Any]) -> str:
    return "; ".join(sorted(references))
