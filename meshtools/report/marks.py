"""The places that the findings of a page name, to be marked in its turning view."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

PLACE = re.compile(r"\((-?\d+\.\d), (-?\d+\.\d), (-?\d+\.\d)\)")
MOST_MARKS = 60
LONGEST_WORDS = 160


def marked_places(findings: Sequence[Mapping[str, Any]], rebuilt: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Each place with the words of its finding: {place_mm [x, y, z] of replica.ply, words}. Only places whose frame is sure are marked: those of
    replica.ply, and those of the clean surface of the first find, in whose frame the replica is made.

    findings: rows of a sheet. rebuilt: the facts of the replica.
    """
    marks: list[dict[str, Any]] = []
    for row in findings:
        matrix = _replica_from(row, rebuilt)
        if matrix is None:
            continue
        words = row["message"] if len(row["message"]) <= LONGEST_WORDS else f"{row['message'][:LONGEST_WORDS].rsplit(' ', 1)[0]} …"
        for found in PLACE.finditer(row["message"]):
            place = _moved(matrix, [float(number) for number in found.groups()])
            if all(mark["place_mm"] != place for mark in marks):  # the gravest finding speaks for a place
                marks.append({"place_mm": place, "words": words})
    return marks[:MOST_MARKS]


def _replica_from(row: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> Sequence[Sequence[float]] | None:
    """The matrix (4, 4) that takes the places of a finding to replica.ply; None where their frame is not known."""
    first = next(iter(rebuilt.get("finds") or ()), "")
    if row["stage"] == "rebuild" and "mm of replica.ply" in row["message"]:
        return ((1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0))
    is_clean = row["stage"] == f"clean/{first}" or (row["stage"] == "rebuild" and f"find {first} near" in row["message"])
    if not first or not is_clean or rebuilt.get("conjecture"):
        return None
    matrix: Sequence[Sequence[float]] | None = rebuilt.get("replica_from_scan")
    return matrix


def _moved(matrix: Sequence[Sequence[float]], place: Sequence[float]) -> list[float]:
    return [round(sum(row[k] * place[k] for k in range(3)) + row[3], 3) for row in matrix[:3]]
