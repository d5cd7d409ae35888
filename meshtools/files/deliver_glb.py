"""A part as GLB (glTF 2.0, Khronos): metres, +Y up, the colour of each face's evidence class, the part's label as extras."""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.files.deliver_frame import (
    EVIDENCE_COLOURS,
    Delivery,
    PartLabel,
    Recentred,
    classes_of,
    finds_of,
    recentre,
    scan_matrix,
)
from meshtools.model import ColourArray, EvidenceClass, FloatArray, Mesh, SourceEntry

METRES_PER_MM = 0.001
_MAGIC, _VERSION, _JSON_CHUNK, _BINARY_CHUNK = 0x46546C67, 2, 0x4E4F534A, 0x004E4942
_FLOAT, _UNSIGNED_BYTE, _UNSIGNED_INT = 5126, 5121, 5125
_VERTEX_BUFFER, _INDEX_BUFFER = 34962, 34963
Y_UP_FROM_Z_UP = np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [0.0, -1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]])
"""A rotation, determinant +1: glTF's +Y is our +z."""


def encode_glb(
    mesh: Mesh,
    label: PartLabel,
    sources: Sequence[SourceEntry],
    replica_from_scan: Sequence[Sequence[float]] | FloatArray | None = None,
    recentred: Recentred | None = None,
) -> Delivery:
    """GLB in metres about the middle of the part's box; a rotation in the node brings +z up to +Y.

    COLOR_0 is the linear colour of the evidence class. Vertices are not split where classes meet, so the surface is closed by its
    indices alone; such a vertex takes the class that is the lesser evidence, so a fill never looks smaller than it is. The class of every
    single face is in the 3MF and the PLY. A scanned colour goes into the attribute _SCAN_COLOR, in sRGB.
    """
    part = recentred or recentre(mesh)
    # rounded to 32-bit once more in metres, per coordinate, so equal coordinates stay equal and the surface stays closed
    positions = (part.vertices.astype(np.float64) * METRES_PER_MM).astype("<f4")
    indices = part.faces.astype("<u4")
    buffers: dict[str, NDArray[Any]] = {"POSITION": positions, "COLOR_0": colour_buffer(part, mesh.source[part.face_rows], sources)}
    if mesh.colour is not None:
        buffers["_SCAN_COLOR"] = _with_alpha(mesh.colour[part.vertex_rows])
    content = _one_part(buffers, indices, _extras(mesh, label, sources))
    in_metres = np.diag([METRES_PER_MM, METRES_PER_MM, METRES_PER_MM, 1.0])
    return Delivery(content, Y_UP_FROM_Z_UP @ in_metres @ part.matrix @ scan_matrix(replica_from_scan))


def colour_buffer(part: Recentred, source: NDArray[np.uint16], sources: Sequence[SourceEntry]) -> ColourArray:
    """Linear colour (n, 4) of every vertex by evidence class; source (m,) of the part's faces. A vertex of two classes takes the lesser evidence."""
    return _with_alpha(_linear(_vertex_colours(part, source, sources)))


def _vertex_colours(part: Recentred, source: NDArray[np.uint16], sources: Sequence[SourceEntry]) -> ColourArray:
    """sRGB colour (n, 3) of every vertex: that of the last class, in the order of EvidenceClass, among its faces."""
    classes = list(EvidenceClass)
    rank_of_source = np.array([classes.index(entry.evidence) for entry in sources])
    rank = np.zeros(len(part.vertices), dtype=np.int64)
    np.maximum.at(rank, part.faces.ravel(), np.repeat(rank_of_source[source], 3))
    colours: ColourArray = np.array([EVIDENCE_COLOURS[evidence] for evidence in classes], dtype=np.uint8)[rank]
    return colours


def _linear(colours: ColourArray) -> ColourArray:
    """sRGB to linear (IEC 61966-2-1), as glTF wants vertex colours."""
    share = colours.astype(np.float64) / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    rounded: ColourArray = np.rint(linear * 255.0).astype(np.uint8)
    return rounded


