"""Winding: neighbouring faces made consistent, and every piece turned so that its normals point outwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.grouping import label_patches
from meshtools.geometry.measure import hull_points
from meshtools.geometry.neighbours import face_neighbours, half_edge_counts, mesh_half_edge_counts
from meshtools.geometry.pieces import mesh_areas, piece_boxes, piece_labels
from meshtools.model import FloatArray, IntArray, Mesh
from meshtools.model_mesh import read_only

UNSURE_RATIO = 1e-3
"""A piece whose rim-closed volume is below this share of area^1.5 is a nearly flat sheet: its outside cannot be told from its form.
A sphere has 0.094, a plate 1:1:0.02 0.007 (closed form)."""


@dataclass(frozen=True, eq=False)
class Turned:
    """A mesh whose pieces face outwards; faces_flipped (m,) marks what was turned, pieces_unsure counts sheets left as they were."""

    mesh: Mesh
    is_flipped: NDArray[np.bool_]
    n_pieces_turned: int
    n_cavities: int
    is_unsure: NDArray[np.bool_]


def flip_faces(mesh: Mesh, is_flipped: NDArray[np.bool_]) -> Mesh:
    """The same mesh with the winding of some faces reversed."""
    if not is_flipped.any():
        return mesh
    faces = mesh.faces.copy()
    faces[is_flipped] = faces[is_flipped][:, ::-1]
    return mesh.replaced(faces=read_only(faces))


def paired_faces(faces: IntArray, n_vertices: int) -> tuple[IntArray, IntArray, NDArray[np.bool_]]:
    """Faces that meet at an edge of exactly two faces: first face, second face, and whether both run along it in the same direction."""
    from meshtools.geometry.piece_kernels import pairs_at_edges

    pairs, is_same = pairs_at_edges(faces, face_neighbours(faces, n_vertices))
    return pairs[:, 0], pairs[:, 1], is_same


def make_consistent(mesh: Mesh) -> NDArray[np.bool_]:
    """Which faces must be reversed so that neighbours agree, (m,) bool; in each piece the smaller area is reversed.

    Patches of agreeing faces are found first, so only disagreements are walked. A surface with one side only (a Moebius band) keeps
    some edges inconsistent; `audit_topology` counts them.
    """
    from scipy.sparse import coo_matrix

    from meshtools.geometry.piece_kernels import disagreeing_faces

    n_faces = len(mesh.faces)
    along, against = mesh_half_edge_counts(mesh)
    if not ((along == 2) & (against == 0)).any():
        return np.zeros(n_faces, dtype=bool)
    across = face_neighbours(mesh.faces, len(mesh.vertices))
    pairs = disagreeing_faces(mesh.faces, across)
    patch = label_patches(across)
    n_patches = int(patch.max()) + 1
    links = coo_matrix((np.ones(len(pairs), dtype=np.int32), tuple(patch[pairs].T)), shape=(n_patches, n_patches))
    symmetric = (links + links.T).tocsr()
    group, parity = _two_colour(symmetric, n_patches)
    area = np.bincount(patch, mesh_areas(mesh), n_patches)
    n_groups = int(group.max()) + 1
    odd, even = np.bincount(group, area * parity, n_groups), np.bincount(group, area * ~parity, n_groups)
    return np.asarray((parity ^ (odd > even)[group])[patch])


def _two_colour(links: object, n: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Group and side (opposite across every link of a breadth-first walk) of each of n patches."""
    from scipy.sparse.csgraph import breadth_first_order, connected_components

    _, group = connected_components(links, directed=False)
    parity = np.zeros(n, dtype=bool)
    _, sizes = np.unique(group, return_counts=True)
    starts = np.unique(group, return_index=True)[1]
    for start in starts[sizes > 1]:
        order, before = breadth_first_order(links, int(start), directed=False)
        for node in order[1:]:
            parity[node] = not parity[before[node]]
    return group.astype(np.int64), parity


