"""Loops over height maps, compiled (see `compiled`): upper and lower surface of a solid over a grid, where a cutter can stand, what it leaves."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


@compiled
def rasterise(points: Any, faces: Any, low: Any, pitch: float, n_x: int, n_y: int) -> Any:
    """Highest and lowest point of the surface over each node of a grid: two arrays (n_x, n_y), minus and plus infinity where there is none."""
    top, bottom = np.full((n_x, n_y), -np.inf), np.full((n_x, n_y), np.inf)
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay = (points[a, 0] - low[0]) / pitch, (points[a, 1] - low[1]) / pitch
        bx, by = (points[b, 0] - low[0]) / pitch, (points[b, 1] - low[1]) / pitch
        cx, cy = (points[c, 0] - low[0]) / pitch, (points[c, 1] - low[1]) / pitch
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(area) < 1e-12:
            continue
        i0, i1 = int(np.ceil(min(ax, bx, cx) - 1e-9)), int(np.floor(max(ax, bx, cx) + 1e-9))
        j0, j1 = int(np.ceil(min(ay, by, cy) - 1e-9)), int(np.floor(max(ay, by, cy) + 1e-9))
        for i in range(max(i0, 0), min(i1, n_x - 1) + 1):
            for j in range(max(j0, 0), min(j1, n_y - 1) + 1):
                v = ((i - ax) * (cy - ay) - (j - ay) * (cx - ax)) / area
                w = ((bx - ax) * (j - ay) - (by - ay) * (i - ax)) / area
                u = 1.0 - v - w
                if u < -1e-9 or v < -1e-9 or w < -1e-9:
                    continue
                z = u * points[a, 2] + v * points[b, 2] + w * points[c, 2]
                if z > top[i, j]:
                    top[i, j] = z
                if z < bottom[i, j]:
                    bottom[i, j] = z
    return top, bottom


@compiled
def dilate(heights: Any, steps: Any, lifts: Any) -> Any:
    """Largest of heights + lift over the nodes at these steps (k, 2) around each node: how low a cutter of that form may stand."""
    n_x, n_y = heights.shape
    result = np.full((n_x, n_y), -np.inf)
    for i in range(n_x):
        for k in range(len(steps)):
            row, shift, lift = i + steps[k, 0], steps[k, 1], lifts[k]
            if row < 0 or row >= n_x or abs(shift) >= n_y:
                continue
            found = result[i, max(0, -shift) : n_y - max(0, shift)]
            around = heights[row, max(0, shift) : n_y - max(0, -shift)]
            for j in range(len(found)):  # always written, so that several are at once
                z = around[j] + lift
                found[j] = z if z > found[j] else found[j]
    return result


@compiled
def left_above(points: Any, floor: Any, low: Any, pitch: float, shape: Any) -> Any:
    """How far (k,) the nearest surface that the cutter sweeps stays away from each point (k, 3), at most `most`.

    floor (n_x, n_y): lowest height of the cutter's reference point, the centre of its ball or of its flat end. shape: (ball radius, flat radius,
    most); of a ball the flat radius is 0, of a flat end the ball radius. The cutter sweeps everything above a place where it may stand.
    """
    n_x, n_y = floor.shape
    ball, flat, most = shape
    reach = ball + flat + most
    result = np.full(len(points), most)
    n_steps = int(np.ceil(reach / pitch))
    for k in range(len(points)):
        x, y, z = (points[k, 0] - low[0]) / pitch, (points[k, 1] - low[1]) / pitch, points[k, 2]
        i_mid, j_mid = int(np.rint(x)), int(np.rint(y))
        best = ball + most
        for n in range(2 * n_steps + 1):
            i = i_mid + ((n + 1) // 2 if n % 2 else -(n // 2))  # from the middle out, so that what is far is passed over
            if i < 0 or i >= n_x or abs(i - x) * pitch - flat >= best:
                continue
            for j in range(max(j_mid - n_steps, 0), min(j_mid + n_steps, n_y - 1) + 1):
                lift = floor[i, j] - z
                if lift >= best:
                    continue
                across = max(0.0, np.sqrt((i - x) ** 2 + (j - y) ** 2) * pitch - flat)
                if across >= best:
                    continue
                far = across if lift <= 0.0 else np.sqrt(across * across + lift * lift)
                if far < best:
                    best = far
            if best <= ball:  # nothing is left
                break
        result[k] = max(0.0, best - ball)
    return result


@compiled
def relax(heights: Any, low: Any, high: Any, n_sweeps: int, pull: float) -> None:
    """Bring heights (n_x, n_y) to the middle of their neighbours in place, never outside low to high: a skin drawn over the silhouette."""
    n_x, n_y = heights.shape
    for _ in range(n_sweeps):
        for i in range(n_x):
            above, below = max(i - 1, 0), min(i + 1, n_x - 1)
            for j in range(n_y):
                before, after = max(j - 1, 0), min(j + 1, n_y - 1)
                middle = 0.25 * (heights[above, j] + heights[below, j] + heights[i, before] + heights[i, after])
                z = heights[i, j] + pull * (middle - heights[i, j])
                heights[i, j] = min(max(z, low[i, j]), high[i, j])
