"""A part as 3MF (core specification 1.4.0): millimetres, the part's label as metadata, the evidence class of each face as its material."""

from __future__ import annotations

import io
import re
import struct
import uuid
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from zlib_ng import zlib_ng

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
from meshtools.files.threemf_library import file_in_memory, threemf_library
from meshtools.files.threemf_mesh_text import with_mesh
from meshtools.geometry.threads import in_blocks
from meshtools.model import EvidenceClass, FloatArray, Mesh, SourceEntry

NAMESPACE = "https://bonewright.example/3mf/2026"
_DECIMALS = 6  # finer than half a step of the grid that `recentre` rounds to
_FIXED_DATE = (0, 1 << 5 | 1)  # midnight of the first of January 1980, the earliest date that a zip can state
_ZIP_VERSION, _UNIX = 20, 3
_BLOCK_BYTES, _WINDOW_BYTES = 1 << 21, 1 << 15
_CONTENT_TYPES = "[Content_Types].xml"
_MODEL = "3D/3dmodel.model"
_TETRAHEDRON = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
_EFFORT = 5  # of packing: as small as the usual 6 of zlib, in two fifths of its time (models of bones of 500 to 45,000 faces)
_FIRST_MATERIAL = 1  # the library numbers the materials of a group from 1
PLACEHOLDER = Recentred(np.eye(4, 3, -1, np.float32), _TETRAHEDRON, np.arange(4), np.arange(4), np.zeros(3))
"""Stands in for the mesh while the library writes the rest of the model."""
_MARKS, _MARK_FINDS = PartLabel("{part}", "{revision}", "{target}", "{element}", "{evidence}"), "{finds}"  # braces are in no plain word
_PLAIN_WORDS = re.compile(r"[A-Za-z0-9 ._,/-]+")


def encode_3mf(
    mesh: Mesh,
    label: PartLabel,
    sources: Sequence[SourceEntry],
    replica_from_scan: Sequence[Sequence[float]] | FloatArray | None = None,
    recentred: Recentred | None = None,
) -> Delivery:
    """3MF in mm about the middle of the part's box, +z up. A reflection is in the vertices, never in the build item's matrix.

    Each evidence class that occurs is one base material, named by its code and shown in its colour; every face refers to one. Metadata
    of our own namespace names part, revision, target, element, evidence and finds. UUIDs are derived from the label.
    """
    part = recentred or recentre(mesh)
    classes = classes_of(mesh.source, sources)
    parts = _framed(label, ",".join(finds_of(mesh.source, sources)), classes)
    material = _material_of_face(classes, mesh, sources)[part.face_rows]
    parts[_MODEL] = with_mesh(parts[_MODEL], part.vertices, part.faces, material, _DECIMALS)
    return Delivery(zipped(parts), part.matrix @ scan_matrix(replica_from_scan))


def _framed(label: PartLabel, finds: str, classes: tuple[EvidenceClass, ...]) -> dict[str, bytes]:
    """The parts of a package of one object with a mesh to be replaced. The library makes them once with marks for words, since making them takes it
    as long as all the rest; words that XML would not write as they are go through the library."""
    names = ("part_id", "revision", "target", "element", "evidence")
    words = {getattr(_MARKS, name): str(getattr(label, name)) for name in names} | {_MARK_FINDS: finds}
    if not all(_PLAIN_WORDS.fullmatch(word) for word in words.values()):
        return dict(_frame(label, finds, classes))
    parts = dict(_marked_frame(classes))
    words |= {uuid_of(_MARKS, role): uuid_of(label, role) for role in ("object", "item", "build")}
    for mark, word in words.items():
        parts[_MODEL] = parts[_MODEL].replace(mark.encode(), word.encode())
    return parts


@cache
def _marked_frame(classes: tuple[EvidenceClass, ...]) -> Mapping[str, bytes]:
    return _frame(_MARKS, _MARK_FINDS, classes)


def _frame(label: PartLabel, finds: str, classes: tuple[EvidenceClass, ...]) -> Mapping[str, bytes]:
    """The parts of a package as the library writes them, with the placeholder for a mesh."""
    import lib3mf

    wrapper = threemf_library()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    body = mesh_object(lib3mf, model, PLACEHOLDER)
    materials = _materials(wrapper, model, classes)
    body.SetObjectLevelProperty(materials.GetUniqueResourceID(), _FIRST_MATERIAL)
    _place(wrapper, model, body, label)
    describe_model(model, label, finds)
    return parts_of(written(model))


def mesh_object(lib3mf: Any, model: Any, part: Recentred) -> Any:
    """A mesh object of the model with the part's vertices and faces."""
    body = model.AddMeshObject()
    positions = (lib3mf.Position * len(part.vertices)).from_buffer_copy(part.vertices.astype("<f4").tobytes())
    triangles = (lib3mf.Triangle * len(part.faces)).from_buffer_copy(part.faces.astype("<u4").tobytes())
    body.SetGeometry(positions, triangles)
    return body


def paint(lib3mf: Any, wrapper: Any, model: Any, body: Any, painted: tuple[Mesh, Sequence[SourceEntry]], face_rows: Any) -> None:
    """Give every face the base material of its evidence class."""
    mesh, sources = painted
    classes = classes_of(mesh.source, sources)
    materials, material = _materials(wrapper, model, classes), _material_of_face(classes, mesh, sources)
    properties = np.empty((len(face_rows), 4), dtype="<u4")
    properties[:, 0] = materials.GetUniqueResourceID()
    properties[:, 1:] = _FIRST_MATERIAL + material[face_rows][:, None]
    body.SetObjectLevelProperty(materials.GetUniqueResourceID(), _FIRST_MATERIAL)
    body.SetAllTriangleProperties((lib3mf.TriangleProperties * len(properties)).from_buffer_copy(properties.tobytes()))


