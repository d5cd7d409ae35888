"""The part of the index that shows how neighbours from different sources meet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.report.markup import Html, figure, join, number, table, tag
from meshtools.report.words import SEVERITIES

VERDICTS = {
    "fits": "fits",
    "review": "look at it",
    "one source": "bones of one animal at one size",
    "a part": "one of the bones is only a part, so its end may be missing",
    "no reference": "no individual has both bones",
    "no width": "one of the bones has no measurable width",
    "not made": "one of the replicas was not made",
}
HEAD = ("Joint", "Width of the first", "Width of the second", "Ratio", "Expected", "Departure", "Gap", "Overlap", "Judged")


def joints_part(fit: Mapping[str, Any] | None) -> Html | str:
    """Table and findings of the joints of one target. fit: `rows` of stages.fit.check_fit, `gap` a sentence, `findings`; None for no joints."""
    if not fit or not fit["rows"]:
        return ""
    rows = [_cells(row) for row in fit["rows"]]
    items = []
    for found in fit["findings"]:
        sign, words = SEVERITIES[found["severity"]]
        severity = tag("span", tag("span", sign, class_="sign", aria_hidden="true"), words, class_="severity")
        items.append(tag("li", severity, tag("span", found["message"]), class_=found["severity"]))
    caption = "Joints between replicas of different individuals or factors, and those that a common frame shows"
    listed = tag("ul", *items, class_="findings") if items else ""
    return join([table(HEAD, rows, caption, numeric=(1, 2, 3, 4, 5, 6, 7)), listed, tag("p", fit["gap"], class_="small")])


def _cells(row: Mapping[str, Any]) -> tuple[Any, ...]:
    whole = [" whole" if end == "whole" else "" for end in row["ends"] or ("", "")]
    widths = [
        figure(row[key], "mm", 1) + words if row[key] is not None else "–" for key, words in zip(("width_a_mm", "width_b_mm"), whole, strict=True)
    ]
    ratios = [number(row[key], 2) if row[key] is not None else "–" for key in ("ratio", "expected_ratio")]
    departure = figure(row["departure_percent"], "%", 1) if row["departure_percent"] is not None else "–"
    gaps = [figure(row[key], "mm", 1) if row.get(key) is not None else "–" for key in ("gap_mm", "overlap_mm")]
    return row["joint"], *widths, *ratios, departure, *gaps, VERDICTS[row["verdict"]]
