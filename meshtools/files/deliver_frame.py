"""What every delivered file shares: the part's label, the colour of each evidence class, and the frame it is written in.

STL, 3MF and GLB hold 32-bit floats, which lose a tenth of a millimetre some kilometres from the origin and crack long before that.
So a part is moved to the middle of its box first, by an offset rounded to 0.001 mm, and the matrix that says so is kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import EvidenceClass, FloatArray, IntArray, Mesh, SourceEntry

_GRID_BITS = 22
_FAR_STEPS = 4  # how far a vertex is moved at most to a free point of the grid
_FINEST_STEP_MM = 2.0**-16

EVIDENCE_COLOURS: Mapping[EvidenceClass, tuple[int, int, int]] = {
    EvidenceClass.OWN: (0x00, 0x72, 0xB2),
    EvidenceClass.OWN_R: (0x56, 0xB4, 0xE9),
    EvidenceClass.OWN_C: (0x00, 0x9E, 0x73),
    EvidenceClass.DON: (0xE6, 0x9F, 0x00),
    EvidenceClass.DON_R: (0xF0, 0xE4, 0x42),
    EvidenceClass.INT: (0xCC, 0x79, 0xA7),
    EvidenceClass.EXT: (0x00, 0x00, 0x00),
    EvidenceClass.SCU: (0xD5, 0x5E, 0x00),
    EvidenceClass.FILL: (0x99, 0x99, 0x99),
    EvidenceClass.MADE: (0xDD, 0xDD, 0xDD),
    EvidenceClass.NONE: (0xFF, 0xFF, 0xFF),
}
"""sRGB colour of a face by its class (Okabe & Ito 2002; the greys of FILL and MADE are our own)."""


@dataclass(frozen=True)
class PartLabel:
    """What a delivered file says about its part. `part_id` names the replica, never the specimen it was made from."""

    part_id: str
    revision: str
    target: str
    element: str
    evidence: EvidenceClass | str


@dataclass(frozen=True, eq=False)
class Delivery:
    """The bytes of one delivered file and the 4 x 4 matrix that brings points of the scan, in mm, to the file's frame and unit."""

    content: bytes
    delivered_from_scan: FloatArray

    @property
    def is_reflected(self) -> bool:
        """True where the matrix has a negative determinant: the file shows the other side of the body than the scan."""
        return bool(np.linalg.det(self.delivered_from_scan[:3, :3]) < 0.0)


@dataclass(frozen=True, eq=False)
class Recentred:
    """A part in 32-bit floats about the middle of its box: vertices (n, 3) in mm, faces (m, 3), the kept rows of the mesh's vertices
    and faces, and the offset in mm that was taken away."""

    vertices: NDArray[np.float32]
    faces: IntArray
    vertex_rows: NDArray[np.int64]
    face_rows: NDArray[np.int64]
    offset_mm: FloatArray

    @property
    def matrix(self) -> FloatArray:
        """The recentring as a 4 x 4 matrix."""
        matrix = np.eye(4)
        matrix[:3, 3] = -self.offset_mm
        return matrix


