"""The index of a batch: one page over all elements of all targets, and the same as summary.csv."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from meshtools.files.tables import spreadsheet_text
from meshtools.model import plain
from meshtools.report.chips import class_chip, page_frame, status_mark
from meshtools.report.gaps import fold_gaps
from meshtools.report.joints import joints_part
from meshtools.report.left_to_do import ON_PAGES, left_to_do, listed
from meshtools.report.markup import Html, asset, escaped, figure, join, number, percent, png_address, section, table, tag
from meshtools.report.words import CLASSES, SEVERITIES, STATUSES, class_words, element_title, register_words, shown_status

SUMMARY_COLUMNS = ("target", "element", "class", "status", "findings", "volume_mm3", "mass_kg", "report", "routes", "sign_off")
SIGN_OFFS = ("signed", "lapsed", "unsigned")
NOBODYS = ("NONE", "FILL", "MADE")


def index_page(batch: Mapping[str, Any]) -> str:
    """The index of a batch, self-contained but for its links to the pages of the bones.

    batch: `title`; `targets`, each {name, words (whose size), rows, completeness, optional is_stated_size}; `findings` of the register; `next_steps`
    plain(NextStep); `min_individuals`. rows, in the order of the skeleton, have the keys of SUMMARY_COLUMNS, where `findings` is a list of
    plain(Finding), the gravest first, and `report` the link relative to the index or "" (a gap's first finding is its reason);
    optional `picture_png`, small; optional `routes`, each {route, status, sheet
    (link), n_off (lengths beyond tolerance)}; optional `sign_off` (signed, lapsed or unsigned), `handed_over` (the last revision) and
    `sign_off_words`, which say both, and `is_accepted` (left_to_do). A target's optional `fit` has rows and findings of its joints
    (joints.joints_part). completeness as plan.completeness[target]. Values are escaped; equal batches give equal bytes.
    """
    targets = batch["targets"]
    body = tag(
        "main",
        tag("header", tag("div", tag("p", "Index of the batch", class_="over"), tag("h1", batch["title"]))),
        _overview(batch),
        _next_steps(batch["next_steps"], [row for target in targets for row in target["rows"]]),
        *(_target(target) for target in targets),
        _register_findings(batch["findings"]),
        tag("footer", "Replicas, not specimens. A gap is an element without a source in the register; “left out” is a person's decision."),
        class_="sheet index",
    )
    return page_frame(f"{batch['title']} – index", body, asset("style.css"), (("js", asset("filter.js")),))


def summary_csv(rows: Iterable[Mapping[str, Any]]) -> str:
    """summary.csv (RFC 4180): one line an element. Findings are their codes, gravest first; a figure that is not known stays empty."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(SUMMARY_COLUMNS)
    for row in rows:
        codes = " ".join(finding["code"] for finding in row["findings"])
        figures = (_cell(row["volume_mm3"]), _cell(row["mass_kg"]))
        cells = [row["target"], row["element"], row["class"], row["status"], codes, *figures, row["report"], _routes_text(row)]
        cells.append(row.get("sign_off_words", ""))
        writer.writerow([spreadsheet_text(cell) for cell in cells])
    return text.getvalue()


def _routes_text(row: Mapping[str, Any]) -> str:
    """`print ready; cnc failed; mould waits for a person`."""
    return "; ".join(f"{route['route']} {shown_status(route['status'])}" for route in row.get("routes", ()))


def count_by(rows: Iterable[Mapping[str, Any]], key: str, order: Iterable[str]) -> dict[str, int]:
    """How many rows have each value of `key`, in the given order; values outside it come after, sorted; zero counts are left out."""
    counts: dict[str, int] = {}
    for row in rows:
        counts[row[key]] = counts.get(row[key], 0) + 1
    known = [name for name in order if name in counts]
    return {name: counts[name] for name in [*known, *sorted(set(counts) - set(known))]}


def share_by_volume(rows: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """Volume of each class as a share of the volume of all replicas made; elements without a volume are left out."""
    volumes: dict[str, float] = {}
    for row in rows:
        if row["volume_mm3"]:
            volumes[row["class"]] = volumes.get(row["class"], 0.0) + row["volume_mm3"]
    total = sum(volumes.values())
    return {code: volumes[code] / total for code in CLASSES if code in volumes}


def _cell(value: Any) -> str:
    return "" if value is None else repr(round(value, 6)) if isinstance(value, float) else str(value)


def _overview(batch: Mapping[str, Any]) -> Html:
    rows = [row for target in batch["targets"] for row in target["rows"]]
    statuses = count_by(rows, "status", STATUSES)
    counts = [tag("div", tag("dt", status_mark(status)), tag("dd", number(n, 0))) for status, n in statuses.items()]
    total = tag("div", tag("dt", "elements"), tag("dd", number(len(rows), 0)))
    words = f"Minimum number of individuals in the register: {batch['min_individuals']}." if batch["min_individuals"] else ""
    parts = count_by([route for row in rows for route in row.get("routes", ())], "status", STATUSES)
    routes = f"Parts made ready, one job sheet each: {', '.join(f'{n} {shown_status(status, n)}' for status, n in parts.items())}." if parts else ""
    signed = count_by([row for row in rows if row.get("sign_off")], "sign_off", SIGN_OFFS)
    n_given = sum(row.get("handed_over") is not None for row in rows)
    signatures = f"Sign-off: {', '.join(f'{n} {word}' for word, n in signed.items())}; {n_given} handed over." if signed else ""
    told = register_words(batch["findings"])
    register = f"Findings of the register and the plan: {told}; they stand at the end of this page." if told else ""
    paragraphs = (tag("p", text) for text in (register, routes, signatures, words) if text)
    return section("At a glance", tag("dl", *counts, total, class_="tally"), *paragraphs, class_="wide")


def _next_steps(planned: Sequence[Mapping[str, Any]], rows: Sequence[Mapping[str, Any]]) -> Html | str:
    """What the build left open, each element with its page, then what would improve the plan."""
    open_parts = [_name(row) for row in rows if any(route["status"] in ("failed", "review") for route in row.get("routes", ()))]
    unscanned = {element for step in planned if step["action"] == "scan" for element in step["elements"]}
    steps = [*plain(left_to_do(rows, open_parts, unscanned)), *planned]
    if not steps:
        return ""
    pages = {_name(row): row["report"] for row in rows}
    items = [tag("li", step["message"][:1].upper(), step["message"][1:], ".", _elements_of(step, pages)) for step in steps]
    return section("What to do next", tag("ol", *items, class_="steps"), class_="wide")


def _name(row: Mapping[str, Any]) -> str:
    return f"{row['target']}/{row['element']}"


def _elements_of(step: Mapping[str, Any], pages: Mapping[str, str]) -> Html | str:
    """The elements of a step: with links where their pages say what to do, else as those it helps."""
    elements, is_open = step["elements"], step["action"] in ON_PAGES
    if not elements:
        return ""
    names = [tag("a", name, href=pages[name]) if is_open and _is_local_link(pages.get(name, "")) else escaped(name) for name in listed(elements)]
    parts = [part for name in names for part in (", ", name)][1:]
    return tag("span", " " if is_open else " Helps: ", *parts, ".", class_="small")


def _target(target: Mapping[str, Any]) -> Html:
    rows = target["rows"]
    return section(
        f"Skeleton of {target['name']}", tag("p", target.get("words", "")), _totals(target), _filter(rows), _elements(rows, target["name"]),
        joints_part(target.get("fit")),
        class_="wide target",
    )


def _totals(target: Mapping[str, Any]) -> Html:
    """Totals by class, and how complete the skeleton is, each share with its basis."""
    rows = target["rows"]
    volume = share_by_volume(rows)
    by_class: list[tuple[Any, ...]] = []
    for code, n in count_by(rows, "class", CLASSES).items():
        by_volume = percent(volume[code]) if code in volume else "–"
        meaning = class_words(code).words
        if target.get("is_stated_size"):
            meaning = meaning.replace("another individual's bone", "a bone of this or another animal")
        by_class.append((class_chip(code, meaning), meaning, number(n, 0), percent(n / len(rows)), by_volume))
    by_class.append((tag("b", "All"), "", tag("b", number(len(rows), 0)), "", ""))
    classes = table(("Class", "Meaning", "Elements", "Share by count", "Share by volume"), by_class, numeric=(2, 3, 4))
    note = "By volume: of the replicas made so far, each whole part counted under its class."
    return join([classes, tag("p", note, class_="small"), _completeness(target)])


def _completeness(target: Mapping[str, Any]) -> Html:
    completeness = target["completeness"]
    lines = []
    for key in ("by_count", "sides_pooled"):
        share = completeness.get(key)
        if not share:
            continue
        lines.append((share["basis"], *(_count_words(share, name) for name in ("own_bone", "own_animal", "filled"))))
    volume = share_by_volume(target["rows"])
    if volume:
        own, animal = volume.get("OWN", 0.0), sum(volume.get(code, 0.0) for code in ("OWN", "OWN-R", "OWN-C"))
        lines.append(("by volume of the replicas made", percent(own), percent(animal), percent(1 - sum(volume.get(code, 0.0) for code in NOBODYS))))
    head = ("How complete", "Own bone", "Own animal", "Any source")
    missing = [
        f"{name}: {row['missing']} ({row['n_present']} of {row['n_positions']} present)"
        for name, row in sorted(completeness.get("series", {}).items()) if row["missing"]
    ]
    series = tag("p", "Positions without a bone of their own: ", "; ".join(missing), ".", class_="small") if missing else ""
    return join([table(head, lines), _without_replica(target["rows"]), series])


def _without_replica(rows: Sequence[Mapping[str, Any]]) -> Html | str:
    """Which elements the shares count although no closed replica of them was made."""
    planned = [row for row in rows if row["status"] != "gap"]
    names = [row["element"] for row in planned if row["volume_mm3"] is None]
    if not names:
        return ""
    words = f"The shares count what is planned. Of these {len(planned)} elements no closed replica was made of {len(names)}: {', '.join(names)}."
    return tag("p", words, class_="small")


def _count_words(share: Mapping[str, Any], name: str) -> str:
    return f"{share[f'n_{name}']} of {share['n_elements']} ({percent(share[f'{name}_percent'] / 100)})"


def _filter(rows: Sequence[Mapping[str, Any]]) -> Html:
    """Buttons that show one status only; without a script all rows stay in sight and the buttons stay away."""
    counts = count_by(rows, "status", STATUSES)
    buttons = [tag("button", "all ", number(len(rows), 0), type="button", data_show="all", aria_pressed="true")]
    for status, n in counts.items():
        buttons.append(tag("button", status_mark(status), " ", number(n, 0), type="button", data_show=status, aria_pressed="false"))
    return tag("div", tag("span", "Show"), *buttons, class_="filter", hidden=True, role="group", aria_label="Show elements by status")


def _elements(rows: Sequence[Mapping[str, Any]], name: str) -> Html:
    has_pictures, has_routes = (any(row.get(key) for row in rows) for key in ("picture_png", "routes"))
    has_signed = any(_is_signed(row) for row in rows)
    last = [*(["Job sheets"] if has_routes else []), *(["Sign-off"] if has_signed else [])]
    head = [*(["Picture"] if has_pictures else []), "Element", "Class", "Status", "First finding", "Volume", "Mass", *last]
    titles = [tag("th", title, scope="col", class_="num" if title in ("Volume", "Mass") else None) for title in head]
    lines = [*(row for row in rows if row["status"] != "gap"), *fold_gaps(row for row in rows if row["status"] == "gap")]
    signed = [[tag("td", row.get("sign_off_words", ""), class_="small")] if has_signed else [] for row in lines]
    body = [
        tag("tr", *_cells(row, has_pictures), *_route_cells(row, has_routes), *cells, data_status=row["status"])
        for row, cells in zip(lines, signed, strict=True)
    ]
    caption = tag("caption", f"Elements of {name}, in the order of the skeleton: what is made, then the gaps", class_="unseen")
    return tag("div", tag("table", caption, tag("thead", tag("tr", *titles)), tag("tbody", *body), class_="elements"), class_="scroll")


def _is_signed(row: Mapping[str, Any]) -> bool:
    """True where a part is or was signed or handed over; where no part is, a column would say nothing."""
    return row.get("sign_off") in ("signed", "lapsed") or row.get("handed_over") is not None


def _cells(row: Mapping[str, Any], has_pictures: bool) -> list[Html]:
    title = row.get("title") or element_title(row["element"])
    picture = row.get("picture_png")
    image = tag("img", src=png_address(picture), alt=f"{title}, coloured by evidence class", class_="thumb") if picture else ""
    name = tag("a", title, href=row["report"]) if _is_local_link(row["report"]) else title
    return [
        *([tag("td", image)] if has_pictures else []),
        tag("td", name, tag("span", f" ({row['n_elements']})", class_="small") if row.get("n_elements", 1) > 1 else "", class_="named"),
        tag("td", class_chip(row["class"])),
        tag("td", status_mark(row["status"])),
        tag("td", _first_finding(row), class_="says"),
        tag("td", figure(row["volume_mm3"] / 1000, "cm³", 1) if row["volume_mm3"] is not None else "–", class_="num"),
        tag("td", figure(row["mass_kg"], "kg", 3) if row["mass_kg"] is not None else "–", class_="num"),
    ]


def _route_cells(row: Mapping[str, Any], has_routes: bool) -> list[Html]:
    """The job sheets of an element, each with how its route stands and with what was found wrong on delivery."""
    if not has_routes:
        return []
    parts: list[Any] = []
    for route in row.get("routes", ()):
        name = tag("a", route["route"], href=route["sheet"]) if _is_local_link(route["sheet"]) else route["route"]
        off = tag("span", f" {route['n_off']} measured beyond tolerance", class_="small") if route["n_off"] else ""
        parts.append(tag("div", name, " ", status_mark(route["status"]), off))
    return [tag("td", *parts, class_="sheets")]


def _is_local_link(address: str) -> bool:
    """A path inside the batch: never a scheme, a host or a way out of the folder."""
    return bool(address) and ":" not in address and not address.startswith(("/", "\\")) and ".." not in address.split("/")


def _first_finding(row: Mapping[str, Any]) -> Html | str:
    findings = row["findings"]
    asking = [finding for finding in findings if finding["severity"] != "note"]
    if not asking:
        if row["status"] == "gap" and findings:
            return escaped(findings[0]["message"])
        return tag("span", f"{len(findings)} {'note' if len(findings) == 1 else 'notes'}", class_="small") if findings else ""
    more = f" (and {len(asking) - 1} more)" if len(asking) > 1 else ""
    return join([asking[0]["message"], tag("span", more, class_="small")])


def _register_findings(findings: Sequence[Mapping[str, Any]]) -> Html | str:
    if not findings:
        return ""
    items = []
    for row in findings:
        sign, words = SEVERITIES[row["severity"]]
        severity = tag("span", tag("span", sign, class_="sign", aria_hidden="true"), words, class_="severity")
        items.append(tag("li", severity, tag("span", row["message"]), class_=row["severity"]))
    return section("Findings of the register and the plan", tag("ul", *items, class_="findings"), class_="wide")
