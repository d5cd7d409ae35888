"""Does a GLB hold together? A small checker for tests, with a reading of its own.

Source of the rules: Khronos, glTF 2.0 Specification, chapters 3.6 (buffers, accessors), 3.7 (meshes), 4.4 (binary container).
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from typing import Any

import numpy as np

WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}
TYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
TARGETS = {"indices": 34963, "attributes": 34962}


def broken_rules_of_glb(content: bytes) -> list[str]:
    """Every rule that a GLB breaks, in words; empty where it keeps them all."""
    magic, version, length = struct.unpack_from("<III", content)
    if (magic, version, length) != (0x46546C67, 2, len(content)):
        return [f"the head states {length} bytes of version {version}, the file has {len(content)}"]
    chunks, at = [], 12
    while at < len(content):
        size, kind = struct.unpack_from("<II", content, at)
        chunks.append((kind, content[at + 8 : at + 8 + size]))
        if size % 4 or at + 8 + size > len(content):
            return [f"a chunk of {size} bytes is cut off or not filled to 4 bytes"]
        at += 8 + size
    if [kind for kind, _ in chunks] != [0x4E4F534A, 0x004E4942]:
        return ["a part is one chunk of JSON and one of numbers, in this order"]
    return list(_document(json.loads(chunks[0][1]), chunks[1][1]))


def _document(document: dict[str, Any], binary: bytes) -> Iterator[str]:
    if document["asset"]["version"] != "2.0":
        yield "the asset states no version 2.0"
    stated = document["buffers"][0]["byteLength"]
    if not stated <= len(binary) < stated + 4:
        yield f"the buffer states {stated} bytes and has {len(binary)}"
    for number, view in enumerate(document["bufferViews"]):
        if view.get("byteOffset", 0) + view["byteLength"] > stated:
            yield f"view {number} reaches beyond the buffer"
    arrays: list[Any] = []
    for number, accessor in enumerate(document["accessors"]):
        yield from _accessor(number, accessor, document["bufferViews"], (binary, arrays))
    for mesh in document["meshes"]:
        for primitive in mesh["primitives"]:
            yield from _primitive(primitive, document, arrays)
    yield from ("a node states the identity" for node in document["nodes"] if node.get("matrix") == np.eye(4).ravel().tolist())
    for key, kind in (("mesh", "meshes"), ("children", "nodes")):
        named = [value for node in document["nodes"] if key in node for value in np.atleast_1d(node[key]).tolist()]
        yield from (f"a node names {key} {value}, which is not there" for value in named if value >= len(document[kind]))


def _accessor(number: int, accessor: dict[str, Any], views: list[dict[str, Any]], store: tuple[bytes, list[Any]]) -> Iterator[str]:
    """Values within the view, on a multiple of their size, with the least and largest that are stated."""
    binary, arrays = store
    view, kind, width = views[accessor["bufferView"]], np.dtype(TYPES[accessor["componentType"]]), WIDTHS[accessor["type"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    size = accessor["count"] * width * kind.itemsize
    if accessor.get("byteOffset", 0) + size > view["byteLength"]:
        yield f"accessor {number} reaches beyond its view"
        arrays.append(None)
        return
    if start % kind.itemsize or (view.get("target") == TARGETS["attributes"] and (start % 4 or width * kind.itemsize % 4)):
        yield f"accessor {number} does not begin and go on by 4 bytes"
    values = np.frombuffer(binary, kind, accessor["count"] * width, start).reshape(-1, width)
    arrays.append(values)
    for key, found in (("min", values.min(axis=0)), ("max", values.max(axis=0))):
        if key in accessor and not np.array_equal(np.array(accessor[key], kind), found):
            yield f"accessor {number} states {key} {accessor[key]} and has {found.tolist()}"
    if kind.kind == "f" and not np.isfinite(values).all():
        yield f"accessor {number} holds numbers that are not finite"


def _primitive(primitive: dict[str, Any], document: dict[str, Any], arrays: list[Any]) -> Iterator[str]:
    views, accessors = document["bufferViews"], document["accessors"]
    counts = {accessors[number]["count"] for number in primitive["attributes"].values()}
    indices = arrays[primitive["indices"]]
    if len(counts) != 1 or "POSITION" not in primitive["attributes"]:
        yield "the attributes of a mesh are not of one length, or it has no places"
    if not {"min", "max"} <= set(accessors[primitive["attributes"]["POSITION"]]):
        yield "places state no least and largest"
    if indices is None or len(indices) % 3 or int(indices.max()) >= min(counts):
        yield "a triangle names a vertex that is not there"
    for use, numbers in (("indices", [primitive["indices"]]), ("attributes", primitive["attributes"].values())):
        for number in numbers:
            if views[accessors[number]["bufferView"]].get("target", TARGETS[use]) != TARGETS[use]:
                yield f"the view of {use} is meant for something else"
    if primitive.get("material", 0) >= len(document.get("materials", [0])):
        yield "a mesh names a material that is not there"
