"""The loop that spans a closed loop of points for `triangulate`. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

EDGE_WEIGHT = 0.01  # of a triangle's squared perimeter beside its area: in a flat loop, where all areas add up alike, it prefers short diagonals


@compiled
def _price(a: float, b: float, c: float) -> float:
    """Area of a triangle plus EDGE_WEIGHT times its squared perimeter, by Heron's formula; a flat one is priced out, not barred."""
    half = (a + b + c) / 2.0
    squared = half * (half - a) * (half - b) * (half - c)
    flat = 1e-7 * half * half
    extra = 1e3 * (half * half + 1e-12) if squared <= flat * flat else 0.0
    return float(np.sqrt(max(squared, 0.0)) + 4.0 * EDGE_WEIGHT * half * half + extra)


@compiled
def cheapest_splits(edge: Any, is_barred: Any) -> Any:
    """Where to split each stretch of a loop of k points, from one to another: (k, k) the point between them, of the triangle on that diagonal. And
    whether the loop can be spanned at all without the barred diagonals (k, k). edge (k, k): lengths."""
    k = len(edge)
    cost, split = np.zeros((k, k)), np.zeros((k, k), np.int32)
    for i in range(k):
        for j in range(k):
            if is_barred[i, j]:
                cost[i, j] = np.inf
    for gap in range(2, k):
        for i in range(k - gap):
            j = i + gap
            best, found = np.inf, i + 1
            for m in range(i + 1, j):
                total = cost[i, m] + cost[m, j] + _price(edge[i, m], edge[m, j], edge[i, j])
                if total < best:
                    best, found = total, m
            split[i, j] = found
            cost[i, j] += best
    return split, bool(np.isfinite(cost[0, k - 1]))
