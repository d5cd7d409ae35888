"""Letters drawn as single strokes on a grid 4 wide and 6 high, for engraving: A-Z, 0-9, hyphen, full stop and slash. Our own drawing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.model import FloatArray

GRID_HEIGHT = 6.0
_WIDTH, _ADVANCE, _PITCH = 4.0, 6.2, 9.6  # in grid units
_ROUND = "10 30 41 45 36 16 05 01 10"
_STROKES: Mapping[str, str] = {
    "A": "00 26 40|12 32", "B": "00 06 36 45 44 33 03|33 42 41 30 00", "C": "45 36 16 05 01 10 30 41", "D": "00 06 26 44 42 20 00",
    "E": "46 06 00 40|03 33", "F": "46 06 00|03 33", "G": "45 36 16 05 01 10 30 41 43 23", "H": "00 06|40 46|03 43",
    "I": "20 26|10 30|16 36", "J": "46 41 30 10 01 02", "K": "00 06|46 03 40", "L": "06 00 40", "M": "00 06 23 46 40", "N": "00 06 40 46",
    "O": _ROUND, "P": "00 06 36 45 44 33 03", "Q": _ROUND + "|22 40", "R": "00 06 36 45 44 33 03|23 40",
    "S": "45 36 16 05 04 13 33 42 41 30 10 01", "T": "20 26|06 46", "U": "06 01 10 30 41 46", "V": "06 20 46", "W": "06 10 24 30 46",
    "X": "00 46|06 40", "Y": "06 23 46|23 20", "Z": "06 46 00 40",
    "0": _ROUND + "|12 34", "1": "15 26 20|10 30", "2": "05 16 36 45 44 00 40", "3": "05 16 36 45 44 33 13|33 42 41 30 10 01",
    "4": "30 36 02 42", "5": "46 06 03 33 42 41 30 10 01", "6": "45 36 16 05 01 10 30 41 42 33 03", "7": "06 46 10",
    "8": "13 33 44 45 36 16 05 04 13 02 01 10 30 41 42 33", "9": "01 10 30 41 45 36 16 05 04 13 43", "-": "13 33", ".": "20 20.2", "/": "00 46",
}  # fmt: skip
LETTERS = frozenset(_STROKES)


@dataclass(frozen=True)
class Lettering:
    """Lines of text at one size: letter height and stroke width in mm."""

    lines: tuple[str, ...]
    height_mm: float
    stroke_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the box that holds all strokes."""
        unit = self.height_mm / GRID_HEIGHT
        longest = max(len(line) for line in self.lines)
        width = ((longest - 1) * _ADVANCE + _WIDTH) * unit + self.stroke_mm
        return width, ((len(self.lines) - 1) * _PITCH + GRID_HEIGHT) * unit + self.stroke_mm

    def area(self) -> Any:
        """The strokes as one shapely area about the middle of their box, x along the lines and y up."""
        import shapely

        lines = [shapely.LineString(path) if len(path) > 1 else shapely.Point(path[0]) for path in self.paths()]
        return shapely.union_all([line.buffer(self.stroke_mm / 2.0, quad_segs=6) for line in lines])

    def paths(self) -> tuple[FloatArray, ...]:
        """Middle lines of all strokes, each (k, 2) in mm about the middle of the box."""
        unit = self.height_mm / GRID_HEIGHT
        width, height = (side - self.stroke_mm for side in self.size_mm)
        paths = []
        for row, line in enumerate(self.lines):
            base = height / 2.0 - GRID_HEIGHT * unit - row * _PITCH * unit
            for column, letter in enumerate(line):
                shift = np.array([column * _ADVANCE * unit - width / 2.0, base])
                paths += [np.array(path) * unit + shift for path in strokes(letter)]
        return tuple(paths)


def strokes(letter: str) -> tuple[tuple[tuple[float, float], ...], ...]:
    """The strokes of one letter on the grid, x to the right and y up; a space has none."""
    if letter == " ":
        return ()
    return tuple(tuple((float(word[0]), float(word[1:])) for word in path.split()) for path in _STROKES[letter].split("|"))


def engravable(text: str) -> str:
    """The text in the letters that can be drawn: capitals, and a hyphen for every other sign."""
    return "".join(sign if sign in LETTERS or sign == " " else "-" for sign in text.upper())


def layouts(words: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """Ways to break words into lines, from one line to one word a line; long words also break after a hyphen, stop or slash."""
    pieces: list[tuple[str, bool]] = []
    for word in words:
        parts = _broken(engravable(word))
        pieces += [(part, number == len(parts) - 1) for number, part in enumerate(parts)]
    total = sum(len(part) + 1 for part, _ in pieces)
    found: dict[tuple[str, ...], None] = {}
    for width in range(total, max(len(part) for part, _ in pieces) - 1, -1):
        found[_wrapped(pieces, width)] = None
    return tuple(found)


def _broken(word: str) -> list[str]:
    parts, part = [], ""
    for sign in word:
        part += sign
        if sign in "-./" and len(part) > 3:
            parts.append(part)
            part = ""
    return [*parts, part] if part else parts


def _wrapped(pieces: list[tuple[str, bool]], width: int) -> tuple[str, ...]:
    lines, line, gap = [], "", ""
    for part, ends_word in pieces:
        if line and len(line + gap + part) > width:
            lines.append(line)
            line = part
        else:
            line = line + gap + part if line else part
        gap = " " if ends_word else ""
    return (*lines, line)
