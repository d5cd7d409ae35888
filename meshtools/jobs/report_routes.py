"""What the page of a bone says about making it: its routes with their sheets, what was measured on finished parts, advice, prices."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.geometry.making_figures import making_figures
from meshtools.jobs.record import StaleInputError, read_record
from meshtools.material_use import prices
from meshtools.model import Finding, Mesh, Received, Severity, plain
from meshtools.plain import from_plain
from meshtools.receiving import judged, next_scales
from meshtools.record_places import record_path
from meshtools.route_advice import advise
from meshtools.settings_ready import ROUTES

RECORD_STATUS = {"ok": "ready", "review": "review", "failed": "failed"}


def route_status(record: Mapping[str, Any]) -> str:
    """How the part of a route stands: `waits` where the route is ready and its sheet says that the bone is not released."""
    is_waiting = record["status"] == "ok" and record["facts"]["bone_status"]["waits"]
    return "waits" if is_waiting else RECORD_STATUS[record["status"]]


def waiting(making: Mapping[str, Any]) -> dict[str, Any]:
    """The same facts of a bone that is not released: what its routes have made ready waits."""
    return dict(making) | {"made": [row | {"status": "waits"} if row["status"] == "ready" else row for row in making["made"]]}


def route_records(batch: Path, job: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Route -> record, for the routes of the job. StaleInputError where one is not the planned one."""
    records = {}
    for route in (route for route in ROUTES if route in job["route_keys"]):
        record = read_record(batch / record_path(route, job["name"]))
        if record is None or record["key"] != job["route_keys"][route]:
            raise StaleInputError(f"{record_path(route, job['name'])}: the record is not the planned one. Build again.")
        records[route] = record
    return records


def armature_record(batch: Path, job: Mapping[str, Any]) -> dict[str, Any] | None:
    """The record of the holes of an element, None where fixings.csv asks for none. StaleInputError where it is not the planned one."""
    if not job.get("armature_key"):
        return None
    path = record_path("fixings", job["name"])
    record = read_record(batch / path)
    if record is None or record["key"] != job["armature_key"]:
        raise StaleInputError(f"{path}: the record is not the planned one. Build again.")
    return record


def armature_facts(record: Mapping[str, Any]) -> dict[str, Any]:
    """What a page says of the holes: those that are cut, what was found, and where their table stands relative to the page."""
    kept = ("name", "kind", "rod_mm", "hole_mm", "depth_mm", "wall_mm")
    has_table = any(entry["path"].endswith("/holes.csv") for entry in record["files"])
    return {
        "status": RECORD_STATUS[record["status"]], "holes": [{key: hole[key] for key in kept} for hole in record["facts"].get("holes", ())],
        "findings": record["findings"], "table": "armature/holes.csv" if has_table else "",
    }  # fmt: skip


def making_facts(job: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]], replica: Mesh | None) -> dict[str, Any]:
    """What the sheet of a page says about making the bone: `made`, `received`, `next_scales` and, where there is a replica, `advice`."""
    rows = judged_rows(job["received"], records, job["tolerance_class"], job["part_tolerance_mm"])
    advice = []
    if replica is not None:
        figures = plain(making_figures(replica))
        advice = [plain(one) for one in advise(figures, job["advice_settings"])]
    return {
        "made": [_made(route, record, job) for route, record in records.items()],
        "received": rows,
        "next_scales": next_scales(rows, job["least_measures"], applied_scales(records)),
        "advice": advice,
    }


def judged_rows(received: Any, records: Mapping[str, Mapping[str, Any]], tolerance_class: str, part_tolerance_mm: float) -> list[dict[str, Any]]:
    """The measured lengths of an element, judged by the records of its routes. received: plain rows without their row numbers."""
    rows = [from_plain(Received, {"row": 0} | row) for row in received]
    return judged(rows, {route: record["facts"] for route, record in records.items()}, tolerance_class, part_tolerance_mm)


def applied_scales(records: Mapping[str, Mapping[str, Any]]) -> dict[str, float]:
    """Route -> the scale that its solids were made with, where its facts state one (the allowance for shrink of a mould)."""
    scales = {}
    for route, record in records.items():
        scale = record["facts"].get("made", {}).get("pattern_scale")
        if isinstance(scale, (int, float)) and scale > 0:
            scales[route] = float(scale)
    return scales


def received_findings(rows: Any) -> tuple[Finding, ...]:
    """A finding for every length of a finished part that is beyond its tolerance."""
    return tuple(
        Finding(Severity.REVIEW, "received-off", _off_words(row), abs(row["difference_mm"]), row["tolerance_mm"], "mm")
        for row in rows
        if row["verdict"] == "fail"
    )


def crash_findings(records: Mapping[str, Mapping[str, Any]]) -> tuple[Finding, ...]:
    """A finding for every route whose job crashed: the next build tries it again, and with it the page that tells of it."""
    return tuple(
        Finding(Severity.REVIEW, "crash", f"{route}: {finding['message']}")
        for route, record in records.items()
        for finding in record["findings"]
        if finding["code"] == "crash"
    )


def _off_words(row: Mapping[str, Any]) -> str:
    part = f" of {row['part']}" if row["part"] else ""
    way = "more" if row["difference_mm"] > 0 else "less"
    return (
        f"{row['route']}: {row['measure']}{part} was measured {row['measured_mm']:.2f} mm on {row['date']}, {abs(row['difference_mm']):.2f} mm {way} "
        f"than nominal; tolerance {row['tolerance_mm']:g} mm."
    )


def _made(route: str, record: Mapping[str, Any], job: Mapping[str, Any]) -> dict[str, Any]:
    """One route on the page: status, files relative to the page, masses, hours and prices, and its findings."""
    facts, names = record["facts"], {Path(entry["path"]).name for entry in record["files"]}
    package = next((name for name in sorted(names) if name.endswith(".zip")), "")
    return {
        "route": route, "machine": facts.get("machine", ""), "status": route_status(record),
        "sheet": f"{route}/sheet.pdf" if "sheet.pdf" in names else "", "package": f"{route}/{package}" if package else "",
        "n_solids": len(facts.get("solids", ())), "figures": facts.get("figures", []), "mass_kg": facts.get("mass_kg"),
        "machine_hours": facts.get("machine_hours"), "machine_hours_basis": facts.get("machine_hours_basis", ""),
        "prices": prices(facts.get("material", ()), job["materials"], job["waste_percent"]), "findings": record["findings"],
    }  # fmt: skip
