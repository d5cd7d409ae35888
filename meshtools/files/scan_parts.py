"""What all scan readers share: the raw parts of a file, how they are checked, and how polygons and colours are brought to one form."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.model import ColourArray, FloatArray, RawScan, Unit
from meshtools.visible import visible

LARGEST_COORDINATE = 1e12  # beyond any length in any unit; noise read as floats lies beyond it
_LONGEST_LABEL = 120
_MOST_TRIANGLES = 50_000_000  # what a file that places its parts more than once may unfold to,
_PLAIN_TRIANGLES = 2_000_000  # any file may unfold to so many,
_MOST_COPIES = 4  # a larger one to so many times what it stores


@dataclass(frozen=True, eq=False)
class ScanParts:
    """What a reader found, unchecked: vertices (n, 3), faces (m, 3) of any number type, colour (n, 3) uint8 or None."""

    vertices: NDArray[Any]
    faces: NDArray[Any]
    file_format: str
    colour: ColourArray | None = None
    file_unit: Unit | None = None
    notes: tuple[str, ...] = ()


def damaged(name: str, what: str) -> ScanError:
    """The refusal of a file whose content contradicts itself; `what` continues the sentence after the file's name."""
    return ScanError(f"{name} {what}: the file is damaged or cut off, so copy or export it again.")


def shown(text: str) -> str:
    """Words of a file as they may stand in a sentence for the user: printable and short."""
    return "".join(sign for sign in text if sign.isprintable())[:60]


def most_placed(n_stored: int) -> int:
    """Triangles that a file which stores `n_stored` of them may unfold to by placing its parts again and again."""
    return min(_MOST_TRIANGLES, max(_PLAIN_TRIANGLES, _MOST_COPIES * n_stored))


def file_label(path: Path) -> str:
    """A file's name as it may stand in a sentence: signs that cannot be printed are written as codes, a very long name is cut in its middle."""
    return visible(path.name, _LONGEST_LABEL)


def ending_notes(content: bytes) -> tuple[str, ...]:
    """A note where a text file stops in the middle of a line: its last number may have lost digits."""
    return () if content.endswith((b"\n", b"\r", b" ")) else ("The last line has no line break: check that the file is not cut off.",)


def checked_scan(name: str, parts: ScanParts) -> RawScan:
    """Turn a reader's parts into a RawScan. Raises ScanError without vertices or faces, or with values that no mesh can have."""
    n_vertices = len(parts.vertices)
    if n_vertices == 0:
        raise ScanError(f"{name} holds no vertices: export the mesh again and check that something was selected.")
    if len(parts.faces) == 0:
        raise ScanError(f"{name} holds {n_vertices} points and no faces: export the mesh, not the point cloud.")
    vertices: FloatArray = np.ascontiguousarray(parts.vertices, dtype=np.float64)
    _check_coordinates(name, vertices)
    _check_faces(name, parts.faces, n_vertices)
    faces = np.ascontiguousarray(parts.faces, dtype=np.int32)
    return RawScan(vertices, faces, parts.colour, parts.file_format, parts.file_unit, parts.notes)


def _check_coordinates(name: str, vertices: FloatArray) -> None:
    low, high = float(vertices.min(initial=0.0)), float(vertices.max(initial=0.0))
    if not (np.isfinite(low) and np.isfinite(high)):  # either is NaN where any coordinate is
        row = int(np.flatnonzero(~np.isfinite(vertices).all(axis=1))[0])
        raise ScanError(f"{name} has a coordinate that is not a finite number (vertex {row}, counted from 0): repair the mesh and export it again.")
    largest = max(-low, high)
    if largest > LARGEST_COORDINATE:
        raise damaged(name, f"has a coordinate of {largest:.3g}, which no scan has")


