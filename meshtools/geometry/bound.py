"""An upper bound for how far a surface strays from another: no point of it is farther, sampled or not.

The distance to one triangle is a convex function, so over a flat piece it is largest at a corner. A piece whose corners all lie
within d of the same triangle therefore lies within d as a whole. A piece that spans the crease between two triangles is cut
along the line where both are equally near, and each part is judged against its own triangle. What is still too loose is quartered,
the loosest pieces first, until the bound is close to the largest distance found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray, IntArray, Mesh

BLOCK = 1 << 14  # pairs worked on at once, so that they stay in the processor's cache
AT_ONCE = 500_000  # faces looked at at once, so that millions of them need no copy of all their corners
BATCH = 100_000  # pieces quartered at once
MAX_PIECES = 1_500_000  # after this many pieces more than faces the bound is reported as it stands
RELATIVE_SLACK = 0.01
ABSOLUTE_SLACK_MM = 1e-4
FAN = np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3]])  # corners 0-2, then an inner point
INSIDE = 0.02  # least weight of a foot that counts as well within a piece
ENOUGH_EDGES = 40_000  # from which the usual length of an edge is told
FEW = 1000  # faces that are soon cut into pieces
MOSTLY = 0.5  # of the faces
SHARES = 64, 16, 4  # of the faces, that are looked at first
LIKE_SIZE = 2.5  # a piece is split at a vertex once it is at most this many times as long as the face there
QUARTERS = np.array([[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]])  # corners 0-2, then the middles of 01, 12, 20


Cover = Callable[[NDArray[np.bool_], float], FloatArray]


class DistanceField(Protocol):
    """What the bound needs of a surface: its mesh, and exact distances with the nearest face."""

    mesh: Mesh

    def distance(self, points: FloatArray) -> tuple[FloatArray, IntArray]:
        """Distances (n,) and nearest faces (n,) for points (n, 3)."""
        ...

    def near_vertices_of(self, mesh: Mesh, enough_mm: float) -> tuple[FloatArray, IntArray]:
        """Distances (n,) of the vertices of a mesh to faces (n,) that are the nearest or no farther off than is enough."""
        ...

    def cover_with_balls(self, mesh: Mesh, rows: Any, at_vertices: tuple[FloatArray, Any], limit_mm: float, upper_mm: FloatArray) -> float:
        """Lower what is shown of some faces where a few points show it, see `bound_kernels`; returns the largest distance found."""
        ...


@dataclass(frozen=True)
class DeviationBound:
    """Largest distance found, and a distance that no point of the surface exceeds, in mm."""

    max_mm: float
    bound_mm: float


@dataclass(eq=False)
class _Pieces:
    """Flat pieces: corners (k, 3, 3), distance (k, 3) and nearest face (k, 3) of each corner, upper bound (k,)."""

    corners: FloatArray
    distance: FloatArray
    face: Any
    upper: FloatArray
    centre_face: Any

    def __len__(self) -> int:
        return len(self.upper)

    def take(self, which: Any) -> _Pieces:
        return _Pieces(self.corners[which], self.distance[which], self.face[which], self.upper[which], self.centre_face[which])

    def joined(self, other: _Pieces) -> _Pieces:
        return _Pieces(
            np.concatenate([self.corners, other.corners]),
            np.concatenate([self.distance, other.distance]),
            np.concatenate([self.face, other.face]),
            np.concatenate([self.upper, other.upper]),
            np.concatenate([self.centre_face, other.centre_face]),
        )


def bound_deviation(
    mesh: Mesh, surface: DistanceField, known_mm: float = 0.0, upper_mm: FloatArray | None = None, cover: Cover | None = None,
    slack_ratio: float = RELATIVE_SLACK,
) -> DeviationBound:  # fmt: skip
    """Bound how far `mesh` strays from `surface`, in mm (one-sided Hausdorff distance).

    `known_mm` is a distance already found, `upper_mm` (m,) what is already shown of each face, `cover` what shows more of the faces (m,) that it is
    given, where many are left, up to a limit in mm; where most are, it comes before the look at a few points of each. The search ends when the bound
    is within slack_ratio (1 %) or 1e-4 mm of the largest distance found; or early, with a loose but true bound, at the limit of pieces. True up to
    rounding of double precision.
    """
    from meshtools.geometry.bound_kernels import first_bounds

    def limit_of(largest: float) -> float:
        return largest + max(slack_ratio * largest, ABSOLUTE_SLACK_MM)

    distances, nearest, largest = _at_vertices(mesh, surface, known_mm)
    n_left, upper = MAX_PIECES, np.full(len(mesh.faces), np.inf) if upper_mm is None else upper_mm.copy()
    first_bounds(mesh.vertices, mesh.faces, distances, nearest, upper)
    is_loose = upper > limit_of(largest)
    is_covered = cover is not None and is_loose.mean() > MOSTLY  # faces wide beside the limit, of which balls show little
    if cover is not None and is_covered:
        upper = np.minimum(upper, cover(is_loose, limit_of(largest)))
    for rows in _worst_first(upper, limit_of(largest)):
        largest = max(largest, surface.cover_with_balls(mesh, rows[upper[rows] > limit_of(largest)], (distances, nearest), limit_of(largest), upper))
    is_loose = upper > limit_of(largest)
    if cover is not None and not is_covered and is_loose.sum() > FEW:
        upper = np.minimum(upper, cover(is_loose, limit_of(largest)))
    rows = np.flatnonzero(upper > limit_of(largest))
    settled, parts = float(upper[upper <= limit_of(largest)].max(initial=0.0)), []
    for start in range(0, max(len(rows), 1), AT_ONCE):
        part = _faces_as_pieces(mesh, rows[start : start + AT_ONCE], (distances, nearest), upper)
        largest = max(largest, _tighten(part, surface, limit_of(largest)))
        is_loose = part.upper > limit_of(largest)
        settled = max(settled, float(part.upper[~is_loose].max(initial=0.0)))
        parts.append(part.take(is_loose))
    pieces = _all_of(parts)
    while True:
        loose = pieces.upper > limit_of(largest)
        settled = max(settled, float(pieces.upper[~loose].max(initial=0.0)))
        pieces = pieces.take(loose)
        if not len(pieces) or n_left <= 0:
            break
        chosen = np.ones(len(pieces), bool)
        if len(pieces) > BATCH:
            chosen[np.argpartition(pieces.upper, len(pieces) - BATCH)[:-BATCH]] = False
        children = _split(pieces.take(chosen), surface)
        n_left -= len(children)
        largest = max(largest, float(children.distance.max()))
        largest = max(largest, _tighten(children, surface, limit_of(largest)))
        pieces = pieces.take(~chosen).joined(children)
    return DeviationBound(largest, max(largest, settled, float(pieces.upper.max(initial=0.0))))


def _at_vertices(mesh: Mesh, surface: DistanceField, known_mm: float) -> tuple[FloatArray, Any, float]:
    """For each vertex (n,) its distance to a face (n,) that is the nearest, or near enough beside the largest distance; and the largest.

    Half of what is known is enough where it is more than an edge: balls as large as faces are then within it.
    """
    some = mesh.faces[:: 1 + len(mesh.faces) // ENOUGH_EDGES]
    edge_mm = float(np.median(np.linalg.norm(mesh.vertices[some[:, 0]] - mesh.vertices[some[:, 1]], axis=1)))
    enough_mm = known_mm / 2.0 if known_mm / 2.0 > edge_mm else 0.0
    distances, nearest = surface.near_vertices_of(mesh, enough_mm)
    is_used = np.zeros(len(mesh.vertices), bool)
    is_used[mesh.faces.ravel()] = True
    return distances, nearest, max(known_mm, float(distances[is_used].max(initial=0.0)))


def _worst_first(upper: FloatArray, limit: float) -> list[Any]:
    """The faces for which more than the limit is possible, in groups of rising numbers: the first few show how far the largest distance goes, so
    that less has to be shown of the others."""
    rows = np.flatnonzero(upper > limit)
    order = np.argsort(-upper[rows], kind="stable")
    edges = [0, *(len(rows) // share for share in SHARES), len(rows)]
    return [rows[np.sort(order[start:end])] for start, end in pairwise(edges)]


def _faces_as_pieces(mesh: Mesh, rows: Any, at_vertices: tuple[FloatArray, Any], upper_mm: FloatArray) -> _Pieces:
    """Some faces of the mesh, whole; at_vertices: distance and near face of each vertex."""
    faces = mesh.faces[rows]
    near, of_first = at_vertices[1][faces], at_vertices[1][faces[:, 0]]
    return _Pieces(mesh.vertices[faces], at_vertices[0][faces], near, upper_mm[rows], of_first)


def _all_of(parts: list[_Pieces]) -> _Pieces:
    """All pieces of a list that is not empty, in its order."""
    whole = parts[0]
    for part in parts[1:]:
        whole = whole.joined(part)
    return whole


def _split(pieces: _Pieces, surface: DistanceField) -> _Pieces:
    """Split at the foot of a vertex of the other surface where one lies within a piece of like size, else into quarters."""
    has_foot, feet = _vertex_feet(pieces, surface.mesh)
    return _fan(pieces.take(has_foot), feet[has_foot], surface).joined(_quarter(pieces.take(~has_foot), surface))


def _fan(pieces: _Pieces, feet: FloatArray, surface: DistanceField) -> _Pieces:
    distances, faces = surface.distance(feet)
    corners = np.concatenate([pieces.corners, feet[:, None]], axis=1)
    return _regroup(pieces, FAN, corners, distances[:, None], faces[:, None])


def _quarter(pieces: _Pieces, surface: DistanceField) -> _Pieces:
    middles = (pieces.corners + np.roll(pieces.corners, -1, axis=1)) / 2
    distances, faces = surface.distance(middles.reshape(-1, 3))
    corners = np.concatenate([pieces.corners, middles], axis=1)
    return _regroup(pieces, QUARTERS, corners, distances.reshape(-1, 3), faces.reshape(-1, 3))


def _regroup(pieces: _Pieces, pattern: Any, corners: FloatArray, distances: FloatArray, faces: Any) -> _Pieces:
    distance = np.concatenate([pieces.distance, distances], axis=1)
    face = np.concatenate([pieces.face, faces], axis=1)
    return _Pieces(
        corners[:, pattern].reshape(-1, 3, 3),
        distance[:, pattern].reshape(-1, 3),
        face[:, pattern].reshape(-1, 3),
        np.repeat(pieces.upper, len(pattern)),
        np.repeat(pieces.centre_face, len(pattern)),
    )


def _vertex_feet(pieces: _Pieces, mesh: Mesh) -> tuple[Any, FloatArray]:
    """The vertex of the centre's nearest face whose foot lies deepest within the piece: (k,) found, (k, 3) foot."""
    from meshtools.geometry.distance import barycentric_weights

    corners = mesh.vertices[mesh.faces[pieces.centre_face]]
    edge = [np.linalg.norm(c - np.roll(c, 1, axis=1), axis=2).max(axis=1) for c in (pieces.corners, corners)]
    feet, depth = np.zeros((len(pieces), 3)), np.full(len(pieces), INSIDE)
    for k in range(3):
        weights = barycentric_weights(corners[:, k], pieces.corners)
        better = weights.min(axis=1) > depth
        feet[better] = np.einsum("ij,ijk->ik", weights[better], pieces.corners[better])
        depth[better] = weights[better].min(axis=1)
    return (depth > INSIDE) & (edge[0] < LIKE_SIZE * edge[1]), feet