def recentre(mesh: Mesh) -> Recentred:
    """Move a part to the middle of its box and round it to a grid that 32-bit floats hold exactly.

    The grid's step is a power of two: four steps of a 32-bit float at the part's far end (0.00003 mm for 100 mm), so that points stay
    apart in metres and in decimal digits too. Vertices that become equal are merged, and faces that thereby lose their area go, always
    in pairs of opposite edges, so a closed surface stays closed for a reader that knows vertices by their coordinates only. Where merging
    would bring two edges of a body into one place (slivers that a boolean leaves), vertices that fall together are set on free points
    of the grid beside them instead, and all faces stay.
    """
    offset_mm = np.round((mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2.0, 3) + 0.0
    moved = mesh.vertices - offset_mm
    _, exponent = np.frexp(np.abs(moved).max())
    step_mm = max(float(np.ldexp(1.0, int(exponent) - _GRID_BITS)), _FINEST_STEP_MM)
    part = _merged(mesh, moved, step_mm, offset_mm)
    return _merged(mesh, _set_apart(moved, step_mm), step_mm, offset_mm) if _has_pinched_edge(part.faces) else part


def _merged(mesh: Mesh, moved: FloatArray, step_mm: float, offset_mm: FloatArray) -> Recentred:
    rounded = (np.rint(moved / step_mm) * step_mm + 0.0).astype(np.float32)  # + 0.0: no negative zeros
    merged = _first_of_equal(rounded)[mesh.faces]
    has_area = (merged[:, 0] != merged[:, 1]) & (merged[:, 1] != merged[:, 2]) & (merged[:, 2] != merged[:, 0])
    face_rows = np.flatnonzero(has_area)
    face_rows = face_rows[~_is_folded(merged[face_rows])]
    is_used = np.zeros(len(rounded), dtype=bool)
    is_used[merged[face_rows].ravel()] = True
    number, vertex_rows = np.cumsum(is_used, dtype=np.int32) - 1, np.flatnonzero(is_used)
    return Recentred(rounded[vertex_rows], number[merged[face_rows]].astype(np.int32), vertex_rows, face_rows, offset_mm)


def _has_pinched_edge(faces: IntArray) -> bool:
    """True where two faces run along one edge in the same direction: more than two meet there."""
    stride = int(faces.max(initial=0)) + 1
    directed = np.sort((faces.astype(np.int64) * stride + np.roll(faces, -1, axis=1)).ravel())
    return bool((directed[1:] == directed[:-1]).any())


def _set_apart(points: FloatArray, step_mm: float) -> FloatArray:
    """The points (n, 3) with those that round to the place of an earlier one moved to the nearest free point of the grid, a few steps at most."""
    cells = np.rint(points / step_mm).astype(np.int64)
    first = _first_of_equal(cells)
    later = np.flatnonzero(first != np.arange(len(points)))
    taken = set(map(tuple, cells.tolist()))
    around = np.stack(np.meshgrid(*[np.arange(-_FAR_STEPS, _FAR_STEPS + 1)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    apart = points.copy()
    for row in later.tolist():
        choices = cells[row] + around
        nearest = np.argsort(np.sum((choices * step_mm - points[row]) ** 2, axis=1), kind="stable")
        free = next((tuple(choices[k].tolist()) for k in nearest.tolist() if tuple(choices[k].tolist()) not in taken), None)
        if free is not None:
            taken.add(free)
            apart[row] = np.array(free) * step_mm
    return apart


def _first_of_equal(points: NDArray[Any]) -> NDArray[np.int64]:
    """For every point the row of the first point with the same coordinates, none of them a negative zero."""
    from meshtools.geometry.row_kernels import equal_rows

    firsts, group = equal_rows(np.ascontiguousarray(points).view(np.int32 if points.dtype == np.float32 else np.int64))
    return np.asarray(firsts[group])


def _is_folded(faces: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Faces (m,) that lie back to back with another face on the same three vertices and so enclose nothing."""
    from meshtools.geometry.row_kernels import equal_rows

    corners = np.sort(faces, axis=1).astype(np.int64)
    shifted = np.take_along_axis(faces, (np.argmin(faces, axis=1)[:, None] + np.arange(3)) % 3, axis=1)
    turn = np.where(shifted[:, 1] < shifted[:, 2], 1, -1)
    _, group = equal_rows(corners)
    size, balance = np.bincount(group), np.bincount(group, weights=turn)
    folded: NDArray[np.bool_] = ((size > 1) & (balance == 0.0))[group] if len(faces) else np.zeros(0, dtype=bool)
    return folded


def finds_of(source: NDArray[np.uint16], sources: Sequence[SourceEntry]) -> tuple[str, ...]:
    """The finds that any face comes from, in the order of the source table."""
    used = set(np.unique(source).tolist())
    return tuple(dict.fromkeys(entry.find for row, entry in enumerate(sources) if row in used and entry.find))


def classes_of(source: NDArray[np.uint16], sources: Sequence[SourceEntry]) -> tuple[EvidenceClass, ...]:
    """The evidence classes that any face has, in the order of the classes."""
    used = {sources[row].evidence for row in np.unique(source).tolist()}
    return tuple(evidence for evidence in EvidenceClass if evidence in used)


def scan_matrix(replica_from_scan: Sequence[Sequence[float]] | FloatArray | None) -> FloatArray:
    """The matrix that brought the scan to the replica, the identity where none is given."""
    return np.eye(4) if replica_from_scan is None else np.asarray(replica_from_scan, dtype=np.float64).reshape(4, 4)
