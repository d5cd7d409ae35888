"""The part of a bone's page about making it: routes with their job sheets, what was measured on finished parts, and advice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from meshtools.report.armature import findings_list
from meshtools.report.chips import status_mark
from meshtools.report.markup import NOT_STATED, Html, figure, join, number, section, table, tag

ROUTE_WORDS = {"print": "print", "cnc": "carving in foam", "mould": "mould and cast"}
ARTICLE_WORDS = {"first": "first article", "delivery": "delivery"}
VERDICTS = {"pass": "✓ pass", "fail": "✕ fail", "no nominal": "no nominal"}


def making(sheet: Mapping[str, Any]) -> Html | str:
    """Routes, received parts and advice; nothing where the page has none of them."""
    facts = sheet.get("making")
    if not facts:
        return ""
    parts = [_routes(facts["made"]), _findings(facts["made"]), _prices(facts["made"]), _received(facts), _advice(facts["advice"], sheet)]
    return section("Making it", *(part for part in parts if part), class_="wide", id="making") if any(parts) else ""


def _routes(made: Sequence[Mapping[str, Any]]) -> Html | str:
    if not made:
        return tag("p", "No route is chosen for it: say in config.yaml, section routes, what it is made by.")
    rows = [
        (
            _route_name(row), status_mark(row["status"]), _link(row["sheet"], "job sheet"), _link(row["package"], "all files"),
            number(row["n_solids"], 0), figure(row["mass_kg"], "kg", 3), figure(row["machine_hours"], "h", 1) if row["machine_hours"] else "–",
        )
        for row in made
    ]  # fmt: skip
    head = ("Route", "Status", "Sheet", "Archive", "Solids", "Mass of the part", "Machine time")
    bases = sorted({row["machine_hours_basis"] for row in made if row["machine_hours_basis"]})
    note = tag("p", "Masses are volumes times assumed densities; times are estimates: ", "; ".join(bases), ".", class_="small") if bases else ""
    return join([table(head, rows, numeric=(4, 5, 6)), note])


def _route_name(row: Mapping[str, Any]) -> str:
    machine = f" ({row['machine']})" if row["machine"] else ""
    return f"{ROUTE_WORDS[row['route']]}{machine}"


def _link(address: str, words: str) -> Html | str:
    return tag("a", words, href=address) if address else "–"


def _findings(made: Sequence[Mapping[str, Any]]) -> Html | str:
    return join([findings_list(route["findings"], f"{ROUTE_WORDS[route['route']]}: ") for route in made])


def _prices(made: Sequence[Mapping[str, Any]]) -> Html | str:
    rows = [
        (ROUTE_WORDS[route["route"]], row["what"], row["material"], figure(row["price"], row["currency"], 2), row["basis"])
        for route in made for row in route["prices"] if row["price"] is not None
    ]  # fmt: skip
    if not rows:
        return ""
    note = tag("p", "Material alone, from the prices in config.yaml: an estimate to compare routes with, never a quote.", class_="small")
    return join([table(("Route", "Of", "Material", "Price", "Reckoned from"), rows, "Material prices", numeric=(3,)), note])


def _received(facts: Mapping[str, Any]) -> Html | str:
    if not facts["received"]:
        return ""
    rows = [
        (
            ROUTE_WORDS[row["route"]], row["part"] or "whole part", row["measure"], ARTICLE_WORDS[row["article"]], row["date"], row["by"],
            number(row["nominal_mm"], 2), number(row["measured_mm"], 2), number(row["difference_mm"], 2), _tolerance(row), VERDICTS[row["verdict"]],
        )
        for row in facts["received"]
    ]  # fmt: skip
    head = ("Route", "Part", "Length", "Article", "Date", "By", "Nominal", "Measured", "Difference", "Tolerance", "Verdict")
    caption = "Measured on finished parts, mm; a sheet's tolerance unless a row states its own"
    return join([table(head, rows, caption, numeric=(6, 7, 8, 9)), *(_scale(row) for row in facts["next_scales"])])


def _tolerance(row: Mapping[str, Any]) -> str:
    return f"± {row['tolerance_mm']:g} ({row['basis']})" if row["tolerance_mm"] is not None else NOT_STATED


def _scale(row: Mapping[str, Any]) -> Html:
    return tag("p", scale_sentence(row), class_="small")


def scale_sentence(row: Mapping[str, Any]) -> str:
    """What was found about the size of what a route made, and what to make the next one with."""
    route = ROUTE_WORDS[row["route"]]
    if row["scale"] is None:
        return f"{route}: no shrink is proposed, {row['reason']}."
    if row["route"] != "mould" and row["is_met"]:
        return f"{route}: {row['reason']}: change nothing."
    if row["route"] == "mould" and row["is_met"]:
        made, today = f"{row['made_scale']:.6f}", f"{row['applied_scale']:.6f}"
        return f"{route}: {row['reason']} when made with scale {made}. Today's {today} makes up for it: change nothing."
    if row["route"] == "mould":
        entry = f"{{name: measured, shrink_percent: {row['further_shrink_percent']:.3f}, source: first article of {row['date']}}}"
        words = f"Make the next with scale {row['scale']:.6f} instead of today's {row['applied_scale']:.6f}: add {entry} to shrink in section mould"
        return f"{route}: {row['reason']}. {words} (all steps as one: {row['shrink_percent']:.3f} %)."
    unless = f"unless that was done since {row['date']}"
    return f"{route}: {row['reason']}. Its machine is to be calibrated by {row['scale']:.6f}, {unless}; files stay at nominal size."


def _advice(advice: Sequence[Mapping[str, Any]], sheet: Mapping[str, Any]) -> Html | str:
    if not advice:
        is_open = sheet["measures"]["volume_mm3"] is None
        return tag("p", "Which route suits it, and what it weighs, can be told once the replica is closed.", class_="small") if is_open else ""
    rows = [(_route_name(row), row["verdict"], "; ".join(row["reasons"])) for row in advice]
    note = "An aid, from 1500 points of the surface and the machines of config.yaml. The choice is a person's, in section routes."
    return join([table(("Route", "Suits?", "Why"), rows, "Which route suits it"), tag("p", note, class_="small")])
