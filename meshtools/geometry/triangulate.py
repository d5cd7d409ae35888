"""Triangles that span a closed loop of points in space, using the loop's own points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.compiled import given
from meshtools.model import FloatArray

LARGEST_AT_ONCE = 160
"""Loops up to this many points are spanned exactly (work grows with the cube); longer ones are cut in two at a short diagonal first."""


def triangulate_loop(points: FloatArray, is_barred: NDArray[np.bool_]) -> NDArray[np.int32] | None:
    """Span a loop of k points (k, 3) with k - 2 triangles (places in the loop, wound in its direction), of the least total area.

    is_barred (k, k) marks diagonals that may not be used. None when no triangulation avoids them. Method: dynamic programming over
    sub-loops (G. Klincsek 1980, Annals of Discrete Mathematics 9, and G. Barequet, M. Sharir 1995 for loops in space; from memory).
    """
    k = len(points)
    triangles: list[tuple[int, int, int]] = []
    waiting = [np.arange(k)]
    while waiting:
        loop = waiting.pop()
        if len(loop) > LARGEST_AT_ONCE:
            cut = _short_diagonal(points[loop], is_barred[np.ix_(loop, loop)])
            if cut is not None:
                i, j = cut
                waiting += [loop[i : j + 1], np.concatenate([loop[j:], loop[: i + 1]])]
                continue
        part = _least_area(points[loop], is_barred[np.ix_(loop, loop)])
        if part is None:
            return None
        triangles += [(int(loop[a]), int(loop[b]), int(loop[c])) for a, b, c in part]
    return np.array(sorted(triangles), dtype=np.int32).reshape(-1, 3)


def _short_diagonal(points: FloatArray, is_barred: NDArray[np.bool_]) -> tuple[int, int] | None:
    """The diagonal that is shortest for the length of loop it cuts off, leaving at least a quarter of the points on either side."""
    k = len(points)
    i, j = np.triu_indices(k, k // 4)
    allowed = (k - (j - i) >= k // 4) & ~is_barred[i, j]
    if not allowed.any():
        return None
    i, j = i[allowed], j[allowed]
    distance = np.linalg.norm(points[i] - points[j], axis=1)
    best = int(distance.argmin())
    return int(i[best]), int(j[best])


def _least_area(points: FloatArray, is_barred: NDArray[np.bool_]) -> list[tuple[int, int, int]] | None:
    from meshtools.geometry.triangulate_kernels import cheapest_splits

    edge = np.linalg.norm(points[:, None, :] - points[None, :, :], axis=2)
    split, is_spanned = cheapest_splits(given(edge, np.float64), given(is_barred, np.bool_))
    if not is_spanned:
        return None
    result, waiting = [], [(0, len(points) - 1)]
    while waiting:
        a, c = waiting.pop()
        if c - a < 2:
            continue
        b = int(split[a, c])
        result.append((a, b, c))
        waiting += [(a, b), (b, c)]
    return result
