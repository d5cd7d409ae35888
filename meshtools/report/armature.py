"""The part of a bone's page about the holes of its armature: which are cut, how wide and deep, with how much wall, and which are not and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from meshtools.report.chips import status_mark
from meshtools.report.markup import Html, figure, join, section, table, tag
from meshtools.report.words import SEVERITIES

KINDS = {"bore": "bore, through the bone", "socket": "socket, with a bottom", "row": "bore of a row, through the bone"}
HEAD = ("Hole", "Kind", "For a rod of", "Diameter", "Depth", "Least wall around it")


def armature(sheet: Mapping[str, Any]) -> Html | str:
    """The holes of fixings.csv; nothing for a bone that has none."""
    facts = sheet.get("armature")
    if not facts:
        return ""
    return section("Holes for the armature", tag("p", status_mark(facts["status"])), _holes(facts), findings_list(facts["findings"]), class_="wide",
                   id="armature")  # fmt: skip


def _holes(facts: Mapping[str, Any]) -> Html:
    if not facts["holes"]:
        return tag("p", "No hole is cut into it; replica and routes are without.")
    rows = [
        (row["name"], KINDS[row["kind"]], *(figure(row[key], "mm", 2) for key in ("rod_mm", "hole_mm", "depth_mm", "wall_mm")))
        for row in facts["holes"]
    ]
    where = tag("a", "holes.csv", href=facts["table"]) if facts["table"] else "holes.csv"
    words = "Cut into armature/bored.ply, which routes take in place of the replica; walls are proven. Their places in the frame of every file: "
    note = tag("p", words, where, ".", class_="small")
    return join([table(HEAD, rows, numeric=(2, 3, 4, 5)), note])


def findings_list(findings: Sequence[Mapping[str, Any]], before: str = "") -> Html | str:
    """Findings as a list of sentences with their severity. before: words set before each."""
    items = []
    for row in findings:
        sign, words = SEVERITIES[row["severity"]]
        severity = tag("span", tag("span", sign, class_="sign", aria_hidden="true"), words, class_="severity")
        items.append(tag("li", severity, tag("span", f"{before}{row['message']}", class_="sentence"), class_=row["severity"]))
    return tag("ul", *items, class_="findings") if items else ""
