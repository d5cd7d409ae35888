"""Loop for `rays`: how far a ray goes until it meets a triangle. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

DEEP = 64  # levels of a tree
ROUNDING = 1.0 + 1e-12
STEEP = 1e300  # stands for one over nothing


@compiled
def way_to(vertices: Any, faces: Any, t: int, x: float, y: float, z: float, dx: float, dy: float, dz: float) -> float:
    """How far a ray goes to a triangle (Möller and Trumbore 1997, Journal of Graphics Tools 2:21); infinite where it passes by."""
    a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
    ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
    ux, uy, uz = vertices[b, 0] - ax, vertices[b, 1] - ay, vertices[b, 2] - az
    vx, vy, vz = vertices[c, 0] - ax, vertices[c, 1] - ay, vertices[c, 2] - az
    px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
    scale = ux * px + uy * py + uz * pz
    tx, ty, tz = x - ax, y - ay, z - az
    side = 1.0 if scale > 0.0 else -1.0
    second = (tx * px + ty * py + tz * pz) * side
    if scale == 0.0 or second < 0.0 or second > scale * side:
        return np.inf
    qx, qy, qz = ty * uz - tz * uy, tz * ux - tx * uz, tx * uy - ty * ux
    third = (dx * qx + dy * qy + dz * qz) * side
    if third < 0.0 or second + third > scale * side:
        return np.inf
    length = (vx * qx + vy * qy + vz * qz) * (1.0 / scale)
    return length if length > 0.0 else np.inf


@compiled
def _way_into(boxes: Any, node: int, x: float, y: float, z: float, ix: float, iy: float, iz: float) -> float:
    """How far a ray goes until it is in a box; infinite where it never is. ix, iy, iz: one over its direction."""
    x0, x1 = (boxes[node, 0] - x) * ix, (boxes[node, 3] - x) * ix
    y0, y1 = (boxes[node, 1] - y) * iy, (boxes[node, 4] - y) * iy
    z0, z1 = (boxes[node, 2] - z) * iz, (boxes[node, 5] - z) * iz
    first = max(max(min(x0, x1), min(y0, y1)), max(min(z0, z1), 0.0))
    last = min(min(max(x0, x1), max(y0, y1)), max(z0, z1))
    return first if first <= last * ROUNDING else np.inf


@compiled
def meet_triangles(starts: Any, ways: Any, vertices: Any, faces: Any, order: Any, boxes: Any, is_any: bool, lengths: Any) -> None:
    """Set how far (n,) each ray goes until it meets a triangle, infinite where never. order, boxes: see `tree.tree_over`. is_any: any triangle on its
    way will do, not just the first."""
    m, k = len(faces), len(boxes) // 2
    stack, begins = np.empty(DEEP, np.int64), np.empty(DEEP)
    for ray in range(len(starts)):
        x, y, z, dx, dy, dz = starts[ray, 0], starts[ray, 1], starts[ray, 2], ways[ray, 0], ways[ray, 1], ways[ray, 2]
        ix, iy, iz = 1.0 / dx if dx != 0.0 else STEEP, 1.0 / dy if dy != 0.0 else STEEP, 1.0 / dz if dz != 0.0 else STEEP
        best, top, stack[0], begins[0] = np.inf, 0, 1, _way_into(boxes, 1, x, y, z, ix, iy, iz)
        while top >= 0 and not (is_any and best < np.inf):
            node, begin = stack[top], begins[top]
            top -= 1
            while node < k and begin < best:
                node *= 2
                begin, far_begin, far = _way_into(boxes, node, x, y, z, ix, iy, iz), _way_into(boxes, node + 1, x, y, z, ix, iy, iz), node + 1
                if far_begin < begin:
                    node, begin, far, far_begin = far, far_begin, node, begin
                if far_begin < best:
                    top += 1
                    stack[top], begins[top] = far, far_begin
            if begin < best:
                for i in range((node - k) * m // k, (node - k + 1) * m // k):
                    best = min(best, way_to(vertices, faces, order[i], x, y, z, dx, dy, dz))
        lengths[ray] = best
