"""Distances from a few points to a large mesh, without a search tree of the whole of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import take_faces
from meshtools.model import FloatArray, Mesh

EDGES = 4.0  # how far around a point is looked first, in edges of the mesh
MOST_SHARE = 0.5  # of the faces; beyond it a tree of the whole mesh is no dearer
MOST_CELLS = 128  # of the grid, along its longest side


def distance_nearby(points: FloatArray, mesh: Mesh) -> FloatArray:
    """Distances (k,) in mm of points (k, 3) from a mesh, the same as `Surface.distance` gives.

    A tree of the faces around the points gives the right distance wherever that is less than the reach; elsewhere it is one that the right one
    does not exceed, and says how far the next look has to reach.
    """
    edges = mesh.vertices[mesh.faces[:, 0]] - mesh.vertices[mesh.faces[:, 1]]
    reach = EDGES * float(np.median(np.linalg.norm(edges, axis=1)))
    found, is_open = np.full(len(points), np.inf), np.ones(len(points), bool)
    while is_open.any():
        is_near = _faces_around(points[is_open], mesh, reach)
        if is_near.mean() > MOST_SHARE or reach == 0.0:
            found[is_open] = Surface(mesh).distance(points[is_open])[0]
            break
        if is_near.any():
            found[is_open] = Surface(take_faces(mesh, is_near)).distance(points[is_open])[0]
        is_open &= found > reach
        reach = max(4.0 * reach, float(found[is_open & np.isfinite(found)].max(initial=0.0)))
    return found


def _faces_around(points: FloatArray, mesh: Mesh, reach: float) -> Any:
    """(m,) True for all faces within reach of one of the points, and some more: those whose box meets a cell of a grid at or beside a point's."""
    low, high = points.min(axis=0) - 2.0 * reach, points.max(axis=0) + 2.0 * reach
    size = max(reach, float((high - low).max()) / MOST_CELLS, float(np.finfo(float).tiny))
    shape = np.ceil((high - low) / size).astype(np.int64) + 3
    is_marked = np.zeros(shape, np.int32)
    cells = np.unique(np.floor((points - low) / size).astype(np.int64), axis=0) + 1
    for step in np.ndindex(3, 3, 3):
        is_marked[tuple((cells + np.array(step) - 1).T)] = 1
    below = np.pad(is_marked.cumsum(axis=0).cumsum(axis=1).cumsum(axis=2), ((1, 0),) * 3)  # marked cells below each corner of the grid
    corners = (np.floor((mesh.vertices - low) / size).clip(-1, shape - 2).astype(np.int32) + 1)[mesh.faces]
    first, last = corners.min(axis=1).T, corners.max(axis=1).T + 1
    n_met = np.zeros(len(mesh.faces), np.int64)
    for ends in np.ndindex(2, 2, 2):
        corner = tuple(last[axis] if end else first[axis] for axis, end in enumerate(ends))
        n_met += (-1) ** (3 - sum(ends)) * below[corner]
    return n_met > 0
