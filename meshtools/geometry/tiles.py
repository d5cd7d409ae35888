"""Skin in tiles: open edges that are one edge but for the last digits of their ends, as an export that writes every tile by itself leaves them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.pieces import take_faces
from meshtools.geometry.threads import n_threads
from meshtools.model import FloatArray, IntArray, Mesh
from meshtools.model_mesh import read_only

SAME_EDGE_SHARE = 0.1
"""Ends farther apart than this share of an edge are those of two edges, however near (our default)."""


def join_tiles(mesh: Mesh, rim: tuple[IntArray, IntArray], reach_mm: float) -> tuple[Mesh, int]:
    """The mesh whose open edges, from rim[0] to rim[1] (k,), are joined where two lie on each other within reach, one running back along the other;
    and how many pairs are joined. Ends that meet at a corner go to the first of them in a chain, each within reach of the next.

    An edge on which several lie stays open: which of them belong together is not known. Edges that run the same way are those of two layers. Where
    a face would lose a side, the vertices there stay as they are.
    """
    start, end = rim
    pairs = _same_edges(mesh.vertices, start, end, reach_mm)
    if not len(pairs):
        return mesh, 0
    ends = np.concatenate([np.stack([start[pairs[:, 0]], end[pairs[:, 1]]], axis=1), np.stack([end[pairs[:, 0]], start[pairs[:, 1]]], axis=1)])
    first = _first_of_group(ends, len(mesh.vertices))
    faces = first[mesh.faces]
    is_flat = (faces == faces[:, [1, 2, 0]]).any(axis=1)
    is_kept = np.isin(first, faces[is_flat])
    first[is_kept] = np.flatnonzero(is_kept)
    joined = mesh.replaced(faces=read_only(first[mesh.faces]))
    is_joined = (first[ends[:, 0]] == first[ends[:, 1]]).reshape(2, -1).all(axis=0)
    return take_faces(joined, np.ones(len(joined.faces), dtype=bool)), int(is_joined.sum())


def _same_edges(vertices: FloatArray, start: IntArray, end: IntArray, reach_mm: float) -> NDArray[np.int64]:
    """Every two open edges (p, 2), the lower number first, that lie on each other and on no third one, and run in opposite directions."""
    from scipy.spatial import cKDTree

    a, b = vertices[start], vertices[end]
    reach = np.minimum(reach_mm, SAME_EDGE_SHARE * np.linalg.norm(b - a, axis=1))
    own = np.arange(len(start))
    near = cKDTree((a + b) / 2).query((a + b) / 2, k=3, distance_upper_bound=float(reach.max(initial=0.0)), workers=n_threads())[1]
    is_other = (near < len(own)) & (near != own[:, None])
    near = np.where(is_other, near, own[:, None])
    limit = np.minimum(reach[:, None], reach[near])
    is_along, is_back = (
        is_other & (np.maximum(np.linalg.norm(c[near] - a[:, None], axis=2), np.linalg.norm(d[near] - b[:, None], axis=2)) <= limit)
        for c, d in ((a, b), (b, a))
    )
    partner = near[own, is_back.argmax(axis=1)]
    is_paired = is_back.any(axis=1) & ((is_along | is_back).sum(axis=1) == 1)
    is_paired &= is_paired[partner] & (partner[partner] == own) & (own < partner)
    return np.stack([own[is_paired], partner[is_paired]], axis=1)


def _first_of_group(pairs: IntArray, n_vertices: int) -> NDArray[np.int32]:
    """The lowest vertex (n,) of those that each one is joined with, by pairs (p, 2)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    joined, place = np.unique(pairs, return_inverse=True)
    place = place.reshape(-1, 2)
    graph = coo_matrix((np.ones(len(place), dtype=np.int8), (place[:, 0], place[:, 1])), shape=(len(joined), len(joined)))
    _, group = connected_components(graph, directed=False)
    first = np.arange(n_vertices, dtype=np.int32)
    first[joined] = joined[np.unique(group, return_index=True)[1]][group]
    return first
