"""The parting surface of two-sided work: it follows the part's local mid-height and goes on smoothly beside it."""

from __future__ import annotations

import numpy as np

from meshtools.geometry.milled_reach import Sight
from meshtools.model import FloatArray, Mesh

KEPT_FREE = 0.3  # the surface stays this share of the local height away from the upper and the lower skin
MOST_NODES = 150_000  # it is laid on every second, third .. node where the grid has more
LEVELS = (16, 8, 4, 2, 1)
SWEEPS = (300, 60, 40, 30, 20)
PULL = 1.5  # over-relaxation; between 1 and 2


def lay_parting(sight: Sight) -> FloatArray:
    """Heights (n_x, n_y) of the parting surface along the sight's direction.

    Within the silhouette it lies in the middle part of the local height, so that it meets the outline where the part turns under; beyond,
    and where the height leaves room, it is a stretched skin (a discrete harmonic surface, successive over-relaxation from coarse to fine).
    """
    stride = max(1, int(np.ceil(np.sqrt(sight.top.size / MOST_NODES))))
    laid = _stretched(sight.top[::stride, ::stride], sight.bottom[::stride, ::stride])
    return laid if stride == 1 else _finer(laid, stride, sight.top.shape)


def _stretched(top: FloatArray, bottom: FloatArray) -> FloatArray:
    from meshtools.geometry.height_kernels import relax

    inside = np.isfinite(top)
    height = np.where(inside, top - bottom, 0.0)
    low = np.where(inside, bottom + KEPT_FREE * height, -np.inf)
    high = np.where(inside, top - KEPT_FREE * height, np.inf)
    laid = np.full((1, 1), float(np.mean((top[inside] + bottom[inside]) / 2.0)))
    before = 0
    for level, n_sweeps in zip(LEVELS, SWEEPS, strict=True):
        low_here, high_here = (np.ascontiguousarray(bounds[::level, ::level]) for bounds in (low, high))
        laid = np.full(low_here.shape, laid[0, 0]) if not before else _finer(laid, before // level, low_here.shape)
        relax(laid, low_here, high_here, n_sweeps, PULL)
        before = level
    return laid


def _finer(heights: FloatArray, factor: int, shape: tuple[int, ...]) -> FloatArray:
    """The same surface at every node in between, by straight lines; beyond the last node it stays level."""
    for axis in (0, 1):
        at = np.arange(shape[axis]) / factor
        first = np.minimum(at.astype(np.int64), heights.shape[axis] - 1)
        after = np.minimum(first + 1, heights.shape[axis] - 1)
        share = (at - first).clip(0.0, 1.0)
        share = share[:, None] if axis == 0 else share[None, :]
        heights = np.take(heights, first, axis=axis) * (1.0 - share) + np.take(heights, after, axis=axis) * share
    return np.ascontiguousarray(heights)


def height_at(sight: Sight, heights: FloatArray, local: FloatArray) -> FloatArray:
    """Height (n,) of a surface over the sight's grid at places (n, 2 or more) of its frame, by straight lines between nodes."""
    at = (local[:, :2] - sight.low) / sight.pitch_mm
    last = np.array(heights.shape) - 1
    at = at.clip(0.0, last)
    first = np.minimum(at.astype(np.int64), np.maximum(last - 1, 0))
    after = np.minimum(first + 1, last)
    u, v = (at - first).T
    near = heights[first[:, 0], first[:, 1]] * (1 - v) + heights[first[:, 0], after[:, 1]] * v
    far = heights[after[:, 0], first[:, 1]] * (1 - v) + heights[after[:, 0], after[:, 1]] * v
    return np.asarray(near * (1 - u) + far * u)


def parting_sheet(sight: Sight, heights: FloatArray, low: FloatArray, high: FloatArray, most_nodes: int = 20_000) -> Mesh:
    """The parting surface over a rectangle (2,) to (2,) of the sight's frame as an open sheet that faces the direction, in that frame.

    Beyond the sight's grid it goes on level.
    """
    size = high - low
    pitch = float(np.sqrt(size[0] * size[1] / most_nodes))
    rows, columns = (np.linspace(low[k], high[k], max(2, int(np.ceil(size[k] / pitch)))) for k in (0, 1))
    i, j = np.meshgrid(rows, columns, indexing="ij")
    places = np.stack([i.ravel(), j.ravel()], axis=1)
    vertices = np.column_stack([places, height_at(sight, heights, places)])
    number = np.arange(i.size).reshape(i.shape)
    a, b, c, d = (part.ravel() for part in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
    return Mesh.create(vertices, np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]))
