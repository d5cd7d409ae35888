"""OBJ: lines of vertices and polygons as text, with vertex colours or a texture from the same folder."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.files.number_text import NumberRows, read_numbers, read_rows, word_starts, words_per_line
from meshtools.files.obj_texture import Materials, paint_corners, read_materials
from meshtools.files.scan_parts import ScanParts, as_colour, damaged, ending_notes, fan_triangles, file_label
from meshtools.model import ColourArray, FloatArray

_LINE = re.compile(rb"(?m)^[ \x0b\x0c]*(vt?|fo?|mtllib|usemtl)(?: ([^\n]*))?$")


@dataclass
class _Lines:
    """Arguments of one keyword and where in the text their lines begin."""

    places: list[int] = field(default_factory=list)
    texts: list[bytes] = field(default_factory=list)

    def joined(self) -> bytes:
        return b"\n".join(self.texts)


@dataclass(frozen=True, eq=False)
class _Corners:
    """All face corners in a row: vertex and texture numbers (from 0; -1 for no texture), corners per face."""

    vertices: NDArray[np.int64]
    textures: NDArray[np.int64]
    sizes: NDArray[np.int64]


def read_obj(path: Path, content: bytes) -> ScanParts:
    """Read OBJ; materials and pictures only from the scan's own folder. Raises ScanError for lines that cannot be read."""
    name = file_label(path)
    lines = _split(content)
    try:
        points = read_rows(lines["v"].joined())
        vertices = points.columns(0, 3)
        uvs = read_rows(lines["vt"].joined()).columns(0, 2)
        corners = _corners(lines)
    except ValueError as error:
        raise damaged(name, str(error)) from None
    notes = (*ending_notes(content), *_cut_off_notes(corners.vertices, len(vertices)))
    materials = read_materials(path.parent, lines["mtllib"].texts, bool(len(uvs)) and bool((corners.textures >= 0).any()))
    notes += materials.notes
    if materials.has_picture:
        return _textured(name, vertices, uvs, (corners, lines), materials, notes)
    faces, fan_notes = fan_triangles(corners.vertices, corners.sizes)
    colour, colour_notes = _vertex_colours(points)
    return ScanParts(vertices, faces, "OBJ", colour, notes=(*notes, *fan_notes, *colour_notes))


def _split(content: bytes) -> dict[str, _Lines]:
    """Sort the lines by keyword; a backslash at the end joins a line to the next, `#` starts a comment."""
    text = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").replace(b"\\\n", b" ").replace(b"\t", b" ")
    text = re.sub(rb"#[^\n]*", b"", text)
    lines = {keyword: _Lines() for keyword in ("v", "vt", "f", "mtllib", "usemtl")}
    by_keyword = {keyword.encode(): sorted_lines for keyword, sorted_lines in lines.items()}
    by_keyword[b"fo"] = lines["f"]  # an older spelling of f
    for line in _LINE.finditer(text):
        kept = by_keyword[line[1]]
        kept.places.append(line.start())
        kept.texts.append(line[2] or b"")
    return lines


def _corners(lines: dict[str, _Lines]) -> _Corners:
    """Read face lines: corners are v, v/vt, v//vn or v/vt/vn, in any mixture; negative numbers count back from the face's own line."""
    text = re.sub(rb"(?<!/)/++(?=\s|$)", b"", lines["f"].joined())  # some programs write v// for a plain v
    starts = word_starts(text)
    sizes = words_per_line(text, starts)
    if len(sizes) == 0 or len(starts) == 0:
        none = np.zeros(0, dtype=np.int64)
        return _Corners(none, none, none)
    if sizes.min() < 3:
        raise ValueError(f"has a face with {sizes.min()} corners (face {int(sizes.argmin()) + 1})")
    n_slashes, n_doubles = _slashes(text, starts)
    per_corner = 1 + n_slashes - n_doubles
    numbers = read_numbers(text.replace(b"/", b" "))
    if len(numbers) != per_corner.sum() or n_slashes.max() > 2 or (numbers != np.rint(numbers)).any() or np.abs(numbers).max() > 2**53:
        raise ValueError("has a face corner that is not written as v, v/vt, v//vn or v/vt/vn")
    first = np.cumsum(per_corner) - per_corner
    has_texture = (n_slashes >= 1) & (n_doubles == 0)
    textures = np.zeros(len(first))
    textures[has_texture] = numbers[first[has_texture] + 1]
    return _Corners(
        _counted_from_zero(numbers[first], sizes, lines["f"], lines["v"]),
        np.where(has_texture, _counted_from_zero(textures, sizes, lines["f"], lines["vt"], zero=-1), -1),
        sizes,
    )


