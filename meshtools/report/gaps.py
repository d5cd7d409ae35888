"""Gaps of an index, folded: the members of a series and both sides of a bone that lack a source for the same reason are one line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from meshtools.completeness import as_ranges
from meshtools.report.words import element_title

_MEMBER = re.compile(r"(?P<base>.+?)(?:-(?P<number>\d+))?(?:-(?P<side>left|right))?")


def fold_gaps(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rows of an index whose status is gap, in their order, each with `title` and `n_elements` more.

    Rows are folded that differ in position and side alone: the name of a bone in its reason reads `such bone` then. A row by itself stays as it is.
    """
    folded: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        folded.setdefault((_parts(row)["base"], row["class"], _reason(row)), []).append(row)
    lines = []
    for (_, _, reason), mine in folded.items():
        if len(mine) == 1:
            lines.append(dict(mine[0]) | {"title": element_title(mine[0]["element"]), "n_elements": 1})
        else:
            findings = [dict(mine[0]["findings"][0]) | {"message": reason}] if mine[0]["findings"] else []
            lines.append(dict(mine[0]) | {"title": _title(mine), "n_elements": len(mine), "findings": findings})
    return lines


def _parts(row: Mapping[str, Any]) -> dict[str, str]:
    """Base, number and side in the slug of an element; what it has not is empty."""
    match = _MEMBER.fullmatch(row["element"])
    return match.groupdict(default="") if match else {"base": row["element"], "number": "", "side": ""}


def _reason(row: Mapping[str, Any]) -> str:
    """The first finding's sentence, without the name of the bone."""
    name = re.escape(row["element"].removesuffix("-left").removesuffix("-right"))
    return re.sub(rf"(?<![\w-]){name}(?:-left|-right)?(?![\w-])", "such bone", row["findings"][0]["message"]) if row["findings"] else ""


def _title(rows: Sequence[Mapping[str, Any]]) -> str:
    """`Caudal 1-3, 5` or `Rib 1-13, left and right`; where the sides lack different members, both are told."""
    members: dict[str, list[str]] = {}
    for row in rows:
        parts = _parts(row)
        members.setdefault(parts["side"], []).append(parts["number"])
    base = element_title(_parts(rows[0])["base"])
    ranges = {side: as_ranges(int(number) for number in numbers if number) for side, numbers in members.items()}
    if len(set(ranges.values())) == 1:
        sides = " and ".join(side for side in sorted(ranges) if side)
        return f"{base} {next(iter(ranges.values()))}".strip() + (f", {sides}" if sides else "")
    return "; ".join(", ".join(filter(None, (f"{base} {numbers}".strip(), side))) for side, numbers in sorted(ranges.items()))
