"""A closed surface in the solid kernel (manifold3d, 64 bits) that remembers which of its faces are a replica's own.

The kernel numbers every body that enters it and keeps that number with each face through all cuts. Faces with the replica's number have
the source of the replica's face they lie in; all others were made by a tool: cut planes, keys, letters, inner walls.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.fitting import tangents
from meshtools.geometry.unite import merged_vertices
from meshtools.geometry.weld import flip_flat_faces
from meshtools.model import FloatArray, Mesh

ROUND_SIDES = 64


@dataclass(frozen=True, eq=False)
class Body:
    """A solid of the kernel, the replica whose faces it has, and the replica's number in the kernel."""

    solid: Any
    replica: Mesh
    number: int

    def with_solid(self, solid: Any) -> Body:
        """The same origin with another solid."""
        return replace(self, solid=solid)

    def moved(self, matrix: FloatArray) -> Body:
        """The body moved by a rigid matrix (4, 4)."""
        return self.with_solid(self.solid.transform(matrix[:3, :4].tolist()))

    def mesh(self, made_source: int) -> Mesh:
        """The body as a mesh: own faces with their source, all others with `made_source`. No colour."""
        return mesh_of(self.solid, self.replica.source, self.number, made_source)[0]

    def is_own(self, made_source: int) -> Any:
        """(m,) True for the faces of `mesh(made_source)` that lie in faces of the replica."""
        return mesh_of(self.solid, self.replica.source, self.number, made_source)[1]


def enter(mesh: Mesh) -> Body:
    """Bring a closed outward mesh into the kernel. GeometryError where the kernel refuses it."""
    import manifold3d

    number = manifold3d.Manifold.reserve_ids(1)
    body = manifold3d.Mesh64(
        mesh.vertices.copy(),
        mesh.faces.astype(np.uint64),
        face_id=np.arange(len(mesh.faces), dtype=np.uint64),
        run_index=np.array([0, 3 * len(mesh.faces)], dtype=np.uint64),
        run_original_id=np.array([number], dtype=np.uint32),
    )
    solid = manifold3d.Manifold(body)
    if solid.status() != manifold3d.Error.NoError or solid.is_empty() or solid.volume() <= 0.0:
        raise GeometryError("the replica does not bound a solid, so no parts can be made of it; rebuild it until it is closed")
    return Body(solid, mesh, number)


def mesh_of(solid: Any, own_source: Any, number: int, made_source: int) -> tuple[Mesh, Any]:
    """A kernel's solid as a mesh, and (m,) which of its faces have the number."""
    body = solid.to_mesh64()
    points = np.asarray(body.vert_properties, dtype=np.float64)[:, :3]
    faces = np.asarray(body.tri_verts, dtype=np.int64).reshape(-1, 3)
    target = merged_vertices(body, len(points))
    bounds = np.asarray(body.run_index, dtype=np.int64) // 3
    is_own = np.repeat(np.asarray(body.run_original_id, dtype=np.int64) == number, np.diff(bounds))
    source = np.full(len(faces), made_source, dtype=np.uint16)
    source[is_own] = own_source[np.asarray(body.face_id, dtype=np.int64)[is_own]]
    kept, corners = np.unique(target[faces], return_inverse=True)
    mesh = Mesh.create(points[kept], corners.reshape(-1, 3), source)
    return mesh, is_own


def surface_of(solid: Any) -> Mesh:
    """A kernel's solid as a mesh whose faces come from nowhere in particular."""
    return mesh_of(solid, np.zeros(1, np.uint16), -1, 0)[0]


def sound_mesh(mesh: Mesh) -> Mesh:
    """The mesh without the flat needles that exact cuts leave where planes nearly meet: their longest edge is flipped."""
    return flip_flat_faces(mesh)[0]


def solid_of(mesh: Mesh) -> Any:
    """A closed mesh as a solid of the kernel whose faces nobody looks up."""
    import manifold3d

    return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.faces.astype(np.uint64)))


def solid_from(vertices: FloatArray, faces: Any) -> Any:
    """A closed triangle surface as a solid of the kernel."""
    import manifold3d

    return manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces).astype(np.uint64)))


def rod(start: FloatArray, end: FloatArray, apothem_mm: float, n_sides: int = ROUND_SIDES) -> Any:
    """A round bar between two points (3,): a prism whose flats touch the cylinder of this radius."""
    import manifold3d

    way = np.asarray(end, dtype=np.float64) - start
    length = float(np.sqrt(np.sum(way**2)))
    bar = manifold3d.Manifold.cylinder(length, apothem_mm / float(np.cos(np.pi / n_sides)), -1.0, n_sides)
    return bar.transform(np.column_stack([frame_about(way / length).T, start]).tolist())


def frame_about(normal: FloatArray) -> FloatArray:
    """Rows (3, 3) of a right-handed frame whose third axis is the unit normal; the same normal gives the same frame."""
    return np.stack([*tangents(normal), normal])


def rigid(rotation: FloatArray, shift: FloatArray | tuple[float, ...] = (0.0, 0.0, 0.0)) -> FloatArray:
    """Matrix (4, 4) that turns by `rotation` (3, 3), then moves by `shift`."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = shift
    return matrix


def without_chips(solid: Any) -> Any:
    """The solid without small bodies that a cut left loose; one with trapped voids stays as it is."""
    pieces = solid.decompose()
    if len(pieces) < 2 or any(piece.volume() <= 0.0 for piece in pieces):
        return solid
    return max(pieces, key=lambda piece: float(piece.volume()))


def parts_of(solid: Any) -> tuple[list[Any], float]:
    """The bodies of a solid from the largest to the smallest, their trapped voids filled, and the volume of those voids in mm3."""
    import manifold3d

    pieces = solid.decompose()
    bodies = sorted((piece for piece in pieces if piece.volume() > 0.0), key=lambda piece: -piece.volume())
    voids = -sum(piece.volume() for piece in pieces if piece.volume() <= 0.0)
    assert all(piece.status() == manifold3d.Error.NoError for piece in pieces)
    return bodies, float(voids)
