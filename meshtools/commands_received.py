"""The command that holds finished parts against their job sheets."""

from __future__ import annotations

import argparse
from typing import Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.jobs.record import read_record
from meshtools.jobs.report_routes import applied_scales, judged_rows
from meshtools.model import plain
from meshtools.receiving import decimal_slip, next_scales
from meshtools.record_places import record_path
from meshtools.report.making import scale_sentence
from meshtools.settings_ready import ROUTES
from meshtools.workspace import Workspace, open_workspace


def received(options: argparse.Namespace) -> Answer:
    """`bonewright received`: pass or fail of every length in received.csv, and the scale of the next part. Needs no build, but the records of one."""
    workspace = open_workspace(options.batch)
    settings = workspace.register.settings
    lengths: list[dict[str, Any]] = []
    proposals: list[dict[str, Any]] = []
    for target, element in sorted({(row.target, row.element) for row in workspace.register.received}):
        name = f"{target}/{element}"
        records = _records(workspace, name)
        own = (plain(row) for row in workspace.register.received if (row.target, row.element) == (target, element))
        rows = [{key: value for key, value in row.items() if key != "row"} for row in own]
        found = judged_rows(rows, records, settings.receive.tolerance_class, settings.clean.part_tolerance_mm)
        lengths += [{"part_of": name} | row for row in found]
        proposals += [{"part_of": name} | row for row in next_scales(found, settings.receive.least_measures, applied_scales(records))]
    lines = [_line(row) for row in lengths] + [f"{row['part_of']} {scale_sentence(row)}" for row in proposals]
    counts = {verdict: sum(row["verdict"] == verdict for row in lengths) for verdict in ("pass", "fail", "no nominal")}
    nothing = "config/received.csv has no rows: nothing was measured yet."
    lines.append(", ".join(f"{n} {verdict}" for verdict, n in counts.items()) if lengths else nothing)
    facts = {"lengths": lengths, "next": proposals, "totals": counts}
    return Answer(tuple(lines), facts, PERSON_NEEDED if counts["fail"] or counts["no nominal"] else DONE)


def _records(workspace: Workspace, name: str) -> dict[str, Any]:
    """The records of an element's routes as they are: a part was made from what was built, be it up to date or not."""
    found = {route: read_record(workspace.folder / record_path(route, name)) for route in ROUTES}
    return {route: record for route, record in found.items() if record is not None}


def _line(row: dict[str, Any]) -> str:
    what = f"{row['verdict']}: {row['part_of']} {row['route']} {row['measure']} {row['measured_mm']:.2f} mm"
    part = f" of {row['part']}" if row["part"] else ""
    if row["nominal_mm"] is None:
        return f"{what}{part} on {row['date']}: no job sheet states this length; build the route first, or give nominal_mm"
    slip = f"; {words}" if (words := decimal_slip(row["measured_mm"], row["nominal_mm"])) else ""
    allowed = f"allowed ± {row['tolerance_mm']:g} mm ({row['basis']})"
    return f"{what}{part} on {row['date']}: nominal {row['nominal_mm']:.2f}, off by {row['difference_mm']:+.2f}, {allowed}{slip}"
