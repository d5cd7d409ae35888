"""The loop for `nearness`: which triangles have a point within reach of others. It brings numba, see `compiled`.

Of two triangles that do not meet, two nearest points are a corner of one and a point of the other, or lie on an edge of each.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.across_kernels import between_segments
from meshtools.geometry.compiled import compiled
from meshtools.geometry.ray_kernels import way_to
from meshtools.geometry.tree_kernels import DEEP, SLIM, towards


@compiled
def _plane_of(points: Any, faces: Any, t: int) -> Any:
    """Unit normal of a triangle and where its plane lies along it; the normal is zero where the triangle is so slim that rounding turns it."""
    a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    vx, vy, vz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
    x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    squared = x * x + y * y + z * z
    size = 1.0 / np.sqrt(squared) if squared > SLIM * (ux * ux + uy * uy + uz * uz) * (vx * vx + vy * vy + vz * vz) else 0.0
    x, y, z = x * size, y * size, z * size
    return x, y, z, points[a, 0] * x + points[a, 1] * y + points[a, 2] * z


@compiled
def _is_beyond(boxes: Any, node: int, points: Any, faces: Any, t: int, plane: Any, reach: float) -> bool:
    """Whether a box is farther than the reach from the triangle's own box, or from its plane."""
    x, y, z, place = plane
    wide = along = 0.0
    for axis, way in ((0, x), (1, y), (2, z)):
        p, q, r = points[faces[t, 0], axis], points[faces[t, 1], axis], points[faces[t, 2], axis]
        low, high = boxes[node, axis], boxes[node, 3 + axis]
        if low > max(p, q, r) + reach or high < min(p, q, r) - reach:
            return True
        wide, along = wide + abs(way) * (high - low) / 2.0, along + way * (low + high) / 2.0
    return bool(abs(along - place) > wide + reach)


@compiled
def _is_pierced(points: Any, faces: Any, s: int, others: Any, t: int) -> bool:
    """Whether an edge of face s goes through face t."""
    for k in range(3):
        a, b = faces[s, k], faces[s, (k + 1) % 3]
        dx, dy, dz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
        if way_to(points, others, t, points[a, 0], points[a, 1], points[a, 2], dx, dy, dz) <= 1.0:
            return True
    return False


@compiled
def _is_within(points: Any, faces: Any, s: int, others: Any, t: int, squared: float) -> bool:
    """Whether two triangles have points whose squared distance is at most this."""
    for k in range(3):
        a, b = faces[s, k], others[t, k]
        if towards(points[a, 0], points[a, 1], points[a, 2], points, others, t, squared)[0] <= squared:
            return True
        if towards(points[b, 0], points[b, 1], points[b, 2], points, faces, s, squared)[0] <= squared:
            return True
    for k in range(3):
        for j in range(3):
            if between_segments(points, faces[s, k], faces[s, (k + 1) % 3], points, others[t, j], others[t, (j + 1) % 3]) <= squared:
                return True
    return _is_pierced(points, faces, s, others, t) or _is_pierced(points, others, t, faces, s)


@compiled
def faces_within(points: Any, faces: Any, others: Any, tree: Any, reach: float, is_near: Any) -> None:
    """Set (k,) whether each face (k, 3) has a point within reach of one of the others (m, 3). tree: order and boxes over these (`tree.tree_over`)."""
    order, boxes = tree
    m, n_leaves = len(others), len(boxes) // 2
    stack = np.empty(DEEP, np.int64)
    for s in range(len(faces)):
        plane = _plane_of(points, faces, s)
        top, stack[0], is_near[s] = 0, 1, False
        while top >= 0 and not is_near[s]:
            node = stack[top]
            top -= 1
            if _is_beyond(boxes, node, points, faces, s, plane, reach):
                continue
            if node < n_leaves:
                stack[top + 1], stack[top + 2] = 2 * node, 2 * node + 1
                top += 2
                continue
            leaf = node - n_leaves
            for i in range(leaf * m // n_leaves, (leaf + 1) * m // n_leaves):
                if _is_within(points, faces, s, others, order[i], reach * reach):
                    is_near[s] = True
                    break
