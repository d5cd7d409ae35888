"""The parts of a bone's sheet below the view. Each takes the sheet and returns markup, or nothing where it has nothing to say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.counted import counted
from meshtools.evidence import sign_off_row
from meshtools.report.chips import class_chip
from meshtools.report.markup import NOT_STATED, Html, figure, join, number, pairs, percent, plain_value, section, table, tag
from meshtools.report.words import FROM_BONE, HATCHED, SEVERITIES, class_words

Sheet = Mapping[str, Any]
SCALE_WORDS = {
    "unit": "the unit stated for its file", "caliper": "the first caliper length", "scale-points": "two marked points", "none": "nothing: unknown",
}
LEAST_FLAT_PERCENT = 0.01  # of what both sides have lost: less is not told
MOST_FILLS = 10  # on the page; report.json lists all
SIGN_OFF_CELLS = "target,element,find,kind,value,by,date,reason,evidence_key"
REMARKS = ("condition", "pathology", "deformation", "remarks")


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
        ("Reflected", "yes, to the other side of the body" if sheet["reflected"] else "only the part taken over" if sheet["restoration"] else "no"),
        ("Factor", _factor_words(sheet)),
        ("Basis of the factor", sheet["factor_basis"] or NOT_STATED),
    ]))
    remarks = [f"{row['find']}: {row[key]}" for row in sheet["finds"] for key in REMARKS if row[key]]
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
    open_words = ": the replica is open" if facts["volume_mm3"] is None and sheet["closed_rims"]["n_open_rims"] else ""
    rows = [
        ("Volume", _volume(facts["volume_mm3"]) + open_words),
        ("Surface area", figure(facts["area_mm2"], "mm²", 0)),
        ("Greatest length", figure(facts["greatest_length_mm"], "mm", 2)),
        ("Extents x, y, z", _triple(facts["extents_mm"])),
        ("Estimated mass, solid", figure(mass["mass_kg"], "kg", 3) if mass["mass_kg"] is not None else f"{NOT_STATED}{open_words}"),
        ("Assumed density", density),
        ("Centre of mass x, y, z", _triple(facts["centre_of_mass_mm"], ", ")),
        ("Separate bodies", _bodies(facts)),
    ]
    return section("Measures", pairs(rows), tag("p", "In the coordinates of the scan, at the target's true size.", class_="small"))


def _volume(volume_mm3: Any) -> str:
    text = figure(volume_mm3, "mm³", 0)
    return text if text == NOT_STATED else f"{text} ({figure(volume_mm3 / 1000, 'cm³', 1)})"


def _triple(values: Any, between: str = " × ") -> str:
    return between.join(number(value, 2) for value in values) + " mm" if values else NOT_STATED


def _bodies(facts: Mapping[str, Any]) -> str:
    """How many bodies the replica is of, and of how many pieces they were made. In a closed one the other pieces of the surface are cavities."""
    n_before, n_pieces = facts["n_pieces_before"], facts["n_pieces"]
    is_hollow = facts["volume_mm3"] is not None and facts["n_bodies"] is not None and 0 < facts["n_bodies"] < n_pieces
    n_bodies = facts["n_bodies"] if is_hollow else n_pieces
    cavities = f" with {counted(n_pieces - n_bodies, 'closed cavity', 'closed cavities')} inside" if is_hollow else ""
    is_told = n_before not in (None, n_pieces) and not (is_hollow and n_before <= n_bodies)
    return f"{number(n_bodies, 0)}{cavities}" + (f", united from {number(n_before, 0)}" if is_told else "")


def evidence(sheet: Sheet) -> Html | str:
    """Shares of the surface by class, and the share from bone with its basis."""
    if not sheet["shares"]:
        return ""
    rows = [
        (class_chip(row["class"], row["words"]), row["words"], percent(row["area_ratio"]), figure(row["volume_mm3"], "mm³", 0))
        for row in sheet["shares"]
    ]
    segments = [
        tag("span", row["class"] if row["area_ratio"] > 0.1 else "", class_="chip hatched" if row["class"] in HATCHED else "chip",
            style=f"flex-grow:{row['area_ratio']:.4f};{_chip_style(row['class'])}") for row in sheet["shares"]
    ]
    others = ", ".join(row["class"] for row in sheet["shares"] if row["class"] not in FROM_BONE)
    rest = f"; the rest is nobody's bone ({others})." if others else "."
    total = f"{percent(sheet['from_bone_ratio'])} of the surface area comes from a scanned bone{rest}"
    seam = " A seam that joins a part taken over counts as FILL here." if sheet["restoration"] else ""
    return section(
        "Evidence", tag("div", *segments, class_="shares", aria_hidden="true"), tag("p", total),
        table(("Class", "Meaning", "Area", "Volume"), rows, numeric=(2, 3)),
        tag("p", "Volume is the share of the area times the volume of the whole, not a measured part.", seam, class_="small"),
    )


def _chip_style(code: str) -> str:
    words = class_words(code)
    return f"background-color:{words.colour};color:{words.ink}"


def tolerance(sheet: Sheet) -> Html:
    """The deviation between replica and scan, both ways, against the tolerance."""
    ways = (("replica_to_scan", "Scanned skin to scan"), ("scan_to_replica", "Scan to replica"))
    keys = ("max_mm", "max_bound_mm", "p99_mm", "p95_mm", "mean_mm")
    known = [(label, sheet["deviation"][key]) for key, label in ways if sheet["deviation"][key]]
    limit = tag("p", "Tolerance of the finished part: ", tag("b", figure(sheet["tolerance_mm"], "mm", 2)), ".")
    if not known:
        return section("Tolerance and deviation", limit, tag("p", "The deviation was not measured."))
    rows = [(label, *(number(way.get(key), 3) for key in keys), number(way.get("n"), 0)) for label, way in known]
    head = ("mm", "Largest", "Bound", "99 %", "95 %", "Mean", "Points")
    limit = join([limit, tag("p", _tolerance_words(sheet, [way for _, way in known]), _mended_words(sheet), _removed_words(sheet))])
    note = (
        "Scanned skin leaves out closed holes, parts taken over and made parts. Scan to replica also shows what of the scan is not in the replica: "
        "floaters, supports, pieces of other finds, fracture surfaces, skin within bodies that were united, skin at the mouth of a hole that was "
        "cut. Bound: no point lies farther than this; the other figures are of the points compared."
    )
    return section("Tolerance and deviation", limit, table(head, rows, numeric=range(1, 7)), tag("p", note, class_="small"))


REMOVED = {"floater": "a floating piece", "support": "a support", "not-chosen": "a piece that bones.csv does not name"}


def _removed_words(sheet: Sheet) -> str:
    """Where the largest distance from scan to replica comes from, where that is a piece that was removed, and what holds without those pieces."""
    back = sheet["deviation"]["scan_to_replica"]
    gone = (back or {}).get("removed")
    if not gone:
        return ""
    place = ", ".join(number(x, 1) for x in gone["place_mm"])
    which = REMOVED[gone["outcome"]] + (", removed from the scan" if gone["n"] == 1 else f", one of {gone['n']} pieces removed from the scan")
    return (
        f" The largest distance from scan to replica, {figure(back['max_mm'], 'mm', 3)}, is that of {which}, near ({place}) "
        f"mm; without {'it' if gone['n'] == 1 else 'them'} it is {figure(gone['without_max_mm'], 'mm', 3)}, and no point lies farther than "
        f"{figure(gone['without_bound_mm'], 'mm', 3)}."
    )


def _mended_words(sheet: Sheet) -> str:
    """What the judgement above leaves out where a finding says that mending the scan put new skin beyond the tolerance."""
    depths = [row["value"] for row in sheet["findings"] if row["code"] == "repair-depth"]
    if not depths:
        return ""
    return (
        " New skin where the scan was mended follows no scan and is left out of this: before and after mending the skin there lies up to "
        f"{figure(max(depths), 'mm', 2)} apart, as a finding says."
    )


def _tolerance_words(sheet: Sheet, ways: list[Mapping[str, Any]]) -> str:
    """One sentence that says whether the surfaces agree within the tolerance, judged by the bound where there is one."""
    skin = sheet["deviation"]["replica_to_scan"]
    bounds = [way.get("max_bound_mm", way.get("max_mm")) for way in ([skin] if skin else ways)]
    tolerance_mm = sheet["tolerance_mm"]
    if tolerance_mm is None or any(bound is None for bound in bounds):
        return "Not judged: the tolerance or the bound is not stated."
    text = figure(max(bounds), "mm", 3)
    if max(bounds) <= tolerance_mm:
        return f"Scanned skin is within it everywhere: no point of it lies farther from the scan than {text}."
    return f"Scanned skin is not within it everywhere: some point may lie as far as {text} from the scan; see the view."


def calipers(sheet: Sheet) -> Html:
    """Lengths of the mesh against lengths taken on the bone; one that set the scale proves nothing and says so."""
    rows = []
    for row in sheet["calipers"]:
        lengths = (number(row.get(key), 2) for key in ("caliper_mm", "mesh_mm", "difference_mm", "limit_mm"))
        rows.append((row["find"], row.get("measure"), *lengths, _caliper_verdict(row)))
    head = ("Find", "Measure", "Caliper", "Mesh", "Difference", "Limit", "Verdict")
    body = table(head, rows, numeric=(2, 3, 4, 5)) if rows else tag("p", "No caliper length stands in the register: the scale is unchecked.")
    scales = [f"{row['find']} from {SCALE_WORDS.get(row['scale_basis'], row['scale_basis'])}" for row in sheet["scales"]]
    size = "Lengths are of the find, before it is scaled to the target." if sheet["factor"] != 1 and rows else ""
    words = " ".join(text for text in (size, f"Scale: {'; '.join(scales)}." if scales else "") if text)
    return section("Caliper check (mm)", body, tag("p", words, class_="small") if words else "")


def _caliper_verdict(row: Mapping[str, Any]) -> str:
    if row.get("role") == "scale":
        return "sets the scale"
    if row.get("difference_mm") is None or row.get("limit_mm") is None:
        return NOT_STATED
    return "within" if abs(row["difference_mm"]) <= row["limit_mm"] else "beyond"


def fills(sheet: Sheet) -> Html:
    """All that was closed, in one sentence with the cause of each, then every hole that was closed in cleaning, with its size."""
    rims = sheet["closed_rims"]
    left = f"Rims left open: {rims['n_open_rims']}. An open surface is not delivered." if rims["n_open_rims"] else ""
    rows = [(row["find"] or "replica", number(row["rim_span_mm"], 1), number(row["area_mm2"], 1), _place(row)) for row in sheet["fills"][:MOST_FILLS]]
    head = ("On", "Span mm", "Area mm²", "Centre x, y, z, mm of the clean surface")
    caption = "Closed in cleaning: small holes, and those named in openings.csv"
    body = table(head, rows, caption, numeric=(1, 2)) if rows else ""
    rest = sheet["fills"][MOST_FILLS:]
    more = f"And {len(rest)} smaller ones of {figure(sum(row['area_mm2'] for row in rest), 'mm²')} together; report.json lists them." if rest else ""
    texts = [text for text in (_closed_words(sheet), left) if text]
    return section("Filled holes", *(tag("p", text) for text in texts), body, tag("p", more, class_="small") if more else "")


def _closed_words(sheet: Sheet) -> str:
    """What of the area has no source, and why. What both sides have lost is partly left as broken, so the causes are named, not added up."""
    rims, restoration = sheet["closed_rims"], sheet["restoration"] or {}
    share = sum(row["area_ratio"] for row in sheet["shares"] if row["class"] == "FILL")
    causes = []
    if sheet["fills"]:
        area = figure(sum(row["area_mm2"] for row in sheet["fills"]), "mm²")
        causes.append(f"{counted(len(sheet['fills']), 'hole')} closed in cleaning ({area}, listed below)")
    if rims["n_rims_closed"]:
        named = f", {rims['n_rims_closed_by_name']} of them named in openings.csv" if rims["n_rims_closed_by_name"] else ""
        widest = figure(rims["widest_closed_rim_mm"], "mm")
        causes.append(f"{counted(rims['n_rims_closed'], 'open rim')} closed while rebuilding (the widest {widest}{named})")
    if restoration.get("is_changed"):
        if restoration["flat_percent"] >= LEAST_FLAT_PERCENT:
            flat = figure(restoration["flat_percent"], "%", 2)
            causes.append(f"what both sides have lost (about {flat} of the area, closed flat or left as broken)")
        causes.append("the seam of the part taken over")
    if share and not causes:
        causes.append("seams")
    if not causes:
        return "" if rims["n_open_rims"] else "No hole was closed."
    return f"{f'{percent(share)} of the area has no source' if share else 'Closed'}: {'; '.join(causes)}."


def _place(row: Mapping[str, Any]) -> str:
    return ", ".join(number(value, 1) for value in row["centre_mm"]) if row.get("centre_mm") else NOT_STATED


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
        n_open = sum(row["severity"] != "note" for row in sheet["findings"])
        stays = f"Signed with {counted(n_open, 'open finding')}: its status stays as it is, and it is handed over with what they say."
        body = [tag("p", tag("b", "✓ Signed"), f" by {decision['by']} on {decision['date']}: {decision['reason']}")]
        body += [tag("p", stays)] if n_open else []
    else:
        changed = f" Changed since: {'; '.join(decision['changed'])}." if decision["changed"] else ""
        lapsed = f"Signed by {decision['by']} on {decision['date']} for other evidence (key {decision['evidence_key']}); that signature has lapsed."
        if decision["n_mistyped"]:
            n = counted(decision["n_mistyped"], "character")
            lapsed = f"The sign-off by {decision['by']} on {decision['date']} does not hold: its key ({decision['evidence_key']}) differs in {n}."
        lapsed = f"{lapsed}{changed} "
        first = [lapsed] if decision["state"] == "lapsed" else []
        row = sign_off_row(sheet["target"], sheet["element"], sheet["evidence_key"])
        body = [
            tag("p", tag("b", "○ Unsigned. "), *first, "To sign, add this row to config/decisions.csv, with name, date and reason, and build:"),
            tag("p", tag("code", row)),
            tag("p", f"Its columns: {SIGN_OFF_CELLS}", class_="small"),
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
