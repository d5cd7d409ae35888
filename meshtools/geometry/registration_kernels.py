"""Loops for `registration_search`: many poses of one bone held against the nearest samples of another. They bring numba, see `compiled`.

`np.divide` is a plain division: one by `/` asks first whether the divisor is nothing, which made `cover` take twice as long. No step or width is.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

BLOCK = 3  # cells along each side


@compiled
def _turned(turn: Any, x: float, y: float, z: float) -> Any:
    """A direction turned by a rotation (3, 3)."""
    return (
        turn[0, 0] * x + turn[0, 1] * y + turn[0, 2] * z,
        turn[1, 0] * x + turn[1, 1] * y + turn[1, 2] * z,
        turn[2, 0] * x + turn[2, 1] * y + turn[2, 2] * z,
    )


@compiled
def _cell(grid: Any, axis: int, x: float) -> int:
    """The cell along an axis that a place lies in, the outermost one where it lies beyond them all; the first for one that is not a number."""
    _, low, step, shape, _ = grid
    place = np.divide(x - low[axis], step)
    return int(min(place, shape[axis] - 1.0)) if place > 0.0 else 0


@compiled
def _nearly_nearest(grid: Any, x: float, y: float, z: float) -> int:
    """Number of the sample that is nearest to the middle of the cell which a point lies in."""
    near, _, _, shape, _ = grid
    return int(near[(_cell(grid, 0, x) * shape[1] + _cell(grid, 1, y)) * shape[2] + _cell(grid, 2, z)])


@compiled
def nearest_of_cells(points: Any, low: Any, step: float, shape: Any, near: Any) -> None:
    """Set for every cell (nx, ny, nz) of a box the number of the point (3, n) nearest to its middle, the lowest of equally near ones. Cells are taken
    in blocks: to all of one only those points can be nearest that are within its diagonal of being the nearest to its middle."""
    n = points.shape[1]
    squared, likely, places = np.empty(n), np.empty(n, np.int32), np.empty((3, n))
    diagonal, half = step * BLOCK * np.sqrt(3.0), 0.5 * BLOCK
    for first_x in range(0, shape[0], BLOCK):
        for first_y in range(0, shape[1], BLOCK):
            for first_z in range(0, shape[2], BLOCK):
                x, y, z = low[0] + (first_x + half) * step, low[1] + (first_y + half) * step, low[2] + (first_z + half) * step
                for m in range(n):
                    squared[m] = (points[0, m] - x) ** 2 + (points[1, m] - y) ** 2 + (points[2, m] - z) ** 2
                reach, n_likely = (np.sqrt(squared.min()) + 1.000001 * diagonal) ** 2, 0
                for m in range(n):
                    if squared[m] <= reach:
                        likely[n_likely] = m
                        places[0, n_likely], places[1, n_likely], places[2, n_likely] = points[0, m], points[1, m], points[2, m]
                        n_likely += 1
                for i in range(first_x, min(first_x + BLOCK, shape[0])):
                    for j in range(first_y, min(first_y + BLOCK, shape[1])):
                        for k in range(first_z, min(first_z + BLOCK, shape[2])):
                            x, y, z = low[0] + (i + 0.5) * step, low[1] + (j + 0.5) * step, low[2] + (k + 0.5) * step
                            least, best = np.inf, 0
                            for m in range(n_likely):
                                far = (places[0, m] - x) ** 2 + (places[1, m] - y) ** 2 + (places[2, m] - z) ** 2
                                if far < least:
                                    least, best = far, m
                            near[i, j, k] = likely[best]


@compiled
def cover(poses: Any, moving: Any, grid: Any, width: float, scores: Any) -> None:
    """Set the score (k,) of each pose: the mean over points with normals `moving` (n, 6) of exp(-(d / width)^2) times the cosine between the normals,
    nothing where that is negative; the width grows with the pose's scale.

    poses: rotations (k, 3, 3), shifts (k, 3), scales (k,). grid: near (cells,), low (3,), step, shape (3,), and samples with normals (m, 6).
    """
    rotation, shift, scale = poses
    samples = grid[4]
    for k in range(len(scale)):
        turn, total = rotation[k], 0.0
        for i in range(len(moving)):
            x, y, z = _turned(turn, moving[i, 0], moving[i, 1], moving[i, 2])
            x, y, z = scale[k] * x + shift[k, 0], scale[k] * y + shift[k, 1], scale[k] * z + shift[k, 2]
            near = _nearly_nearest(grid, x, y, z)
            a, b, c = _turned(turn, moving[i, 3], moving[i, 4], moving[i, 5])
            agree = samples[near, 3] * a + samples[near, 4] * b + samples[near, 5] * c
            if agree > 0.0:
                squared = (samples[near, 0] - x) ** 2 + (samples[near, 1] - y) ** 2 + (samples[near, 2] - z) ** 2
                total += np.exp(np.divide(-squared, (scale[k] * width) ** 2)) * agree
        scores[k] = total / len(moving)


@compiled
def add_up(poses: Any, moving: Any, grid: Any, limits: Any, system: Any, right: Any) -> None:
    """Set the normal equations (k, 7, 7) and (k, 7) that bring the points `moving` (n, 6) of each pose onto the planes of their nearly nearest
    samples, with Tukey's weight. The unknowns: rotation vector, shift, change of ln scale. limits: Tukey's width, and the least cosine of normals
    that agree; where they do not, nothing is added. poses, grid: see `cover`."""
    rotation, shift, scale = poses
    width, least_cosine = limits
    samples, row = grid[4], np.empty(7)
    system[:], right[:] = 0.0, 0.0
    for k in range(len(scale)):
        turn = rotation[k]
        for i in range(len(moving)):
            x, y, z = _turned(turn, moving[i, 0], moving[i, 1], moving[i, 2])
            x, y, z = scale[k] * x + shift[k, 0], scale[k] * y + shift[k, 1], scale[k] * z + shift[k, 2]
            near = _nearly_nearest(grid, x, y, z)
            to_x, to_y, to_z = samples[near, 0] - x, samples[near, 1] - y, samples[near, 2] - z
            short = 1.0 - (to_x * to_x + to_y * to_y + to_z * to_z) / width**2
            if short <= 0.0:
                continue
            a, b, c = samples[near, 3], samples[near, 4], samples[near, 5]
            u, v, w = _turned(turn, moving[i, 3], moving[i, 4], moving[i, 5])
            if a * u + b * v + c * w <= least_cosine:
                continue
            row[0], row[1], row[2] = y * c - z * b, z * a - x * c, x * b - y * a
            row[3], row[4], row[5], row[6] = a, b, c, x * a + y * b + z * c
            distance = to_x * a + to_y * b + to_z * c
            for p in range(7):
                weighted = short * short * row[p]
                right[k, p] += weighted * distance
                for q in range(p, 7):
                    system[k, p, q] += weighted * row[q]
        for p in range(7):
            for q in range(p):
                system[k, p, q] = system[k, q, p]
