"""PLY: elements with named properties, as text or binary in either byte order."""

from __future__ import annotations

import re
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.number_text import read_numbers
from meshtools.files.ply_elements import BinaryBody, Columns, Element, Order, Property, Ragged, TokenBody, read_element
from meshtools.files.scan_parts import ScanParts, as_colour, damaged, ending_notes, fan_triangles, shown
from meshtools.model import ColourArray

LONGEST_HEADER = 1 << 20
_MOST_PROPERTIES = 2000
_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_FORMATS: dict[str, Order | Literal[""]] = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
CORNERS = ("vertex_indices", "vertex_index")
COLOURS = (("red", "green", "blue"), ("diffuse_red", "diffuse_green", "diffuse_blue"), ("r", "g", "b"))
_WANTED = frozenset(("x", "y", "z", *CORNERS)).union(*COLOURS)


def read_ply(name: str, content: bytes) -> ScanParts:
    """Read PLY. Other elements and properties are skipped, polygons become fans. Raises ScanError where header and content disagree."""
    order, elements, comments, start = read_header(name, content)
    body = BinaryBody(content, start, order) if order else TokenBody(_ascii_values(name, content[start:]))
    columns: dict[str, Columns] = {}
    offset = body.start
    for element in elements:
        try:
            columns[element.name], offset = read_element(body, element, offset, _WANTED)
        except ValueError as error:
            raise damaged(name, str(error)) from None
    kinds = {element.name: element for element in elements}
    notes = [] if offset == body.end else [f"{body.end - offset} {body.unit} after the last PLY element were left out."]
    notes += [] if order else ending_notes(content)
    notes += texture_notes(comments)
    if "tristrips" in kinds and "face" not in kinds:
        raise ScanError(f"{name} holds triangle strips: export it again with plain faces.")
    vertices = _vertices(name, columns.get("vertex", {}), kinds)
    faces, face_notes = _faces(name, columns.get("face", {}), kinds)
    colour = _colours(columns.get("vertex", {}), kinds)
    file_format = "PLY text" if not order else f"PLY binary {'little' if order == '<' else 'big'} endian"
    return ScanParts(vertices, faces, file_format, colour, notes=(*notes, *face_notes))


def read_header(name: str, content: bytes) -> tuple[Order | Literal[""], list[Element], list[str], int]:
    """Byte order (empty for text), elements, comments and where the body starts. Raises ScanError for a header out of order."""
    end = re.search(rb"end_header[ \t]*(\r\n|\n|\r)", content[:LONGEST_HEADER])
    if end is None:
        raise damaged(name, "has a PLY header without end")
    lines = re.split(r"\r\n|\n|\r", content[: end.start()].decode("latin-1"))
    if sum(line.startswith(("element", "property")) for line in lines) > _MOST_PROPERTIES:
        raise damaged(name, f"has more than {_MOST_PROPERTIES} elements and properties in its PLY header")
    order: Order | Literal[""] | None = None
    elements: list[Element] = []
    comments: list[str] = []
    for line in lines[1:]:
        words = line.split()
        match words:
            case [] | ["obj_info", *_]:
                continue
            case ["comment", *rest]:
                comments.append(" ".join(rest))
            case ["format", kind, "1.0"] if kind in _FORMATS and order is None:
                order = _FORMATS[kind]
            case ["element", label, count] if re.fullmatch(r"\d{1,18}", count) and all(label != one.name for one in elements):
                elements.append(Element(label, int(count), ()))
            case ["property", *rest] if elements and (found := _property(rest)):
                last = elements[-1]
                elements[-1] = Element(last.name, last.count, (*last.properties, found))
            case _:
                raise damaged(name, f"has a PLY header line that says '{shown(line.strip())}'")
    if order is None:
        raise damaged(name, "has a PLY header without a known format line")
    return order, elements, comments, end.end()


def texture_notes(comments: list[str]) -> tuple[str, ...]:
    """A note where a comment of the header names a picture."""
    has_texture = any(comment.lower().startswith("texturefile") for comment in comments)
    return ("The texture that the PLY file names was not read.",) if has_texture else ()


def _property(words: list[str]) -> Property | None:
    match words:
        case ["list", count, kind, label] if count in _TYPES and kind in _TYPES and _TYPES[count][0] != "f":
            return Property(label, np.dtype(_TYPES[kind]), np.dtype(_TYPES[count]))
        case [kind, label] if kind in _TYPES:
            return Property(label, np.dtype(_TYPES[kind]))
    return None


def _ascii_values(name: str, text: bytes) -> NDArray[np.float64]:
    try:
        return read_numbers(text)
    except ValueError as error:
        raise damaged(name, str(error)) from None


def _vertices(name: str, columns: Columns, kinds: dict[str, Element]) -> NDArray[Any]:
    if "vertex" not in kinds or kinds["vertex"].count == 0:
        return np.zeros((0, 3))
    xyz = _scalars(columns, ("x", "y", "z"))
    if xyz is None:
        raise ScanError(f"{name} has PLY vertices without x, y and z: export the mesh again with coordinates.")
    return xyz


def _scalars(columns: Columns, names: tuple[str, ...]) -> NDArray[Any] | None:
    """The scalar properties of these names side by side; None where one is missing."""
    found = [column for name in names if isinstance(column := columns.get(name), np.ndarray)]
    return np.stack(found, axis=1) if len(found) == len(names) else None


def _faces(name: str, columns: Columns, kinds: dict[str, Element]) -> tuple[NDArray[Any], tuple[str, ...]]:
    if "face" not in kinds or kinds["face"].count == 0:
        return np.zeros((0, 3), dtype=np.int64), ()
    for label in CORNERS:
        column = columns.get(label)
        if isinstance(column, Ragged):
            faces, notes = fan_triangles(column.items, column.sizes)
            if any(one.name == "red" for one in kinds["face"].properties):
                notes += ("The colours of the PLY faces were not read.",)
            return faces, notes
    raise ScanError(f"{name} has PLY faces without the list vertex_indices: export the mesh again with plain faces.")


def _colours(columns: Columns, kinds: dict[str, Element]) -> ColourArray | None:
    for names in COLOURS:
        channels = _scalars(columns, names)
        if channels is not None:
            kind = next(one.kind for one in kinds["vertex"].properties if one.name == names[0])
            return as_colour(channels, kind)
    return None
