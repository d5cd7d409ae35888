"""Numbers as words and cells of tables write them."""

from __future__ import annotations

from collections.abc import Iterable


def counted(n: int, noun: str, plural: str = "") -> str:
    """`1 rim`, `2 rims`; `1 body`, `2 bodies` where the plural is given."""
    return f"{n} {noun}" if n == 1 else f"{n} {plural or f'{noun}s'}"


def plane_cell(normal: Iterable[float], offset_mm: float) -> str:
    """A plane as the value of a row of decisions.csv: normal and offset in mm, separated by blanks."""
    return " ".join(f"{float(x):.6g}" for x in (*normal, offset_mm))
