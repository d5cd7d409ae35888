"""Which diagonals of a flat loop run within its outline: faces on the others would lie on the skin beside the loop, or on each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray

FLAT_WITHIN = 0.01
"""A loop is flat whose points lie within this share of its mean width of one plane: a narrow band is soon too bent to be judged in a plane."""
CLEARANCE = 1e-4
"""A diagonal keeps this share of the loop's span from all points but its ends, so that rounding to 32 bits pushes it through none."""
MOST_AT_ONCE = 1 << 21


def flat_outline(points: FloatArray) -> FloatArray | None:
    """The points (k, 3) of a closed loop in its own plane (k, 2), to the left of which its inside lies; None where the loop is not flat."""
    own = points - points.mean(axis=0)
    normal = np.cross(own, np.roll(own, -1, axis=0)).sum(axis=0)
    length = float(np.sqrt(np.sum(normal**2)))
    span = float(np.sqrt((np.ptp(own, axis=0) ** 2).sum()))
    if length <= CLEARANCE * span**2:
        return None
    width = length / (2.0 * span)  # the normal is twice the area long
    if np.abs(own @ normal).max() > FLAT_WITHIN * width * length:
        return None
    first = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    first /= np.sqrt(np.sum(first**2))
    return np.column_stack([own @ first, own @ np.cross(normal / length, first)])


def is_within(outline: FloatArray, start: NDArray[np.int64], end: NDArray[np.int64], clearance: float) -> NDArray[np.bool_]:
    """(d,) True for the diagonals from start to end (d,), places in the outline (k, 2), that run inside it, cross none of its edges, and keep the
    clearance from its other points."""
    step = max(1, MOST_AT_ONCE // len(outline))
    parts = [_is_within(outline, start[k : k + step], end[k : k + step], clearance) for k in range(0, len(start), step)]
    return np.concatenate([*parts, np.zeros(0, dtype=bool)])


def outside_diagonals(outline: FloatArray, clearance: float) -> NDArray[np.bool_]:
    """(k, k) True for the diagonals that do not run within the outline (`is_within`); its edges are no diagonals."""
    k = len(outline)
    start, end = np.triu_indices(k, 2)
    is_inner = (start > 0) | (end < k - 1)
    start, end = start[is_inner], end[is_inner]
    result = np.zeros((k, k), dtype=bool)
    result[start, end] = result[end, start] = ~is_within(outline, start, end, clearance)
    return result


def _is_within(outline: FloatArray, start: NDArray[np.int64], end: NDArray[np.int64], clearance: float) -> NDArray[np.bool_]:
    k, row = len(outline), np.arange(len(start))
    is_at_end = np.zeros((len(start), k), dtype=bool)
    is_at_end[row, start] = is_at_end[row, end] = True
    way = outline[end] - outline[start]
    x, y = (outline[None, :, axis] - outline[start, None, axis] for axis in (0, 1))
    length = np.maximum(np.sqrt((way**2).sum(axis=1)), 1e-300)[:, None]
    off = (way[:, :1] * y - way[:, 1:] * x) / length  # to the left of the diagonal
    along = (way[:, :1] * x + way[:, 1:] * y) / length
    beyond = np.maximum(np.maximum(-along, along - length), 0.0)
    is_near = (off**2 + beyond**2 <= clearance**2) & ~is_at_end
    is_parted = _left_of_edges(outline, outline[start]) * _left_of_edges(outline, outline[end]) <= 0.0
    is_crossed = (off * np.roll(off, -1, axis=1) < 0.0) & is_parted  # an edge that ends on the diagonal is near it
    is_crossed &= ~(is_at_end | np.roll(is_at_end, -1, axis=1))
    return np.asarray(_starts_inside(outline, start, way) & ~(is_near | is_crossed).any(axis=1))


def _left_of_edges(outline: FloatArray, points: FloatArray) -> FloatArray:
    """(d, k) how far the points (d, 2) lie to the left of the outline's edges, times the edges' lengths."""
    edge = np.roll(outline, -1, axis=0) - outline
    return np.asarray(edge[:, 0] * (points[:, 1:] - outline[:, 1]) - edge[:, 1] * (points[:, :1] - outline[:, 0]))


def _starts_inside(outline: FloatArray, start: NDArray[np.int64], way: FloatArray) -> NDArray[np.bool_]:
    """(d,) True where the way (d, 2) from a corner points between its two edges, on the inside."""
    ahead = np.roll(outline, -1, axis=0)[start] - outline[start]
    back = np.roll(outline, 1, axis=0)[start] - outline[start]
    is_convex = _turn(ahead, back) > 0.0
    is_left, is_right = _turn(ahead, way) > 0.0, _turn(way, back) > 0.0
    return np.asarray(np.where(is_convex, is_left & is_right, is_left | is_right))


def _turn(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
