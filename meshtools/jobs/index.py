"""The index job: results/index.html and summary.csv over all elements of the batch."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from meshtools.handover import asks_of, is_accepted, standing_words
from meshtools.jobs.record import JobFiles, StaleInputError, read_record, write_results
from meshtools.jobs.report_sizes import contradicted_sizes
from meshtools.keys import hash_file
from meshtools.model import Finding, Record, Severity, plain
from meshtools.record_places import record_path
from meshtools.report.index import index_page, summary_csv

FILES = JobFiles(("index.html", "summary.csv"))


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Write the index of the batch from the records of the pages."""
    rows = [_row(batch, job, recipe) for recipe in job["plan"]["elements"]]
    sizes = contradicted_sizes(batch, job)
    contents = {
        "index.html": index_page(_index(job, rows, _fits(batch, job), sizes)).encode(),
        "summary.csv": summary_csv(rows).encode(),
    }
    totals: dict[str, int] = {}
    for row in rows:
        totals[row["status"]] = totals.get(row["status"], 0) + 1
    crashed = sorted(f"{row['target']}/{row['element']}" for row in rows if "crash" in {finding["code"] for finding in row["findings"]})
    findings = (Finding(Severity.FAILED, "crash", f"Jobs crashed on the way to {', '.join(crashed)}."),) if crashed else ()
    facts = {"totals": dict(sorted(totals.items())), "records": _record_hashes(batch, job["made"])}
    record = Record("index", job["key"], "ok", facts, (*findings, *sizes), (), ())
    write_results(batch, "results/index.json", record, contents, FILES)


def _record_hashes(batch: Path, made: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """The hash of every record before this one, which vouches for their figures as they vouch for their files."""
    paths = sorted(record_path(stage, name) for stage, names in made.items() for name in names)
    return {path: hash_file(batch / path) for path in paths}


def plan_bytes(plan: Mapping[str, Any]) -> bytes:
    """plan.json, which changes its bytes only when the plan changes."""
    return (json.dumps(plan, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _row(batch: Path, job: Mapping[str, Any], recipe: Mapping[str, Any]) -> dict[str, Any]:
    name = f"{recipe['target']}/{recipe['element']}"
    row = {"target": recipe["target"], "element": recipe["element"], "class": recipe["class"], "volume_mm3": None, "mass_kg": None, "report": ""}
    if name not in job["report_keys"]:
        left_out = Finding(Severity.NOTE, "left-out", recipe["reason"])
        nothing = Finding(Severity.REVIEW, "no-source", recipe["reason"])
        return row | {"status": "gap", "findings": [plain(left_out if name in job["left_out"] else nothing)]}
    standing = job["standings"][name]
    row |= {key: standing[key] for key in ("sign_off", "is_mistyped", "handed_over")}
    page = read_record(batch / f"results/{name}/report.json")
    if page is None or page["key"] != job["report_keys"][name]:
        raise StaleInputError(f"results/{name}/report.json: the page is not the planned one. Build again.")
    if "crash" in {finding["code"] for finding in page["findings"]} and "measures" not in page["facts"]:
        return row | {"status": "failed", "findings": page["findings"], "sign_off_words": standing_words(standing)}
    facts = page["facts"]
    row["sign_off_words"] = standing_words(standing, len(asks_of(page["findings"])))
    picture = batch / f"results/{name}/picture.png"
    return row | {
        "status": facts["status"],
        "is_accepted": is_accepted(standing, facts["findings"]),
        "findings": page["findings"],
        "volume_mm3": facts["measures"]["volume_mm3"],
        "mass_kg": facts["mass"]["mass_kg"],
        "report": f"{name}/report.html",
        "routes": _routes(name, facts.get("making") or {}),
        "picture_png": picture.read_bytes() if picture.is_file() else None,
    }


def _routes(name: str, making: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The routes of an element as the index shows them."""
    off = [row["route"] for row in making.get("received", ()) if row["verdict"] == "fail"]
    return [
        {"route": row["route"], "status": row["status"], "sheet": f"{name}/{row['sheet']}" if row["sheet"] else "", "n_off": off.count(row["route"])}
        for row in making.get("made", ())
    ]


def _fits(batch: Path, job: Mapping[str, Any]) -> dict[str, Any]:
    """Joints and findings of each target whose neighbours come from different sources."""
    fits = {}
    for target, key in sorted(job["fit_keys"].items()):
        record = read_record(batch / f"results/{target}/fit.json")
        if record is None or record["key"] != key:
            raise StaleInputError(f"results/{target}/fit.json: the joints are not the planned ones. Build again.")
        fits[target] = {"rows": record["facts"].get("rows", []), "gap": record["facts"].get("gap", ""), "findings": record["findings"]}
    return fits


def in_order(rows: Iterable[Mapping[str, Any]], elements: Iterable[Mapping[str, Any]]) -> list[Any]:
    """Rows with target and element as the index lists them: by target, then in the order of `elements`, plain dicts with their slugs."""
    order = {element["slug"]: place for place, element in enumerate(elements)}
    return sorted(rows, key=lambda row: (row["target"], order.get(row["element"], len(order)), row["element"]))


def _index(
    job: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], fits: Mapping[str, Any], sizes: Sequence[Finding]
) -> dict[str, Any]:
    completeness = job["plan"]["completeness"]
    targets = []
    for name in sorted({row["target"] for row in rows}):
        mine = in_order((row for row in rows if row["target"] == name), job["elements"])
        told = {"words": job["target_words"][name], "is_stated_size": name in job["stated_sizes"]}
        targets.append({"name": name, "rows": mine, "completeness": completeness[name], "fit": fits.get(name)} | told)
    return {
        "title": "Replicas of the batch",
        "targets": targets,
        "findings": [*plain(sizes), *job["plan"]["findings"]],
        "next_steps": job["plan"]["next_steps"],
        "min_individuals": job["min_individuals"],
    }
