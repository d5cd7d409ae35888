"""Spikes of a scan: single vertices thrown far off a surface that is otherwise flat around them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.pieces import area_vectors
from meshtools.model import FloatArray, Mesh

STEEP_RATIO = 1.2
"""A spike stands at least this many times its foot's radius above its foot (faces of 50 degrees and more; our default)."""
FLAT_AROUND_RATIO = 0.8
"""The faces around the foot lie within about 37 degrees of it; on a tooth's tip or a thorn of bone they go on being steep (our default)."""
NEEDLES = ((2.0, 1.5), (3.5, 1.0))
"""A needle stands this many times its foot's radius, and this many edges of its foot, above its foot, whatever is around it. No vertex of
the 172 dog bones (dm_control 1.0.50) does; the nearest have 2.8 and 0.5, 2.5 and 1.3 (measured)."""
MOST_ROUNDS = 3
"""Spikes beside spikes are found once the first are laid flat."""
MOST_SHARE = 0.1
"""Where more of the vertices than this are spikes, they are the form, as on a star, and no errors of a scan."""
ROUGH_RATIO = 0.7
"""Only vertices whose area vectors add up to less than this share of their areas are looked at (a right-angled edge has 0.71)."""


def find_spikes(mesh: Mesh) -> NDArray[np.int32]:
    """Vertices that are spikes, ascending: steep above the ring of their neighbours while the surface around that ring is flat, or needles.

    Vertices on a rim, or where surfaces touch, are never spikes.
    """
    found = np.zeros(0, dtype=np.int32)
    for _ in range(MOST_ROUNDS):
        tips = np.setdiff1d(_steep_vertices(mesh), found)
        if not len(tips):
            break
        found = np.union1d(found, tips).astype(np.int32)
        if len(found) > MOST_SHARE * len(mesh.vertices):
            return found[:0]
        mesh = _laid_flat(mesh, tips, found)
    return found


def _laid_flat(mesh: Mesh, tips: NDArray[np.int32], found: NDArray[np.int32]) -> Mesh:
    """The mesh with each tip in the middle of its ring's corners that are no spikes. Around a tip each of them follows it once."""
    start, end = mesh.faces.ravel(), mesh.faces[:, [1, 2, 0]].ravel()
    is_side = np.isin(start, tips) & ~np.isin(end, found)
    start, end = start[is_side], end[is_side]
    count = np.bincount(start, minlength=len(mesh.vertices))
    flat = np.flatnonzero(count)
    sums = [np.bincount(start, mesh.vertices[end, k], len(mesh.vertices))[flat] for k in range(3)]
    vertices = mesh.vertices.copy()
    vertices[flat] = np.stack(sums, axis=1) / count[flat, None]
    return mesh.replaced(vertices=vertices)


def _steep_vertices(mesh: Mesh) -> NDArray[np.int32]:
    vectors = area_vectors(mesh.vertices, mesh.faces)
    n_vertices = len(mesh.vertices)
    corners, areas = mesh.faces.ravel(), np.repeat(np.linalg.norm(vectors, axis=1), 3)
    summed = np.stack([np.bincount(corners, np.repeat(vectors[:, k], 3), n_vertices) for k in range(3)], axis=1)
    whole = np.bincount(corners, areas, n_vertices)
    candidates = np.flatnonzero((np.linalg.norm(summed, axis=1) < ROUGH_RATIO * whole) & (whole > 0))
    faces_at = _faces_of(mesh, candidates)
    return np.array([vertex for vertex in candidates.tolist() if _is_spike(mesh, vectors, vertex, faces_at)], dtype=np.int32)


def _faces_of(mesh: Mesh, candidates: NDArray[np.int64]) -> dict[int, list[int]]:
    """Faces of every vertex that shares a face with a candidate."""
    is_near = np.zeros(len(mesh.vertices), dtype=bool)
    is_near[candidates] = True
    is_near[mesh.faces[is_near[mesh.faces].any(axis=1)].ravel()] = True
    table: dict[int, list[int]] = {}
    for face in np.flatnonzero(is_near[mesh.faces].any(axis=1)).tolist():
        for vertex in mesh.faces[face].tolist():
            table.setdefault(vertex, []).append(face)
    return table


def _is_spike(mesh: Mesh, vectors: FloatArray, tip: int, faces_at: dict[int, list[int]]) -> bool:
    following = {}
    for face in faces_at[tip]:
        corners = mesh.faces[face].tolist()
        k = corners.index(tip)
        following[corners[(k + 1) % 3]] = corners[(k + 2) % 3]
    ring = [next(iter(following))]
    while following.get(ring[-1], ring[0]) != ring[0] and len(ring) <= len(following):
        ring.append(following[ring[-1]])
    if len(ring) != len(following) or len(ring) != len(faces_at[tip]) or ring[-1] not in following:
        return False
    points = mesh.vertices[ring]
    centre = points.mean(axis=0)
    x, y, z = (points - centre).T
    u, v, w = (np.roll(axis, -1) for axis in (x, y, z))
    foot = np.array([float((y * w - z * v).sum()), float((z * u - x * w).sum()), float((x * v - y * u).sum())])
    size = float(np.linalg.norm(foot))
    if size == 0.0:
        return False
    normal = foot / size
    radius = float(np.sqrt(size / 2 / np.pi))
    height = abs(float((mesh.vertices[tip] - centre) @ normal))
    if height < STEEP_RATIO * radius:
        return False
    side = float(np.median(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)))
    if any(height >= of_radius * radius and height >= of_side * side for of_radius, of_side in NEEDLES):
        return True
    around = sorted({face for vertex in ring for face in faces_at[vertex]} - set(faces_at[tip]))
    area = float(np.linalg.norm(vectors[around], axis=1).sum())
    return area > 0 and float((vectors[around] @ normal).sum()) >= FLAT_AROUND_RATIO * area
