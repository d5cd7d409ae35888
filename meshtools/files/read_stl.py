"""STL: triangles without unit, binary or as text. Corners are not merged here: three vertices a face."""

from __future__ import annotations

import re

import numpy as np

from meshtools.errors import ScanError
from meshtools.files.number_text import read_rows
from meshtools.files.scan_parts import ScanParts, damaged
from meshtools.geometry.threads import in_blocks
from meshtools.model import FloatArray

HEADER_BYTES = 84  # 80 of free text and the count of triangles
TRIANGLE_BYTES = 50
_MOST_TRAILING = 49  # less than one triangle: padding, said in a note; more is a count that lies
STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
ATTRIBUTES_NOTE = "The attribute words of the STL triangles, which some programs use for colour, were not read."
_WORDS = (b"endfacet", b"endloop", b"facet", b"outer", b"loop", b"vertex")


def count_in_header(start: bytes) -> int:
    """The count of triangles that a binary header states."""
    return int.from_bytes(start[80:84], "little")


def is_binary_stl(start: bytes, n_bytes: int) -> bool:
    """True where the size fits the stated count exactly; this also holds for binary files that begin with `solid`."""
    return len(start) >= HEADER_BYTES and n_bytes == HEADER_BYTES + TRIANGLE_BYTES * count_in_header(start)


def read_stl(name: str, content: bytes) -> ScanParts:
    """Read STL. Normals and colour words are not read. Raises ScanError for a count that does not fit, text that is no STL, a cut-off file."""
    if is_binary_stl(content[:HEADER_BYTES], len(content)) or not is_text(content[:4096]):
        return _read_binary(name, content)
    if not content[:4096].lstrip().lower().startswith(b"solid"):
        raise ScanError(f"{name} holds text and no STL surface: look at what was saved and export the mesh again.")
    return _read_text(name, content)


def is_text(start: bytes) -> bool:
    """True where no byte is a control character other than white space."""
    return not re.search(rb"[\x00-\x08\x0e-\x1f]", start)


def _read_binary(name: str, content: bytes) -> ScanParts:
    if len(content) < HEADER_BYTES:
        raise damaged(name, f"has {len(content)} bytes, fewer than the {HEADER_BYTES} of an STL header")
    n_faces = count_in_header(content)
    room = len(content) - HEADER_BYTES
    trailing = room - TRIANGLE_BYTES * n_faces
    if trailing < 0 or trailing > _MOST_TRAILING:
        raise damaged(name, f"states {n_faces} triangles in its header but has room for {room // TRIANGLE_BYTES}")
    if n_faces == 0:
        raise ScanError(f"{name} states 0 triangles: export the mesh again and check that something was selected.")
    records = np.frombuffer(content, dtype=STL_RECORD, count=n_faces, offset=HEADER_BYTES)
    notes = [f"{trailing} bytes after the last triangle were left out."] if trailing else []
    if records["attribute"].any():
        notes.append(ATTRIBUTES_NOTE)
    corners = np.empty((n_faces, 3, 3))

    def put(rows: slice) -> None:
        corners[rows] = records["corners"][rows]

    in_blocks(n_faces, put)
    return _parts(corners.reshape(-1, 3), "STL binary", tuple(notes))


def _read_text(name: str, content: bytes) -> ScanParts:
    text = content.replace(b"\r", b"\n").lower()
    if not re.search(rb"\bendsolid\b", text[-4096:].rstrip().rpartition(b"\n")[2]):
        raise damaged(name, "starts as an STL text but has no endsolid at its end")
    text = re.sub(rb"(?m)^[ \t]*(end)?solid\b[^\n]*$", b"", text)
    text = _without_normals(text)
    n_faces = text.count(b"endfacet")
    if text.count(b"facet") != 2 * n_faces or text.count(b"loop") != 2 * n_faces or text.count(b"vertex") != 3 * n_faces:
        raise damaged(name, "has an STL facet that is not three vertices in one loop")
    if n_faces == 0:
        raise ScanError(f"{name} is an STL text without facets: export the mesh again and check that something was selected.")
    for word in _WORDS:
        text = text.replace(word, b"")
    try:
        rows = read_rows(text)
    except ValueError as error:
        raise damaged(name, str(error)) from None
    if len(rows.values) != 9 * n_faces or (rows.widths % 3).any():
        raise damaged(name, "has an STL vertex without three coordinates")
    return _parts(rows.values.reshape(-1, 3), "STL text", ())


def _without_normals(text: bytes) -> bytes:
    """Take the normals out: nothing is read from them, and some programs write words there that are no numbers."""
    by_line = re.sub(rb"normal[^\n]*", b"", text)
    return by_line if by_line.count(b"vertex") == text.count(b"vertex") else re.sub(rb"normal(\s+\S+){3}", b"", text)


def _parts(vertices: FloatArray, file_format: str, notes: tuple[str, ...]) -> ScanParts:
    faces = np.arange(len(vertices), dtype=np.int32).reshape(-1, 3)
    return ScanParts(vertices, faces, file_format, notes=notes)
