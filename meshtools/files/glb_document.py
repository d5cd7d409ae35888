"""The container of a GLB file and typed, checked access to what its JSON part says and its binary part holds."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.scan_parts import damaged, shown
from meshtools.files.texture import MOST_BYTES
from meshtools.model import FloatArray

MOST_JSON_BYTES = 1 << 24  # some thousand times what a scan needs
LEAST_GLB_TRIANGLE = 12  # bytes: three 16-bit vertex numbers and half a vertex
MOST_ENTRIES = 10_000  # nodes, meshes or primitives; a scan has a few
_JSON_CHUNK, _BINARY_CHUNK = 0x4E4F534A, 0x004E4942
_KINDS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}


@dataclass(frozen=True)
class Entry:
    """One object of the JSON part. Every access checks the type and raises ScanError where it is another."""

    name: str
    label: str
    fields: dict[str, Any]

    def _wrong(self, key: str) -> ScanError:
        return damaged(self.name, f"has no usable '{key}' in the {self.label} part of its GLB description")

    def whole(self, key: str, default: int | None = None) -> int:
        """A whole number of 0 or more."""
        value = self.fields.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**63:
            raise self._wrong(key)
        return value

    def wholes(self, key: str) -> list[int]:
        """A list of whole numbers of 0 or more; empty where the key is missing."""
        values = self.fields.get(key, [])
        if not isinstance(values, list) or not all(isinstance(value, int) and 0 <= value < 2**63 for value in values):
            raise self._wrong(key)
        return values

    def numbers(self, key: str, n_numbers: int) -> list[float]:
        """A list of `n_numbers` numbers."""
        values = self.fields.get(key)
        if not isinstance(values, list) or len(values) != n_numbers or not all(isinstance(value, (int, float)) for value in values):
            raise self._wrong(key)
        try:
            return [float(value) for value in values]
        except OverflowError:
            raise self._wrong(key) from None

    def entry(self, key: str) -> Entry:
        """An object inside this one."""
        value = self.fields.get(key)
        if not isinstance(value, dict):
            raise self._wrong(key)
        return Entry(self.name, f"{self.label} {key}", value)

    def entries(self, key: str) -> list[Entry]:
        """A list of objects inside this one."""
        values = self.fields.get(key)
        if not isinstance(values, list) or not all(isinstance(value, dict) for value in values):
            raise self._wrong(key)
        if len(values) > MOST_ENTRIES:
            raise ScanError(f"{self.name} lists {len(values)} {key} in its GLB description, too many for a scan: export one plain mesh.")
        return [Entry(self.name, f"{self.label} {key}", value) for value in values]


@dataclass(frozen=True, eq=False)
class Document:
    """An opened GLB file."""

    name: str
    root: Entry
    binary: memoryview
    notes: list[str] = field(default_factory=list)

    def count(self, kind: str) -> int:
        """How many entries of a kind, such as nodes, there are."""
        return len(self.root.entries(kind)) if kind in self.root.fields else 0

    def entry(self, kind: str, index: int) -> Entry:
        """Entry number `index` of a kind, such as nodes."""
        values = self.root.fields.get(kind)
        if not isinstance(values, list) or index >= len(values) or not isinstance(values[index], dict):
            raise damaged(self.name, f"names entry {index} of {kind}, which it does not hold")
        return Entry(self.name, f"{kind}[{index}]", values[index])

    def texts(self, key: str) -> list[str]:
        """A list of words at the top of the description; empty where the key is missing."""
        values = self.root.fields.get(key, [])
        return [value if isinstance(value, str) else "of no name" for value in values] if isinstance(values, list) else []

    def accessor(self, index: int, kinds: tuple[str, ...]) -> NDArray[Any]:
        """Values (count, width) of an accessor whose type is one of `kinds`, as stored; refused before allocation where they lie outside."""
        accessor = self.entry("accessors", index)
        kind = accessor.fields.get("type")
        code = accessor.whole("componentType")
        if kind not in kinds or code not in _KINDS:
            raise damaged(self.name, f"has accessor {index} of an unexpected type")
        if "sparse" in accessor.fields or "bufferView" not in accessor.fields:
            raise ScanError(f"{self.name} stores its mesh sparsely, which cannot be read: export it again as plain GLB.")
        view, stride = self.view(accessor.whole("bufferView"))
        dtype, width, count = np.dtype(_KINDS[code]), _WIDTHS[str(kind)], accessor.whole("count")
        stride = stride or dtype.itemsize * width
        offset = accessor.whole("byteOffset", 0)
        if stride < dtype.itemsize * width or (count and offset + (count - 1) * stride + dtype.itemsize * width > len(view)):
            raise damaged(self.name, f"states {count} values in accessor {index} but has no room for them")
        return np.ndarray((count, width), dtype, buffer=view, offset=offset if count else 0, strides=(stride, dtype.itemsize))

    def scaled(self, index: int, kinds: tuple[str, ...]) -> FloatArray:
        """Values of an accessor as floats, with whole numbers brought to 0..1."""
        values = self.accessor(index, kinds)
        top = np.iinfo(values.dtype).max if values.dtype.kind in "iu" else 1
        return values.astype(np.float64) / top

    def view(self, index: int) -> tuple[memoryview, int]:
        """The bytes of a buffer view and its stride (0 for tightly packed)."""
        view = self.entry("bufferViews", index)
        buffer_index = view.whole("buffer")
        if buffer_index != 0 or "uri" in self.entry("buffers", buffer_index).fields:
            raise ScanError(f"{self.name} keeps its mesh in another file: export it as one GLB with everything embedded.")
        start, length = view.whole("byteOffset", 0), view.whole("byteLength")
        if start + length > len(self.binary):
            raise damaged(self.name, f"has buffer view {index} that ends at byte {start + length} of {len(self.binary)}")
        return self.binary[start : start + length], view.whole("byteStride", 0)

    def picture(self, texture_index: int) -> tuple[str, bytes, str]:
        """Name and encoded bytes of a texture's picture, and why it cannot be used, or an empty text."""
        texture = self.entry("textures", texture_index)
        if "source" not in texture.fields:
            return str(texture_index), b"", "has no plain picture"
        source = texture.whole("source")
        image = self.entry("images", source)
        name = image.fields.get("name")
        label = shown(name if isinstance(name, str) and name else f"image {source}")
        if "bufferView" not in image.fields:
            return label, b"", "lies outside the file"
        view, _ = self.view(image.whole("bufferView"))
        return (label, b"", "is too large") if len(view) > MOST_BYTES else (label, bytes(view), "")