def _slashes(text: bytes, starts: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """How many slashes, and how many double slashes, each corner is written with."""
    if b"/" not in text:
        return np.zeros(len(starts), dtype=np.int64), np.zeros(len(starts), dtype=np.int64)
    is_slash = np.frombuffer(text, dtype=np.uint8) == ord("/")
    is_double = is_slash.copy()
    is_double[1:] &= is_slash[:-1]
    is_double[0] = False
    return np.add.reduceat(is_slash, starts, dtype=np.int64), np.add.reduceat(is_double, starts, dtype=np.int64)


def _counted_from_zero(numbers: FloatArray, sizes: NDArray[np.int64], faces: _Lines, targets: _Lines, zero: int | None = None) -> NDArray[np.int64]:
    """Turn numbers that count from 1, or back from the face's line, into numbers that count from 0 over the file."""
    whole = numbers.astype(np.int64)
    if zero is None and (whole == 0).any():
        raise ValueError("has a face that names vertex 0, where OBJ counts from 1")
    result = whole - 1
    is_relative = whole < 0
    if is_relative.any():
        before = np.searchsorted(np.array(targets.places, dtype=np.int64), np.array(faces.places, dtype=np.int64))
        result[is_relative] = (np.repeat(before, sizes) + whole)[is_relative]
        if (result[is_relative] < 0).any():
            raise ValueError("has a face that counts back beyond the first line it could mean")
    return result


def _cut_off_notes(used: NDArray[np.int64], n_vertices: int) -> tuple[str, ...]:
    """OBJ states no counts, so a cut between two lines shows only in vertices that no face names."""
    valid = used[(used >= 0) & (used < n_vertices)]
    n_unused = n_vertices - int(np.count_nonzero(np.bincount(valid, minlength=n_vertices)))
    if not n_unused or not len(used):
        return ()
    return (f"{n_unused} of {n_vertices} OBJ vertices belong to no face: check that the file is not cut off.",)


def _vertex_colours(points: NumberRows) -> tuple[ColourArray | None, tuple[str, ...]]:
    """Colours written behind the coordinates, x y z r g b."""
    if len(points.widths) == 0 or points.widths.max() < 6:
        return None, ()
    if points.widths.min() < 6:
        return None, ("Only some OBJ vertices have a colour, so colour was left out.",)
    return as_colour(points.columns(3, 3), np.dtype("f8")), ()


def _textured(
    name: str, vertices: FloatArray, uvs: FloatArray, faces: tuple[_Corners, dict[str, _Lines]], materials: Materials, notes: tuple[str, ...]
) -> ScanParts:
    """Split vertices where one has several places or materials in the texture, and colour each from its place."""
    corners, lines = faces
    if corners.textures.max() >= len(uvs):
        raise damaged(name, f"has a face that names texture point {int(corners.textures.max()) + 1} of {len(uvs)}")
    if corners.vertices.max() >= len(vertices):
        raise damaged(name, f"has a face that names vertex {int(corners.vertices.max()) + 1} of {len(vertices)}")
    runs = np.searchsorted(np.array(lines["usemtl"].places, dtype=np.int64), np.array(lines["f"].places, dtype=np.int64))
    material = np.repeat(materials.numbers_of(lines["usemtl"].texts)[runs], corners.sizes)
    places, place_of_corner = _unique_pairs(corners.textures + 1, material)
    pairs, pair_of_corner = _unique_pairs(corners.vertices, place_of_corner)
    colour, colour_notes = paint_corners(materials, uvs, places[pairs[:, 1], 0] - 1, places[pairs[:, 1], 1])
    triangles, fan_notes = fan_triangles(pair_of_corner, corners.sizes)
    return ScanParts(vertices[pairs[:, 0]], triangles, "OBJ", colour, notes=(*notes, *fan_notes, *colour_notes))


def _unique_pairs(first: NDArray[np.int64], second: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[Any]]:
    """The distinct pairs (k, 2), sorted, and which of them each given pair is."""
    span = int(second.max()) + 1
    keys, inverse = np.unique(first * span + second, return_inverse=True)
    return np.stack([keys // span, keys % span], axis=1), inverse
