"""The value types of surfaces: a mesh in millimetres and a raw scan in the units of its file. Used through `meshtools.model`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import MeshShapeError
from meshtools.units import Unit

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]
SourceArray = NDArray[np.uint16]
ColourArray = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Mesh:
    """A triangle surface in millimetres, right-handed, never stored inside out.

    vertices (n, 3) float64; faces (m, 3) int32, counter-clockwise seen from outside; source (m,) uint16 indexes the source
    table that travels beside the mesh; colour (n, 3) uint8 or None. Arrays are read-only. Build one with `Mesh.create`.
    """

    vertices: FloatArray
    faces: IntArray
    source: SourceArray
    colour: ColourArray | None = None
    of_faces: dict[str, Any] = field(default_factory=dict, init=False, repr=False)
    """What was worked out from the faces alone, by its name; kept because steps one after the other ask for the same."""
    of_shape: dict[str, Any] = field(default_factory=dict, init=False, repr=False)
    """The like from vertices and faces."""

    def __post_init__(self) -> None:
        _check_mesh(self)
        for array in (self.vertices, self.faces, self.source, self.colour):
            if array is not None:
                array.flags.writeable = False

    @classmethod
    def create(cls, vertices: Any, faces: Any, source: Any = None, colour: Any = None) -> Mesh:
        """Build a mesh from array-likes; a missing or scalar `source` is spread over all faces. Copies what somebody else might change."""
        triangles = _owned(faces, np.int32, 3)
        if source is None or np.ndim(source) == 0:
            source = np.full(len(triangles), source or 0, dtype=np.uint16)
        return cls(
            _owned(vertices, np.float64, 3),
            triangles,
            _owned(source, np.uint16),
            None if colour is None else _owned(colour, np.uint8, 3),
        )

    def replaced(self, **changes: Any) -> Mesh:
        """The same mesh with some arrays exchanged, checked again."""
        parts = {"vertices": self.vertices, "faces": self.faces, "source": self.source, "colour": self.colour}
        made = Mesh.create(**(parts | changes))
        if made.faces is self.faces:
            made.of_faces.update(self.of_faces)
            if made.vertices is self.vertices:
                made.of_shape.update(self.of_shape)
        return made


def read_only(array: NDArray[Any]) -> NDArray[Any]:
    """An array that nobody else holds, closed to writing, so that a mesh takes it as it is and does not copy it."""
    array.flags.writeable = False
    return array


def _owned(values: Any, dtype: Any, width: int | None = None) -> Any:
    """The values as an array of this type, in rows of this width: itself where it is one that nobody can write to, else a copy."""
    if type(values) is np.ndarray and values.dtype == dtype and values.flags.c_contiguous and values.base is None and not values.flags.writeable:
        copied = values
    else:
        copied = np.array(values, dtype=dtype, order="C")
    return copied if width is None or (copied.ndim == 2 and copied.shape[1] == width) else copied.reshape(-1, width)


def _check_mesh(mesh: Mesh) -> None:
    n_vertices, n_faces = len(mesh.vertices), len(mesh.faces)
    if mesh.vertices.dtype != np.float64 or mesh.vertices.ndim != 2 or mesh.vertices.shape[1] != 3:
        raise MeshShapeError(f"vertices must be (n, 3) float64, not {mesh.vertices.shape} {mesh.vertices.dtype}")
    if mesh.faces.dtype != np.int32 or mesh.faces.ndim != 2 or mesh.faces.shape[1] != 3:
        raise MeshShapeError(f"faces must be (m, 3) int32, not {mesh.faces.shape} {mesh.faces.dtype}")
    if mesh.source.shape != (n_faces,) or mesh.source.dtype != np.uint16:
        raise MeshShapeError(f"source must be ({n_faces},) uint16, not {mesh.source.shape} {mesh.source.dtype}")
    if mesh.colour is not None and (mesh.colour.shape != (n_vertices, 3) or mesh.colour.dtype != np.uint8):
        raise MeshShapeError(f"colour must be ({n_vertices}, 3) uint8, not {mesh.colour.shape} {mesh.colour.dtype}")
    if n_vertices and not np.isfinite((mesh.vertices.min(), mesh.vertices.max())).all():  # either is NaN where any vertex is
        raise MeshShapeError("a vertex is not finite")
    if n_faces and (mesh.faces.min() < 0 or mesh.faces.max() >= n_vertices):
        raise MeshShapeError(f"a face names vertex {mesh.faces.min()} or {mesh.faces.max()} of {n_vertices}")


@dataclass(frozen=True)
class Reduction:
    """How a scan was reduced on reading: the edge of a grid cell in file units, and the faces of the file. No point moved by more than the
    diagonal of a cell."""

    cell: float
    n_faces_file: int


@dataclass(frozen=True, eq=False)
class RawScan:
    """What a scan file holds, untouched: vertices (n, 3) float64 in file units, faces (m, 3) int32, colour or None.

    `file_unit` is the unit the file itself states (3MF, GLB), None where the format carries none.
    """

    vertices: FloatArray
    faces: IntArray
    colour: ColourArray | None
    file_format: str
    file_unit: Unit | None
    notes: tuple[str, ...] = ()
    reduction: Reduction | None = None
