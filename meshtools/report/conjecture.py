"""The part of a bone's sheet about an element without a bone: how it was interpolated or scaled, and what else could stand in its place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.report.markup import Html, figure, number, pairs, section, tag


def conjecture(sheet: Mapping[str, Any]) -> Html | str:
    """How a bone of class INT or EXT was made; nothing for any other."""
    facts = sheet["conjecture"]
    if not facts:
        return ""
    if facts["method"] == "interpolated":
        rows, words = _interpolated(facts), _choice(sheet, facts)
    else:
        rows = [("Made from", f"{facts['template']}, a neighbour of its series, scaled by {number(sheet['factor'], 4)}")]
        words = "No bone of this place was found. Its shape is that of its neighbour, its size a model: conjecture, not evidence."
    return section("Conjecture", pairs(rows), tag("p", words), class_="wide conjecture")


def _interpolated(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    before, made, after = (number(size, 2) for size in facts["sizes_mm"])
    deviation = f"{figure(facts['deviation_rms_mm'], 'mm', 2)} rms, {figure(facts['deviation_max_mm'], 'mm', 2)} at most"
    shape = f"bent towards {facts['other']}" if facts["is_bent"] else f"not changed: {facts['reason']}"
    return [
        ("Made from", f"{facts['template']}, scaled by {number(facts['size_factor'], 4)}; its shape {shape}"),
        ("Place between the two", f"{number(facts['fraction'], 3)} of the way from the one before to the one after"),
        ("Greatest lengths", f"{before} mm before, {made} mm here, {after} mm after"),
        ("Fit of the two neighbours", f"{figure(facts['fit_residual_percent'], '%', 2)} of the length rms is left between them"),
        ("From the neighbour that is only scaled", deviation),
    ]


def _choice(sheet: Mapping[str, Any], facts: Mapping[str, Any]) -> str:
    row = f"target {sheet['target']}, element {sheet['element']}, find {facts['template']}, kind class, value INT"
    factor = f"and one of kind factor, value {number(facts['size_factor'], 4)}, without which its size goes by greatest lengths alone"
    return (
        "No bone of this place was found: this one is conjecture, and so is the neighbour that is only scaled. In trials neither was always "
        f"nearer to the truth. To take the scaled neighbour, add a row to decisions.csv: {row}; {factor}."
    )
