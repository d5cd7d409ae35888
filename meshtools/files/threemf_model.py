"""One model part of a 3MF package, read as a stream of XML events: no document type, no entities, nothing kept but numbers.

Source: 3MF Core Specification 1.4.0, chapters 3 and 4; Production Extension 1.1 for the attribute `path`.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, NoReturn
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.scan_parts import damaged, shown
from meshtools.model import FloatArray

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
_READABLE = frozenset((_CORE, _PRODUCTION, _MATERIAL))  # the material extension colours a mesh and leaves its shape
MOST_PLACEMENTS = 10_000  # objects, components or build items; a scan has a few
_DEEPEST_TAG = 10_000  # a model is six deep; counted between pieces of the XML, so that much may pass within one
_MOST_WORDS = 10_000  # a model has about thirty
_LONGEST_TAG = 4 << 20  # bytes
_PATH = f"{_PRODUCTION} path"


@dataclass(frozen=True, eq=False)
class Placement:
    """A component or build item: which object, in which part (empty for the same), moved by a 4x4 matrix on column vectors."""

    object_id: str
    path: str
    matrix: FloatArray


@dataclass
class ModelObject:
    """One object: its own mesh, or the components it is put together from."""

    kind: str
    vertices: array[float] = field(default_factory=lambda: array("d"))
    triangles: array[int] = field(default_factory=lambda: array("q"))
    components: list[Placement] = field(default_factory=list)

    def mesh(self) -> tuple[FloatArray, NDArray[np.int64]]:
        """Vertices (n, 3) and triangles (m, 3) as stored."""
        return np.array(self.vertices, dtype=np.float64).reshape(-1, 3), np.array(self.triangles, dtype=np.int64).reshape(-1, 3)


@dataclass
class ModelPart:
    """What one model part holds."""

    unit: str = "millimeter"
    objects: dict[str, ModelObject] = field(default_factory=dict)
    items: list[Placement] = field(default_factory=list)
    has_colours: bool = False


def read_model(name: str, chunks: Iterator[bytes]) -> ModelPart:
    """Read a model part from pieces of its XML. Raises ScanError for a document type, for XML or numbers that cannot be read."""
    reader = _ModelReader(name)
    parser = expat.ParserCreate(namespace_separator=" ", intern=reader.words)
    parser.StartElementHandler = reader.start_element
    parser.EndElementHandler = reader.ended.append
    parser.StartNamespaceDeclHandler = reader.declare_namespace
    parser.StartDoctypeDeclHandler = reader.refuse_doctype
    parser.EntityDeclHandler = reader.refuse_doctype
    try:
        n_bytes = 0
        for chunk in chunks:
            parser.Parse(chunk, False)
            n_bytes += len(chunk)
            reader.check_shape(n_bytes - parser.CurrentByteIndex)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise damaged(name, f"has a 3MF model with broken XML in line {error.lineno}") from None
    except (KeyError, ValueError, OverflowError):
        raise damaged(name, f"has a 3MF model with an attribute that is missing or no number in line {parser.CurrentLineNumber}") from None
    if not reader.has_model:
        raise damaged(name, "has a 3MF model part without a model")
    return reader.part


class _ModelReader:
    def __init__(self, name: str) -> None:
        self.name = name
        self.part = ModelPart()
        self.has_model = False
        self.n_components = 0
        self.words: dict[str, str] = {}  # every name of a tag or attribute, once
        self.ended: list[str] = []  # tags closed since the shape was checked
        self.depth = 0
        self.current: ModelObject | None = None
        self.namespaces: dict[str, str] = {}
        self.actions: dict[str, Callable[[dict[str, str]], None]] = {
            f"{_CORE} {tag}": action
            for tag, action in {
                "model": self.model,
                "object": self.object,
                "vertex": self.vertex,
                "triangle": self.triangle,
                "component": self.component,
                "item": self.item,
            }.items()
        }

    def start_element(self, tag: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        action = self.actions.get(tag)
        if action is not None:
            action(attributes)

    def check_shape(self, n_waiting: int) -> None:
        """Refuse XML that is made to fill memory: open tags without end, names without end, one tag without end."""
        self.depth -= len(self.ended)
        self.ended.clear()
        if self.depth > _DEEPEST_TAG or len(self.words) > _MOST_WORDS or n_waiting > _LONGEST_TAG:
            raise damaged(self.name, f"has a 3MF model with too many open tags, too many kinds of tags, or a tag of over {_LONGEST_TAG >> 20} MB")

    def declare_namespace(self, prefix: str | None, uri: str) -> None:
        self.namespaces[prefix or ""] = uri

    def refuse_doctype(self, *_: Any) -> NoReturn:
        raise ScanError(f"{self.name} declares an XML document type, which 3MF forbids: export it again with another program.")

    def model(self, attributes: dict[str, str]) -> None:
        self.has_model = True
        self.part.unit = attributes.get("unit", "millimeter")
        for prefix in attributes.get("requiredextensions", "").split():
            if self.namespaces.get(prefix) not in _READABLE:
                raise ScanError(f"{self.name} needs the 3MF extension '{shown(prefix)}', which cannot be read: export it as a plain mesh.")

    def object(self, attributes: dict[str, str]) -> None:
        object_id = attributes["id"]
        if object_id in self.part.objects:
            raise damaged(self.name, f"has two 3MF objects with the id {shown(object_id)}")
        self._check_number(len(self.part.objects))
        self.current = self.part.objects[object_id] = ModelObject(attributes.get("type", "model"))
        self.part.has_colours |= "pid" in attributes

    def vertex(self, attributes: dict[str, str]) -> None:
        self._open_object().vertices.extend((float(attributes["x"]), float(attributes["y"]), float(attributes["z"])))

    def triangle(self, attributes: dict[str, str]) -> None:
        self._open_object().triangles.extend((int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"])))

    def component(self, attributes: dict[str, str]) -> None:
        self.n_components += 1
        self._check_number(self.n_components)
        self._open_object().components.append(_placement(attributes))

    def item(self, attributes: dict[str, str]) -> None:
        self._check_number(len(self.part.items))
        self.part.items.append(_placement(attributes))

    def _check_number(self, number: int) -> None:
        if number > MOST_PLACEMENTS:
            raise ScanError(f"{self.name} holds more than {MOST_PLACEMENTS} 3MF objects or placements: export one plain mesh.")

    def _open_object(self) -> ModelObject:
        if self.current is None:
            raise damaged(self.name, "has 3MF mesh content outside an object")
        return self.current


def _placement(attributes: dict[str, str]) -> Placement:
    """The 12 numbers stand row by row of a 4x3 matrix that acts on row vectors, so they are transposed here."""
    matrix = np.eye(4)
    if "transform" in attributes:
        numbers = [float(word) for word in attributes["transform"].split()]
        matrix[:3, :] = np.array(numbers).reshape(4, 3).T
    return Placement(attributes["objectid"], attributes.get(_PATH, ""), matrix)
