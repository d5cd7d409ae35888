"""Numbers with their nouns, for sentences."""

from __future__ import annotations


def counted(n: int, noun: str) -> str:
    """`1 rim`, `2 rims`."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
