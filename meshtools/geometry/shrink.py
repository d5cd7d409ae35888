"""How much larger a pattern must be than the casting that is wanted."""

from __future__ import annotations

from collections.abc import Iterable

from meshtools.errors import GeometryError


def pattern_scale(shrink_percents: Iterable[float]) -> float:
    """Scale of the pattern: 1 / prod(1 - s), s the shrink of each step in percent of the length before it, an expansion negative (closed form).

    GeometryError for a shrink of 20 % or more, or an expansion of more than 20 %: that is a slip of the pen, not a material.
    """
    scale = 1.0
    for percent in shrink_percents:
        if not -20.0 <= percent < 20.0:
            raise GeometryError(f"a shrink of {percent} % is no casting material's; write percent of length, an expansion negative")
        scale /= 1.0 - percent / 100.0
    return scale
