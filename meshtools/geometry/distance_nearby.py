"""Distances from a few points to a large mesh, without a search tree of the whole of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import take_faces
from meshtools.model import FloatArray, Mesh

EDGES = 4.0  # how far around a point is looked first, in edges of the mesh
MOST_SHARE = 0.5  # of the faces; beyond it a tree of the whole mesh is no dearer
ENOUGH_EDGES = 40_000  # from which the usual length of an edge is told


def distance_nearby(points: FloatArray, mesh: Mesh) -> FloatArray:
    """Distances (k,) in mm of points (k, 3) from a mesh, the same as `Surface.distance` gives.

    A tree of the faces around the points gives the right distance wherever that is less than the reach; elsewhere it is one that the right one
    does not exceed, and says how far the next look has to reach.
    """
    some = mesh.faces[:: 1 + len(mesh.faces) // ENOUGH_EDGES]
    edges = mesh.vertices[some[:, 0]] - mesh.vertices[some[:, 1]]
    reach = EDGES * float(np.median(np.linalg.norm(edges, axis=1)))
    found, is_open = np.full(len(points), np.inf), np.ones(len(points), bool)
    while is_open.any():
        is_near = faces_around(points[is_open], mesh, reach)
        if is_near.mean() > MOST_SHARE or reach == 0.0:
            found[is_open] = Surface(mesh).distance(points[is_open])[0]
            break
        if is_near.any():
            found[is_open] = Surface(take_faces(mesh, is_near)).distance(points[is_open])[0]
        is_open &= found > reach
        reach = max(4.0 * reach, float(found[is_open & np.isfinite(found)].max(initial=0.0)))
    return found


def faces_around(points: FloatArray, mesh: Mesh, reach: float) -> Any:
    """(m,) True for all faces within reach of one of the points (k, 3), and for some more."""
    from meshtools.geometry.near_box_kernels import faces_at_boxes

    return faces_at_boxes(mesh.vertices, mesh.faces, points - reach, points + reach, 2.0 * reach)
