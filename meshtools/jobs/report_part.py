"""What the page of a bone that is only a part says of its length, beside that of the other side of the animal."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.jobs.record import StaleInputError, read_record
from meshtools.model import EvidenceClass, Severity

PORTION = "portion"


def with_part_lengths(batch: Path, job: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The findings of a recipe, where one asks about a part of a bone with the length of the replica and that of the whole bone of the other side,
    if the batch has cleaned it. StaleInputError where its record is not the planned one."""
    recipe = job["recipe"]
    length_mm = rebuilt.get("greatest_length_mm")
    asks = [row["code"] == PORTION and row["severity"] == Severity.REVIEW for row in recipe["findings"]]
    if recipe["class"] != EvidenceClass.OWN or length_mm is None or not any(asks):
        return list(recipe["findings"])
    words = f" The replica is {length_mm:.1f} mm long"
    other = _other_side(batch, job)
    words += f", the bone of the other side ({other[0]}) {other[1]:.1f} mm." if other else "."
    return [row | {"message": row["message"] + words} if is_asked else row for row, is_asked in zip(recipe["findings"], asks, strict=True)]


def _other_side(batch: Path, job: Mapping[str, Any]) -> tuple[str, float] | None:
    """Find and greatest length, mm, of the first own bone of the other side that was looked at and is clean."""
    names = [row["find"] for row in job["recipe"]["tried"] if row["class"] == EvidenceClass.OWN_R and row["find"] in job["tried_keys"]]
    for name in names:
        path = f"results/finds/{name}/record.json"
        record = read_record(batch / path)
        if record is None or record["key"] != job["tried_keys"][name]:
            raise StaleInputError(f"{path}: the clean surface is not the planned one. Build again.")
        length_mm = record["facts"].get("greatest_length_mm")
        if record["status"] != "failed" and length_mm is not None:
            return name, float(length_mm)
    return None
