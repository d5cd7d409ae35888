"""Loops for `landing`: a fine face whose corners land on coarse faces beside each other, judged by where its edges pass from one to the next.

Let two corners land on one coarse face and the third on a face with a common edge, and cut the fine face between a point on each of the two
sides that lead across. Where both points lie within d of the coarse edge, they lie within d of both coarse faces, so each part has all its corners
within d of one coarse face, and the distance to that is convex. The like holds for three coarse faces of which one is beside both others: the
side between those is cut at both edges. Where the two cuts cross, they do so on a line whose ends are near to the face in the middle, and so near
to it. Any points will do, so it does not matter how exactly the nearest ones are found. It brings numba, see `compiled`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

ALIKE = 1e-12  # of two directions, by the sine squared: lines so parallel have no one nearest point


@compiled
def between_segments(points: Any, a: int, b: int, others: Any, c: int, d: int) -> float:
    """Squared distance of two near points of two segments."""
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    vx, vy, vz = others[d, 0] - others[c, 0], others[d, 1] - others[c, 1], others[d, 2] - others[c, 2]
    wx, wy, wz = points[a, 0] - others[c, 0], points[a, 1] - others[c, 1], points[a, 2] - others[c, 2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    area = uu * vv - uv * uv
    share = min(max((uv * wv - vv * wu) / area, 0.0), 1.0) if area > ALIKE * uu * vv else 0.5
    along = (wv + share * uv) / vv if vv > 0.0 else 0.0
    if along < 0.0 or along > 1.0:
        along = min(max(along, 0.0), 1.0)
        share = min(max((along * uv - wu) / uu, 0.0), 1.0) if uu > 0.0 else 0.0
    x, y, z = wx + share * ux - along * vx, wy + share * uy - along * vy, wz + share * uz - along * vz
    return float(x * x + y * y + z * z)


@compiled
def _shared_edge(neighbours: Any, face: int, other: int) -> int:
    """The corner of a face at which the edge to another one begins; -1 where they share none."""
    for k in range(3):
        if neighbours[face, k] == other:
            return k
    return -1


@compiled
def _across_one(corners: Any, points: Any, vertices: Any, c: int, d: int, limit: float) -> float:
    """Largest squared distance at which the sides from the first corner to the others pass an edge; infinite beyond the limit."""
    worst = between_segments(points, corners[0], corners[1], vertices, c, d)
    if worst <= limit:
        worst = max(worst, between_segments(points, corners[0], corners[2], vertices, c, d))
    return float(worst) if worst <= limit else float(np.inf)


@compiled
def _across_two(corners: Any, points: Any, vertices: Any, edge: Any, further: Any, limit: float) -> float:
    """The like for two edges: one lies between the first corner and the second, the other between the first and the third."""
    first, second, third = corners
    (c, d), (e, f) = edge, further
    worst = between_segments(points, first, second, vertices, c, d)
    if worst <= limit:
        worst = max(worst, between_segments(points, first, third, vertices, e, f))
    if worst <= limit:
        worst = max(worst, between_segments(points, second, third, vertices, c, d), between_segments(points, second, third, vertices, e, f))
    return float(worst) if worst <= limit else float(np.inf)


@compiled
def squared_across(fine: Any, t: int, landed: Any, coarse: Any, neighbours: Any, limit: float) -> float:
    """Squared distance, at most the limit, within which a fine face has the coarse ones near, if its corners, which land on two or three of them
    beside each other, have; infinite where that is not shown.

    fine, coarse: vertices and faces; landed (n,): the coarse face near to each fine vertex; neighbours: across the edges of the coarse faces.
    """
    (points, faces), (vertices, triangles) = fine, coarse
    for k in range(3):
        corners = faces[t, k], faces[t, (k + 1) % 3], faces[t, (k + 2) % 3]
        face, left, right = landed[corners[0]], landed[corners[1]], landed[corners[2]]
        if face in (left, right):
            continue
        i = _shared_edge(neighbours, face, left)
        if i < 0:
            continue
        if left == right:
            return _across_one(corners, points, vertices, triangles[face, i], triangles[face, (i + 1) % 3], limit)
        j = _shared_edge(neighbours, face, right)
        if j < 0:
            continue
        edge, further = (triangles[face, i], triangles[face, (i + 1) % 3]), (triangles[face, j], triangles[face, (j + 1) % 3])
        squared = _across_two(corners, points, vertices, edge, further, limit)
        if squared <= limit:
            return squared
    return float(np.inf)
