"""The page of one bone: a single HTML file without any other file or connection, laid out as a sheet of paper."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from typing import Any

from meshtools.counted import counted
from meshtools.evidence import unsigned_words
from meshtools.report import sections
from meshtools.report.armature import armature
from meshtools.report.chips import class_chip, in_bytes, page_parts, running_script, status_mark
from meshtools.report.completing import completing
from meshtools.report.conjecture import conjecture
from meshtools.report.making import making
from meshtools.report.markup import Html, asset, join, section, tag
from meshtools.report.view import view_figure
from meshtools.report.words import STATUSES, shown_status

HAS_REPLICA = ("ready", "review")
BACK_TO_INDEX = tag("p", tag("a", "Index of the batch", href="../../index.html"), class_="back")  # results/TARGET/ELEMENT/report.html


def bone_page(sheet: Mapping[str, Any]) -> str:
    """The page of a sheet (see report.sheet.Sheet). A failed element or a gap gets a page that says why and what to do.

    Deterministic: equal sheets give equal bytes. Values from tables are escaped.
    """
    return "".join(_parts(sheet))


def bone_page_bytes(sheet: Mapping[str, Any]) -> bytes:
    """The same in UTF-8. Most of it is the viewer, whose bytes are the same on every page."""
    viewer = running_script(viewer_script())[0]
    return b"".join(in_bytes(viewer) if part is viewer else part.encode() for part in _parts(sheet))


def _parts(sheet: Mapping[str, Any]) -> tuple[str, ...]:
    has_replica = sheet["status"] in HAS_REPLICA
    body = _replica_body(sheet) if has_replica else _absent_body(sheet)
    scripts: list[tuple[str, str]] = []
    if has_replica and sheet["viewer"] is not None:
        scripts = [("json", json.dumps(sheet["viewer"], sort_keys=True, allow_nan=False)), ("js", viewer_script())]
    title = f"{sheet['title']} – {sheet['target']} – {sheet['part_id']}"
    return page_parts(title, tag("main", BACK_TO_INDEX, _head(sheet), body, _foot(sheet), class_="sheet"), asset("style.css"), tuple(scripts))


@cache
def viewer_script() -> str:
    """The viewer with the licence of the library that it contains, which every copy must carry."""
    return f"/* The viewer contains three.js.\n\n{asset('LICENSE-three.txt')}*/\n{asset('viewer.js')}"


def _head(sheet: Mapping[str, Any]) -> Html:
    planned = "" if sheet["status"] in HAS_REPLICA else "planned as "
    chip = tag("p", class_chip(sheet["evidence"], sheet["evidence_words"]), " ", planned, sheet["evidence_words"], class_="class")
    name = tag("div", tag("p", f"Replica for {sheet['target']}", class_="over"), tag("h1", sheet["title"]), chip)
    revision = tag("span", f"revision {sheet['revision']}", class_="small") if sheet["revision"] else ""
    label = tag("div", tag("span", "Part", class_="over"), tag("b", sheet["part_id"]), revision, class_="label")
    return tag("header", name, tag("div", label, status_mark(sheet["status"]), tag("p", _status_words(sheet), class_="small"), class_="corner"))


def _status_words(sheet: Mapping[str, Any]) -> Html:
    asking = [row["stage"].split("/")[0] for row in sheet["findings"] if row["severity"] == "review"]
    n_open, decision = len(asking), sheet["sign_off"]
    if sheet["status"] == "review" and n_open and decision["state"] == "signed":
        words = f"signed by {decision['by']} on {decision['date']} with {counted(n_open, 'open finding')}{unsigned_words(asking)}"
        return tag("a", words, href="#findings")
    if sheet["status"] == "review" and n_open:
        return tag("a", f"{n_open} {'finding needs' if n_open == 1 else 'findings need'} a person", href="#findings")
    parts = [f"{row['route']} {shown_status(row['status'])}" for row in (sheet.get("making") or {}).get("made", ()) if row["status"] != "ready"]
    holes = sheet.get("armature")
    if sheet["status"] == "ready" and not parts and holes and holes["status"] != "ready":
        return tag("a", f"the replica is, its holes for the armature are not: {holes['status']}", href="#armature")
    if sheet["status"] == "ready" and parts:
        return tag("a", f"the replica is, what is made of it is not: {', '.join(parts)}", href="#making")
    return join([STATUSES[sheet["status"]][1]])


def _replica_body(sheet: Mapping[str, Any]) -> Html:
    columns = tag("div", sections.measures(sheet), sections.evidence(sheet), sections.tolerance(sheet), sections.calipers(sheet),
                  sections.fills(sheet), class_="columns")
    return join([
        view_figure(sheet), sections.came_from(sheet), completing(sheet), conjecture(sheet), sections.findings(sheet), columns, armature(sheet),
        making(sheet), sections.files(sheet), sections.sign_off(sheet), sections.cautions(sheet),
    ])


def _absent_body(sheet: Mapping[str, Any]) -> Html:
    """No replica: why, what to do, the next best source, and where it would have come from."""
    reasons = [row["message"] for row in sheet["findings"] if row["severity"] == "failed"] or [sheet["reason"]]
    why = section("Why there is no replica", *(tag("p", reason) for reason in reasons), class_="wide absent")
    others = [row for row in sheet["findings"] if row["severity"] != "failed"]
    found = sections.findings(dict(sheet) | {"findings": others}) if others else ""
    return join([why, _what_to_do(sheet), sections.came_from(sheet), found, sections.cautions(sheet)])


def _what_to_do(sheet: Mapping[str, Any]) -> Html:
    best = sheet["next_best"]
    steps = []
    if sheet["evidence"] == "SCU":
        steps.append(tag("li", "Put the file made by hand in its place, or correct its path or content: kind class, value SCU in decisions.csv."))
    elif sheet["finds"] and sheet["status"] == "failed":
        names = ", ".join(row["find"] for row in sheet["finds"])
        steps.append(tag("li", f"Scan again, or repair the file and register it as a new scan: {names}."))
    if best:
        choose = f"in decisions.csv: target {sheet['target']}, element {sheet['element']}, kind donor, find {best['find']}."
        steps.append(tag("li", "Or choose the next best source, ", class_chip(best["class"]), " ", tag("b", best["find"]),
                         f" ({best['why'].rstrip('.')}), ", choose, " Nothing is put in its place without such a row."))
    else:
        steps.append(tag("li", "The register holds no other source: scan or borrow a bone of this element, or measure one that leads to it."))
    steps.append(tag("li", "Or decide to leave it out: kind class, value NONE, with the reason. That is a valid decision."))
    return section("What to do", tag("ul", *steps), class_="wide")


def _foot(sheet: Mapping[str, Any]) -> Html:
    made = "Made from the records of the batch; the same facts stand in report.json beside this page."
    return tag("footer", f"{sheet['part_id']}: a replica, not a specimen. " if sheet["status"] in HAS_REPLICA else "", made)
