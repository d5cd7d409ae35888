"""Numbers that a route could not find."""

from __future__ import annotations

import math

from meshtools.jobs.ready_finite import without_endless
from meshtools.jobs.record import record_bytes
from meshtools.model import Finding, Record, Severity
from meshtools.model_ready import Figure, Made, RouteTable


def test_a_number_that_a_route_could_not_find_is_named_in_a_finding_and_the_record_can_be_written() -> None:
    table = RouteTable("cuts", "Cuts", ("gap",), ((math.nan,), (1.5,)))
    found = (Finding(Severity.NOTE, "thin", "It is thin.", math.inf, 1.0, "mm"),)
    made = without_endless(Made((), (), {"deep": [{"wall_mm": math.inf}], "n": 2}, found, (Figure("gap", math.inf, "mm"),), (table,)))
    assert (made.facts, made.figures[0].value, made.tables[0].rows) == ({"deep": [{"wall_mm": None}], "n": 2}, "not found", (("not found",), (1.5,)))
    assert [finding.code for finding in made.findings] == ["thin", "figure-not-found"]
    assert "cuts, deep, gap, thin" in made.findings[1].message
    record_bytes(Record("print", "key", "review", made.facts, made.findings, (), ()))
    assert without_endless(made) is made
