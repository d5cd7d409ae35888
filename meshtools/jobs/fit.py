"""The fit job: the replicas of one target that meet in a joint and come from different sources, held against single individuals."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.geometry.end_widths import EndWidths, end_widths
from meshtools.jobs.joint import replica_surface
from meshtools.jobs.record import JobFiles, StaleInputError, read_record, write_results
from meshtools.jobs.siding import clean_surface
from meshtools.model import Finding, Record, status_of
from meshtools.plain import from_plain
from meshtools.settings import FitSettings
from meshtools.stages.fit import check_fit, gap_note, unjudged_row
from meshtools.stages.joint import KEYS

FILES = JobFiles(())


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Measure the joints of one target. A replica that was not made leaves its joints unmeasured."""
    replicas = {slug: _replica_widths(batch, f"{job['name']}/{slug}", key) for slug, key in sorted(job["rebuild_keys"].items())}
    cleaned: dict[str, EndWidths] = {}
    for find, key in sorted(job["clean_keys"].items()):
        surface = clean_surface(batch, find, key)
        if surface is not None:
            cleaned[find] = end_widths(surface)
    settings, rows, findings = from_plain(FitSettings, job["settings"]), [], list[Finding]()
    joints = dict(zip(sorted(job["joint_keys"]), (_joint(batch, name, key) for name, key in sorted(job["joint_keys"].items())), strict=True))
    for joint in job["joints"]:
        met = joints[f"{job['name']}/joints/{joint['a']}__{joint['b']}"]
        if joint["unjudged"]:
            rows.append(unjudged_row((joint["a"], joint["b"]), joint["unjudged"]) | met["facts"])
            findings += met["findings"]
            continue
        pairs = [(a, b) for a, b in joint["references"] if a in cleaned and b in cleaned]
        references = {f"{a} with {b}": (cleaned[a], cleaned[b]) for a, b in pairs}
        row, found = check_fit((joint["a"], joint["b"]), (replicas[joint["a"]], replicas[joint["b"]]), references, settings)
        rows.append(row | met["facts"])
        findings += [*found, *met["findings"]]
    record = Record("fit", job["key"], status_of(tuple(findings)), {"rows": rows, "gap": gap_note(rows)}, tuple(findings), (), ())
    write_results(batch, f"results/{job['name']}/fit.json", record, {}, FILES)


def _joint(batch: Path, name: str, key: str) -> dict[str, Any]:
    """Facts and findings of one joint; facts that say so where its job crashed."""
    record = read_record(batch / f"results/{name}/joint.json")
    if record is None or record["key"] != key:
        raise StaleInputError(f"results/{name}: the joint is not the planned one. Build again.")
    crashed = dict.fromkeys(KEYS) | {"gap_reason": "measuring it ended without a result"}
    return {"facts": record["facts"] or crashed, "findings": [from_plain(Finding, finding) for finding in record["findings"]]}


def _replica_widths(batch: Path, name: str, key: str) -> EndWidths | None:
    surface = replica_surface(batch, name, key)
    return None if surface is None else end_widths(surface)