def _tighten(pieces: _Pieces, surface: DistanceField, threshold: float) -> float:
    """Lower `pieces.upper` where it can be shown, cheapest argument first. Returns the largest distance found on the way."""
    edges = np.linalg.norm(pieces.corners - np.roll(pieces.corners, -1, axis=1), axis=2)
    reach = np.maximum(edges, np.roll(edges, 1, axis=1))  # the longer of the two edges at each corner
    _lower(pieces, slice(None), (pieces.distance + reach).min(axis=1))
    alike = (pieces.face == pieces.face[:, :1]).all(axis=1)
    _lower(pieces, alike, pieces.distance[alike].max(axis=1))
    live = np.flatnonzero(pieces.upper > threshold)
    if not len(live):
        return 0.0
    centres = pieces.corners[live].mean(axis=1)
    found, pieces.centre_face[live] = surface.distance(centres)
    radius = np.linalg.norm(pieces.corners[live] - centres[:, None], axis=2).max(axis=1)
    _lower(pieces, live, found + radius)
    live = live[pieces.upper[live] > threshold]
    distances = distance_to_faces(pieces.corners[live].reshape(-1, 3), np.repeat(pieces.centre_face[live], 3), surface.mesh)
    _lower(pieces, live, distances.reshape(-1, 3).max(axis=1))
    _against_corner_faces(pieces, live[pieces.upper[live] > threshold], surface.mesh, threshold)
    return float(found.max())


