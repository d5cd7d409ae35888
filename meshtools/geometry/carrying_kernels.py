"""The loop over faces for `carrying`: which sources lie around each coarse face. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


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
