"""A field of settings that knows its bounds and its meaning.

A class of settings may have a method `contradictions()` that yields (field, rule) for what no single field shows; reading config.yaml asks it.
"""

from __future__ import annotations

import dataclasses
from typing import Any


def bounded(default: Any, low: float | None, high: float | None, meaning: str, choices: tuple[str, ...] = ()) -> Any:
    """A dataclass field that knows its bounds (inclusive, None for open), the words it may hold where it is a text (empty: any), and what it
    means."""
    return dataclasses.field(default=default, metadata={"low": low, "high": high, "meaning": meaning, "choices": choices})


def cell(low: float | None, high: float | None, meaning: str, choices: tuple[str, ...] = ()) -> Any:
    """As `bounded`, for a field without a default: a cell that every row of a list must have."""
    return dataclasses.field(metadata={"low": low, "high": high, "meaning": meaning, "choices": choices})
