"""3MF: a zip package with a model in XML; build items place objects, objects may be put together from components."""

from __future__ import annotations

import io
import posixpath
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.scan_parts import ScanParts, damaged, most_placed, placed, product, shown
from meshtools.files.threemf_model import MOST_PLACEMENTS, ModelObject, ModelPart, Placement, read_model
from meshtools.model import FloatArray, Unit

_MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_MOST_MODEL_BYTES = 4 << 30
_PLAIN_BYTES = 32 << 20  # model parts up to this size together may be packed as tightly as they like
_TIGHTEST_RATIO = 100  # mesh XML packs about 5 to 15 times
_DEEPEST = 64
_CHUNK_BYTES = 1 << 20
_UNITS = {"millimeter": Unit.MM, "centimeter": Unit.CM, "meter": Unit.M, "inch": Unit.INCH}
_MM_PER_OTHER_UNIT = {"micron": 0.001, "foot": 304.8}
_UNPRINTED = ("support", "solidsupport")
ZIP_ERRORS = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError, OSError, ValueError, LookupError)

ObjectKey = tuple[str, str]  # part, id


class _Unfolded(NamedTuple):
    """What an object comes to with all its components: triangles, vertices, meshes, and how deep they are nested."""

    n_triangles: int
    n_vertices: int
    n_meshes: int
    depth: int


@dataclass
class _Package:
    """The opened zip and the model parts read so far."""

    name: str
    archive: zipfile.ZipFile
    n_packed: int
    n_unpacked: int = 0
    parts: dict[str, ModelPart] = field(default_factory=dict)
    unfolded: dict[ObjectKey, _Unfolded] = field(default_factory=dict)

    def part(self, path: str) -> ModelPart:
        """The model part of that path, read once."""
        if path not in self.parts:
            self.parts[path] = read_model(self.name, self.chunks(path))
        return self.parts[path]

    def object(self, key: ObjectKey) -> ModelObject:
        """The object of that part and id."""
        found = self.part(key[0]).objects.get(key[1])
        if found is None:
            raise damaged(self.name, f"places 3MF object {shown(key[1])}, which it does not hold")
        return found

    def chunks(self, path: str) -> Iterator[bytes]:
        """The unpacked bytes of a part, piece by piece, never more than the directory states and the limits allow."""
        try:
            entry = self.archive.getinfo(path)
        except KeyError:
            raise damaged(self.name, "names a 3MF part that it does not hold") from None
        self.n_unpacked += entry.file_size
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise ScanError(f"{self.name} is packed in a way that 3MF forbids: export it again with another program.")
        if self.n_unpacked > most_unpacked_bytes(self.n_packed):
            raise ScanError(f"{self.name} unpacks from {self.n_packed} to {self.n_unpacked} bytes, which no scan does: ask for a plain mesh.")
        try:
            with self.archive.open(entry) as stream:
                while chunk := stream.read(_CHUNK_BYTES):
                    yield chunk
        except ZIP_ERRORS:
            raise damaged(self.name, "has a 3MF part that cannot be unpacked") from None


def most_unpacked_bytes(n_packed: int) -> int:
    """How many bytes the model parts of a package of `n_packed` bytes may have together."""
    return min(max(_PLAIN_BYTES, _TIGHTEST_RATIO * n_packed), _MOST_MODEL_BYTES)


def read_3mf(name: str, content: bytes) -> ScanParts:
    """Read 3MF in the unit it states (micron and foot become millimetres, with a note). Colours are not read.

    A transform that reflects also turns the faces. Raises ScanError for a damaged package, a document type, a circle of components,
    content that unpacks or repeats itself beyond reason.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except ZIP_ERRORS:
        raise damaged(name, "is a zip package that cannot be opened") from None
    with archive:
        package = _Package(name, archive, len(content))
        root = _root_part(package)
        model = package.part(root)
        if not model.items:
            raise ScanError(f"{name} has no 3MF build item, so nothing is placed: export the mesh as a part to be built.")
        notes = ["The colours of the 3MF file were not read."] if model.has_colours else []
        vertices, faces = _assemble(package, root, notes)
        if any(part.unit != model.unit for part in package.parts.values()):
            raise ScanError(f"{name} has 3MF parts in different units: export one plain mesh.")
    scale = _MM_PER_OTHER_UNIT.get(model.unit)
    if scale is not None:
        notes.append(f"Coordinates in {model.unit} were brought to millimetres.")
        return ScanParts(vertices * scale, faces, "3MF", None, Unit.MM, tuple(notes))
    if model.unit not in _UNITS:
        raise damaged(name, f"states the unit '{shown(model.unit)}', which 3MF does not know")
    return ScanParts(vertices, faces, "3MF", None, _UNITS[model.unit], tuple(notes))


def _root_part(package: _Package) -> str:
    """The model part that the package's relationships name; a part called *.model where they name none."""
    names = package.archive.namelist()
    if "_rels/.rels" in names:
        targets: list[str] = []

        def start_element(tag: str, attributes: dict[str, str]) -> None:
            if attributes.get("Type") == _MODEL_RELATION and "Target" in attributes:
                targets.append(attributes["Target"])

        def refuse(*_: Any) -> None:
            raise ScanError(f"{package.name} declares an XML document type, which 3MF forbids: export it again with another program.")

        parser = expat.ParserCreate()
        parser.StartElementHandler = start_element
        parser.StartDoctypeDeclHandler = refuse
        try:
            for chunk in package.chunks("_rels/.rels"):
                parser.Parse(chunk, False)
            parser.Parse(b"", True)
        except expat.ExpatError:
            raise damaged(package.name, "has 3MF relationships with broken XML") from None
        if targets:
            return _part_path(targets[0], "")
    models = sorted(entry for entry in names if entry.lower().endswith(".model"))
    if not models:
        raise ScanError(f"{package.name} is a zip archive without a 3MF model: unpack it and name the scan inside.")
    return models[0]


