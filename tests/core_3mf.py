"""Does a 3D model part keep the rules of the 3MF core specification? A small checker for tests.

Source of the rules: 3MF Consortium, 3D Manufacturing Format Core Specification & Reference Guide 1.x, chapters 2 to 5, and its schema (core 1.2.2):
elements, their order, attributes, types of values, references. Rules in our own words; elements and attributes of other namespaces are left out,
as the schema lets them stand where they are allowed.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from typing import Any

import numpy as np

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
UNITS = ("micron", "millimeter", "centimeter", "inch", "foot", "meter")
OBJECT_TYPES = ("model", "solidsupport", "support", "surface", "other")
PLAIN_NAMES = (
    "Title", "Designer", "Description", "Copyright", "LicenseTerms", "Rating", "CreationDate", "ModificationDate", "Application",
)  # fmt: skip
NUMBER = r"[-+]?([0-9]+(\.[0-9]+)?|\.[0-9]+)([eE][-+]?[0-9]+)?"
TEXT, INDEX, IDENTITY = r"(?s).*", r"\+?0*[0-9]{1,10}", r"\+?0*[1-9][0-9]{0,9}"
ELEMENTS: dict[str, tuple[tuple[tuple[str, int, float], ...], dict[str, tuple[str, bool]]]] = {
    "model": (
        (("metadata", 0, np.inf), ("resources", 1, 1), ("build", 1, 1)),
        {"unit": ("|".join(UNITS), False), "requiredextensions": (TEXT, False), "recommendedextensions": (TEXT, False)},
    ),
    "metadata": ((), {"name": (r"[^\s:]+(:[^\s:]+)?", True), "preserve": ("0|1|true|false", False), "type": (TEXT, False)}),
    "metadatagroup": ((("metadata", 1, np.inf),), {}),
    "resources": ((("basematerials", 0, np.inf), ("object", 0, np.inf)), {}),
    "basematerials": ((("base", 1, np.inf),), {"id": (IDENTITY, True)}),
    "base": ((), {"name": (TEXT, True), "displaycolor": (r"#[0-9A-Fa-f]{6}([0-9A-Fa-f]{2})?", True)}),
    "object": (
        (("metadatagroup", 0, 1), ("mesh", 0, 1), ("components", 0, 1)),
        {
            "id": (IDENTITY, True), "type": ("|".join(OBJECT_TYPES), False), "thumbnail": ("/.*", False), "partnumber": (TEXT, False),
            "name": (TEXT, False), "pid": (IDENTITY, False), "pindex": (INDEX, False),
        },
    ),
    "mesh": ((("vertices", 1, 1), ("triangles", 1, 1)), {}),
    "vertices": ((("vertex", 3, np.inf),), {}),
    "vertex": ((), dict.fromkeys("xyz", (NUMBER, True))),
    "triangles": ((("triangle", 1, np.inf),), {}),
    "triangle": (
        (), {"v1": (INDEX, True), "v2": (INDEX, True), "v3": (INDEX, True), "pid": (IDENTITY, False)} | {f"p{k}": (INDEX, False) for k in (1, 2, 3)},
    ),
    "components": ((("component", 1, np.inf),), {}),
    "component": ((), {"objectid": (IDENTITY, True), "transform": (rf"\s*{NUMBER}(\s+{NUMBER}){{11}}\s*", False)}),
    "build": ((("item", 0, np.inf),), {}),
    "item": (
        (("metadatagroup", 0, 1),),
        {"objectid": (IDENTITY, True), "transform": (rf"\s*{NUMBER}(\s+{NUMBER}){{11}}\s*", False), "partnumber": (TEXT, False)},
    ),
}  # fmt: skip
"""Element -> its children in their order (name, least, most), and its attributes (pattern, whether it must be there)."""


def broken_rules_of_package(package: bytes) -> list[str]:
    """What a 3MF package breaks: it names one start part of the right type, and that part keeps the rules."""
    from lxml import etree

    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        relations = [node for node in etree.fromstring(archive.read("_rels/.rels")) if node.get("Type") == MODEL_TYPE]
        if "[Content_Types].xml" not in archive.namelist() or len(relations) != 1:
            return ["a package has content types and names exactly one 3D model"]
        return broken_rules(archive.read(relations[0].get("Target").lstrip("/")))


def broken_rules(part: bytes) -> list[str]:
    """Every rule that a 3D model part breaks, in words; empty where it keeps them all."""
    from lxml import etree

    if b"<!DOCTYPE" in part:
        return ["no document type declaration"]
    root = etree.fromstring(part)
    if root.tag != f"{{{CORE}}}model":
        return [f"{root.tag} is not the core model"]
    shape = list(_shape(root))
    return shape or [*_metadata(root), *_extensions(root), *_references(root)]


def _core(node: Any) -> list[Any]:
    """Child elements of the core namespace."""
    return [child for child in node if isinstance(child.tag, str) and child.tag.startswith(f"{{{CORE}}}")]


def _name(node: Any) -> str:
    return str(node.tag.rpartition("}")[2])


def _shape(node: Any) -> Iterator[str]:
    """Children, their order and number, attributes and the form of their values."""
    children, attributes = ELEMENTS[_name(node)]
    order = [name for name, _, _ in children]
    found = [_name(child) for child in _core(node)]
    for child in node:
        if isinstance(child.tag, str) and not child.tag.startswith("{"):
            yield f"{child.tag} has no namespace"
    unknown = [name for name in found if name not in order]
    if unknown:
        yield f"{_name(node)} holds {unknown[0]}"
        return
    if [order.index(name) for name in found] != sorted(order.index(name) for name in found):
        yield f"the children of {_name(node)} are out of order"
    for name, least, most in children:
        if not least <= found.count(name) <= most:
            yield f"{_name(node)} holds {found.count(name)} {name}"
    for key, (_, is_needed) in attributes.items():
        if is_needed and node.get(key) is None:
            yield f"{_name(node)} has no {key}"
    for key, value in node.attrib.items():
        if key.startswith("{"):
            continue
        if key not in attributes:
            yield f"{_name(node)} has {key}"
        elif not re.fullmatch(attributes[key][0], value):
            yield f"{key} of {_name(node)} is '{value}'"
    for child in _core(node):
        yield from _shape(child)


def _metadata(root: Any) -> Iterator[str]:
    """Names without a namespace are the known ones, others have a declared prefix; none stands twice."""
    for group in root.iter(f"{{{CORE}}}model", f"{{{CORE}}}metadatagroup"):
        names = [node.get("name") for node in _core(group) if _name(node) == "metadata"]
        yield from (f"metadata {name} stands twice" for name in set(names) if names.count(name) > 1)
        for name in names:
            prefix = name.partition(":")[0] if ":" in name else ""
            if (not prefix and name not in PLAIN_NAMES) or (prefix and prefix not in group.nsmap):
                yield f"metadata {name} is not known and has no declared namespace"


def _extensions(root: Any) -> Iterator[str]:
    for key in ("requiredextensions", "recommendedextensions"):
        yield from (f"{prefix} of {key} is not declared" for prefix in root.get(key, "").split() if prefix not in root.nsmap)


def _references(root: Any) -> Iterator[str]:
    """Identities, what refers to what, and the meshes."""
    resources, build = (next(node for node in _core(root) if _name(node) == name) for name in ("resources", "build"))
    known: dict[str, Any] = {}
    for node in resources:
        number = node.get("id")
        if number in known:
            yield f"id {number} stands twice"
        if _name(node) == "object":
            yield from _object(node, known)
        known[number] = node
    for item in build:
        yield from _placed(item, known)


def _placed(node: Any, known: dict[str, Any]) -> Iterator[str]:
    """An item of the build or a component: of a known object, the item not of type other, and never collapsed to a plane."""
    target = known.get(node.get("objectid"))
    if target is None or _name(target) != "object":
        yield f"{_name(node)} refers to {node.get('objectid')}, which is no object before it"
    elif _name(node) == "item" and target.get("type") == "other":
        yield "an item refers to an object of type other"
    matrix = np.array(node.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split(), float)[:9].reshape(3, 3)
    if np.linalg.det(matrix) == 0.0:
        yield f"the transform of {_name(node)} has no inverse"


def _object(node: Any, known: dict[str, Any]) -> Iterator[str]:
    bodies = {_name(child): child for child in _core(node)}
    if ("mesh" in bodies) == ("components" in bodies):
        yield "an object has one of mesh and components"
        return
    if "components" in bodies:
        if node.get("pid") or node.get("pindex"):
            yield "an object of components has a property"
        for component in _core(bodies["components"]):
            yield from _placed(component, known)
        return
    yield from _property(node, node.get("pid"), [node.get("pindex")], known)
    vertices, triangles = (_core(part) for part in _core(bodies["mesh"]))
    for triangle in triangles:
        numbers = [triangle.get(f"p{k}") for k in (1, 2, 3)]
        if triangle.get("pid") or any(numbers):
            if node.get("pid") is None or node.get("pindex") is None:
                yield "triangles have properties and their object has none"
            if (numbers[1] is None) != (numbers[2] is None) or (numbers[0] is None and any(numbers)):
                yield "a triangle gives p1 alone or all of p1, p2 and p3"
            yield from _property(triangle, triangle.get("pid") or node.get("pid"), [number for number in numbers if number], known)
    faces = np.array([[int(triangle.get(f"v{k}")) for k in (1, 2, 3)] for triangle in triangles])
    yield from _mesh(faces, np.array([[float(vertex.get(axis)) for axis in "xyz"] for vertex in vertices]), node.get("type", "model"))


def _property(node: Any, pid: str | None, numbers: list[str | None], known: dict[str, Any]) -> Iterator[str]:
    """A property of base materials: the group is declared before, and has so many entries."""
    given = [number for number in numbers if number is not None]
    if pid is None:
        yield from (f"{_name(node)} has a property number and no group" for _ in given)
    elif pid not in known or _name(known[pid]) == "object":
        yield f"property group {pid} of {_name(node)} is not declared before it"
    elif _name(known[pid]) == "basematerials" and any(int(number) >= len(_core(known[pid])) for number in given):
        yield f"property number of {_name(node)} is beyond its group"


def _mesh(faces: Any, vertices: Any, kind: str) -> Iterator[str]:
    if faces.max() >= len(vertices):
        yield "a triangle names a vertex that is not there"
        return
    if (faces == np.roll(faces, 1, axis=1)).any():
        yield "a triangle names a vertex twice"
    if kind not in ("model", "solidsupport"):
        return
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    forward, backward = (np.unique(way[:, 0] * len(vertices) + way[:, 1]) for way in (edges, edges[:, ::-1]))
    if len(forward) != len(edges) or not np.array_equal(forward, backward):
        yield "an edge of a solid does not have exactly two triangles of opposite ways"
    corners = vertices[faces]
    if np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) <= 0.0:
        yield "a solid faces inwards"
