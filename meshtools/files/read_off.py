"""OFF: a text of counts, vertices and polygons; COFF adds vertex colours."""

from __future__ import annotations

import re

import numpy as np

from meshtools.errors import ScanError
from meshtools.files.number_text import NumberRows, read_rows
from meshtools.files.scan_parts import ScanParts, as_colour, damaged, ending_notes, fan_triangles, ramps
from meshtools.model import ColourArray

_KEYWORD = re.compile(rb"(ST)?(C)?(N)?(4)?(n)?OFF\b(\s+BINARY)?")


def read_off(name: str, content: bytes) -> ScanParts:
    """Read OFF, COFF, NOFF and STOFF text with comments. Raises ScanError for other kinds of OFF and for counts that do not fit."""
    text = re.sub(rb"#[^\n]*", b"", content.replace(b"\r", b"\n")).lstrip()
    keyword = _KEYWORD.match(text)
    if keyword and (keyword[4] or keyword[5] or keyword[6]):
        raise ScanError(f"{name} is an OFF file of more dimensions or in binary: export it as plain OFF text or as PLY.")
    lines = [line for line in text[keyword.end() if keyword else 0 :].split(b"\n") if line.strip()]
    n_vertices, n_faces = _counts(name, lines)
    if n_vertices + n_faces > len(lines) - 1:
        raise damaged(name, f"states {n_vertices} vertices and {n_faces} faces but has {len(lines) - 1} lines for them")
    last = 1 + n_vertices + n_faces
    try:
        points = read_rows(b"\n".join(lines[1 : 1 + n_vertices]))
        vertices = points.columns(0, 3)
        corners, sizes = _polygons(read_rows(b"\n".join(lines[1 + n_vertices : last])))
    except ValueError as error:
        raise damaged(name, str(error)) from None
    faces, notes = fan_triangles(corners, sizes)
    notes += ending_notes(content)
    if len(lines) > last:
        notes += (f"{len(lines) - last} lines after the last face were left out.",)
    colour = _colours(points, 6 if keyword and keyword[3] else 3) if keyword and keyword[2] else None
    return ScanParts(vertices, faces, "OFF", colour, notes=notes)


def _counts(name: str, lines: list[bytes]) -> tuple[int, int]:
    words = lines[0].split() if lines else []
    if len(words) < 2 or not all(re.fullmatch(rb"\d{1,18}", word) for word in words[:2]):
        raise damaged(name, "does not state its vertices and faces after the word OFF")
    return int(words[0]), int(words[1])


def _polygons(rows: NumberRows) -> tuple[np.ndarray, np.ndarray]:
    """Corner numbers in a row and corners per face; what follows the corners on a line is a face colour and is not read."""
    counts = rows.columns(0, 1)[:, 0]
    if not ((counts >= 0) & (counts == np.rint(counts)) & (counts < rows.widths)).all():
        raise ValueError("has a face with fewer vertex numbers than it states")
    sizes = counts.astype(np.int64)
    starts = np.cumsum(rows.widths) - rows.widths + 1
    return rows.values[np.repeat(starts, sizes) + ramps(sizes)], sizes


def _colours(rows: NumberRows, first: int) -> ColourArray | None:
    if len(rows.widths) == 0 or rows.widths.min() < first + 3:
        return None
    values = rows.columns(first, 3)
    is_whole = bool((values == np.rint(values)).all()) and values.max() > 1
    return as_colour(values, np.dtype("u1") if is_whole else np.dtype("f8"))
