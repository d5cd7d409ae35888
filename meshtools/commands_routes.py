"""How the parts of a batch stand with the routes that they are made by, for the commands that tell it."""

from __future__ import annotations

from collections import Counter
from typing import Any

from meshtools.jobs.record import read_record
from meshtools.record_places import record_path
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
                totals["ready" if record and is_there and record["status"] == "ok" else "" if is_there else "to build"] += 1
    order = ("ready", "review", "failed", "to build")
    words = ", ".join(f"{totals[name]} {name}" for name in order if totals[name] or name in order[:3])
    return [f"parts by their routes: {words}"] if any(totals.values()) else []


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