def _lower(pieces: _Pieces, which: Any, upper: FloatArray) -> None:
    pieces.upper[which] = np.minimum(pieces.upper[which], upper)


def _against_corner_faces(pieces: _Pieces, which: Any, mesh: Mesh, threshold: float) -> None:
    """Judge pieces against the faces nearest to their corners: one alone, then cut once or twice between two of them."""
    part = pieces.take(which)
    table = np.empty((len(part), 3, 3))  # distance of corner i to the face nearest to corner j
    for i in range(3):
        for j in range(3):
            table[:, i, j] = part.distance[:, i] if i == j else distance_to_faces(part.corners[:, i], part.face[:, j], mesh)
    _lower(part, slice(None), table.max(axis=1).min(axis=1))
    for apex in range(3):
        _cut_once(part, apex, table, mesh, threshold)
    for odd in range(3):
        _cut_twice(part, odd, table, mesh, threshold)
    pieces.upper[which] = part.upper


def _cut_once(pieces: _Pieces, apex: int, table: FloatArray, mesh: Mesh, threshold: float) -> None:
    """Cut from the apex to a point of the far edge: the part at i against i's face, the part at j against j's."""
    i, j = (apex + 1) % 3, (apex + 2) % 3
    worst = np.maximum(table[:, [apex, i], [i, i]].max(axis=1), table[:, [apex, j], [j, j]].max(axis=1))
    which = np.flatnonzero((pieces.upper > threshold) & (worst < pieces.upper))
    cut = _even_point(pieces, which, i, j, table)
    for k in (i, j):
        worst[which] = np.maximum(worst[which], distance_to_faces(cut, pieces.face[which, k], mesh))
    _lower(pieces, which, worst[which])


