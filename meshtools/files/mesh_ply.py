"""Our own surfaces as binary PLY: double vertices in millimetres, colour where there is any, and a source number per face.

PLY carries no unit; millimetres is our convention and stated in a comment of the header. The same mesh always gives the same bytes.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from meshtools.errors import ScanError, is_passing
from meshtools.model import Mesh

_HEADER = """ply
format binary_little_endian 1.0
comment unit mm
comment source is the row of the record's source table, counted from 0
element vertex {n_vertices}
property double x
property double y
property double z
{colour}element face {n_faces}
property list uchar int vertex_indices
property ushort source
end_header
"""
_COLOUR = "property uchar red\nproperty uchar green\nproperty uchar blue\n"
_POSITION = [("position", "<f8", (3,))]
_FACE = np.dtype([("count", "u1"), ("corners", "<i4", (3,)), ("source", "<u2")])
_LONGEST_HEADER = 4096


def write_replica_ply(mesh: Mesh) -> bytes:
    """The bytes of a binary little-endian PLY that `read_replica_ply` brings back exactly."""
    has_colour = mesh.colour is not None
    header = _HEADER.format(n_vertices=len(mesh.vertices), n_faces=len(mesh.faces), colour=_COLOUR if has_colour else "")
    vertices = np.empty(len(mesh.vertices), dtype=_vertex_dtype(has_colour))
    vertices["position"] = mesh.vertices
    if mesh.colour is not None:
        vertices["colour"] = mesh.colour
    faces = np.empty(len(mesh.faces), dtype=_FACE)
    faces["count"], faces["corners"], faces["source"] = 3, mesh.faces, mesh.source
    return header.encode("ascii") + vertices.tobytes() + faces.tobytes()


def read_replica_ply(path: Path) -> Mesh:
    """Read a surface written by `write_replica_ply`, and nothing else: a raw scan goes through `read_scan`.

    ScanError when the file is missing, of another layout, truncated or longer than its header says.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        if is_passing(error):
            raise
        raise ScanError(f"{path}: the surface cannot be read ({error.strerror}); build again") from error
    header, body = _split_header(path, content)
    n_vertices, n_faces, has_colour = _read_counts(path, header)
    vertex_dtype = _vertex_dtype(has_colour)
    expected = n_vertices * vertex_dtype.itemsize + n_faces * _FACE.itemsize
    if len(body) != expected:
        raise ScanError(f"{path}: the surface holds {len(body)} bytes after its header instead of {expected}; build again")
    vertices = np.frombuffer(body, vertex_dtype, n_vertices)
    faces = np.frombuffer(body, _FACE, n_faces, n_vertices * vertex_dtype.itemsize)
    if n_faces and not (faces["count"] == 3).all():
        raise ScanError(f"{path}: a face of the surface is no triangle; build again")
    return Mesh.create(vertices["position"], faces["corners"], faces["source"], vertices["colour"] if has_colour else None)


def _vertex_dtype(has_colour: bool) -> np.dtype[np.void]:
    return np.dtype([*_POSITION, ("colour", "u1", (3,))] if has_colour else _POSITION)


def _split_header(path: Path, content: bytes) -> tuple[str, memoryview]:
    marker = b"end_header\n"
    end = content.find(marker, 0, _LONGEST_HEADER)
    if end < 0:
        raise ScanError(f"{path}: this is not a surface written by a build; build again")
    end += len(marker)
    return content[:end].decode("ascii", errors="replace"), memoryview(content)[end:]


def _read_counts(path: Path, header: str) -> tuple[int, int, bool]:
    without_comments = re.sub(r"^comment .*\n", "", header, flags=re.MULTILINE)
    layout = re.sub(r"^comment .*\n", "", _HEADER, flags=re.MULTILINE)
    for has_colour in (False, True):
        filled = re.escape(layout.format(n_vertices="@", n_faces="@", colour=_COLOUR if has_colour else "")).replace("@", r"(\d{1,10})")
        match = re.fullmatch(filled, without_comments)
        if match:
            return int(match[1]), int(match[2]), has_colour
    raise ScanError(f"{path}: the surface's header is not the one a build writes; build again")