def enclosed_volumes(mesh: Mesh, labels: IntArray) -> FloatArray:
    """Signed volume of every piece, (p,), an open piece closed by a fan from each rim's centroid to the rim's edges."""
    n_pieces = int(labels.max()) + 1 if len(labels) else 0
    if n_pieces == 0:
        return np.zeros(0)
    from meshtools.geometry.area_kernels import cone_volumes

    middle, volumes = cone_volumes(mesh.vertices, mesh.faces, np.ascontiguousarray(labels, np.int32), n_pieces)
    start, end, face = rim_half_edges(mesh)
    if len(start):
        a, b = mesh.vertices[start] - middle[labels[face]], mesh.vertices[end] - middle[labels[face]]
        rim = rim_labels(start, end, len(mesh.vertices))
        n_rims = int(rim.max()) + 1
        centre = np.stack([np.bincount(rim, (a + b)[:, k] / 2, n_rims) / np.bincount(rim, minlength=n_rims) for k in range(3)], axis=1)[rim]
        volumes += np.bincount(labels[face], np.einsum("ij,ij->i", centre, np.cross(b, a)) / 6.0, n_pieces)
    return np.asarray(volumes)


def open_half_edges(faces: IntArray, n_vertices: int) -> tuple[IntArray, IntArray, IntArray]:
    """Start vertex, end vertex and face of every half-edge whose opposite is missing, in the order of the faces."""
    return _without_opposite(faces, half_edge_counts(faces, n_vertices)[1])


def rim_half_edges(mesh: Mesh) -> tuple[IntArray, IntArray, IntArray]:
    """The same for all faces of a mesh."""
    return _without_opposite(mesh.faces, mesh_half_edge_counts(mesh)[1])