def _with_alpha(colours: ColourArray) -> ColourArray:
    return np.column_stack([colours, np.full(len(colours), 255, dtype=np.uint8)])


def _extras(mesh: Mesh, label: PartLabel, sources: Sequence[SourceEntry]) -> dict[str, Any]:
    classes = classes_of(mesh.source, sources)
    return {
        "part_id": label.part_id,
        "revision": label.revision,
        "target": label.target,
        "element": label.element,
        "class": str(label.evidence),
        "finds": list(finds_of(mesh.source, sources)),
        "class_colours": {evidence.value: "#{:02X}{:02X}{:02X}".format(*EVIDENCE_COLOURS[evidence]) for evidence in classes},
        "is_replica": True,
    }


def _one_part(buffers: dict[str, NDArray[Any]], indices: NDArray[np.uint32], extras: dict[str, Any]) -> bytes:
    named = [*buffers.items(), ("", indices)]
    accessors = [accessor_of(name, values, number) for number, (name, values) in enumerate(named)]
    attributes = {name: number for number, name in enumerate(buffers)}
    primitive = {"attributes": attributes, "indices": len(attributes), "material": 0, "mode": 4}
    # glTF stores matrices by columns
    node = {"name": extras["part_id"], "mesh": 0, "matrix": Y_UP_FROM_Z_UP.T.ravel().tolist(), "extras": extras}
    return encoded_glb([node], [{"name": extras["part_id"], "primitives": [primitive]}], accessors, [values for _, values in named])


def accessor_of(attribute: str, values: NDArray[Any], view: int) -> dict[str, Any]:
    """How the values of one buffer view are to be read: POSITION, a colour attribute, or, without a name, vertex numbers of triangles."""
    if not attribute:
        return {"bufferView": view, "count": values.size, "componentType": _UNSIGNED_INT, "type": "SCALAR"}
    accessor: dict[str, Any] = {"bufferView": view, "count": len(values)}
    if attribute != "POSITION":
        return accessor | {"componentType": _UNSIGNED_BYTE, "type": "VEC4", "normalized": True}
    bounds = {"min": [float(low) for low in values.min(axis=0)], "max": [float(high) for high in values.max(axis=0)]}
    return accessor | {"componentType": _FLOAT, "type": "VEC3"} | bounds


def encoded_glb(
    nodes: Sequence[dict[str, Any]], meshes: Sequence[dict[str, Any]], accessors: Sequence[dict[str, Any]], arrays: Sequence[NDArray[Any]]
) -> bytes:
    """The bytes of a GLB whose scene is node 0. Accessor k reads `arrays[k]`: 32-bit unsigned vertex numbers of triangles, or values of vertices."""
    views: list[dict[str, Any]] = []
    offset = 0
    for values in arrays:
        target = _INDEX_BUFFER if values.dtype == np.dtype("<u4") else _VERTEX_BUFFER
        views.append({"buffer": 0, "byteOffset": offset, "byteLength": values.nbytes, "target": target})
        offset += values.nbytes
    document = {
        "asset": {"version": "2.0", "generator": "Bonewright"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": nodes,
        "meshes": meshes,
        "materials": [{"name": "evidence class", "pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 0.8}}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": offset}],
    }
    return _container(document, arrays)


def _container(document: dict[str, Any], arrays: Sequence[NDArray[Any]]) -> bytes:
    """The bytes of a GLB: the document, then the arrays one after another."""
    text = json.dumps(document, separators=(",", ":"), ensure_ascii=True).encode("ascii")
    text = text.ljust(-(-len(text) // 4) * 4)
    binary = b"".join(values.tobytes() for values in arrays)
    length = 12 + 8 + len(text) + 8 + len(binary)
    head = struct.pack("<IIIII", _MAGIC, _VERSION, length, len(text), _JSON_CHUNK)
    return head + text + struct.pack("<II", len(binary), _BINARY_CHUNK) + binary
