"""Texts of a drawing, freed of signs that its formats cannot hold or read as commands."""

from __future__ import annotations


def printable(text: str) -> str:
    """The text on one line; a sign that cannot be printed becomes a blank."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def dxf_text(text: str) -> str:
    """As `printable`, and nothing in it is a command of a TEXT entity: two percent signs begin one, so does a caret (DXF reference)."""
    return printable(text).replace("%%", "% %").replace("^", "^ ")
