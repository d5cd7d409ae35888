"""Numbers that a route could not find: left out of record and sheet by name, since neither JSON nor a workshop can use an infinite length."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from meshtools.model import Finding, Severity, plain
from meshtools.model_ready import Made

NOT_FOUND = "not found"


def without_endless(made: Made) -> Made:
    """What a route made, with every number that is infinite or none told in words (figures, tables) or left empty (facts, findings), and a
    finding that names them. Made itself where all numbers are finite."""
    facts = plain(made.facts)
    named = [*_names(facts), *(figure.label for figure in made.figures if _is_endless(figure.value)),
             *(table.name for table in made.tables if any(_is_endless(cell) for row in table.rows for cell in row)),
             *(finding.code for finding in made.findings if _is_endless(finding.value) or _is_endless(finding.limit))]  # fmt: skip
    if not named:
        return made
    said = f"The route found no number for {', '.join(sorted(set(named)))}: look at what the sheet says of it before the part is made."
    findings = tuple(replace(one, value=_emptied(one.value), limit=_emptied(one.limit)) for one in made.findings)
    return replace(
        made,
        facts=_emptied(facts),
        figures=tuple(replace(figure, value=_worded(figure.value)) for figure in made.figures),
        tables=tuple(replace(table, rows=tuple(tuple(map(_worded, row)) for row in table.rows)) for table in made.tables),
        findings=(*findings, Finding(Severity.REVIEW, "figure-not-found", said, len(set(named)))),
    )


def _is_endless(value: Any) -> bool:
    return isinstance(value, float) and not math.isfinite(value)


def _names(facts: Mapping[str, Any]) -> Iterator[str]:
    """The facts that hold a number which is not finite, however deep."""
    return (name for name, value in facts.items() if _emptied(value) != value)


def _worded(value: Any) -> Any:
    return NOT_FOUND if _is_endless(value) else value


def _emptied(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _emptied(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_emptied(item) for item in value]
    return None if _is_endless(value) else value
