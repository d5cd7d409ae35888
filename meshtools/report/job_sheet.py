"""The job sheet of one part and route as a PDF: the words and figures of its record, laid out by report/assets/job_sheet.typ.

Every figure on the sheet is one of the record, written by this module alone. Pictures are drawn by report.job_pictures.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from meshtools.report.cautions import cautions_for
from meshtools.report.markup import asset
from meshtools.report.words import FROM_BONE, class_words

ROUTE_TITLES = {"print": "print", "cnc": "carving in foam", "mould": "mould and cast"}
SEVERITY_WORDS = {"failed": "FAILED", "review": "decide", "note": "note"}
SEVERITY_ORDER = ("failed", "review", "note")
MEASURE_WORDS = {
    "greatest-length": "greatest length (the two points farthest apart)",
    "greatest-breadth": "greatest breadth (turned about its length, the most that the jaws read; tilted until that is least)",
    "depth": "depth (the least that the jaws close to, whichever way the part lies)",
}
DECIMALS = {"mm": 2, "scale": 6}
DIMENSIONS_NOTE = (
    "Taken on the finished part at its final size, shrink and coat included, between flat, parallel jaws longer than the part (a measuring board for "
    "a long one). Turn and tilt it until the reading is what the line says: so everybody finds the same, whichever way it was held first. "
    "Enter what was measured in config/received.csv: first article before any other is made, then each delivery."
)
MOULD_NOTE = " Enter there, as pattern_scale, the pattern scale that this sheet states below: a later shrink must not count against this part."
MOST_ROWS, FIRST_ROWS = 60, 10  # a longer table shows its first rows on the sheet; its CSV has all
DRAWING_NOTE = (
    "Third-angle arrangement: the upper view is the part seen from above, the right one from its right end. Light: surface from bone; dark: "
    "filled or made. Sizes beside the views are those of the box around the finished part as it is drawn, not lengths to check."
)
FILES_NOTE = "STL and CSV state no unit: all lengths are millimetres. The archive holds all files, their SHA-256 sums and a text to read first."

FRAME_WORDS = {"cnc": "stock coordinates", "mould": "axes of the mould"}


def job_sheet_pdf(facts: Mapping[str, Any], findings: Sequence[Mapping[str, Any]], pictures: Mapping[str, Any]) -> bytes:
    """The sheet as PDF bytes, the same for equal input whatever the day or the machine's fonts.

    facts: of the record of a route (jobs.ready_facts); findings: plain(Finding) of the record; pictures: `drawing` (report.job_pictures) and
    `files`, name -> PNG bytes, with `titles` of those that stand in the list of pictures.
    """
    import typst

    sheet = sheet_words(facts, findings) | {"drawing": pictures["drawing"] | {"note": DRAWING_NOTE}, "pictures": pictures["titles"]}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "sheet.typ").write_text(asset("job_sheet.typ"), encoding="utf-8")
        (folder / "sheet.json").write_text(json.dumps(sheet, sort_keys=True, ensure_ascii=False, allow_nan=False), encoding="utf-8")
        for file, content in pictures["files"].items():
            (folder / file).write_bytes(content)
        pdf = typst.compile(str(folder / "sheet.typ"), root=str(folder), ignore_system_fonts=True, format="pdf", timestamp=0)
    return bytes(pdf)


def sheet_words(facts: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Every word and figure of the sheet but those of the drawing."""
    route, machine = ROUTE_TITLES[facts["route"]], facts["machine"]
    failed = any(row["severity"] == "failed" for row in findings)
    for_target = f" for {facts['target']}" if facts["target"] else ""
    revision = f"revision {facts['revision']}" if facts["revision"] else "no revision"
    on_machine = f" on {machine}" if machine else ""
    return {
        "part_id": facts["part_id"],
        "route": route,
        "over": f"Job sheet: {route}{on_machine}{for_target}",
        "title": facts["title"],
        "revision": revision,
        "evidence": facts["evidence"],
        "evidence_words": facts["evidence_words"] or class_words(facts["evidence"]).words,
        "shares": _share_words(facts["evidence_share"]),
        "status": f"Status of the bone: {facts['bone_status']['words']}",
        "verdict": "DO NOT MAKE: this route cannot make the part as it is; the findings say why." if failed else "",
        "datum": [f"{row['label']}: {row['text']}" for row in facts["datum"]],
        "dimensions": [_dimension(row) for row in facts["dimensions"]],
        "dimensions_note": DIMENSIONS_NOTE + (MOULD_NOTE if facts["route"] == "mould" else ""),
        "findings": [_finding(row) for row in sorted(findings, key=lambda row: SEVERITY_ORDER.index(row["severity"]))],
        "figures": [_figure(row) for row in facts["figures"]],
        "tables": [_table(table) for table in _all_tables(facts) if table["rows"]],
        "files": [_file(row) for row in facts["files_made"]],
        "files_note": FILES_NOTE + _places_note(facts),
        "place_head": f"Move by x, y, z into {FRAME_WORDS.get(facts['route'], 'one frame')}" if _has_places(facts) else "",
        "cautions": _cautions(facts),
        "foot": f"{facts['part_id']} · {route} · {revision} · a replica, not a specimen",
    }


