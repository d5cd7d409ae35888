"""What the page of a bone says of the open ends of its scans: the question is answered where the replica goes on beyond them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.counted import counted
from meshtools.geometry.covered_ends import open_ends_of
from meshtools.geometry.open_ends import LONE, TORN, lone_end_finding
from meshtools.model import Severity, plain

WORST_FIRST = (Severity.FAILED, Severity.REVIEW)


def with_ends_answered(records: Mapping[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """The records of an element with the open ends that were completed, or that the skin of its other scans covers, as notes instead of questions."""
    facts = records["rebuild"]["facts"]
    answered = dict(records)
    for find in facts.get("ends_completed", ()):
        answered[f"clean/{find}"] = _with_findings(records[f"clean/{find}"], [_completed(row) for row in records[f"clean/{find}"]["findings"]])
    for find, cover in facts.get("ends_covered", {}).items():
        name = f"clean/{find}"
        answered[name] = _with_findings(answered[name], _covered(find, answered[name], cover))
    return answered


def _with_findings(record: Mapping[str, Any], findings: list[dict[str, Any]]) -> dict[str, Any]:
    found = {finding["severity"] for finding in findings}
    return dict(record) | {"findings": findings, "status": next((severity.value for severity in WORST_FIRST if severity in found), "ok")}


def _completed(finding: Mapping[str, Any]) -> dict[str, Any]:
    if finding["code"] != LONE:
        return dict(finding)
    find = finding["message"].partition(":")[0]
    message = f"{find}: its scan ends open all round, {finding['value']:.1f} mm wide at most; the replica was completed beyond that end."
    return dict(finding) | {"severity": Severity.NOTE.value, "message": message}


def _covered(find: str, record: Mapping[str, Any], cover: list[float | None]) -> list[dict[str, Any]]:
    """The findings of a clean record, with those about open ends as notes where all that they ask about is covered. Where some lone ends are, the
    question is about the rest alone."""
    of_code: dict[str, list[tuple[Mapping[str, Any], float | None]]] = {}
    for end, mm in zip(open_ends_of(record), cover, strict=True):
        of_code.setdefault(end["code"], []).append((end, mm))
    findings: list[dict[str, Any]] = []
    for finding in record["findings"]:
        ends = of_code.get(finding["code"], []) if finding["severity"] == Severity.REVIEW else []
        covered = [(end, mm) for end, mm in ends if mm is not None]
        if not covered or (finding["code"] == TORN and len(covered) < len(ends)):
            findings.append(dict(finding))
            continue
        widest, farthest = max(end["span_mm"] for end, _ in covered), max(mm for _, mm in covered)
        message = (
            f"{find}: its scan ends open at {counted(len(covered), 'place')}, up to {widest:.1f} mm wide, where the skin of the bone's other scans "
            f"covers the rim in the replica (at most {farthest:.2f} mm off)."
        )
        findings.append(dict(finding) | {"severity": Severity.NOTE.value, "message": message, "value": widest})
        if rest := [end for end, mm in ends if mm is None]:
            findings.append(plain(lone_end_finding(find, rest)))
    return findings
