"""Surfaces that exact cuts leave, rid of what only rounding made: slivers whose faces cross by a millionth of a millimetre.

Where bodies nearly share a face, a cut leaves needles and edges of a few nanometres, and their rounded corners let faces cross that only meet.
Three remedies, mildest first, each kept only where an exact count finds fewer crossings: the kernel merges faces that lie in one plane; flat
needles get their other diagonal; single edges are flipped or drawn together where the surface stays within MOST_MM. Our own method.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges, is_degenerate
from meshtools.geometry.body import sound_mesh
from meshtools.geometry.pieces import take_faces
from meshtools.geometry.self_intersection import find_meeting_pairs
from meshtools.geometry.unite import merged_vertices
from meshtools.model import FloatArray, IntArray, Mesh

IN_PLANE_MM = 1e-9  # faces of one source that lie in a plane within this are cut up anew
MOST_MM = 3e-3  # no remedy moves the surface by more
_REACHES_MM = (1e-6, 1e-5, 1e-4, 1e-3, MOST_MM)
_ROUNDS = 6  # through all wrong faces, at each reach
_MOST_WRONG = 400  # beyond, the surface is not merely rounded

Changed = tuple[IntArray, NDArray[np.bool_]]
"""Faces (m, 3) after a change, and which of them are kept (m,)."""


def tidied(mesh: Mesh) -> Mesh:
    """A closed mesh of the solid kernel with as few crossing and flat faces as the remedies allow."""
    best, fewest = mesh, _n_wrong(mesh.vertices, mesh.faces)
    remedies: tuple[Callable[[Mesh], Mesh], ...] = (with_whole_planes, mended, sound_mesh, mended)
    for remedy in remedies:
        if not fewest and remedy is not with_whole_planes:
            break
        tried = remedy(best)
        n_wrong = _n_wrong(tried.vertices, tried.faces)
        if n_wrong <= fewest and has_matched_edges(tried):
            best, fewest = tried, n_wrong
    return best


def has_matched_edges(mesh: Mesh) -> bool:
    """True where every edge has two faces that agree which side is out."""
    n_open, n_crowded, n_inconsistent = count_edges(mesh.faces, len(mesh.vertices))
    return not (n_open or n_crowded or n_inconsistent)


def _n_wrong(vertices: FloatArray, faces: IntArray) -> int:
    """Pairs of faces that cross, and faces without breadth."""
    used, corners = np.unique(faces, return_inverse=True)
    mesh = Mesh.create(vertices[used], corners.reshape(-1, 3))
    return len(find_meeting_pairs(mesh)) + int(is_degenerate(mesh.vertices, mesh.faces).sum())


def with_whole_planes(mesh: Mesh) -> Mesh:
    """The same surface, faces of one source in one plane merged and cut up anew by the kernel; the mesh itself where it refuses."""
    import manifold3d

    order = np.argsort(mesh.source, kind="stable")
    source, starts = np.unique(mesh.source[order], return_index=True)
    first = manifold3d.Manifold.reserve_ids(len(source))
    body = manifold3d.Mesh64(
        mesh.vertices.copy(),
        mesh.faces[order].astype(np.uint64),
        run_index=np.append(3 * starts, 3 * len(order)).astype(np.uint64),
        run_original_id=(first + np.arange(len(source))).astype(np.uint32),
    )
    solid = manifold3d.Manifold(body).simplify(IN_PLANE_MM)
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        return mesh
    back = solid.to_mesh64()
    points = np.asarray(back.vert_properties, dtype=np.float64)[:, :3]
    faces = merged_vertices(back, len(points))[np.asarray(back.tri_verts, dtype=np.int64).reshape(-1, 3)]
    bounds = np.asarray(back.run_index, dtype=np.int64) // 3
    of = source[np.repeat(np.asarray(back.run_original_id, dtype=np.int64) - first, np.diff(bounds))]
    kept, corners = np.unique(faces, return_inverse=True)
    return Mesh.create(points[kept], corners.reshape(-1, 3), of)


def mended(mesh: Mesh) -> Mesh:
    """The mesh, edges of its crossing and flat faces flipped or drawn together one by one, where that leaves fewer of them around the edge, or
    as many and fewer faces.

    A flip is tried where both diagonals of the two faces pass each other within the reach, drawing together where the edge is shorter.
    """
    for reach_mm in _REACHES_MM:
        for _ in range(_ROUNDS):
            wrong = np.union1d(np.flatnonzero(is_degenerate(mesh.vertices, mesh.faces)), find_meeting_pairs(mesh))
            if not len(wrong) or len(wrong) > _MOST_WRONG:
                return mesh
            faces, is_kept, n_done = mesh.faces, np.ones(len(mesh.faces), bool), 0
            for row in wrong.astype(np.int64):
                change = _best_change(mesh.vertices, faces, is_kept, int(row), reach_mm) if is_kept[row] else None
                if change is not None:
                    faces, is_kept, n_done = *change, n_done + 1
            if not n_done:
                break
            mesh = Mesh.create(mesh.vertices, faces[is_kept], mesh.source[is_kept])
    return take_faces(mesh, np.ones(len(mesh.faces), bool))


def _best_change(vertices: FloatArray, faces: IntArray, is_kept: NDArray[np.bool_], row: int, reach_mm: float) -> Changed | None:
    """Faces (m, 3) and which of them are kept (m,) after that change of one edge of a face that leaves the fewest wrong around it; None where
    none leaves fewer, nor as many of fewer faces."""
    near = _near(vertices, faces, row) & is_kept
    best: Changed | None = None
    fewest = _n_wrong(vertices, faces[near]), int(is_kept.sum())
    for changed, left in _changes(vertices, faces, is_kept, row, reach_mm):
        rank = _n_wrong(vertices, changed[near & left]), int(left.sum())
        if rank < fewest:
            best, fewest = (changed, left), rank
    return best


def _near(vertices: FloatArray, faces: IntArray, row: int) -> NDArray[np.bool_]:
    """(m,) True for faces whose boxes meet the box of a face and its neighbours."""
    own = vertices[faces[np.isin(faces, faces[row]).any(axis=1)]].reshape(-1, 3)
    corners = vertices[faces]
    is_near = (corners.min(axis=1) <= own.max(axis=0) + MOST_MM).all(axis=1) & (corners.max(axis=1) >= own.min(axis=0) - MOST_MM).all(axis=1)
    return np.asarray(is_near)


def _changes(
    vertices: FloatArray, faces: IntArray, is_kept: NDArray[np.bool_], row: int, reach_mm: float
) -> Iterator[Changed]:
    """Faces, and which of them are kept, after each change of an edge of a face that the reach allows."""
    for k in range(3):
        a, b, tip = (int(faces[row, (k + j) % 3]) for j in range(3))
        at_edge = np.flatnonzero((faces == a).any(axis=1) & (faces == b).any(axis=1) & is_kept)
        if len(at_edge) != 2:
            continue
        other = int(at_edge[at_edge != row][0])
        far = int(faces[other].sum()) - a - b
        rings = {end: np.unique(faces[(faces == end).any(axis=1) & is_kept]) for end in (a, b, tip)}
        if far not in rings[tip] and _passing_mm(*vertices[[a, b, tip, far]]) <= reach_mm:
            flipped = faces.copy()
            flipped[row], flipped[other] = (a, far, tip), (far, b, tip)
            yield flipped, is_kept
        if float(np.linalg.norm(vertices[a] - vertices[b])) <= reach_mm and len(np.intersect1d(rings[a], rings[b])) == 4:
            for end, gone in ((a, b), (b, a)):
                left = is_kept.copy()
                left[at_edge] = False
                yield np.where(faces == gone, np.int32(end), faces), left


def _passing_mm(a: Any, b: Any, c: Any, d: Any) -> float:
    """How far apart two segments ab and cd pass (3,) each; infinite where they do not pass crosswise."""
    across = np.cross(b - a, d - c)
    size = float(across @ across)
    if size < 1e-24 * float((b - a) @ (b - a)) * float((d - c) @ (d - c)) or size == 0.0:
        return float(min(np.linalg.norm(a - c), np.linalg.norm(a - d), np.linalg.norm(b - c), np.linalg.norm(b - d)))
    s, t = float(np.cross(c - a, d - c) @ across) / size, float(np.cross(c - a, b - a) @ across) / size
    if not (0.0 <= s <= 1.0 and 0.0 <= t <= 1.0):
        return float("inf")
    return float(np.linalg.norm(a + s * (b - a) - c - t * (d - c)))