def _without_opposite(faces: IntArray, against: NDArray[np.uint8]) -> tuple[IntArray, IntArray, IntArray]:
    where = np.flatnonzero(against == 0)
    return faces.ravel()[where], faces[where // 3, (where + 1) % 3], (where // 3).astype(np.int32)


def rim_labels(start: IntArray, end: IntArray, n_vertices: int) -> NDArray[np.int64]:
    """Number of the connected rim, from 0, that each open edge belongs to."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(start), dtype=np.int8), (start, end)), shape=(n_vertices, n_vertices))
    _, label = connected_components(graph.tocsr(), directed=False)
    return np.unique(label[start], return_inverse=True)[1].ravel()


def find_cavities(mesh: Mesh, labels: IntArray, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which of the numbered pieces lie wholly inside another piece, their winding opposite to it, as the wall of a cavity does.

    The vertices of each piece that lie farthest along the six axis directions are tested against every piece whose box holds it; where all
    of them are within, so are corners of its convex hull, or a piece that pokes out between the axes would be taken for a cavity in one
    position and not in another.
    """
    volumes = enclosed_volumes(mesh, labels)
    low, high = piece_boxes(mesh, labels, len(volumes))
    holders, inners = _boxes_within(low, high, numbers)
    turns = np.zeros(len(numbers))
    for holder in np.unique(holders):
        inner = inners[holders == holder]
        points = np.concatenate([_farthest_points(mesh, mesh.faces[labels == numbers[k]]) for k in inner])
        around = mesh.faces[labels == holder]
        is_within = np.asarray(points_inside(mesh.vertices, around, points).reshape(-1, 6).all(axis=1))
        for place in np.flatnonzero(is_within):
            outermost = _outermost_points(mesh, mesh.faces[labels == numbers[inner[place]]])
            is_within[place] = points_inside(mesh.vertices, around, outermost).all()
        turns[inner] += np.where(is_within, np.sign(volumes[holder]), 0.0)
    return np.asarray(turns * np.sign(volumes[numbers]) < 0)


def _boxes_within(low: FloatArray, high: FloatArray, numbers: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs (piece, place in `numbers`) where the box of the first holds the box of the second; in blocks, as pieces can be very many."""
    holders, inners = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for start in range(0, len(numbers), BOX_BLOCK):
        block = numbers[start : start + BOX_BLOCK]
        holds = (low[:, None] < low[block]).all(axis=2) & (high[:, None] > high[block]).all(axis=2)
        found = np.nonzero(holds)
        holders.append(found[0])
        inners.append(found[1] + start)
    return np.concatenate(holders), np.concatenate(inners)


def _farthest_points(mesh: Mesh, faces: IntArray) -> FloatArray:
    points = mesh.vertices[faces.ravel()]
    return np.asarray(points[np.concatenate([points.argmin(axis=0), points.argmax(axis=0)])])


def _outermost_points(mesh: Mesh, faces: IntArray) -> FloatArray:
    """Corners of the convex hull of some faces, at most MOST_CORNERS, chosen by their numbers whatever the position."""
    corners = hull_points(mesh.vertices[np.unique(faces)])
    return np.asarray(corners[:: -(-len(corners) // MOST_CORNERS)])


BOX_BLOCK = 128
MOST_CORNERS = 200
RAY = np.linalg.qr(np.array([[0.5377, 0.3188, 0.3426], [1.8339, -1.3077, 3.5784], [-2.2588, -0.4336, 2.7694]]))[0]
"""A fixed frame in no special position (its last column is the ray), so that a ray never runs along the edges of a box."""


def points_inside(vertices: FloatArray, faces: IntArray, points: FloatArray) -> NDArray[np.bool_]:
    """(k,) True where a ray from the point crosses the faces an odd number of times. Points on the surface may answer either way."""
    corners = (vertices @ RAY)[faces]
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    result = np.zeros(len(points), dtype=bool)
    for place, point in enumerate(points @ RAY):
        near = (low[:, 0] <= point[0]) & (high[:, 0] >= point[0])
        near &= (low[:, 1] <= point[1]) & (high[:, 1] >= point[1])
        local = corners[near] - point
        weights = np.stack([_cross2(local[:, (k + 1) % 3], local[:, (k + 2) % 3]) for k in range(3)], axis=1)
        hit = (weights > 0).all(axis=1) | (weights < 0).all(axis=1)
        height = (weights[hit] * local[hit, :, 2]).sum(axis=1) / weights[hit].sum(axis=1)
        result[place] = np.count_nonzero(height > 0) % 2 == 1
    return result


def _cross2(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def turn_outward(mesh: Mesh) -> Turned:
    """Turn every piece so that its rim-closed volume is positive, except walls of cavities, which stay opposite to what holds them.

    A nearly flat open sheet has no volume to decide by: it stays as it is and is marked in is_unsure (p,). The mesh must be consistent.
    """
    labels = piece_labels(mesh)
    if len(labels) == 0:
        return Turned(mesh, np.zeros(0, dtype=bool), 0, 0, np.zeros(0, dtype=bool))
    volumes = enclosed_volumes(mesh, labels)
    area = np.bincount(labels, mesh_areas(mesh), len(volumes))
    is_unsure = np.abs(volumes) < UNSURE_RATIO * area**1.5
    is_odd = _against_holder(mesh, labels, volumes)
    is_turned = np.where(is_odd, volumes > 0, volumes < 0) & ~is_unsure
    flipped = is_turned[labels]
    return Turned(flip_faces(mesh, flipped), flipped, int(is_turned.sum()), int(is_odd.sum()), is_unsure)


def _against_holder(mesh: Mesh, labels: IntArray, volumes: FloatArray) -> NDArray[np.bool_]:
    """Pieces that bound a cavity: of the sign that is rarer by volume, and inside a piece of the other sign."""
    is_rare = volumes < 0 if volumes[volumes > 0].sum() >= -volumes[volumes < 0].sum() else volumes > 0
    result = np.zeros(len(volumes), dtype=bool)
    rare = np.flatnonzero(is_rare)
    if len(rare):
        result[rare] = find_cavities(mesh, labels, rare)
    return result
