"""What the page of a completed bone says of the open end of its scan: the question is answered where the replica goes on beyond it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.geometry.completed_ends import OPEN_END
from meshtools.model import Severity

WORST_FIRST = (Severity.FAILED, Severity.REVIEW)


def with_ends_completed(records: Mapping[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """The records of an element with the open end of the find that was completed as a note instead of a question."""
    name = f"clean/{records['rebuild']['facts'].get('end_completed')}"
    if name not in records:
        return dict(records)
    findings = [_as_note(finding) if finding["code"] == OPEN_END else finding for finding in records[name]["findings"]]
    found = {finding["severity"] for finding in findings}
    status = next((severity.value for severity in WORST_FIRST if severity in found), "ok")
    return dict(records) | {name: records[name] | {"findings": findings, "status": status}}


def _as_note(finding: Mapping[str, Any]) -> dict[str, Any]:
    find = finding["message"].partition(":")[0]
    message = f"{find}: its scan ends open all round, {finding['value']:.1f} mm wide at most; the replica was completed beyond that end."
    return dict(finding) | {"severity": Severity.NOTE.value, "message": message}