def _part_path(path: str, current: str) -> str:
    return posixpath.normpath(path).lstrip("/") if path else current


def _assemble(package: _Package, root: str, notes: list[str]) -> tuple[FloatArray, NDArray[Any]]:
    """Place every build item; the number of triangles and placements is known and limited before any is made."""
    items = package.part(root).items
    wanted: list[tuple[ObjectKey, Placement]] = []
    for item in items:
        key = (_part_path(item.path, root), item.object_id)
        if package.object(key).kind in _UNPRINTED:
            notes.append("Support objects of the 3MF file were left out.")
        else:
            wanted.append((key, item))
    totals = [_unfolded(package, key, ()) for key, _ in wanted]
    n_triangles, n_vertices, n_meshes = (sum(total[i] for total in totals) for i in range(3))
    n_stored = sum(len(one.triangles) // 3 for part in package.parts.values() for one in part.objects.values())
    if max(n_triangles, n_vertices // 3) > most_placed(n_stored) or n_meshes > MOST_PLACEMENTS:
        sizes = f"{n_triangles} triangles and {n_vertices} vertices in {n_meshes} placements"
        raise ScanError(f"{package.name} repeats its parts to {sizes}: export one plain mesh.")
    vertices: list[FloatArray] = []
    faces: list[NDArray[Any]] = []
    for key, item in wanted:
        _place(package, key, item.matrix, (vertices, faces))
    n_before = np.cumsum([0] + [len(points) for points in vertices])
    shifted = [part + first for part, first in zip(faces, n_before, strict=False)]
    return np.concatenate([np.zeros((0, 3)), *vertices]), np.concatenate([np.zeros((0, 3), dtype=np.int64), *shifted])


def _unfolded(package: _Package, key: ObjectKey, above: tuple[ObjectKey, ...]) -> _Unfolded:
    """What an object unfolds to. Refuses circles and chains deeper than any real assembly."""
    if key in above:
        raise damaged(package.name, f"has a 3MF object {shown(key[1])} that contains itself")
    if key not in package.unfolded:
        found = package.object(key)
        total = _Unfolded(len(found.triangles) // 3, len(found.vertices) // 3, 1, 1)
        for component in found.components if len(above) < _DEEPEST else ():
            inner = _unfolded(package, (_part_path(component.path, key[0]), component.object_id), (*above, key))
            n_triangles, n_vertices, n_meshes = (mine + theirs for mine, theirs in zip(total[:3], inner[:3], strict=True))
            total = _Unfolded(n_triangles, n_vertices, n_meshes, max(total.depth, inner.depth + 1))
        package.unfolded[key] = total
    if len(above) + package.unfolded[key].depth > _DEEPEST:
        raise ScanError(f"{package.name} nests 3MF components more than {_DEEPEST} deep: export one plain mesh.")
    return package.unfolded[key]


def _place(package: _Package, key: ObjectKey, matrix: FloatArray, placed_parts: tuple[list[FloatArray], list[NDArray[Any]]]) -> None:
    found = package.object(key)
    own_vertices, own_faces = found.mesh()
    if len(own_faces) and not 0 <= int(own_faces.min()) <= int(own_faces.max()) < len(own_vertices):
        wrong = int(own_faces.min()) if own_faces.min() < 0 else int(own_faces.max())
        raise damaged(package.name, f"has a face that names vertex {wrong}, counted from 0, but its object holds {len(own_vertices)} vertices")
    vertices, faces = placed(own_vertices, own_faces, matrix)
    placed_parts[0].append(vertices)
    placed_parts[1].append(faces)
    for component in found.components:
        inner = product(matrix, component.matrix)
        _place(package, (_part_path(component.path, key[0]), component.object_id), inner, placed_parts)
