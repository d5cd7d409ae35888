"""Loops for `carrying`: which sources lie around each coarse face, which fine face is nearest to each vertex. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled
from meshtools.geometry.landing_kernels import squared_distance


@compiled
def sources_around(fine_faces: Any, source: Any, landed: Any, faces: Any, n_vertices: int, n_rings: int) -> Any:
    """Lowest and highest source (m,) int64 of the fine faces that land on a coarse face or within some rings of faces around it; where none
    does, the lowest is above the highest."""
    none = np.iinfo(np.int64).max
    lowest, highest = np.full(len(faces), none), np.full(len(faces), -1)
    for t in range(len(fine_faces)):
        for k in range(3):
            target = landed[fine_faces[t, k]]
            lowest[target], highest[target] = min(lowest[target], np.int64(source[t])), max(highest[target], np.int64(source[t]))
    for _ in range(n_rings):
        low_at, high_at = np.full(n_vertices, none), np.full(n_vertices, -1)
        for t in range(len(faces)):
            for k in range(3):
                vertex = faces[t, k]
                low_at[vertex], high_at[vertex] = min(low_at[vertex], lowest[t]), max(high_at[vertex], highest[t])
        for t in range(len(faces)):
            for k in range(3):
                lowest[t], highest[t] = min(lowest[t], low_at[faces[t, k]]), max(highest[t], high_at[faces[t, k]])
    return lowest, highest


@compiled
def nearest_at_vertices(start: int, end: int, coarse: Any, landed_on: Any, fine: Any, fine_at: Any, nearest: Any) -> None:
    """Set for coarse vertices from `start` to before `end` the nearest (n,) of the fine faces of which a corner lands on a face there, the lowest of
    equals; -1 where none does.

    coarse: vertices, and `nearby_kernels.group_by` of the corners of faces by vertex; landed_on: that of fine vertices by the coarse face they land
    on; fine: vertices and faces; fine_at: that of fine corners by vertex.
    """
    (points, (corner_order, corner_starts)), (landed_order, landed_starts) = coarse, landed_on
    (vertices, faces), (fine_order, fine_starts) = fine, fine_at
    for point in range(start, end):
        x, y, z = points[point, 0], points[point, 1], points[point, 2]
        best, found = np.inf, -1
        for i in range(corner_starts[point], corner_starts[point + 1]):
            face = corner_order[i] // 3
            for j in range(landed_starts[face], landed_starts[face + 1]):
                vertex = landed_order[j]
                for h in range(fine_starts[vertex], fine_starts[vertex + 1]):
                    t = fine_order[h] // 3
                    squared = squared_distance(x, y, z, vertices, faces[t, 0], faces[t, 1], faces[t, 2])
                    if squared < best or (squared == best and t < found):
                        best, found = squared, t
        nearest[point] = found
