"""A scan with more faces than may be held is reduced on reading: points that lie in one cell of a grid become one, their mean.

Vertex clustering after Rossignac and Borrel (Multi-resolution 3D approximations for rendering complex scenes, 1993). The mean and not one of
the points stands for a cell, because the surface then crosses itself far less often: 18 pairs of faces in place of 446 on a rib cage. Faces that
fall on each other with opposite sides cancel, so that no skin is left open that was closed (our own method: the image of a closed surface, each
face counted with its sign, is closed). Memory is that of the result and of one block. The result depends on the order of the file, and on
the size of the blocks in rounding alone, so that size is fixed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.scan_blocks import RawBlocks, ScanBlocks
from meshtools.files.scan_parts import LARGEST_COORDINATE, ScanParts, checked_scan, damaged, file_label
from meshtools.model import FloatArray, RawScan, Reduction

_CELL_BITS = 21  # of each coordinate in a cell's number
_COARSER = 1.25
_WELL_FILLED = 0.6  # share of the faces allowed at which no finer grid is tried
_START = 0.75  # cell area times faces allowed, in areas of the box; on the fine side for a bone


class _TooFineError(Exception):
    """The grid leaves more than may be held."""


def reduce_scan(path: Path, source: ScanBlocks, most_faces: int) -> RawScan:
    """Read a scan with at most `most_faces` faces. No point moves by more than the diagonal of a cell, and faces of which two corners fall
    into one cell are gone. Colour is that of the first point in a cell. Raises ScanError as read_scan."""
    name = file_label(path)
    low, extents = _box(name, source)
    finest = float(extents.max()) / (1 << (_CELL_BITS - 1))
    if finest == 0.0:
        raise ScanError(f"{name} holds one point again and again and no surface: export the mesh again.")
    area = 2.0 * float(extents[0] * extents[1] + extents[1] * extents[2] + extents[2] * extents[0])
    cell, best = max((_START * area / most_faces) ** 0.5, finest), None
    while True:
        try:
            found = _clustered(name, source, low, cell, most_faces)
        except _TooFineError:
            if best is not None:
                break
            cell *= _COARSER
            continue
        best = (cell, found)
        n_faces = len(found.faces)
        finer = max(cell * max(n_faces / most_faces, 0.01) ** 0.5 * 1.05, finest)
        if n_faces >= _WELL_FILLED * most_faces or finer >= cell:
            break
        cell = finer
    cell, parts = best
    raw = checked_scan(name, parts)
    return RawScan(raw.vertices, raw.faces, raw.colour, raw.file_format, raw.file_unit, raw.notes, Reduction(cell, source.n_faces))


def reduce_raw(path: Path, raw: RawScan, most_faces: int) -> RawScan:
    """As reduce_scan, of a scan whose format has to be read as a whole."""
    return reduce_scan(path, RawBlocks(raw), most_faces)


def _box(name: str, source: ScanBlocks) -> tuple[FloatArray, FloatArray]:
    """Lowest corner and extents of all points."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for points, _ in source.points():
        if not np.isfinite(points).all():
            raise ScanError(f"{name} has a coordinate that is not a finite number: repair the mesh and export it again.")
        low, high = np.minimum(low, points.min(axis=0)), np.maximum(high, points.max(axis=0))
    largest = float(np.maximum(np.abs(low), np.abs(high)).max())
    if not largest <= LARGEST_COORDINATE:
        raise damaged(name, f"has a coordinate of {largest:.3g}, which no scan has")
    return low, high - low


