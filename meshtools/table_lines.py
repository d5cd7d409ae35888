"""Tables as lines of text."""

from __future__ import annotations

from collections.abc import Sequence


def aligned(table: Sequence[Sequence[str]]) -> list[str]:
    """Rows of cells as lines, with columns one below the other. All rows have as many cells."""
    widths = [max(len(row[place]) for row in table) for place in range(len(table[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]
