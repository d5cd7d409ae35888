"""Triangles that span a closed loop of points in space, using the loop's own points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray

LARGEST_AT_ONCE = 160
"""Loops up to this many points are spanned exactly (work grows with the cube); longer ones are cut in two at a short diagonal first."""
EDGE_WEIGHT = 0.01
"""Weight of a triangle's squared perimeter beside its area: in a flat loop, where all areas add up alike, it prefers short diagonals."""


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
    k = len(points)
    edge = np.linalg.norm(points[:, None, :] - points[None, :, :], axis=2)
    cost = np.where(is_barred, np.inf, 0.0)
    split = np.zeros((k, k), dtype=np.int32)
    for gap in range(2, k):
        i = np.arange(k - gap)
        j = i + gap
        m = i[:, None] + np.arange(1, gap)[None, :]
        total = cost[i[:, None], m] + cost[m, j[:, None]] + _price(points, edge, i[:, None], m, j[:, None])
        best = total.argmin(axis=1)
        split[i, j] = m[i, best]
        cost[i, j] = total[i, best] + cost[i, j]
    if not np.isfinite(cost[0, k - 1]):
        return None
    result, waiting = [], [(0, k - 1)]
    while waiting:
        a, c = waiting.pop()
        if c - a < 2:
            continue
        b = int(split[a, c])
        result.append((a, b, c))
        waiting += [(a, b), (b, c)]
    return result


def _price(points: FloatArray, edge: FloatArray, i: NDArray[np.int64], m: NDArray[np.int64], j: NDArray[np.int64]) -> FloatArray:
    """Area of each triangle plus EDGE_WEIGHT times its squared perimeter, by Heron's formula; a flat one is priced out, not barred."""
    a, b, c = edge[i, m], edge[m, j], edge[i, j]
    half = (a + b + c) / 2
    squared = half * (half - a) * (half - b) * (half - c)
    is_flat = squared <= (1e-7 * half * half) ** 2
    area = np.sqrt(np.maximum(squared, 0.0))
    return np.asarray(area + 4 * EDGE_WEIGHT * half * half + np.where(is_flat, 1e3 * (half * half + 1e-12), 0.0))