class _Grid:
    """Numbers cells in the order in which points of the file fall into them, and keeps the sum of the points and the colour of the first in each."""

    def __init__(self, low: FloatArray, cell: float, most: int) -> None:
        self._low, self._cell, self._most = low, cell, most
        self._keys, self._numbers = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        self._sums, self._counts = np.zeros((0, 3)), np.zeros(0)
        self.channels: list[NDArray[Any]] = []

    def numbers(self, points: FloatArray, channels: NDArray[Any] | None) -> NDArray[np.int64]:
        """The number of each point's cell."""
        place = np.floor((points - self._low) / self._cell).astype(np.int64)
        key = place[:, 0] << 2 * _CELL_BITS | place[:, 1] << _CELL_BITS | place[:, 2]
        keys, first, inverse = np.unique(key, return_index=True, return_inverse=True)
        at: NDArray[np.int64] = np.asarray(np.searchsorted(self._keys, keys), dtype=np.int64)
        is_known = np.zeros(len(keys), dtype=bool)
        inside = at < len(self._keys)
        is_known[inside] = self._keys[at[inside]] == keys[inside]
        numbers = np.empty(len(keys), dtype=np.int64)
        numbers[is_known] = self._numbers[at[is_known]]
        fresh = np.flatnonzero(~is_known)
        fresh = fresh[np.argsort(first[fresh], kind="stable")]
        numbers[fresh] = len(self._keys) + np.arange(len(fresh))
        if len(self._keys) + len(fresh) > self._most:
            raise _TooFineError
        if channels is not None:
            self.channels.append(channels[first[fresh]])
        self._keys = np.insert(self._keys, at[~is_known], keys[~is_known])
        self._numbers = np.insert(self._numbers, at[~is_known], numbers[~is_known])
        found = np.asarray(numbers[inverse.reshape(-1)], dtype=np.int64)
        self._add(points - self._low, found)
        return found

    def _add(self, points: FloatArray, numbers: NDArray[np.int64]) -> None:
        n_short = len(self._keys) - len(self._counts)
        if n_short > 0:  # room for more, so that not every block copies all
            n_more = max(n_short, len(self._counts) // 2)
            self._sums, self._counts = np.concatenate([self._sums, np.zeros((n_more, 3))]), np.concatenate([self._counts, np.zeros(n_more)])
        used, place = np.unique(numbers, return_inverse=True)
        self._counts[used] += np.bincount(place, minlength=len(used))
        for axis in range(3):
            self._sums[used, axis] += np.bincount(place, points[:, axis], len(used))

    def means(self) -> FloatArray:
        """The mean of the points of each cell."""
        n_cells = len(self._keys)
        return np.asarray(self._low + self._sums[:n_cells] / self._counts[:n_cells, None], dtype=np.float64)


def _clustered(name: str, source: ScanBlocks, low: FloatArray, cell: float, most_faces: int) -> ScanParts:
    grid = _Grid(low, cell, 2 * most_faces)
    numbers, kept, n_kept = [], [], 0
    for points, channels in source.points():
        found = grid.numbers(points, channels)
        if source.has_own_corners:
            kept.append(_spanning(found.reshape(-1, 3)))
            n_kept += len(kept[-1])
        else:
            numbers.append(found.astype(np.int32))
        if n_kept > most_faces:
            raise _TooFineError
    number = np.concatenate(numbers) if numbers else np.zeros(0, dtype=np.int32)
    for faces in source.faces():
        if len(faces) and (faces.min() < 0 or faces.max() >= len(number)):
            raise damaged(name, f"has a face that names a vertex beyond the {len(number)} that it holds")
        kept.append(_spanning(number[faces]))
        n_kept += len(kept[-1])
        if n_kept > most_faces:
            raise _TooFineError
    colour = source.colour_of(np.concatenate(grid.channels)) if grid.channels else None
    spanning = np.concatenate(kept) if kept else np.zeros((0, 3), dtype=np.int32)
    return ScanParts(grid.means(), _without_folds(spanning), source.file_format, colour, source.file_unit, source.notes)


def _spanning(faces: NDArray[Any]) -> NDArray[np.int32]:
    """Faces whose three corners lie in three cells."""
    a, b, c = faces.T
    return np.asarray(faces[(a != b) & (b != c) & (c != a)], dtype=np.int32)


def _without_folds(faces: NDArray[np.int32]) -> NDArray[np.int32]:
    """One face where several have the same corners, turned as most of them are; none where as many are turned one way as the other."""
    corners = np.sort(faces, axis=1)
    step = np.argmin(faces, axis=1)
    rows = np.arange(len(faces))
    sign = np.where(faces[rows, (step + 1) % 3] < faces[rows, (step + 2) % 3], 1, -1)
    order = np.lexsort(corners.T)
    is_new = np.ones(len(faces), dtype=bool)
    is_new[1:] = (corners[order[1:]] != corners[order[:-1]]).any(axis=1)
    group = np.cumsum(is_new) - 1
    net = np.bincount(group, sign[order]) if len(faces) else np.zeros(0)
    follows = np.flatnonzero(sign[order] == np.sign(net)[group])
    _, first = np.unique(group[follows], return_index=True)
    return faces[np.sort(order[follows[first]])]
