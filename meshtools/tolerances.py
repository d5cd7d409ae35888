"""How far a dimension may be off: the tolerance of the part, or a class of ISO 2768-1 by its length."""

from __future__ import annotations

import math

ISO_UP_TO_MM = (3.0, 6.0, 30.0, 120.0, 400.0, 1000.0, 2000.0, 4000.0)
ISO_2768_MM: dict[str, tuple[float | None, ...]] = {
    "fine": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, None),
    "medium": (0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0),
    "coarse": (0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 4.0),
    "very-coarse": (None, 0.5, 1.0, 1.5, 2.5, 4.0, 6.0, 8.0),
}
"""ISO 2768-1, linear dimensions. The rows of 120 to 1000 mm of medium and coarse were checked against a reprint; the rest from memory."""
LEAST_ISO_MM = 0.5


def tolerance_of(nominal_mm: float, tolerance_class: str, part_tolerance_mm: float) -> tuple[float, str]:
    """Tolerance in mm (plus and minus) of a dimension and what it rests on. A length that the class does not cover takes the part's."""
    row = ISO_2768_MM.get(tolerance_class)
    if row is None or not math.isfinite(nominal_mm) or not LEAST_ISO_MM <= nominal_mm <= ISO_UP_TO_MM[-1]:
        return part_tolerance_mm, "part tolerance"
    allowed = row[next(place for place, limit in enumerate(ISO_UP_TO_MM) if nominal_mm <= limit)]
    return (part_tolerance_mm, "part tolerance") if allowed is None else (allowed, f"ISO 2768-1 {tolerance_class}")