def _materials(wrapper: Any, model: Any, classes: Sequence[EvidenceClass]) -> Any:
    """A group of one base material for each evidence class."""
    materials = model.AddBaseMaterialGroup()
    for evidence in classes:
        materials.AddMaterial(evidence.value, wrapper.RGBAToColor(*EVIDENCE_COLOURS[evidence], 255))
    return materials


def _material_of_face(classes: Sequence[EvidenceClass], mesh: Mesh, sources: Sequence[SourceEntry]) -> Any:
    """The place of every face's class (m,) int64 in these classes."""
    of_source = np.array([classes.index(entry.evidence) if entry.evidence in classes else 0 for entry in sources], dtype=np.int64)
    return of_source[mesh.source]


def _place(wrapper: Any, model: Any, body: Any, label: PartLabel) -> None:
    """Name the object and put it into the build once, with UUIDs that follow from the label alone."""
    body.SetName(label.part_id)
    body.SetPartNumber(label.part_id)
    item = model.AddBuildItem(body, wrapper.GetIdentityTransform())
    item.SetPartNumber(label.part_id)
    body.SetUUID(uuid_of(label, "object"))
    item.SetUUID(uuid_of(label, "item"))


def describe_model(model: Any, label: PartLabel, finds: str) -> None:
    """Write the label as metadata of the model, with a build UUID that follows from the label alone."""
    model.SetBuildUUID(uuid_of(label, "build"))
    metadata = model.GetMetaDataGroup()
    metadata.AddMetaData("", "Title", f"REPLICA {label.part_id}", "xs:string", True)
    metadata.AddMetaData("", "Application", "Bonewright", "xs:string", True)
    own = {
        "part": label.part_id,
        "revision": label.revision,
        "target": label.target,
        "element": label.element,
        "evidence": str(label.evidence),
        "find": finds,
    }
    for name, value in own.items():
        metadata.AddMetaData(NAMESPACE, name, value, "xs:string", True)


def uuid_of(label: PartLabel, role: str) -> str:
    """The UUID of one object or item of a labelled part: the same for the same label and role."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{NAMESPACE}/{label.part_id}/{label.revision}/{role}"))


def written(model: Any) -> bytes:
    """The package as lib3mf writes it. By way of a file: its buffer comes back as a list of one number a byte."""
    writer = model.QueryWriter("3mf")
    writer.SetDecimalPrecision(_DECIMALS)
    with file_in_memory() as (stream, path):
        writer.WriteToFile(path)
        return stream.read()


def parts_of(package: bytes) -> dict[str, bytes]:
    """The parts of a package by name."""
    with zipfile.ZipFile(io.BytesIO(package)) as old:
        return {name: _with_own_prefix(old.read(name)) for name in old.namelist()}


def zipped(parts: Mapping[str, bytes]) -> bytes:
    """A package of these parts: content types first, as readers expect, the rest by name, all of one date."""
    files: list[bytes] = []
    directory: list[bytes] = []
    offset = 0
    for name in sorted(parts, key=lambda name: (name != _CONTENT_TYPES, name)):
        content, packed = parts[name], deflated(parts[name])
        sizes = zlib.crc32(content), len(packed), len(content), len(name), 0
        files += [struct.pack("<4s5H3I2H", b"PK\3\4", _ZIP_VERSION, 0, zipfile.ZIP_DEFLATED, *_FIXED_DATE, *sizes) + name.encode("ascii"), packed]
        head = b"PK\1\2", _ZIP_VERSION, _UNIX, _ZIP_VERSION, 0, 0, zipfile.ZIP_DEFLATED, *_FIXED_DATE
        directory.append(struct.pack("<4s4B4H3I5H2I", *head, *sizes, 0, 0, 0, 0o644 << 16, offset) + name.encode("ascii"))
        offset += len(files[-2]) + len(packed)
    n_bytes = sum(map(len, directory))
    end = struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, len(directory), len(directory), n_bytes, offset, 0)
    return b"".join([*files, *directory, end])


def deflated(content: bytes) -> bytes:
    """Packed as a zip wants it, blocks of one length in threads. Each knows what the one before it ended with, so that none is larger for it."""

    def pack(blocks: slice) -> bytes:
        packed = b""
        for start in range(blocks.start * _BLOCK_BYTES, min(blocks.stop * _BLOCK_BYTES, max(len(content), 1)), _BLOCK_BYTES):
            packer = zlib_ng.compressobj(_EFFORT, zlib_ng.DEFLATED, -zlib_ng.MAX_WBITS)
            if start:
                packer = zlib_ng.compressobj(_EFFORT, zlib_ng.DEFLATED, -zlib_ng.MAX_WBITS, zdict=content[start - _WINDOW_BYTES : start])
            is_last = start + _BLOCK_BYTES >= len(content)
            packed += packer.compress(content[start : start + _BLOCK_BYTES]) + packer.flush(zlib_ng.Z_FINISH if is_last else zlib_ng.Z_SYNC_FLUSH)
        return packed

    return b"".join(in_blocks(max(-(-len(content) // _BLOCK_BYTES), 1), pack, 1))


def _with_own_prefix(content: bytes) -> bytes:
    """lib3mf numbers foreign namespaces; ours gets the prefix a reader can recognise. It occurs before the resources only."""
    end = content.find(b"<resources")
    return content if end < 0 else content[:end].replace(b"customXMLNS0", b"bw") + content[end:]