def _all_tables(facts: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    holes = [facts["hole_table"]] if facts.get("hole_table") else []
    return [*facts["tables"], *holes, *facts["material_tables"]]


def written(value: Any, unit: str = "") -> str:
    """A figure as the sheet writes it: lengths of 1 mm and more to 0.01, other decimals to four significant digits."""
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        value = _decimal(value, unit if abs(value) >= 1 else "")
    return f"{value} {unit}".rstrip()


def _decimal(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return "not stated"
    if unit in DECIMALS:
        return f"{round(value, DECIMALS[unit]) + 0.0:.{DECIMALS[unit]}f}"  # + 0.0: no minus before nothing
    if value == 0 or abs(value) >= 10000:
        return f"{value + 0.0:.0f}"
    text = f"{value:.{max(0, min(8, 3 - math.floor(math.log10(abs(value)))))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _share_words(shares: Mapping[str, float]) -> str:
    if not shares:
        return "Evidence: not stated (one file without a batch)."
    rows = sorted(((code, share) for code, share in shares.items() if share > 0), key=lambda item: (-item[1], item[0]))
    from_bone = sum(share for code, share in rows if code in FROM_BONE)
    listed = ", ".join(f"{code} {100 * share:.1f} %" for code, share in rows)
    return f"Evidence by area: {listed}. {100 * from_bone:.1f} % of the surface comes from a scanned bone."


def _dimension(row: Mapping[str, Any]) -> dict[str, str]:
    words = MEASURE_WORDS.get(row["measure"], row["measure"])
    return {"measure": words, "nominal": _decimal(row["nominal_mm"], "mm"), "tolerance": f"{row['tolerance_mm']:g}", "basis": row["basis"]}


def _finding(row: Mapping[str, Any]) -> dict[str, str]:
    value, limit = written(row["value"], row["unit"]), written(row["limit"], row["unit"])
    behind = f"{value} (limit {limit})" if value and limit else value or (f"limit {limit}" if limit else "")
    return {"severity": SEVERITY_WORDS[row["severity"]], "message": row["message"], "behind": behind}


def _figure(row: Mapping[str, Any]) -> dict[str, str]:
    if isinstance(row["value"], float) and "scale" in row["label"].lower() and not row["unit"]:
        return {"label": row["label"], "value": _decimal(row["value"], "scale"), "basis": row["basis"]}
    return {"label": row["label"], "value": written(row["value"], row["unit"]), "basis": row["basis"]}


def _table(table: Mapping[str, Any]) -> dict[str, Any]:
    units = [_unit_of(head) for head in table["header"]]
    rows = [[_decimal(cell, unit) if isinstance(cell, float) else str(cell) for cell, unit in zip(row, units, strict=True)] for row in table["rows"]]
    columns = zip(*table["rows"], strict=True) if table["rows"] else [() for _ in table["header"]]
    aligns = ["right" if column and all(isinstance(cell, (int, float)) for cell in column) else "left" for column in columns]
    note = table.get("note", "")
    if len(rows) > MOST_ROWS:
        note, rows = f"And {len(rows) - FIRST_ROWS} more rows in {table['name']}.csv. {note}".rstrip(), rows[:FIRST_ROWS]
    return {"title": table["title"], "header": list(table["header"]), "rows": rows, "aligns": aligns, "note": note}


def _unit_of(head: str) -> str:
    """Which of the ways to write a decimal a column takes, from its header."""
    return "mm" if head.endswith((" mm", "_mm")) else "scale" if "scale" in head.lower() else ""


def _file(row: Mapping[str, Any]) -> dict[str, str]:
    size = " × ".join(_decimal(length, "mm") for length in row["extents_mm"]) + " mm" if row["extents_mm"] else ""
    place = ", ".join(_decimal(x, "mm") for x in row.get("place_mm", ())) + " mm" if row.get("place_mm") else ""
    return {"name": row["file"], "role": row["role"], "size": size, "place": place}


def _has_places(facts: Mapping[str, Any]) -> bool:
    return any(row.get("place_mm") for row in facts["files_made"])


def _places_note(facts: Mapping[str, Any]) -> str:
    note = " Each STL lies about the middle of its own box; moved as its row says, they lie as they belong together. The 3MF has them side by side."
    return note if _has_places(facts) else ""


def _cautions(facts: Mapping[str, Any]) -> list[dict[str, str]]:
    asked = {"mass_kg": facts["mass_kg"], "routes": (facts["route"],), "n_finds": facts["n_finds"], "texts": ()}
    return [{"text": caution.text, "source": caution.source} for caution in cautions_for(asked)]
