"""What was measured on a finished part: one row of received.csv."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Received:
    """One length taken on a part that a workshop made. `part` names one solid of the route, empty for the finished whole; `nominal_mm` and
    `tolerance_mm` are None where the record of the route says them; `pattern_scale` is what a moulded part was made with, None where not stated."""

    row: int
    target: str
    element: str
    route: str
    part: str
    measure: str
    measured_mm: float
    nominal_mm: float | None
    tolerance_mm: float | None
    article: str  # first or delivery
    by: str
    date: str
    pattern_scale: float | None = None