def open_document(name: str, content: bytes) -> Document:
    """Open the container: header, JSON part, binary part. Raises ScanError where a length does not fit or the JSON cannot be read."""
    if len(content) < 20:
        raise damaged(name, f"has {len(content)} bytes, fewer than a GLB header")
    version, length = (int.from_bytes(content[at : at + 4], "little") for at in (4, 8))
    if version != 2:
        raise ScanError(f"{name} is glTF version {version}: export it as glTF 2.0 binary.")
    if length > len(content):
        raise damaged(name, f"states {length} bytes but has {len(content)}")
    chunks = _chunks(name, content, length)
    if not chunks or chunks[0][0] != _JSON_CHUNK:
        raise damaged(name, "has no GLB description at its start")
    if len(chunks[0][1]) > MOST_JSON_BYTES:
        raise ScanError(f"{name} has a GLB description of {len(chunks[0][1])} bytes, too large for a scan: export one plain mesh.")
    try:
        root = json.loads(bytes(chunks[0][1]).decode("utf-8"))
    except (ValueError, RecursionError):
        raise damaged(name, "has a GLB description that cannot be read") from None
    if not isinstance(root, dict):
        raise damaged(name, "has a GLB description that cannot be read")
    binary = chunks[1][1] if len(chunks) > 1 and chunks[1][0] == _BINARY_CHUNK else memoryview(b"")
    notes = [f"{len(content) - length} bytes after the GLB content were left out."] if len(content) > length else []
    return Document(name, Entry(name, "top", root), binary, notes)


def _chunks(name: str, content: bytes, length: int) -> list[tuple[int, memoryview]]:
    chunks: list[tuple[int, memoryview]] = []
    offset, whole = 12, memoryview(content)
    while offset + 8 <= length and len(chunks) < 2:
        size, kind = (int.from_bytes(content[at : at + 4], "little") for at in (offset, offset + 4))
        if offset + 8 + size > length:
            raise damaged(name, f"has a GLB part of {size} bytes that does not fit")
        chunks.append((kind, whole[offset + 8 : offset + 8 + size]))
        offset += 8 + size
    return chunks
