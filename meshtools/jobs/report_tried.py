"""What the page of an element says of the finds that were not taken, once their scans have been read: the plan knows their rows alone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.jobs.record import StaleInputError, read_record
from meshtools.usable import is_usable


def tried_and_next_best(batch: Path, job: Mapping[str, Any]) -> dict[str, Any]:
    """The ways that were looked at and not taken, and the next best one: a find whose scan could not be read or cleaned is not usable, and of one
    that nothing else in the batch needed it is said that its scan was not read."""
    tried = [_seen(batch, job, row) for row in job["recipe"]["tried"]]
    usable = [row for row in tried if is_usable(row["find"], row["why"])]
    return {"tried": tried, "next_best": usable[0] if usable else None}


def _seen(batch: Path, job: Mapping[str, Any], row: Mapping[str, Any]) -> dict[str, Any]:
    if not is_usable(row["find"], row["why"]):
        return dict(row)
    if row["find"] not in job["tried_keys"]:
        return dict(row) | {"why": f"{row['why']}; its scan was not read"}
    path = f"results/finds/{row['find']}/record.json"
    record = read_record(batch / path)
    if record is None or record["key"] != job["tried_keys"][row["find"]]:
        raise StaleInputError(f"{path}: the clean surface is not the planned one. Build again.")
    if record["status"] != "failed":
        return dict(row)
    reasons = " ".join(finding["message"] for finding in record["findings"] if finding["severity"] == "failed")
    return dict(row) | {"why": f"not usable: {reasons}".rstrip(".")}
