"""Read delivered files back without the code that wrote them: plain parsing of PLY, STL, 3MF and GLB to millimetres, +z up.

These readers serve the check of a delivery only. They take what the format's specification allows our files to hold and raise
ScanError for anything else.
"""

from __future__ import annotations

import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.crossing_check import label_pieces_by_vertex
from meshtools.model import FloatArray

_MM_PER_3MF_UNIT = {"micron": 0.001, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0}
_PLY_TYPES = {"uchar": "<u1", "ushort": "<u2", "int": "<i4", "uint": "<u4", "float": "<f4", "double": "<f8"}
_VERTICES = re.compile(rb'(?:\s*<vertex x="-?\d+\.\d+" y="-?\d+\.\d+" z="-?\d+\.\d+" />)*+\s*')
_TRIANGLES = re.compile(rb'(?:\s*<triangle v1="\d+" v2="\d+" v3="\d+"(?: pid="\d+" p1="\d+")? />)*+\s*')
_MATERIAL = re.compile(rb' pid="\d+" p1="\d+"')
_NUMBERS_ALONE = bytes(byte if byte in b"0123456789.-" else ord(" ") for byte in range(256))
DAMAGE = (
    ValueError, LookupError, TypeError, AttributeError, NameError, ArithmeticError, EOFError, RuntimeError,
    struct.error, zipfile.BadZipFile, zlib.error, expat.ExpatError,
)  # fmt: skip
"""What damaged bytes provoke in the readers of this module and of trimesh, found by flipping bytes of sound files."""


@dataclass(frozen=True, eq=False)
class DeliveredSurface:
    """vertices (n, 3) float64 in mm, +z up; faces (m, 3) int64; `unit` as the file itself states it, '' where it cannot; `source` (m,)
    the row of the record's sources that each face of a PLY names."""

    vertices: FloatArray
    faces: NDArray[np.int64]
    unit: str = ""
    source: NDArray[np.int64] | None = None

    @cached_property
    def piece_of_face(self) -> NDArray[Any]:
        """A number (m,) for each face, the same for faces that hang together by their vertices."""
        return label_pieces_by_vertex(self.faces, len(self.vertices))


def read_delivered(content: bytes, suffix: str) -> DeliveredSurface:
    """Parse the bytes of a delivered file by its suffix. ScanError when they are damaged or not of that format."""
    reader = _READERS.get(suffix)
    if reader is None:
        raise ScanError(f"a '{suffix}' file is not one of the delivered formats {', '.join(_READERS)}")
    try:
        surface = reader(content)
    except DAMAGE as error:
        raise ScanError(f"it cannot be read as {suffix}: {error}") from error
    if not len(surface.faces):
        raise ScanError("it holds no faces")
    if surface.faces.min() < 0 or surface.faces.max() >= len(surface.vertices) or not np.isfinite(surface.vertices).all():
        raise ScanError("a face names a vertex that is not there, or a vertex is not finite")
    return surface


def _read_stl(content: bytes) -> DeliveredSurface:
    count = struct.unpack_from("<I", content, 80)[0]
    if len(content) != 84 + 50 * count:
        raise ValueError(f"{count} triangles are announced, {(len(content) - 84) / 50:g} are there")
    corners = np.frombuffer(content, np.uint8, offset=84).reshape(count, 50)[:, 12:48].copy().view("<f4").astype(np.float64)
    return DeliveredSurface(corners.reshape(-1, 3), np.arange(3 * count, dtype=np.int64).reshape(-1, 3))


def _read_ply(content: bytes) -> DeliveredSurface:
    end = content.index(b"end_header\n") + len(b"end_header\n")
    lines = [line.split() for line in content[:end].decode("ascii").splitlines()]
    if lines[0] != ["ply"] or lines[1] != ["format", "binary_little_endian", "1.0"]:
        raise ValueError("it is not a binary little-endian PLY")
    counts: dict[str, int] = {}
    fields: dict[str, list[Any]] = {"vertex": [], "face": []}
    element = ""
    for words in lines[2:]:
        if words[0] == "element":
            element, counts[words[1]] = words[1], int(words[2])
        elif words[:2] == ["property", "list"]:
            fields[element] += [("corners_count", _PLY_TYPES[words[2]]), ("corners", _PLY_TYPES[words[3]], (3,))]
        elif words[0] == "property":
            fields[element].append((words[2], _PLY_TYPES[words[1]]))
    vertices = np.frombuffer(content, np.dtype(fields["vertex"]), counts["vertex"], end)
    faces = np.frombuffer(content, np.dtype(fields["face"]), counts["face"], end + vertices.nbytes)
    if end + vertices.nbytes + faces.nbytes != len(content) or (faces["corners_count"] != 3).any():
        raise ValueError("its length does not follow from its header")
    points = np.column_stack([vertices[axis] for axis in "xyz"]).astype(np.float64)
    source = faces["source"].astype(np.int64) if "source" in (faces.dtype.names or ()) else None
    return DeliveredSurface(points, faces["corners"].astype(np.int64), source=source)


