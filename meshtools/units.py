"""Length units of scan files."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class Unit(StrEnum):
    """Length unit of a scan file. `none` is a model without scale."""

    MM = "mm"
    CM = "cm"
    M = "m"
    INCH = "inch"
    NONE = "none"


MM_PER_UNIT: Mapping[Unit, float] = {Unit.MM: 1.0, Unit.CM: 10.0, Unit.M: 1000.0, Unit.INCH: 25.4}
