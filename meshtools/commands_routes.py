"""How the parts of a batch stand with the routes that they are made by, for the commands that tell it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from meshtools.jobs.record import read_record
from meshtools.jobs.report_routes import route_status
from meshtools.record_places import record_path
from meshtools.report.words import shown_status
from meshtools.settings_ready import ROUTES
from meshtools.workspace import Workspace


def route_totals(workspace: Workspace, names: Any, open_rows: list[dict[str, Any]]) -> list[str]:
    """How many parts stand how, as one line; none where no route is chosen."""
    totals = Counter(row["status"] for row in open_rows)
    for route in ROUTES:
        for name, job in workspace.worklist.jobs[route].items():
            if not names or name in names or name.split("/", 1)[1] in names:
                record = read_record(workspace.folder / record_path(route, name))
                is_there = record is not None and record["key"] == job["key"]
                totals[_standing(workspace, name, record) if record and is_there else "to build"] += 1
    order = ("ready", "review", "failed", "waits", "to build")
    words = ", ".join(f"{totals[name]} {shown_status(name, totals[name])}" for name in order if totals[name] or name in order[:3])
    return [f"parts by their routes: {words}"] if any(totals.values()) else []


def _standing(workspace: Workspace, name: str, record: Mapping[str, Any]) -> str:
    """`ready` or `waits` of a part that its route made, as its page says; nothing of one that the open rows tell of."""
    status = route_status(record)
    page = read_record(workspace.folder / record_path("report", name))
    made = (page["facts"].get("making") or {}).get("made", ()) if page and page["key"] == workspace.worklist.key("report", name) else ()
    is_waiting = status == "waits" or any(row["route"] == record["stage"] and row["status"] == "waits" for row in made)
    return "waits" if is_waiting else status if status == "ready" else ""


def open_routes(workspace: Workspace) -> list[dict[str, Any]]:
    """The routes that could not be made, or that ask for a person, as far as their records hold."""
    rows = []
    for route in ROUTES:
        for name, job in workspace.worklist.jobs[route].items():
            record = read_record(workspace.folder / record_path(route, name))
            if record is not None and record["key"] == job["key"] and record["status"] != "ok":
                reasons = [finding["message"] for finding in record["findings"] if finding["severity"] == record["status"]]
                more = f" (and {len(reasons) - 1} more on its sheet)" if len(reasons) > 1 else ""
                rows.append({"part": name, "route": route, "status": record["status"], "why": f"{reasons[0]}{more}"})
    return sorted(rows, key=lambda row: row["part"])
