"""How far a few points lie from a large mesh, without a search tree of the whole of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import faces_at_boxes, take_faces
from meshtools.model import FloatArray, Mesh

EDGES = 4.0  # how far around a point is looked first, in edges of the mesh
MOST_SHARE = 0.5  # of the faces; beyond it a tree of the whole mesh is no dearer
AT_ONCE = 64  # of the farthest points looked at again
ENOUGH_EDGES = 40_000  # from which the usual length of an edge is told


def farthest_nearby(points: FloatArray, mesh: Mesh) -> tuple[float, int]:
    """The largest distance in mm of points (k, 3) from a mesh, and the first point that has it, the same as `Surface.distance` gives.

    What a look around many points finds for those that lie farther off than its reach is more than their distance. The farthest of them are
    looked at again, a few at a time and no farther than that, until none can exceed what is known.
    """
    reach = _first_reach(mesh)
    found = np.full(len(points), np.inf)
    _look_around(points, mesh, reach, np.arange(len(points)), found)
    is_open = found > reach
    if np.isinf(found).any():
        from scipy.spatial import cKDTree

        far = np.flatnonzero(np.isinf(found))
        some = mesh.vertices[mesh.faces[:: 1 + len(mesh.faces) // ENOUGH_EDGES, 0]]
        found[far] = cKDTree(some).query(points[far])[0] * (1.0 + 1e-9)
    while is_open.any():
        best = float(found[~is_open].max(initial=-1.0))
        rows = np.flatnonzero(is_open & (found >= best))
        if not len(rows):
            break
        rows = rows[np.argsort(-found[rows], kind="stable")[:AT_ONCE]]
        _look_around(points, mesh, float(found[rows].max()) * (1.0 + 1e-9), rows, found)
        is_open[rows] = False
    first = int(np.where(is_open, -1.0, found).argmax())
    return float(found[first]), first


def _first_reach(mesh: Mesh) -> float:
    some = mesh.faces[:: 1 + len(mesh.faces) // ENOUGH_EDGES]
    edges = mesh.vertices[some[:, 0]] - mesh.vertices[some[:, 1]]
    return EDGES * float(np.median(np.linalg.norm(edges, axis=1)))


def _look_around(points: FloatArray, mesh: Mesh, reach: float, rows: Any, found: FloatArray) -> None:
    """Set what is found for some points with the faces within reach of them; with all where these are many."""
    is_near = faces_around(points[rows], mesh, reach)
    if is_near.mean() > MOST_SHARE or reach == 0.0:
        found[rows] = Surface(mesh).distance(points[rows])[0]
        return
    if is_near.any():
        found[rows] = np.minimum(found[rows], Surface(take_faces(mesh, is_near)).distance(points[rows])[0])


def faces_around(points: FloatArray, mesh: Mesh, reach: float) -> Any:
    """(m,) True for all faces within reach of one of the points (k, 3), and for some more."""
    return faces_at_boxes(mesh, points - reach, points + reach, 2.0 * reach)
