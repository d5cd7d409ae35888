"""The parts of a bone's sheet below the view. Each takes the sheet and returns markup, or nothing where it has nothing to say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.report.chips import class_chip
from meshtools.report.markup import Html, NOT_STATED, figure, join, number, pairs, percent, plain_value, section, table, tag
from meshtools.report.words import HATCHED, SEVERITIES

Sheet = Mapping[str, Any]


def came_from(sheet: Sheet) -> Html:
    """Finds, reflection, factor with interval and basis, the reason, and what was looked at and not taken."""
    finds = [
        (row["find"], row["catalog_number"] or NOT_STATED, row["organism_id"], _taxon(row), _element_words(row), _preserved(row), row["scan"])
        for row in sheet["finds"]
    ]
    head = ("Find", "Catalogue number", "Individual", "Taxon, stage", "Element", "Preserved", "Scan")
    body = [table(head, finds, numeric=(5,)) if finds else tag("p", "No find stands behind this element.")]
    body.append(pairs([
        ("Reason", sheet["reason"]),
        ("Reflected", "yes, to the other side of the body" if sheet["reflected"] else "no"),
        ("Factor", _factor_words(sheet)),
        ("Basis of the factor", sheet["factor_basis"] or NOT_STATED),
    ]))
    remarks = [f"{row['find']}: {text}" for row in sheet["finds"] for text in (row["condition"], row["pathology"], row["deformation"], row["remarks"]) if text]
    if remarks:
        body.append(tag("p", "From the register: ", "; ".join(remarks), "."))
    return section("Where it comes from", *body, _tried(sheet), class_="wide")


def _taxon(row: Mapping[str, Any]) -> Html:
    qualifier = f"{row['identification_qualifier']} " if row["identification_qualifier"] else ""
    name = tag("i", row["scientific_name"]) if row["scientific_name"] else NOT_STATED
    return join([qualifier, name, f", {row['life_stage']}" if row["life_stage"] else ""])


def _element_words(row: Mapping[str, Any]) -> str:
    return ", ".join(str(row[key]) for key in ("element", "side", "portion") if row[key])


def _preserved(row: Mapping[str, Any]) -> str:
    return figure(row["preserved_percent"], "%", 0)


def _factor_words(sheet: Sheet) -> str:
    text = f"× {number(sheet['factor'], 4)}"
    if sheet["factor_interval"]:
        low, high = sheet["factor_interval"]
        return f"{text} (95 % interval {number(low, 4)} to {number(high, 4)})"
    return text + (", not scaled" if sheet["factor"] == 1 else ", no interval stated")


def _tried(sheet: Sheet) -> Html | str:
    if not sheet["tried"]:
        return ""
    rows = [(class_chip(row["class"]), row["find"] or "–", row["why"]) for row in sheet["tried"]]
    return table(("Class", "Find", "Why not"), rows, "Looked at and not taken")


def findings(sheet: Sheet) -> Html:
    """Every finding as a sentence, the gravest first, with the figure and the limit behind it."""
    if not sheet["findings"]:
        return section("Findings", tag("p", "Nothing was found that a person needs to know."), class_="wide", id="findings")
    items = []
    for row in sheet["findings"]:
        sign, words = SEVERITIES[row["severity"]]
        severity = tag("span", tag("span", sign, class_="sign", aria_hidden="true"), words, class_="severity")
        items.append(tag("li", severity, tag("span", row["message"], class_="sentence"), tag("span", _value_and_limit(row), class_="behind"),
                         class_=row["severity"]))
    return section("Findings", tag("ul", *items, class_="findings"), class_="wide", id="findings")


def _value_and_limit(row: Mapping[str, Any]) -> str:
    value, limit = plain_value(row["value"], row["unit"]), plain_value(row["limit"], row["unit"])
    return f"{value}, limit {limit}" if value and limit else value or (f"limit {limit}" if limit else "")


def measures(sheet: Sheet) -> Html:
    """Volume, area, extents, estimated mass with the assumed density, centre of mass."""
    facts, mass = sheet["measures"], sheet["mass"]
    density = figure(mass["density_kg_m3"], "kg/m³", 0) + (f" ({mass['density_basis']})" if mass["density_basis"] else "")
    rows = [
        ("Volume", _volume(facts["volume_mm3"])),
        ("Surface area", figure(facts["area_mm2"], "mm²", 0)),
        ("Extents x, y, z", _triple(facts["extents_mm"])),
        ("Estimated mass, solid", figure(mass["mass_kg"], "kg", 3) if mass["mass_kg"] is not None else NOT_STATED),
        ("Assumed density", density),
        ("Centre of mass x, y, z", _triple(facts["centre_of_mass_mm"])),
        ("Separate bodies", _bodies(facts)),
    ]
    return section("Measures", pairs(rows), tag("p", "In the coordinates of the scan, at the target's true size.", class_="small"))


def _volume(volume_mm3: Any) -> str:
    text = figure(volume_mm3, "mm³", 0)
    return text if text == NOT_STATED else f"{text} ({figure(volume_mm3 / 1000, 'cm³', 1)})"


def _triple(values: Any) -> str:
    return " × ".join(number(value, 2) for value in values) + " mm" if values else NOT_STATED


def _bodies(facts: Mapping[str, Any]) -> str:
    if facts["n_pieces_before"] in (None, facts["n_pieces"]):
        return number(facts["n_pieces"], 0)
    return f"{number(facts['n_pieces'], 0)}, united from {number(facts['n_pieces_before'], 0)}"


def evidence(sheet: Sheet) -> Html | str:
    """Shares of the surface by class, and the share from bone with its basis."""
    if not sheet["shares"]:
        return ""
    rows = [(class_chip(row["class"]), row["words"], percent(row["area_ratio"]), figure(row["volume_mm3"], "mm³", 0)) for row in sheet["shares"]]
    segments = [
        tag("span", row["class"] if row["area_ratio"] > 0.1 else "", class_="chip hatched" if row["class"] in HATCHED else "chip",
            style=f"flex-grow:{row['area_ratio']:.4f};{_chip_style(row['class'])}") for row in sheet["shares"]
    ]
    total = f"{percent(sheet['from_bone_ratio'])} of the surface area comes from a source; the rest is nobody's bone (FILL, MADE)."
    return section(
        "Evidence", tag("div", *segments, class_="shares", aria_hidden="true"), tag("p", total),
        table(("Class", "Meaning", "Area", "Volume"), rows, numeric=(2, 3)),
        tag("p", "Volume is the share of the area times the volume of the whole, not a measured part.", class_="small"),
    )


def _chip_style(code: str) -> str:
    from meshtools.report.words import class_words

    words = class_words(code)
    return f"background-color:{words.colour};color:{words.ink}"


def tolerance(sheet: Sheet) -> Html:
    """The deviation between replica and scan, both ways, against the tolerance."""
    ways = (("replica_to_scan", "Replica to scan"), ("scan_to_replica", "Scan to replica"))
    keys = ("max_mm", "max_bound_mm", "p99_mm", "p95_mm", "mean_mm")
    known = [(label, sheet["deviation"][key]) for key, label in ways if sheet["deviation"][key]]
    limit = tag("p", "Tolerance of the finished part: ", tag("b", figure(sheet["tolerance_mm"], "mm", 2)), ".")
    if not known:
        return section("Tolerance and deviation", limit, tag("p", "The deviation was not measured."))
    rows = [(label, *(number(way.get(key), 3) for key in keys), number(way.get("n"), 0)) for label, way in known]
    head = ("mm", "Largest found", "Bound", "99 %", "95 %", "Mean", "Points")
    note = "Bound: no point of the surface lies farther than this. Largest found, 99 %, 95 % and mean are of the points compared."
    return section("Tolerance and deviation", limit, table(head, rows, numeric=range(1, 7)), tag("p", note, class_="small"))


def calipers(sheet: Sheet) -> Html:
    """Lengths of the mesh against lengths taken on the bone; one that set the scale proves nothing and says so."""
    rows = []
    for row in sheet["calipers"]:
        difference, limit = row.get("difference_mm"), row.get("limit_mm")
        is_checked = isinstance(difference, (int, float)) and isinstance(limit, (int, float)) and row.get("role") != "scale"
        verdict = ("within" if abs(difference) <= limit else "beyond") if is_checked else "sets the scale" if row.get("role") == "scale" else NOT_STATED
        rows.append((row["find"], row.get("measure"), number(row.get("caliper_mm"), 2), number(row.get("mesh_mm"), 2), number(difference, 2),
                     number(limit, 2), verdict))
    head = ("Find", "Measure", "Caliper", "Mesh", "Difference", "Limit", "")
    body = table(head, rows, numeric=(2, 3, 4, 5)) if rows else tag("p", "No caliper length stands in the register: the scale is unchecked.")
    return section("Caliper check (mm)", body)


def fills(sheet: Sheet) -> Html:
    """Every hole that was closed, with its size and how."""
    rows = [(row["find"] or "replica", number(row.get("span_mm"), 1), number(row.get("area_mm2"), 1), row.get("how") or NOT_STATED) for row in sheet["fills"]]
    body = table(("On", "Span, mm", "Area, mm²", "How"), rows, numeric=(1, 2)) if rows else tag("p", "No hole was closed.")
    return section("Filled holes", body)


def files(sheet: Sheet) -> Html:
    """Files with their checksums."""
    rows = [(tag("code", row["path"]), tag("code", row["sha256"], class_="sum")) for row in sheet["files"]]
    body = table(("File", "SHA-256"), rows) if rows else tag("p", "No file was written.")
    return section("Files", body, class_="wide")


def sign_off(sheet: Sheet) -> Html:
    """Who signed, on which evidence; an empty box to sign on paper where nobody has."""
    decision = sheet["sign_off"]
    key = tag("p", "Evidence key ", tag("code", sheet["evidence_key"]), class_="small")
    if decision["state"] == "signed":
        body = [tag("p", tag("b", "✓ Signed"), f" by {decision['by']} on {decision['date']}: {decision['reason']}")]
    else:
        lapsed = f"Signed by {decision['by']} on {decision['date']} for other evidence (key {decision['evidence_key']}); that signature has lapsed. "
        first = [lapsed] if decision["state"] == "lapsed" else []
        body = [
            tag("p", tag("b", "○ Unsigned. "), *first, "To sign, add a row of kind sign-off with the evidence key to decisions.csv."),
            tag("div", *(tag("span", label) for label in ("Name", "Date", "Signature")), class_="lines"),
        ]
    return section("Sign-off", *body, key, class_="wide signoff")


def cautions(sheet: Sheet) -> Html | str:
    """The cautions that apply to this part."""
    if not sheet["cautions"]:
        return ""
    items = [tag("li", row["text"], f" ({row['source']})" if row["source"] else "") for row in sheet["cautions"]]
    note = "They name sources and replace none: local codes and licensed practice decide."
    return section("Cautions", tag("ul", *items), tag("p", note, class_="small"), class_="wide cautions")
