"""Distances of many points from one triangle, with what they have in common worked out before. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled
from meshtools.geometry.tree_kernels import SLIM

ROUNDING = 1.000001  # a point is passed over only where it is farther by more than this
FRAME = 20  # numbers that `frame_of_triangle` sets


@compiled
def frame_of_triangle(points: Any, a: int, b: int, c: int, frames: Any, row: int) -> None:
    """Set what `squared_distance_within` needs of the triangle between three points: corner, both sides from there, normal, products and their
    inverses, 0 for none. That of the normal is 0 for a slim triangle, too, whose plane is rounding: it counts as its edges."""
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    vx, vy, vz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    nn, tt = nx * nx + ny * ny + nz * nz, uu - 2.0 * uv + vv
    frames[row, 0], frames[row, 1], frames[row, 2] = points[a, 0], points[a, 1], points[a, 2]
    frames[row, 3], frames[row, 4], frames[row, 5] = ux, uy, uz
    frames[row, 6], frames[row, 7], frames[row, 8] = vx, vy, vz
    frames[row, 9], frames[row, 10], frames[row, 11] = nx, ny, nz
    frames[row, 12], frames[row, 13], frames[row, 14], frames[row, 15] = uu, uv, vv, tt
    frames[row, 16], frames[row, 17] = 1.0 / uu if uu > 0.0 else 0.0, 1.0 / vv if vv > 0.0 else 0.0
    frames[row, 18], frames[row, 19] = 1.0 / tt if tt > 0.0 else 0.0, 1.0 / nn if nn > SLIM * uu * vv else 0.0


@compiled
def squared_height_over(x: float, y: float, z: float, frames: Any, row: int) -> float:
    """Squared distance of a point from the plane of a triangle, by its frame, where its foot lies inside the triangle; infinite elsewhere."""
    wx, wy, wz = x - frames[row, 0], y - frames[row, 1], z - frames[row, 2]
    wu = wx * frames[row, 3] + wy * frames[row, 4] + wz * frames[row, 5]
    wv = wx * frames[row, 6] + wy * frames[row, 7] + wz * frames[row, 8]
    uu, uv, vv = frames[row, 12], frames[row, 13], frames[row, 14]
    second, third = vv * wu - uv * wv, uu * wv - uv * wu
    if frames[row, 19] > 0.0 and second > 0.0 and third > 0.0 and second + third < uu * vv - uv * uv:
        height = frames[row, 9] * wx + frames[row, 10] * wy + frames[row, 11] * wz
        return float(height * height * frames[row, 19])
    return float(np.inf)


@compiled
def squared_distance_within(x: float, y: float, z: float, frames: Any, row: int, best: float) -> float:
    """Squared distance of a point from a triangle, by its frame; infinite for some points that are seen at once to be farther than `best`.

    To the plane where the foot lies inside, else to the nearest edge. A point beyond an edge is at least as far as from the edge's line in the
    plane, which is known before anything is divided.
    """
    wx, wy, wz = x - frames[row, 0], y - frames[row, 1], z - frames[row, 2]
    wu = wx * frames[row, 3] + wy * frames[row, 4] + wz * frames[row, 5]
    wv = wx * frames[row, 6] + wy * frames[row, 7] + wz * frames[row, 8]
    uu, uv, vv, tt = frames[row, 12], frames[row, 13], frames[row, 14], frames[row, 15]
    area = uu * vv - uv * uv
    second, third = vv * wu - uv * wv, uu * wv - uv * wu
    first = area - second - third
    if area > 0.0 and frames[row, 19] > 0.0:
        if second > 0.0 and third > 0.0 and first > 0.0:
            height = frames[row, 9] * wx + frames[row, 10] * wy + frames[row, 11] * wz
            return float(height * height * frames[row, 19])
        room = best * area * ROUNDING
        is_far = (second < 0.0 and second * second > room * vv) or (third < 0.0 and third * third > room * uu)
        if is_far or (first < 0.0 and first * first > room * tt):
            return float(np.inf)
    ww = wx * wx + wy * wy + wz * wz
    share = min(max(wu * frames[row, 16], 0.0), 1.0)
    nearest = ww + share * (share * uu - 2.0 * wu)
    share = min(max(wv * frames[row, 17], 0.0), 1.0)
    nearest = min(nearest, ww + share * (share * vv - 2.0 * wv))
    wt = (wv - uv) - (wu - uu)  # along c - b, seen from b
    share = min(max(wt * frames[row, 18], 0.0), 1.0)
    nearest = min(nearest, ww - 2.0 * wu + uu + share * (share * tt - 2.0 * wt))
    return float(max(nearest, 0.0))


@compiled
def squared_side(parts: Any, top: int, i: int, j: int) -> float:
    """Squared distance between two points of a part; parts (k, n, 3)."""
    x, y, z = parts[top, j, 0] - parts[top, i, 0], parts[top, j, 1] - parts[top, i, 1], parts[top, j, 2] - parts[top, i, 2]
    return float(x * x + y * y + z * z)
