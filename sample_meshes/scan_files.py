"""Writers of scan files: what a scanner's software would hand over. Equal input gives equal bytes; coordinates are float32.

vertices (n, 3) in file units, faces (m, 3), colour (n, 3) uint8 or None.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile

import numpy as np
from fields import Array

MODEL_3MF = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
TYPES_3MF = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
RELATIONS_3MF = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="rel0" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
UNITS_3MF = {"mm": "millimeter", "cm": "centimeter", "m": "meter", "inch": "inch"}


def encode_scan(vertices: Array, faces: Array, colour: Array | None, kind: str, unit: str) -> bytes:
    """A scan in one of the formats stl, stl-ascii, stl-cut (breaks off), ply, obj, off, glb, 3mf."""
    v = vertices.astype(np.float32)
    if kind == "stl-cut":
        whole = stl(v, faces)
        return whole[: len(whole) * 2 // 5 + 17]
    if kind == "ply":
        return ply(v, faces, colour)
    if kind == "glb":
        return glb(v, faces)
    if kind == "3mf":
        return three_mf(v, faces, UNITS_3MF[unit])
    return {"stl": stl, "stl-ascii": stl_ascii, "obj": obj, "off": off}[kind](v, faces)


def _face_normals(v: Array, faces: Array) -> Array:
    a, b, c = v[faces].astype(np.float64).transpose(1, 0, 2)
    flat = np.cross(b - a, c - a)
    return flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-30)


def stl(v: Array, faces: Array) -> bytes:
    """Binary STL."""
    rows = np.zeros(len(faces), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    rows["normal"], rows["corners"] = _face_normals(v, faces), v[faces]
    return b"invented demo scan".ljust(80) + struct.pack("<I", len(faces)) + rows.tobytes()


def stl_ascii(v: Array, faces: Array) -> bytes:
    """STL as text."""
    lines = ["solid scan"]
    for normal, corners in zip(_face_normals(v, faces).tolist(), v[faces].tolist(), strict=True):
        lines.append("facet normal {:.4f} {:.4f} {:.4f}\nouter loop".format(*normal))
        lines += ["vertex {:.8g} {:.8g} {:.8g}".format(*corner) for corner in corners]
        lines.append("endloop\nendfacet")
    return ("\n".join([*lines, "endsolid scan"]) + "\n").encode()


def ply(v: Array, faces: Array, colour: Array | None) -> bytes:
    """Binary little-endian PLY, with red, green and blue where there is colour."""
    fields = [("xyz", "<f4", 3)] + ([] if colour is None else [("rgb", "u1", 3)])
    points = np.zeros(len(v), dtype=fields)
    points["xyz"] = v
    if colour is not None:
        points["rgb"] = colour
    triangles = np.zeros(len(faces), dtype=[("n", "u1"), ("corners", "<i4", 3)])
    triangles["n"], triangles["corners"] = 3, faces
    tints = "" if colour is None else "".join(f"property uchar {name}\n" for name in ("red", "green", "blue"))
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(v)}\nproperty float x\nproperty float y\nproperty float z\n{tints}"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    return head.encode() + points.tobytes() + triangles.tobytes()


def obj(v: Array, faces: Array) -> bytes:
    """Wavefront OBJ, faces only."""
    rows = ["v {:.8g} {:.8g} {:.8g}".format(*row) for row in v.tolist()]
    rows += ["f {} {} {}".format(*row) for row in (faces + 1).tolist()]
    return ("\n".join(rows) + "\n").encode()


def off(v: Array, faces: Array) -> bytes:
    """Object File Format as text."""
    rows = ["OFF", f"{len(v)} {len(faces)} 0"]
    rows += ["{:.8g} {:.8g} {:.8g}".format(*row) for row in v.tolist()]
    rows += ["3 {} {} {}".format(*row) for row in faces.tolist()]
    return ("\n".join(rows) + "\n").encode()


def glb(v: Array, faces: Array) -> bytes:
    """glTF 2.0 in one binary file; the format's unit is the metre."""
    indices, points = faces.astype("<u4").tobytes(), v.astype("<f4").tobytes()
    tree = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 1}, "indices": 0}]}],
        "buffers": [{"byteLength": len(indices) + len(points)}],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(indices), "target": 34963},
            {"buffer": 0, "byteOffset": len(indices), "byteLength": len(points), "target": 34962},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5125, "count": faces.size, "type": "SCALAR"},
            {"bufferView": 1, "componentType": 5126, "count": len(v), "type": "VEC3", "min": v.min(axis=0).tolist(), "max": v.max(axis=0).tolist()},
        ],
    }
    text = json.dumps(tree, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<II", len(text), 0x4E4F534A) + text + struct.pack("<II", len(indices) + len(points), 0x004E4942) + indices + points
    return struct.pack("<III", 0x46546C67, 2, 12 + len(body)) + body


def three_mf(v: Array, faces: Array, unit: str) -> bytes:
    """3MF core document with one object; dates in the archive are fixed."""
    points = "".join('<vertex x="{:.8g}" y="{:.8g}" z="{:.8g}"/>'.format(*row) for row in v.tolist())
    triangles = "".join('<triangle v1="{}" v2="{}" v3="{}"/>'.format(*row) for row in faces.tolist())
    model = (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<model unit="{unit}" xml:lang="en-US" xmlns="{MODEL_3MF}">'
        f'<resources><object id="1" type="model"><mesh><vertices>{points}</vertices><triangles>{triangles}</triangles></mesh></object></resources>'
        f'<build><item objectid="1"/></build></model>'
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, text in (("[Content_Types].xml", TYPES_3MF), ("_rels/.rels", RELATIONS_3MF), ("3D/3dmodel.model", model)):
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, text)
    return stream.getvalue()
