"""Make one solid of the overlapping closed pieces of a mesh, each face keeping where it came from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray, IntArray, Mesh

if TYPE_CHECKING:
    import manifold3d

_MOST_TEST_POINTS = 200


@dataclass(frozen=True, eq=False)
class Union:
    """A mesh whose overlapping pieces were united.

    n_before, n_after: connected pieces before and after. n_left_alone: pieces that are open or that the kernel refused; they are
    in the mesh as they were. n_turned: inside-out pieces, within no other, that were turned outward first. n_glued: pieces that turned
    out to be several bodies sharing edges, such as one body stored twice. n_cavities: inside-out pieces within another, kept as its
    cavities. n_bodies: pieces of the result with a positive volume; the rest are cavities and pockets trapped between bodies.
    """

    mesh: Mesh
    n_before: int
    n_after: int
    n_bodies: int
    n_cavities: int = 0
    n_turned: int = 0
    n_glued: int = 0
    n_left_alone: int = 0


@dataclass(frozen=True, eq=False)
class Piece:
    """Faces of one connected piece: their rows in the whole mesh, and the piece on its own."""

    rows: IntArray
    vertices: FloatArray
    faces: IntArray
    vertex_rows: IntArray
    volume_mm3: float

    @cached_property
    def _edges(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Every directed edge as one number, and its opposite, both sorted."""
        start, end = self.faces.ravel().astype(np.int64), np.roll(self.faces, -1, axis=1).ravel().astype(np.int64)
        stride = len(self.vertices)
        return np.sort(start * stride + end), np.sort(end * stride + start)

    @cached_property
    def is_paired(self) -> bool:
        """True where every directed edge has as many partners of the opposite direction: the piece can bound a solid."""
        return bool(np.array_equal(*self._edges))

    @cached_property
    def shares_edges(self) -> bool:
        """True where a directed edge occurs twice: more than two faces meet there."""
        forward = self._edges[0]
        return bool((forward[1:] == forward[:-1]).any())


def unite_pieces(mesh: Mesh) -> Union:
    """Unite the closed pieces of a mesh by an exact boolean in 64 bits (manifold3d); coordinates in mm.

    Every resulting face has the source number of the original face it lies in, colour is carried by the vertices and interpolated
    along new edges. The kernel accepts inside-out bodies without complaint, so the sign of each piece's volume is tested first. A
    mesh that is one sound piece comes back untouched.
    """
    pieces = list(split_pieces(mesh))
    closed = [piece for piece in pieces if piece.is_paired]
    hollow = [piece for piece in closed if piece.volume_mm3 < 0.0]
    bodies = [piece for piece in closed if piece.volume_mm3 >= 0.0]
    glued = [piece for piece in closed if piece.shares_edges]
    if len(pieces) == 1 and not hollow and not glued:
        return Union(mesh, 1, 1, n_bodies=1, n_left_alone=int(not closed))
    owners = _find_owners(hollow, bodies)
    turned = [_turned(piece) for piece, owner in zip(hollow, owners, strict=True) if owner is None]
    cavities = [(piece, owner) for piece, owner in zip(hollow, owners, strict=True) if owner is not None]
    united, refused = _unite(mesh, [*bodies, *turned], cavities)
    left_alone = [piece for piece in pieces if not piece.is_paired] + refused
    result = concatenate([united, *(piece_mesh(mesh, piece) for piece in left_alone)])
    after = list(split_pieces(result))
    n_bodies = sum(piece.volume_mm3 > 0.0 for piece in after)
    return Union(result, len(pieces), len(after), n_bodies, len(cavities), len(turned), len(glued), len(left_alone))


def split_pieces(mesh: Mesh) -> Iterator[Piece]:
    """The connected pieces of a mesh, in the order of their first faces."""
    from meshtools.geometry.pieces import piece_labels

    labels = piece_labels(mesh)
    if not len(labels):
        return
    order = np.argsort(labels, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(labels[order])) + 1)
    for rows in sorted(groups, key=lambda group: int(group[0])):
        vertex_rows, corners = np.unique(mesh.faces[rows], return_inverse=True)
        vertices, faces = mesh.vertices[vertex_rows], corners.reshape(-1, 3).astype(np.int32)
        yield Piece(rows.astype(np.int32), vertices, faces, vertex_rows.astype(np.int32), signed_volume_mm3(vertices, faces))


def signed_volume_mm3(vertices: FloatArray, faces: IntArray) -> float:
    """Volume inside a closed surface, negative where it is inside out (divergence theorem, about the box's centre)."""
    centre = (vertices.min(axis=0) + vertices.max(axis=0)) / 2.0
    a, b, c = (vertices[faces[:, corner]] - centre for corner in range(3))
    return float(np.sum(np.cross(a, b) * c) / 6.0)


def _turned(piece: Piece) -> Piece:
    return Piece(piece.rows, piece.vertices, np.ascontiguousarray(piece.faces[:, [0, 2, 1]]), piece.vertex_rows, -piece.volume_mm3)


def _find_owners(hollow: Sequence[Piece], bodies: Sequence[Piece]) -> list[int | None]:
    """For every inside-out piece the smallest body that all of its test points lie in, or None."""
    owners: list[int | None] = [None] * len(hollow)
    if not hollow:
        return owners
    import igl

    points = [_test_points(piece) for piece in hollow]
    by_size = sorted(range(len(bodies)), key=lambda number: (bodies[number].volume_mm3, number))
    for number in by_size:
        body = bodies[number]
        low, high = body.vertices.min(axis=0), body.vertices.max(axis=0)
        waiting = [k for k, owner in enumerate(owners) if owner is None and ((points[k] >= low) & (points[k] <= high)).all()]
        if not waiting:
            continue
        queries = np.concatenate([points[k] for k in waiting])
        winding = igl.fast_winding_number(body.vertices, body.faces.astype(np.int64), queries)
        for k, values in zip(waiting, np.split(winding, np.cumsum([len(points[k]) for k in waiting])[:-1]), strict=True):
            if (values > 0.5).all():
                owners[k] = number
    return owners


