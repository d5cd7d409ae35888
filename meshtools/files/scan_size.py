"""How large a scan is, from its header or its length alone: what a job will need in memory is known before anything is read.

No header is believed beyond what the bytes of the file can hold. Where a format states no counts, samples of the text tell how dense it is.
"""

from __future__ import annotations

import json
import math
import re
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from meshtools.errors import ScanError, is_passing
from meshtools.files.glb_document import LEAST_GLB_TRIANGLE, MOST_JSON_BYTES
from meshtools.files.ply_elements import Element, Property
from meshtools.files.read_3mf import ZIP_ERRORS, most_unpacked_bytes
from meshtools.files.read_ply import COLOURS, LONGEST_HEADER, read_header
from meshtools.files.read_stl import HEADER_BYTES, TRIANGLE_BYTES, count_in_header, is_binary_stl, is_text
from meshtools.files.scan_format import SNIFFED_BYTES, format_of
from meshtools.files.scan_parts import most_placed

# What reading and cleaning a scan takes at most, in MB and bytes. Chosen so that the formula lies above the peaks measured (VmHWM) for STL
# of 0.07, 0.33 and 1.3 million triangles and PLY of 0.33 million: 383, 657, 1597 and 638 MB.
PEAK_BASE_MB = 350  # the interpreter and the libraries
PEAK_BYTES_PER_FACE = 950
PEAK_BYTES_PER_VERTEX = 60
PEAK_BYTES_PER_COLOUR = 20  # a vertex; not measured

_N_SAMPLES = 16
_SAMPLE_BYTES = 1 << 14
_LEAST_STL_TEXT = 60  # bytes of the shortest facet as text
_LEAST_LINE = 6  # bytes of the shortest vertex or face line: `0 0 0` and a line break
_LEAST_TEXT_TRIANGLE = 2  # bytes of one more corner of a polygon: a digit and a blank
_LEAST_3MF_TRIANGLE = 50  # `<triangle v1="0" v2="1" v3="2"/>` and half a vertex, packed without blanks
_LEAST_GLB_CORNER = 1  # bytes of a corner's vertex number


@dataclass(frozen=True)
class ScanSize:
    """Faces (as triangles) and vertices as the reader will hold them, before any merging: stated, or estimated."""

    n_faces: int
    n_vertices: int
    has_colour: bool


UNKNOWN = ScanSize(0, 0, False)


class _Opened(NamedTuple):
    path: Path
    stream: BinaryIO
    n_bytes: int
    start: bytes


def scan_size(path: Path) -> ScanSize:
    """The size of a scan, in milliseconds whatever its length. Never raises for its content: a file that no reader takes is UNKNOWN, size 0.

    Raises OSError where the machine fails for the moment (errors.is_passing), which says nothing about the scan.
    """
    try:
        if not path.is_file():
            return UNKNOWN
        with path.open("rb") as stream:
            start = stream.read(SNIFFED_BYTES)
            opened = _Opened(path, stream, path.stat().st_size, start)
            kind = format_of(path, start, opened.n_bytes)
            measure = {"stl": _stl, "ply": _ply, "obj": _obj, "off": _off, "glb": _glb, "3mf": _threemf}[kind]
            return measure(opened)
    except (OSError, ValueError, ScanError) as error:
        if is_passing(error):
            raise
        return UNKNOWN


def estimated_peak_mb(size: ScanSize) -> int:
    """Memory that reading and cleaning takes at most, MB of 2**20 bytes: a base, and so many bytes a face, a vertex and a coloured vertex.

    Our own formula; the constants stand at the top of this module. An estimate of the size already leans to the large side.
    """
    per_vertex = PEAK_BYTES_PER_VERTEX + (PEAK_BYTES_PER_COLOUR if size.has_colour else 0)
    return PEAK_BASE_MB + (size.n_faces * PEAK_BYTES_PER_FACE + size.n_vertices * per_vertex >> 20)