class _ModelPart:
    """Gathers what the model part of a 3MF package says, element by element."""

    def __init__(self) -> None:
        self.unit = ""
        self.coordinates: list[float] = []
        self.corners: list[int] = []
        self.plain_coordinates, self.plain_corners = np.zeros(0), np.zeros(0, np.int64)
        self.n_meshes = 0
        self.transforms: list[str] = []

    def start(self, name: str, attributes: Mapping[str, str]) -> None:
        if name == "vertex":
            self.coordinates += (float(attributes["x"]), float(attributes["y"]), float(attributes["z"]))
        elif name == "triangle":
            self.corners += (int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"]))
        elif name == "mesh":
            self.n_meshes += 1
        elif name == "model":
            self.unit = attributes.get("unit", "")
        elif name in ("item", "component"):
            self.transforms.append(attributes.get("transform", ""))

    def without_plain_rows(self, model: bytes) -> bytes:
        """The model without the rows of its mesh where all of them have one plain form, gathered here at once; else the model as it is."""
        starts = [model.find(tag) + len(tag) for tag in (b"<vertices>", b"<triangles>")]
        ends = [model.find(tag, start) for tag, start in zip((b"</vertices>", b"</triangles>"), starts, strict=True)]
        if ends[0] < 0 or ends[1] < 0 or not _VERTICES.fullmatch(model, starts[0], ends[0]) or not _TRIANGLES.fullmatch(model, starts[1], ends[1]):
            return model
        self.plain_coordinates = np.fromstring(model[starts[0] : ends[0]].translate(_NUMBERS_ALONE), np.float64, sep=" ")
        triangles = _MATERIAL.sub(b"", model[starts[1] : ends[1]])
        for name in (b" v1=", b" v2=", b" v3="):
            triangles = triangles.replace(name, b"")
        self.plain_corners = np.fromstring(triangles.translate(_NUMBERS_ALONE), np.int64, sep=" ")
        return model[: starts[0]] + model[ends[0] : starts[1]] + model[ends[1] :]


def _read_3mf(content: bytes) -> DeliveredSurface:
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        targets = [name for name in package.namelist() if name.lower().endswith(".model")]
        if len(targets) != 1:
            raise ValueError("the package does not hold one model part")
        model = {name: package.read(name) for name in package.namelist()}[targets[0]]  # all are read, so that each is held against its checksum
    part, parser = _ModelPart(), expat.ParserCreate()
    parser.StartElementHandler = part.start
    parser.Parse(part.without_plain_rows(model), True)
    if part.n_meshes != 1 or part.transforms != [""]:
        raise ValueError("the model is not one mesh placed once without a matrix")
    points = np.concatenate([part.plain_coordinates, part.coordinates]).astype(np.float32).astype(np.float64).reshape(-1, 3)
    corners = np.concatenate([part.plain_corners, np.array(part.corners, dtype=np.int64)]).reshape(-1, 3)
    return DeliveredSurface(points * _MM_PER_3MF_UNIT[part.unit or "millimeter"], corners, part.unit)


def _read_glb(content: bytes) -> DeliveredSurface:
    magic, version, length, text_length, text_kind = struct.unpack_from("<4sIII4s", content)
    if (magic, version, length, text_kind) != (b"glTF", 2, len(content), b"JSON"):
        raise ValueError("the container's head does not fit its content")
    document = json.loads(content[20 : 20 + text_length])
    binary_length, binary_kind = struct.unpack_from("<I4s", content, 20 + text_length)
    binary = content[28 + text_length : 28 + text_length + binary_length]
    if binary_kind != b"BIN\0" or len(binary) != binary_length:
        raise ValueError("the container's binary part is cut off")
    nodes, meshes = document["nodes"], document["meshes"]
    if len(nodes) != 1 or len(meshes) != 1 or len(meshes[0]["primitives"]) != 1:
        raise ValueError("the scene is not one mesh in one node")
    primitive = meshes[0]["primitives"][0]
    points = _accessor(document, binary, primitive["attributes"]["POSITION"], "<f4", 3).astype(np.float64)
    faces = _accessor(document, binary, primitive["indices"], "<u4", 1).astype(np.int64).reshape(-1, 3)
    matrix = np.array(nodes[0].get("matrix", np.eye(4).ravel()), dtype=np.float64).reshape(4, 4).T
    if np.linalg.det(matrix[:3, :3]) <= 0.0:
        raise ValueError("the node's matrix turns the surface inside out")
    world_m = points @ matrix[:3, :3].T + matrix[:3, 3]
    return DeliveredSurface(np.column_stack([world_m[:, 0], -world_m[:, 2], world_m[:, 1]]) * 1000.0, faces, "meter")


def _accessor(document: Mapping[str, Any], binary: bytes, number: int, kind: str, width: int) -> NDArray[Any]:
    accessor = document["accessors"][number]
    view = document["bufferViews"][accessor["bufferView"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    return np.frombuffer(binary, np.dtype(kind), accessor["count"] * width, start).reshape(-1, width)


_READERS: Mapping[str, Callable[[bytes], DeliveredSurface]] = {".ply": _read_ply, ".stl": _read_stl, ".3mf": _read_3mf, ".glb": _read_glb}