def _cut_twice(pieces: _Pieces, odd: int, table: FloatArray, mesh: Mesh, threshold: float) -> None:
    """Cut off the odd corner: its part against its own face, the rest against the face nearest to the corner after it."""
    i, j = (odd + 1) % 3, (odd + 2) % 3
    worst = np.maximum(table[:, odd, odd], table[:, [i, j], [i, i]].max(axis=1))
    which = np.flatnonzero((pieces.upper > threshold) & (worst < pieces.upper))
    for k in (i, j):
        cut = _even_point(pieces, which, odd, k, table, other_face=i)
        for side in (odd, i):
            worst[which] = np.maximum(worst[which], distance_to_faces(cut, pieces.face[which, side], mesh))
    _lower(pieces, which, worst[which])


def _even_point(pieces: _Pieces, which: Any, i: int, j: int, table: FloatArray, other_face: int | None = None) -> FloatArray:
    """The point of edge i-j that is about as near to i's face as to j's (or to the other one named)."""
    face = j if other_face is None else other_face
    excess_i = table[which, i, face] - table[which, i, i]
    excess_j = table[which, j, i] - table[which, j, face]
    share = (excess_i / np.maximum(excess_i + excess_j, 1e-300)).clip(0.0, 1.0)
    start, end = pieces.corners[which, i], pieces.corners[which, j]
    return np.asarray(start + share[:, None] * (end - start))


def distance_to_faces(points: FloatArray, faces: Any, mesh: Mesh) -> FloatArray:
    """Distance in mm from each point (n, 3) to the one face (n,) named for it."""
    result = np.empty(len(points))
    for start in range(0, len(points), BLOCK):
        block = slice(start, start + BLOCK)
        triangles = mesh.vertices[mesh.faces[faces[block]]]
        result[block] = _triangle_distance(np.ascontiguousarray(points[block].T), np.ascontiguousarray(triangles.transpose(1, 2, 0)))
    return result


def _triangle_distance(point: FloatArray, triangle: FloatArray) -> FloatArray:
    """Distance from point (3, k) to triangle (3 corners, 3, k): to the plane where the foot lies inside, else to the nearest edge."""
    edges = [triangle[(i + 1) % 3] - triangle[i] for i in range(3)]
    offsets = [point - triangle[i] for i in range(3)]
    normal = _cross(edges[0], edges[1])
    squared = np.full(point.shape[1], np.inf)
    inside = np.ones(point.shape[1], bool)
    for edge, offset in zip(edges, offsets, strict=True):
        length = np.maximum(_dot(edge, edge), 1e-300)
        along = (_dot(edge, offset) / length).clip(0.0, 1.0)
        gap = offset - along * edge
        squared = np.minimum(squared, _dot(gap, gap))
        inside &= _dot(_cross(normal, edge), offset) > 0
    height = _dot(normal, offsets[0])
    plane = height * height / np.maximum(_dot(normal, normal), 1e-300)
    return np.sqrt(np.where(inside, plane, squared))


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])