def _stl(opened: _Opened) -> ScanSize:
    if not is_text(opened.start[:4096]) or is_binary_stl(opened.start, opened.n_bytes):
        n_faces = min(count_in_header(opened.start), max(opened.n_bytes - HEADER_BYTES, 0) // TRIANGLE_BYTES)
        return ScanSize(n_faces, 3 * n_faces, False)
    n_faces = min(_dense(opened, lambda sample: len(re.findall(rb"(?i)\bendfacet\b", sample))), opened.n_bytes // _LEAST_STL_TEXT)
    return ScanSize(n_faces, 3 * n_faces, False)


def _dense(opened: _Opened, count: Callable[[bytes], int]) -> int:
    """What `count` finds in a short file, or would find in a long one by its samples; the densest counts twice, so as to err upwards."""
    opened.stream.seek(0)
    if opened.n_bytes <= _N_SAMPLES * _SAMPLE_BYTES:
        return count(opened.stream.read())
    found = []
    for number in range(_N_SAMPLES):
        opened.stream.seek((opened.n_bytes - _SAMPLE_BYTES) * number // (_N_SAMPLES - 1))
        found.append(count(opened.stream.read(_SAMPLE_BYTES)))
    return round((sum(found) + max(found)) / (_N_SAMPLES * _SAMPLE_BYTES) * opened.n_bytes)


def _ply(opened: _Opened) -> ScanSize:
    opened.stream.seek(0)
    order, elements, _, start = read_header(opened.path.name, opened.stream.read(LONGEST_HEADER))
    n_left = opened.n_bytes - start
    counts = {"vertex": 0, "face": 0}
    for element in elements:
        least = sum(_least_bytes(one, bool(order)) for one in element.properties)
        held = min(element.count, max(n_left, 0) // max(least, 1))
        if element.name == "face" and held == element.count and element is elements[-1]:
            held = _triangles(element, n_left) if order else _text_triangles(opened, element, n_left)
        if element.name in counts:
            counts[element.name] = held
        n_left -= element.count * least
    names = {one.name for element in elements if element.name == "vertex" for one in element.properties}
    has_colour = any(names.issuperset(channels) for channels in COLOURS)
    return ScanSize(counts["face"], counts["vertex"], has_colour)


def _least_bytes(one: Property, is_binary: bool) -> int:
    """The bytes that one property takes at least: an empty list, or a digit and a blank."""
    return (one.count_kind or one.kind).itemsize if is_binary else 2


def _triangles(faces: Element, n_bytes: int) -> int:
    """Triangles of the faces that fill the rest of a binary file: a polygon of n corners makes n - 2."""
    lists = [one for one in faces.properties if one.count_kind is not None]
    if len(lists) != 1:
        return faces.count
    least = sum(_least_bytes(one, is_binary=True) for one in faces.properties)
    corners = (n_bytes - faces.count * least) // lists[0].kind.itemsize
    return max(faces.count, corners - 2 * faces.count)


def _text_triangles(opened: _Opened, faces: Element, n_bytes: int) -> int:
    lists = [place for place, one in enumerate(faces.properties) if one.count_kind is not None]
    if len(lists) != 1:
        return faces.count
    return min(math.ceil(faces.count * _triangles_a_face(opened, faces.count, lists[0], len(faces.properties))), n_bytes // _LEAST_TEXT_TRIANGLE)


def _triangles_a_face(opened: _Opened, n_faces: int, place: int = 0, n_words: int = 1) -> float:
    """Triangles that a face makes, on the last lines of a text that ends in faces; never less than one, and one where no such line is found.

    Word `place` of a line is its count of corners; it has as many words as that and at least `n_words` more. Our own method.
    """
    n_tail = min(opened.n_bytes, _N_SAMPLES * _SAMPLE_BYTES)
    opened.stream.seek(opened.n_bytes - n_tail)
    text = re.sub(rb"#[^\n]*", b"", opened.stream.read(n_tail).replace(b"\r", b"\n"))
    lines = text.split(b"\n")[0 if n_tail == opened.n_bytes else 1 :]  # the first may be the end of one
    rows = [words for line in lines if (words := line.split())][-n_faces:]
    counted = [words for words in rows if len(words) > place and re.fullmatch(rb"\d{1,6}", words[place])]
    sizes = [size for words in counted if len(words) >= (size := int(words[place])) + n_words]
    return max(sum(max(size - 2, 0) for size in sizes) / max(len(sizes), 1), 1.0)


def _obj(opened: _Opened) -> ScanSize:
    most = opened.n_bytes // _LEAST_LINE
    n_vertices = min(_dense(opened, lambda sample: len(re.findall(rb"(?m)^[ \t]*v[ \t]", sample))), most)
    n_faces = min(_dense(opened, _triangles_of_lines), most)
    has_colour = bool(re.search(rb"(?m)^[ \t]*(mtllib[ \t]|v([ \t]+[-+.\deE]+){6})", opened.start))
    return ScanSize(n_faces, n_vertices, has_colour)


def _triangles_of_lines(sample: bytes) -> int:
    return sum(max(len(corners.split()) - 2, 0) for corners in re.findall(rb"(?m)^[ \t]*fo?[ \t]([^\r\n]*)", sample))


def _off(opened: _Opened) -> ScanSize:
    text = re.sub(rb"#[^\n]*", b"", opened.start.replace(b"\r", b"\n"))
    found = re.match(rb"\s*(?:[STCN]*OFF\b)?\s*(\d{1,18})[ \t]+(\d{1,18})", text)
    if found is None:
        return UNKNOWN
    most = opened.n_bytes // _LEAST_LINE
    n_vertices, n_faces = min(int(found[1]), most), min(int(found[2]), most)
    n_triangles = min(math.ceil(n_faces * _triangles_a_face(opened, n_faces)), opened.n_bytes // _LEAST_TEXT_TRIANGLE)
    return ScanSize(n_triangles, n_vertices, re.match(rb"\s*(ST)?C", text) is not None)


def _glb(opened: _Opened) -> ScanSize:
    """Counts of the accessors that the meshes name, as often as nodes place them; never more than the bytes can hold for each placement."""
    opened.stream.seek(12)
    n_text = int.from_bytes(opened.stream.read(4), "little")
    opened.stream.seek(20)
    if n_text > min(MOST_JSON_BYTES, opened.n_bytes):
        return UNKNOWN
    try:
        root = json.loads(opened.stream.read(n_text))
    except RecursionError:
        return UNKNOWN
    sizes = [_mesh_size(root, mesh, opened.n_bytes) for mesh in _entries(root, "meshes")]
    placed = [node.get("mesh") for node in _entries(root, "nodes")]
    used = [sizes[number] for number in placed if isinstance(number, int) and 0 <= number < len(sizes)]
    n_faces, n_vertices = sum(size.n_faces for size in used), sum(size.n_vertices for size in used)
    stored = opened.n_bytes // LEAST_GLB_TRIANGLE
    most = most_placed(stored)
    has_colour = any(size.has_colour for size in used)
    return ScanSize(min(n_faces, most), min(n_vertices, 3 * most), has_colour)


def _mesh_size(root: Any, mesh: Mapping[str, Any], n_bytes: int) -> ScanSize:
    n_faces = n_vertices = 0
    has_colour = False
    for primitive in _entries(mesh, "primitives"):
        attributes = primitive.get("attributes")
        attributes = attributes if isinstance(attributes, dict) else {}
        points = _count(root, attributes.get("POSITION"), n_bytes // 12)
        corners = _count(root, primitive.get("indices"), n_bytes // _LEAST_GLB_CORNER) if "indices" in primitive else points
        n_vertices += points
        n_faces += corners // 3 if primitive.get("mode", 4) == 4 else corners
        has_colour |= not {"COLOR_0", "TEXCOORD_0"}.isdisjoint(attributes)
    return ScanSize(n_faces, n_vertices, has_colour)


def _entries(root: Any, kind: str) -> list[Mapping[str, Any]]:
    values = root.get(kind) if isinstance(root, dict) else None
    return [value if isinstance(value, dict) else {} for value in values] if isinstance(values, list) else []


def _count(root: Any, number: Any, most: int) -> int:
    accessors = root.get("accessors")
    if not isinstance(accessors, list) or not isinstance(number, int) or not 0 <= number < len(accessors):
        return 0
    count = accessors[number].get("count") if isinstance(accessors[number], dict) else 0
    return min(max(count, 0), most) if isinstance(count, int) else 0


def _threemf(opened: _Opened) -> ScanSize:
    """The unpacked length of the model parts, as far as the reader would unpack them."""
    try:
        with zipfile.ZipFile(opened.stream) as archive:
            n_unpacked = sum(entry.file_size for entry in archive.infolist() if entry.filename.lower().endswith(".model"))
    except ZIP_ERRORS as error:
        for one in (error, error.__context__):  # of a drive that fails zipfile says that the file is no package
            if one is not None and is_passing(one):
                raise one from None
        return UNKNOWN
    n_faces = min(n_unpacked, most_unpacked_bytes(opened.n_bytes)) // _LEAST_3MF_TRIANGLE
    return ScanSize(n_faces, n_faces // 2, False)
