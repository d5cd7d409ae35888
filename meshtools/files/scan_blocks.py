"""A scan's surface a block at a time: from the file where its records are all alike (binary STL, binary PLY of triangles), else from memory."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError, is_passing
from meshtools.files.ply_elements import Element
from meshtools.files.read_ply import COLOURS, CORNERS, LONGEST_HEADER, read_header, texture_notes
from meshtools.files.read_stl import ATTRIBUTES_NOTE, HEADER_BYTES, STL_RECORD, count_in_header, is_binary_stl
from meshtools.files.scan_format import SNIFFED_BYTES, format_of
from meshtools.files.scan_parts import as_colour, damaged, file_label
from meshtools.model import ColourArray, FloatArray, RawScan, Unit

BLOCK_RECORDS = 1 << 18  # about 100 MB while they are sorted into cells
Points = tuple[FloatArray, NDArray[Any] | None]


class NotPlainError(Exception):
    """The records turned out not to be alike: the file has to be read as a whole."""


class ScanBlocks(Protocol):
    """What reducing needs of a scan. `has_own_corners`: every face brings its own three points, in their order, so faces() yields nothing.
    `notes` are complete when points() has been through once."""

    n_faces: int
    has_own_corners: bool
    file_format: str
    file_unit: Unit | None
    notes: tuple[str, ...]

    def points(self) -> Iterator[Points]:
        """Blocks of points (k, 3) float64 with their colour channels (k, 3) of any type, or None."""

    def faces(self) -> Iterator[NDArray[np.int64]]:
        """Blocks of faces (k, 3), numbers of points."""

    def colour_of(self, channels: NDArray[Any]) -> ColourArray:
        """Channels, as `points` yields them, as 0..255."""


class _StlBlocks:
    has_own_corners, file_format = True, "STL binary"

    def __init__(self, path: Path, n_faces: int) -> None:
        self._path, self.n_faces = path, n_faces
        self.file_unit: Unit | None = None
        self.notes: tuple[str, ...] = ()

    def points(self) -> Iterator[Points]:
        for records in _records(self._path, HEADER_BYTES, self.n_faces, STL_RECORD):
            if not self.notes and records["attribute"].any():
                self.notes = (ATTRIBUTES_NOTE,)
            yield records["corners"].reshape(-1, 3).astype(np.float64), None

    def faces(self) -> Iterator[NDArray[np.int64]]:
        yield from ()

    def colour_of(self, channels: NDArray[Any]) -> ColourArray:
        raise NotImplementedError("an STL has no colour")


class _PlyBlocks:
    has_own_corners = False

    def __init__(self, path: Path, order: str, places: dict[str, tuple[int, int, np.dtype[Any]]], notes: tuple[str, ...]) -> None:
        self._path, self._places, self.notes = path, places, notes
        self.n_faces = places["face"][1]
        self.file_unit: Unit | None = None
        self.file_format = f"PLY binary {'little' if order == '<' else 'big'} endian"
        names = places["vertex"][2].names or ()
        self._channels = next((channels for channels in COLOURS if set(channels) <= set(names)), None)

    def points(self) -> Iterator[Points]:
        for records in _records(self._path, *self._places["vertex"]):
            xyz = np.stack([records[axis] for axis in "xyz"], axis=1).astype(np.float64)
            yield xyz, np.stack([records[one] for one in self._channels], axis=1) if self._channels else None

    def faces(self) -> Iterator[NDArray[np.int64]]:
        for records in _records(self._path, *self._places["face"]):
            if (records["n_corners"] != 3).any():
                raise NotPlainError
            yield records["corners"].astype(np.int64)

    def colour_of(self, channels: NDArray[Any]) -> ColourArray:
        return as_colour(channels.astype(channels.dtype.newbyteorder("=")))


class RawBlocks:
    """A scan that is in memory already."""

    has_own_corners = False

    def __init__(self, raw: RawScan) -> None:
        self._raw, self.n_faces = raw, len(raw.faces)
        self.file_format, self.file_unit, self.notes = raw.file_format, raw.file_unit, raw.notes

    def points(self) -> Iterator[Points]:
        """As ScanBlocks."""
        colour = self._raw.colour
        for at in range(0, len(self._raw.vertices), BLOCK_RECORDS):
            part = slice(at, at + BLOCK_RECORDS)
            yield self._raw.vertices[part], None if colour is None else colour[part]

    def faces(self) -> Iterator[NDArray[np.int64]]:
        """As ScanBlocks."""
        for at in range(0, self.n_faces, BLOCK_RECORDS):
            yield self._raw.faces[at : at + BLOCK_RECORDS].astype(np.int64)

    def colour_of(self, channels: NDArray[Any]) -> ColourArray:
        """As ScanBlocks."""
        return as_colour(channels)


def blocks_of(path: Path) -> ScanBlocks | None:
    """The blocks of a scan file that can be read so, None for any other, a damaged one among them: the readers say what is wrong with it.

    Raises OSError where the machine fails for the moment (errors.is_passing), which says nothing about the scan.
    """
    try:
        n_bytes = path.stat().st_size if path.is_file() else 0
        if n_bytes == 0:
            return None
        with path.open("rb") as stream:
            start = stream.read(SNIFFED_BYTES)
            kind = format_of(path, start, n_bytes)
            if kind == "stl" and is_binary_stl(start, n_bytes):
                return _StlBlocks(path, count_in_header(start))
            if kind == "ply":
                stream.seek(0)
                return _ply_blocks(path, n_bytes, stream.read(LONGEST_HEADER))
    except (OSError, ScanError, ValueError) as error:
        if is_passing(error):
            raise
        return None
    return None


def _ply_blocks(path: Path, n_bytes: int, start: bytes) -> ScanBlocks | None:
    order, elements, comments, offset = read_header(file_label(path), start)
    if not order or [one.name for one in elements][:2] != ["vertex", "face"] or len(elements) != 2:
        return None
    places = {}
    for element in elements:
        layout = _layout(element, order)
        if layout is None:
            return None
        places[element.name] = (offset, element.count, layout)
        offset += element.count * layout.itemsize
    if not set("xyz") <= set(places["vertex"][2].names or ()) or "corners" not in (places["face"][2].names or ()) or offset != n_bytes:
        return None
    return _PlyBlocks(path, order, places, texture_notes(comments))


def _layout(element: Element, order: str) -> np.dtype[Any] | None:
    """One record: scalars, and for faces a list of three corners. None for anything else."""
    fields: list[Any] = []
    for one in element.properties:
        if one.count_kind is None:
            fields.append((one.name, one.kind.newbyteorder(order)))  # type: ignore[arg-type]
        elif element.name == "face" and one.name in CORNERS:
            fields += [("n_corners", one.count_kind.newbyteorder(order)), ("corners", one.kind.newbyteorder(order), (3,))]  # type: ignore[arg-type]
        else:
            return None
    return np.dtype(fields) if fields and len({field[0] for field in fields}) == len(fields) else None


def _records(path: Path, offset: int, count: int, layout: np.dtype[Any]) -> Iterator[NDArray[Any]]:
    with path.open("rb") as stream:
        stream.seek(offset)
        while count > 0:
            content = stream.read(min(count, BLOCK_RECORDS) * layout.itemsize)
            records = np.frombuffer(content, dtype=layout, count=len(content) // layout.itemsize)
            if len(records) == 0:
                raise damaged(file_label(path), "ends before the last of its records")
            yield records
            count -= len(records)
