"""Nearest skin that faces the same way: distances that do not jump to the other wall of a thin bone or to a fracture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import ON_EDGE, Surface
from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.orient import open_half_edges
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.transform import move_points
from meshtools.model import FloatArray, IntArray, Mesh

GROUP_COSINE = float(np.cos(np.radians(56.0)))
AGREEING_COSINE = float(np.cos(np.radians(52.0)))
"""Faces within the first angle of a group's direction belong to the group; a point belongs to the group whose direction is nearest (22 degrees
at most), so skin within 34 degrees is always found. Skin turned by more than the second angle never counts."""


@dataclass(frozen=True, eq=False)
class FacingNearest:
    """Per query: distance_mm (n,), infinite where no skin faces that way; face (n,) of the whole mesh, -1 there; point (n, 3);
    is_on_rim (n,) where the nearest point lies on an open edge of the skin."""

    distance_mm: FloatArray
    face: IntArray
    point: FloatArray
    is_on_rim: NDArray[np.bool_]


class FacingSurface:
    """Part of a mesh ready for queries by place and direction. is_skin (m,) marks the faces that take part."""

    def __init__(self, mesh: Mesh, is_skin: NDArray[np.bool_]) -> None:
        self.mesh = mesh
        self.normals = unit_normals(mesh)
        self.rows = np.flatnonzero(is_skin)
        self._is_open = open_corners(mesh.faces[self.rows], len(mesh.vertices))
        self._is_rim_vertex = np.zeros(len(mesh.vertices), dtype=bool)
        self._is_rim_vertex[open_half_edges(mesh.faces[self.rows], len(mesh.vertices))[0]] = True
        self._groups: dict[int, tuple[Surface, NDArray[np.int64]] | None] = {}

    def nearest(self, points: FloatArray, normals: FloatArray) -> FacingNearest:
        """The nearest skin that agrees with the direction of each point: points (n, 3) mm, normals (n, 3) unit."""
        n = len(points)
        distance, closest, weights = np.full(n, np.inf), np.array(points, dtype=np.float64), np.ones((n, 3))
        rows = np.full(n, -1, dtype=np.int64)
        group_of = np.argmax(normals @ DIRECTIONS.T, axis=1) if n else np.zeros(0, dtype=np.int64)
        by_group = np.argsort(group_of, kind="stable")
        bounds = np.searchsorted(group_of[by_group], np.arange(len(DIRECTIONS) + 1))
        for number in np.flatnonzero(np.diff(bounds)):
            group = self._group(int(number))
            if group is None:
                continue
            members = by_group[bounds[number] : bounds[number + 1]]
            surface, places = group
            found = surface.nearest(points[members])
            rows[members], distance[members] = places[found.face], found.distance_mm
            closest[members], weights[members] = found.point, found.weights
        return self._judged(normals, rows, distance, closest, weights)

    def _judged(self, normals: FloatArray, rows: NDArray[np.int64], distance: FloatArray, closest: FloatArray, weights: FloatArray) -> FacingNearest:
        """What was found (rows (n,) of the skin, -1 for none) less what does not face the same way, and whether it lies on a rim."""
        is_found, face = rows >= 0, np.full(len(rows), -1, dtype=np.int32)
        at, row = np.flatnonzero(is_found), rows[is_found]
        agrees = np.einsum("ij,ij->i", normals[at], self.normals[self.rows[row]]) >= AGREEING_COSINE
        face[at[agrees]], distance[at[~agrees]] = self.rows[row[agrees]], np.inf
        is_beside = weights[at] <= ON_EDGE
        corner = self.mesh.faces[self.rows[row], weights[at].argmax(axis=1)]
        is_at_rim_corner = (np.count_nonzero(is_beside, axis=1) == 2) & self._is_rim_vertex[corner]
        is_on_rim = np.zeros(len(rows), dtype=bool)
        is_on_rim[at] = (is_beside & self._is_open[row]).any(axis=1) | is_at_rim_corner
        return FacingNearest(distance, face, closest, is_on_rim)

    def _group(self, number: int) -> tuple[Surface, NDArray[np.int64]] | None:
        if number not in self._groups:
            is_in = self.normals[self.rows] @ DIRECTIONS[number] >= GROUP_COSINE
            places = np.flatnonzero(is_in)
            part = Mesh.create(self.mesh.vertices, self.mesh.faces[self.rows[places]]) if len(places) else None
            self._groups[number] = None if part is None else (Surface(part), places)
        return self._groups[number]


class PosedFacing(FacingSurface):
    """The same skin under a rigid motion or a reflection: queries are moved into its own frame, so that its trees serve every pose."""

    def __init__(self, own: FacingSurface, pose: FloatArray) -> None:
        self.mesh, self.rows, self._own, self._pose = own.mesh, own.rows, own, pose
        self.normals = own.normals @ pose[:3, :3].T
        self._back = np.asarray(np.linalg.inv(pose), dtype=np.float64)

    def nearest(self, points: FloatArray, normals: FloatArray) -> FacingNearest:
        """As for the skin itself, in the frame in which it is posed."""
        found = self._own.nearest(move_points(points, self._back), normals @ self._pose[:3, :3])
        return replace(found, point=move_points(found.point, self._pose))


def unit_normals(mesh: Mesh) -> FloatArray:
    """(m, 3) unit normals of the faces, zero for a face without area."""
    return unit_vectors(area_vectors(mesh.vertices, mesh.faces))


def open_corners(faces: IntArray, n_vertices: int) -> NDArray[np.bool_]:
    """(m, 3) True where a nearest point without weight at this corner lies on an open edge: the edge opposite the corner is open."""
    start, end, face = open_half_edges(faces, n_vertices)
    result = np.zeros(faces.shape, dtype=bool)
    for corner in range(3):
        is_opposite = faces[face, (corner + 1) % 3] == start
        is_opposite &= faces[face, (corner + 2) % 3] == end
        result[face[is_opposite], corner] = True
    return result


def _directions() -> FloatArray:
    """42 directions: the corners and the middles of the edges of an icosahedron."""
    golden = (1 + 5**0.5) / 2
    points = np.array([[0, a, b * golden] for a in (-1, 1) for b in (-1, 1)], dtype=np.float64)
    points = np.concatenate([np.roll(points, turn, axis=1) for turn in range(3)]) / np.sqrt(1 + golden**2)
    i, j = np.triu_indices(12, 1)
    middles = ((points[i] + points[j]) / 2)[((points[i] - points[j]) ** 2).sum(axis=1) < 1.2]
    return np.concatenate([points, middles / np.sqrt((middles**2).sum(axis=1, keepdims=True))])


DIRECTIONS = _directions()
