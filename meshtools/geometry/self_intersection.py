"""Where a surface passes through itself: exact, by CGAL's box intersection and exact predicates (through libigl, GPL-3).

Faces that a plane surely parts from all others are left out before (`apart_kernels`): the library would build exact numbers for each.
The library overlooks faces folded onto a neighbour and faces stored twice (found by testing it against exact fractions), so those
are found here from the edges: a bound on the rounding error first, exact fractions for what it leaves open. The check of a delivered
file does not use this module: it decides the same question by another way (files/crossing_check.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.pieces import piece_labels
from meshtools.geometry.threads import at_once
from meshtools.geometry.tree import tree_over
from meshtools.geometry.weld import group_rows
from meshtools.model import FloatArray, IntArray, Mesh

MOST_PLACES = 5
LEAST_AT_ONCE = 1 << 15  # faces that are worth threads
PARTS_AT_ONCE = 16  # of them, a power of two
ROUNDING = 1e-12  # of a product of three edges; the error bound of its computation in doubles is below 1e-14


@dataclass(frozen=True, eq=False)
class SelfIntersections:
    """Pairs of faces of one piece that meet where they should not.

    pairs (k, 2), lower row first; faces (k,) int32: the faces that take part, ascending; n_places: groups of such faces that hang together;
    places_mm: the centres of the largest groups, most faces first, at most MOST_PLACES.
    """

    pairs: NDArray[np.int64]
    faces: IntArray
    n_places: int
    places_mm: tuple[tuple[float, float, float], ...]

    @property
    def n_pairs(self) -> int:
        """How many pairs there are."""
        return len(self.pairs)


def count_self_intersections(mesh: Mesh) -> SelfIntersections:
    """Find the pairs of faces of one connected piece that cross, overlap or touch.

    Two faces count when they have a point in common that is not part of a corner or edge they share. So neighbours that merely
    meet at their edge do not count, but a flap folded back onto its neighbour, a face that pierces one it shares a corner with, and
    a face stored twice do. Faces without a shared corner count as soon as they touch, in a single point too: there the surface bounds
    no clear solid. Corners with equal coordinates are one corner. Faces without area never count; the audit names them.
    Faces of different pieces are left to the union of pieces. Every decision is exact: no tolerance, whatever the unit or the place.
    """
    pairs = find_crossing_pairs(mesh)
    involved = np.unique(pairs).astype(np.int32)
    n_places, places = _places(mesh, pairs, involved)
    return SelfIntersections(pairs, involved, n_places, places)


def find_crossing_pairs(mesh: Mesh) -> NDArray[np.int64]:
    """(k, 2) pairs of faces of one piece that meet where they should not (see `count_self_intersections`), each with its lower row first."""
    labels, pairs = piece_labels(mesh), find_meeting_pairs(mesh)
    return np.asarray(pairs[labels[pairs[:, 0]] == labels[pairs[:, 1]]])


def find_meeting_pairs(mesh: Mesh) -> NDArray[np.int64]:
    """(k, 2) pairs of faces, of any pieces, that meet where they should not (see `count_self_intersections`), each with its lower row first."""
    firsts, place = group_rows((mesh.vertices + 0.0).view(np.int64))  # + 0.0 makes one zero of two
    points, corners = mesh.vertices[firsts], place[mesh.faces]
    rows = _perhaps_meeting(points, corners)
    if len(rows) < 2:
        return np.empty((0, 2), np.int64)
    used, few = np.unique(corners[rows], return_inverse=True)
    points, corners = points[used], few.reshape(-1, 3).astype(np.int64)
    pairs = rows[np.concatenate([_crossing_pairs(points, corners), _folded_pairs(points, corners)])]
    return np.asarray(np.unique(np.sort(pairs, axis=1), axis=0))


def _perhaps_meeting(points: FloatArray, corners: NDArray[np.int64]) -> NDArray[np.int64]:
    """The faces (k,) that a plane does not surely part from every other one near by, as it does all but a few."""
    from meshtools.geometry.apart_kernels import boxes_of_faces, faces_perhaps_meeting

    faces = np.ascontiguousarray(corners, np.int32)
    if len(faces) < 2:
        return np.empty(0, np.int64)
    order, nodes = tree_over(points, faces)
    tree = order, nodes, boxes_of_faces(points, faces, order)
    n_nodes = PARTS_AT_ONCE if len(faces) >= LEAST_AT_ONCE else 1  # of one level, which are numbered from their count on
    pairs = [np.array([(node, other) for other in range(node, 2 * n_nodes)]) for node in range(n_nodes, 2 * n_nodes)]
    found = at_once([partial(faces_perhaps_meeting, points, faces, tree, starts) for starts in pairs])
    return np.flatnonzero(np.logical_or.reduce(found))


def _crossing_pairs(points: FloatArray, corners: NDArray[np.int64]) -> NDArray[np.int64]:
    """(k, 2) pairs of faces that meet beyond their common corners, of any pieces; folds along an edge may be missing."""
    import igl.copyleft.cgal as cgal

    if len(corners) < 2:
        return np.empty((0, 2), np.int64)
    found: Any = cgal.remesh_self_intersections(points, corners, detect_only=True)
    return np.asarray(found[2], np.int64).reshape(-1, 2)


def _folded_pairs(points: FloatArray, corners: NDArray[np.int64]) -> NDArray[np.int64]:
    """(k, 2) pairs of faces with a common edge that lie on each other: in one plane, on the same side of the edge."""
    pairs, edges = _neighbours(corners, len(points))
    start, end = points[edges[:, 0]], points[edges[:, 1]]
    tips = [_tip(points, corners[pairs[:, side]], edges) - start for side in (0, 1)]
    along = end - start
    across = [np.cross(along, tip) for tip in tips]
    room = ROUNDING * np.prod([np.linalg.norm(w, axis=1) for w in (along, *tips)], axis=0)
    is_flat = np.abs(np.einsum("ij,ij->i", across[0], tips[1])) <= room
    is_folded = is_flat & (np.einsum("ij,ij->i", *across) >= -room * np.linalg.norm(along, axis=1))
    rows = np.flatnonzero(is_folded)
    one, other = (_tip(points, corners[pairs[rows, side]], edges[rows]) for side in (0, 1))
    is_folded[rows] = [_lies_on(*places) for places in zip(start[rows], end[rows], one, other, strict=True)]
    return np.asarray(pairs[is_folded])


def _neighbours(corners: NDArray[np.int64], n_points: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(k, 2) pairs of faces with a common edge, and (k, 2) the ends of that edge; faces with a repeated corner are left out."""
    after = np.roll(corners, -1, axis=1)
    key = (np.minimum(corners, after) * n_points + np.maximum(corners, after)).ravel()
    face = np.repeat(np.arange(len(corners)), 3)
    is_proper = np.repeat((corners != after).all(axis=1), 3)
    key, face = key[is_proper], face[is_proper]
    order = np.argsort(key, kind="stable")
    key, face = key[order], face[order]
    pairs, edges, step = [np.empty((0, 2), np.int64)], [np.empty(0, np.int64)], 1
    while (is_same := key[step:] == key[:-step]).any():  # one round for two faces at an edge, k - 1 rounds for k faces
        pairs.append(np.stack([face[:-step][is_same], face[step:][is_same]], axis=1))
        edges.append(key[:-step][is_same])
        step += 1
    return np.concatenate(pairs), np.stack(np.divmod(np.concatenate(edges), n_points), axis=1)


