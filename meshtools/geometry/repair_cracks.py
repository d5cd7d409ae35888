"""Cracks of no width: two open edges are one but for the last digits and are joined, or a vertex of one face lies on the open edge of another,
whose face is divided there, so that both fit."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import is_degenerate
from meshtools.geometry.orient import rim_half_edges
from meshtools.geometry.pieces import piece_labels
from meshtools.geometry.repair_budget import Repair
from meshtools.geometry.threads import n_threads
from meshtools.geometry.tiles import join_tiles
from meshtools.model import FloatArray, IntArray, Mesh
from meshtools.model_mesh import read_only

ON_EDGE_RATIO = 1e-4
"""A vertex this close to an open edge, as a share of the diagonal, lies on it: 20 micrometres on 200 mm, and room for the rounding of a
float32 file that holds a small bone far from its origin (1e-5 for 3 mm at 300 mm)."""
END_SHARE = 1e-3
"""A vertex nearer to the edge's end than this share of the edge is taken for that end."""
MOST_ROUNDS = 3


def close_cracks(mesh: Mesh) -> Repair:
    """Join open edges that lie on each other, and divide every face with an open edge on which vertices of other open edges lie, so that the faces on
    both sides share edges.

    The surface stays where it was to ON_EDGE_RATIO of the diagonal; ends of joined edges move to another one within that of them, or of one that is.
    Nothing is taken away or invented.
    """
    rim = rim_half_edges(mesh)
    if len(rim[0]) == 0:
        return Repair("crack", mesh)
    mesh, n_places = join_tiles(mesh, rim[:2], ON_EDGE_RATIO * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0))))
    rim = rim_half_edges(mesh) if n_places else rim
    for _ in range(MOST_ROUNDS):
        start, end, face = rim
        if len(start) == 0:
            break
        piece = np.zeros(len(mesh.vertices), dtype=np.int64)
        piece[start] = piece[end] = piece_labels(mesh)[face]
        on_edges = _vertices_on_edges(mesh.vertices, start, end, piece)
        if not on_edges:
            break
        divided = _divided(mesh, start, end, face, on_edges)
        if divided is None:
            break
        n_places += len(divided.faces) - len(mesh.faces)
        mesh = divided
        rim = rim_half_edges(mesh)
    return Repair("crack", mesh, n_places)


def _vertices_on_edges(vertices: FloatArray, start: IntArray, end: IntArray, piece: NDArray[np.int64]) -> dict[int, list[int]]:
    """For open edges (by place) the rim vertices of the same piece that lie on them, in the order from start to end."""
    from scipy.spatial import cKDTree

    rim = np.unique(np.concatenate([start, end]))
    reach = ON_EDGE_RATIO * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    a, b = vertices[start], vertices[end]
    length = np.linalg.norm(b - a, axis=1)
    near = cKDTree(vertices[rim]).query_ball_point((a + b) / 2, length / 2 + reach, workers=n_threads())
    edges = np.repeat(np.arange(len(start)), [len(rows) for rows in near])
    found = rim[np.array([row for rows in near for row in rows], dtype=np.int64)] if len(edges) else np.zeros(0, np.int32)
    is_other = (found != start[edges]) & (found != end[edges]) & (piece[found] == piece[start[edges]])
    edges, found = edges[is_other], found[is_other]
    along, whole = vertices[found] - a[edges], (b - a)[edges]
    share = np.einsum("ij,ij->i", along, whole) / np.maximum(length[edges] ** 2, 1e-300)
    gap = np.linalg.norm(along - share[:, None] * whole, axis=1)
    is_on = (gap <= reach) & (share > END_SHARE) & (share < 1.0 - END_SHARE)
    table: dict[int, list[int]] = {}
    for place in np.lexsort((share, edges)):
        if is_on[place]:
            table.setdefault(int(edges[place]), []).append(int(found[place]))
    return table


def _divided(mesh: Mesh, start: IntArray, end: IntArray, face: IntArray, on_edges: dict[int, list[int]]) -> Mesh | None:
    """The mesh with those faces divided; a face with several such edges is divided at one of them, the rest in the next round."""
    fans: list[tuple[int, list[list[int]]]] = []
    for edge, vertices in on_edges.items():
        row = int(face[edge])
        tip = next((int(v) for v in mesh.faces[row] if v not in (start[edge], end[edge])), -1)
        if tip >= 0 and tip not in vertices:
            fans.append((row, [[u, v, tip] for u, v in pairwise([int(start[edge]), *vertices, int(end[edge])])]))
    if not fans:
        return None
    is_flat = is_degenerate(mesh.vertices, np.array([part for _, fan in fans for part in fan], dtype=np.int32))
    n_flat = np.add.reduceat(is_flat.astype(np.int64), np.cumsum([0, *(len(fan) for _, fan in fans[:-1])]))
    is_whole: NDArray[np.bool_] = np.ones(len(mesh.faces), dtype=bool)
    parts: list[list[int]] = []
    source: list[int] = []
    for (row, fan), n in zip(fans, n_flat.tolist(), strict=True):
        if n == 0 and is_whole[row]:
            is_whole[row] = False
            parts += fan
            source += [int(mesh.source[row])] * len(fan)
    if not parts:
        return None
    faces = np.concatenate([mesh.faces[is_whole], np.array(parts, dtype=np.int32)])
    return mesh.replaced(faces=read_only(faces), source=np.concatenate([mesh.source[is_whole], np.array(source, dtype=np.uint16)]))