def _check_faces(name: str, faces: NDArray[Any], n_vertices: int) -> None:
    if faces.dtype.kind == "f" and not (np.isfinite(faces).all() and (faces == np.rint(faces)).all()):
        raise damaged(name, "has a face whose vertex numbers are not whole numbers")
    low, high = int(faces.min()), int(faces.max())
    if low < 0 or high >= n_vertices:
        wrong = low if low < 0 else high
        raise damaged(name, f"has a face that names vertex {wrong}, counted from 0, but holds {n_vertices} vertices")


def fan_triangles(corners: NDArray[Any], sizes: NDArray[np.int64]) -> tuple[NDArray[Any], tuple[str, ...]]:
    """Split polygons into triangles that all start at the polygon's first corner.

    corners: vertex numbers of all polygons in a row; sizes: corners of each polygon. Returns triangles (m, 3) in the order of the
    polygons and notes on polygons that were split or have fewer than three corners, which are left out.
    """
    if len(sizes) == 0:
        return np.zeros((0, 3), dtype=np.int64), ()
    if sizes.min() == sizes.max() == 3:
        return corners.reshape(-1, 3), ()
    n_triangles = np.maximum(sizes - 2, 0)
    step = ramps(n_triangles)
    first = np.repeat(np.cumsum(sizes) - sizes, n_triangles)
    triangles = np.stack([corners[first], corners[first + step + 1], corners[first + step + 2]], axis=1)
    n_split, n_short = int((sizes > 3).sum()), int((sizes < 3).sum())
    notes = [f"{n_split} faces with more than three corners were split into triangles."] if n_split else []
    if n_short:
        notes.append(f"{n_short} faces with fewer than three corners were left out.")
    return triangles, tuple(notes)


def ramps(sizes: NDArray[np.int64]) -> NDArray[np.int64]:
    """Count 0, 1, .. size - 1 for every size, in a row: sizes [2, 3] give [0, 1, 0, 1, 2]."""
    return np.arange(int(sizes.sum()), dtype=np.int64) - np.repeat(np.cumsum(sizes) - sizes, sizes)


def placed(vertices: NDArray[Any], faces: NDArray[Any], matrix: FloatArray) -> tuple[FloatArray, NDArray[Any]]:
    """Move a surface by a 4x4 matrix that acts on column vectors; a matrix that reflects also turns the faces, so outside stays outside.

    The identity hands back the coordinates bit by bit. Sums are written out, so they do not depend on the number of threads.
    """
    points: FloatArray = vertices.astype(np.float64)
    if np.array_equal(matrix, np.eye(4)):
        return points, faces
    x, y, z = points.T
    moved = np.stack([row[0] * x + row[1] * y + row[2] * z + row[3] for row in matrix[:3]], axis=1)
    is_reflected = np.linalg.det(matrix[:3, :3]) < 0
    return moved, faces[:, ::-1] if is_reflected else faces


def product(a: FloatArray, b: FloatArray) -> FloatArray:
    """Matrix product of two 4x4 matrices, summed in a fixed order."""
    return np.array([[sum(float(a[i, k] * b[k, j]) for k in range(4)) for j in range(4)] for i in range(4)])


def as_colour(values: NDArray[Any], kind: np.dtype[Any] | None = None) -> ColourArray:
    """Bring red, green, blue (n, 3) to 0..255: bytes stay, 16-bit words are divided by 257, floats up to 1 are multiplied by 255.

    `kind` is the type that the file states, where `values` come from text. Floats with a value above 1 are taken for 0..255.
    """
    kind = values.dtype if kind is None else kind
    if kind.kind == "u" and kind.itemsize == 1 and values.dtype == np.uint8:
        return np.ascontiguousarray(values)
    numbers = np.nan_to_num(values.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    if kind.kind == "u" and kind.itemsize == 2:
        numbers = numbers / 257.0
    elif kind.kind == "f" and len(numbers) and numbers.max() <= 1.0:
        numbers = numbers * 255.0
    return np.clip(np.rint(numbers), 0, 255).astype(np.uint8)