def _tip(points: FloatArray, triples: NDArray[np.int64], edges: NDArray[np.int64]) -> FloatArray:
    """The corner of each face that lies off the edge."""
    return np.asarray(points[triples.sum(axis=1) - edges.sum(axis=1)])


def _lies_on(start: FloatArray, end: FloatArray, one: FloatArray, other: FloatArray) -> bool:
    """Whether two faces on the edge from start to end, with these tips, lie in one plane on the same side: exactly, in whole numbers of the largest
    power of two that all coordinates are multiples of."""
    ratios = [x.as_integer_ratio() for point in (start, end, one, other) for x in point.tolist()]
    finest = max(below for _, below in ratios)
    whole = [above * (finest // below) for above, below in ratios]
    base = whole[:3]
    along, u, w = ([x - x0 for x, x0 in zip(whole[k : k + 3], base, strict=True)] for k in (3, 6, 9))
    across = [[along[i] * v[j] - along[j] * v[i] for i, j in ((1, 2), (2, 0), (0, 1))] for v in (u, w)]
    height = sum(a * b for a, b in zip(across[0], w, strict=True))
    return bool(height == 0 and sum(a * b for a, b in zip(*across, strict=True)) > 0)


def _places(mesh: Mesh, pairs: NDArray[np.int64], involved: IntArray) -> tuple[int, tuple[tuple[float, float, float], ...]]:
    """Group the faces that cross each other or share a corner, and give the middles of the largest groups' boxes."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    if not len(involved):
        return 0, ()
    used, corners = np.unique(mesh.faces[involved], return_inverse=True)
    corners = corners.reshape(-1, 3)
    ends = corners[np.searchsorted(involved, pairs), 0]
    rows = np.concatenate([corners[:, 0], corners[:, 1], ends[:, 0]])
    columns = np.concatenate([corners[:, 1], corners[:, 2], ends[:, 1]])
    graph = coo_matrix((np.ones(len(rows), np.int8), (rows, columns)), shape=(len(used), len(used)))
    n_places, group = connected_components(graph.tocsr(), directed=False)
    of_face = group[corners[:, 0]]
    largest = np.argsort(-np.bincount(of_face, minlength=n_places), kind="stable")[:MOST_PLACES]
    boxes = [mesh.vertices[used[group == number]] for number in largest]
    middles = [(box.min(axis=0) + box.max(axis=0)) / 2.0 for box in boxes]
    return n_places, tuple((float(x), float(y), float(z)) for x, y, z in middles)
