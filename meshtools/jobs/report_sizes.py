"""What the page of an element says about lengths that contradict each other, read from the records of clean surfaces alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from meshtools.jobs.record import StaleInputError, read_record
from meshtools.model import Finding
from meshtools.plain import from_plain
from meshtools.size_checks import SizeCheck, SizedFind, size_findings
from meshtools.units import Unit


def contradicted_sizes(batch: Path, job: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Findings on the finds of an element whose lengths contradict others. StaleInputError where a clean record is not the planned one."""
    sizes = job.get("sizes")
    if not sizes:
        return ()
    sized = {name: one for name, key in sorted(sizes["clean_keys"].items()) if (one := _sized(batch, name, key, sizes["finds"][name])) is not None}
    return tuple(finding for row in sizes["checks"] for finding in size_findings(from_plain(SizeCheck, row), sized))


def _sized(batch: Path, name: str, key: str, row: Mapping[str, str]) -> SizedFind | None:
    path = f"results/finds/{name}/record.json"
    record = read_record(batch / path)
    if record is None or record["key"] != key:
        raise StaleInputError(f"{path}: the clean surface is not the planned one. Build again.")
    length_mm = record["facts"].get("greatest_length_mm")
    if record["status"] == "failed" or length_mm is None:
        return None
    return SizedFind(name, row["words"], row["element"], Unit(row["unit"]), length_mm, _why_sure(record["facts"], row["settled"]))


def _why_sure(facts: Mapping[str, Any], settled: str) -> str:
    """A caliper length that agrees, or what a person decided on the find."""
    return agreeing_caliper(facts.get("lengths", ())) or settled


def agreeing_caliper(rows: Iterable[Mapping[str, Any]]) -> str:
    """A sentence on the first caliper length of a clean record that agrees with the scan, or nothing."""
    for row in rows:
        if row["role"] == "check" and abs(row["difference_mm"]) <= row["limit_mm"]:
            return f"its {row['name']} ({row['measure']}, {row['caliper_mm']:g} mm) bears its own size out."
    return ""