def _test_points(piece: Piece) -> FloatArray:
    n_points = min(len(piece.vertices), _MOST_TEST_POINTS)
    points: FloatArray = piece.vertices[np.linspace(0, len(piece.vertices) - 1, n_points).astype(np.int64)]
    return points


def _unite(mesh: Mesh, bodies: Sequence[Piece], cavities: Sequence[tuple[Piece, int]]) -> tuple[Mesh, list[Piece]]:
    """The union of the bodies, each without its cavities, and the pieces that the kernel refused."""
    import manifold3d

    solids: list[manifold3d.Manifold] = []
    refused: list[Piece] = []
    for number, body in enumerate(bodies):
        own = [_turned(piece) for piece, owner in cavities if owner == number]
        parts = [_solid(mesh, piece) for piece in (body, *own)]
        if any(part is None for part in parts):
            refused += [body, *(piece for piece, owner in cavities if owner == number)]
        else:
            solids.append(manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Subtract) if own else parts[0])
    total = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    return mesh_of_solid(total, mesh), refused


def kernel_solid(mesh: Mesh, rows: NDArray[np.int64]) -> manifold3d.Manifold | None:
    """These faces of a mesh in the kernel, with their rows as face ids; None where the kernel refuses them."""
    vertex_rows, corners = np.unique(mesh.faces[rows], return_inverse=True)
    return _accepted(mesh, vertex_rows, corners.reshape(-1, 3), rows)


def _accepted(mesh: Mesh, vertex_rows: NDArray[Any], faces: NDArray[Any], rows: NDArray[Any]) -> manifold3d.Manifold | None:
    import manifold3d

    vertices = mesh.vertices[vertex_rows]
    properties = vertices if mesh.colour is None else np.column_stack([vertices, mesh.colour[vertex_rows]])
    body = manifold3d.Mesh64(np.ascontiguousarray(properties, dtype=np.float64), faces.astype(np.uint64), face_id=rows.astype(np.uint64))
    solid = manifold3d.Manifold(body)
    return None if solid.status() != manifold3d.Error.NoError or solid.is_empty() else solid


def _solid(mesh: Mesh, piece: Piece) -> manifold3d.Manifold | None:
    """The piece in the kernel, wound as it stands here; None where the kernel refuses it."""
    import manifold3d

    solid = _accepted(mesh, piece.vertex_rows, piece.faces, piece.rows)
    if solid is None:
        return None
    bodies = solid.decompose() if piece.shares_edges else [solid]
    if len(bodies) == 1 or any(body.volume() <= 0.0 for body in bodies):
        return solid
    return manifold3d.Manifold.batch_boolean(bodies, manifold3d.OpType.Add)


def merged_vertices(body: Any, n_vertices: int) -> NDArray[np.int64]:
    """(n,) the vertex that each one of a solid read back from the kernel (manifold3d) is the same as; the kernel parts them by their properties."""
    target = np.arange(n_vertices)
    target[np.asarray(body.merge_from_vert, dtype=np.int64)] = np.asarray(body.merge_to_vert, dtype=np.int64)
    while not np.array_equal(target, target[target]):
        target = target[target]
    return target


def mesh_of_solid(solid: manifold3d.Manifold, mesh: Mesh) -> Mesh:
    """Bring the kernel's result back: vertices that it doubled for the sake of colour are merged again."""
    body = solid.to_mesh64()
    properties = np.asarray(body.vert_properties, dtype=np.float64)
    faces = np.asarray(body.tri_verts, dtype=np.int64).reshape(-1, 3)
    if not len(faces):
        return Mesh.create(np.empty((0, 3)), np.empty((0, 3)), None, None if mesh.colour is None else np.empty((0, 3)))
    target = merged_vertices(body, len(properties))
    kept, corners = np.unique(target[faces], return_inverse=True)
    colour = None if mesh.colour is None else np.clip(np.rint(properties[kept, 3:6]), 0, 255)
    source = mesh.source[np.asarray(body.face_id, dtype=np.int64)]
    return Mesh.create(properties[kept, :3], corners.reshape(-1, 3), source, colour)


def piece_mesh(mesh: Mesh, piece: Piece) -> Mesh:
    """One piece as a mesh of its own, with the colour and source numbers that it has in the whole."""
    colour = None if mesh.colour is None else mesh.colour[piece.vertex_rows]
    return Mesh.create(piece.vertices, piece.faces, mesh.source[piece.rows], colour)


def concatenate(meshes: Sequence[Mesh]) -> Mesh:
    """One mesh of several, vertices and faces in the given order. Colour is kept where every mesh has it."""
    has_colour = all(part.colour is not None for part in meshes)
    starts = np.cumsum([0, *(len(part.vertices) for part in meshes)])[:-1]
    colours = [part.colour for part in meshes if part.colour is not None]
    return Mesh.create(
        np.concatenate([part.vertices for part in meshes]),
        np.concatenate([part.faces + start for part, start in zip(meshes, starts, strict=True)]),
        np.concatenate([part.source for part in meshes]),
        np.concatenate(colours) if has_colour else None,
    )
