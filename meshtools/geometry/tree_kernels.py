"""Loops for `tree` and `distance`: a tree of boxes over triangles, and the nearest triangle to a point. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

LEAST_IN_LEAF = 3  # triangles in a leaf, and up to twice as many
DEEP = 64  # levels of a tree
MANY = 4096  # keys from which some are looked at first
ENOUGH_KEYS, BESIDE = 500, 25
SLIM = 1e-8  # of the product of two squared sides: a smaller squared area is not told well enough from none
ROUNDING = 1.000001  # a triangle is passed over only where it is farther by more than this
FLAT = 1e-24  # of the longer side's square squared: a triangle of no more squared area has none
ROUNDING_SQUARED = 1e-20  # of the sides squared: so little nothing is told apart by, and which of equal faces is found hangs on no order


@compiled
def box_of(vertices: Any, faces: Any) -> Any:
    """Lowest and highest corner (3,) of the box around the faces."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for t in range(len(faces)):
        for k in range(3):
            for axis in range(3):
                x = vertices[faces[t, k], axis]
                low[axis], high[axis] = min(low[axis], x), max(high[axis], x)
    return low, high


@compiled
def _first_pivots(middles: Any, start: int, end: int, place: int, axis: int) -> Any:
    """Two keys, below and above the one that comes to `place`, as far as some of middles[start:end] tell."""
    some = np.sort(middles[start : end : 1 + (end - start) // ENOUGH_KEYS, axis])
    middle = len(some) * (place - start) // (end - start)
    return some[max(middle - BESIDE, 0)], some[min(middle + BESIDE, len(some) - 1)]


@compiled
def _part_at(order: Any, middles: Any, start: int, end: int, place: int, axis: int) -> None:
    """Rearrange order[start:end], and the middles with it, so that none before `place` is higher along the axis than any from there on (Hoare 1961,
    FIND). The first two pivots of many are such that little is left between them."""
    low, high, n_done = start, end - 1, 0
    pivot = second = middles[(low + high) // 2, axis]
    if end - start > MANY:
        pivot, second = _first_pivots(middles, start, end, place, axis)
    while low < high:
        i, j = low, high
        while i <= j:
            while middles[i, axis] < pivot:
                i += 1
            while middles[j, axis] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                for k in range(3):
                    middles[i, k], middles[j, k] = middles[j, k], middles[i, k]
                i, j = i + 1, j - 1
        if place <= j:
            high, second = j, pivot
        elif place >= i:
            low = i
        else:
            return
        pivot, n_done = second if n_done == 0 and second > pivot else middles[(low + high) // 2, axis], 1


@compiled
def n_leaves(m: int) -> int:
    """Leaves of a tree over m triangles: a power of two."""
    k = 1
    while 2 * k * LEAST_IN_LEAF <= m:
        k *= 2
    return k


@compiled
def middles_of(vertices: Any, faces: Any) -> Any:
    """(m, 3) float32: three times the middle of each triangle."""
    middles = np.empty((len(faces), 3), np.float32)
    for t in range(len(faces)):
        for axis in range(3):
            middles[t, axis] = vertices[faces[t, 0], axis] + vertices[faces[t, 1], axis] + vertices[faces[t, 2], axis]
    return middles


@compiled
def _longest_axis(middles: Any, start: int, end: int) -> int:
    x, y, z = middles[start]
    low_x, high_x, low_y, high_y, low_z, high_z = x, x, y, y, z, z
    for i in range(start + 1, end):
        x, y, z = middles[i, 0], middles[i, 1], middles[i, 2]
        low_x, high_x, low_y, high_y, low_z, high_z = min(low_x, x), max(high_x, x), min(low_y, y), max(high_y, y), min(low_z, z), max(high_z, z)
    x, y, z = high_x - low_x, high_y - low_y, high_z - low_z
    return 0 if x >= y and x >= z else (1 if y >= z else 2)


@compiled
def order_below(order: Any, middles: Any, leaves: Any, widest: int, narrowest: int) -> None:
    """Put the triangles of the leaves (2,), from one to before the other, in order, and their middles with them: each node's half is parted from the
    other along the longest side of its middles. Nodes are looked at from `widest` leaves down to `narrowest`, both powers of two."""
    m, k = len(order), n_leaves(len(order))
    width = widest
    while width >= narrowest:
        for first in range(leaves[0], leaves[1], width):
            start, end, place = first * m // k, (first + width) * m // k, (first + width // 2) * m // k
            _part_at(order, middles, start, end, place, _longest_axis(middles, start, end))
        width //= 2


@compiled
def boxes_of_leaves(vertices: Any, faces: Any, order: Any, leaves: Any, boxes: Any) -> None:
    """Set the lowest and highest corner of the leaves (2,), from one to before the other, in boxes (2 k, 6): see `tree.tree_over`."""
    m, k = len(faces), len(boxes) // 2
    for leaf in range(leaves[0], leaves[1]):
        for axis in range(3):
            boxes[k + leaf, axis], boxes[k + leaf, 3 + axis] = np.inf, -np.inf
        for i in range(leaf * m // k, (leaf + 1) * m // k):
            for corner in range(3):
                for axis in range(3):
                    x = vertices[faces[order[i], corner], axis]
                    boxes[k + leaf, axis], boxes[k + leaf, 3 + axis] = min(boxes[k + leaf, axis], x), max(boxes[k + leaf, 3 + axis], x)


@compiled
def boxes_of_nodes(boxes: Any) -> None:
    """Set the boxes (2 k, 6) of all nodes from those of the leaves."""
    boxes[0, :3], boxes[0, 3:] = np.inf, -np.inf
    for node in range(len(boxes) // 2 - 1, 0, -1):
        for axis in range(3):
            boxes[node, axis] = min(boxes[2 * node, axis], boxes[2 * node + 1, axis])
            boxes[node, 3 + axis] = max(boxes[2 * node, 3 + axis], boxes[2 * node + 1, 3 + axis])


@compiled
def _gap(boxes: Any, node: int, x: float, y: float, z: float) -> float:
    """Squared distance of a point from a node's box."""
    dx, dy = max(boxes[node, 0] - x, x - boxes[node, 3], 0.0), max(boxes[node, 1] - y, y - boxes[node, 4], 0.0)
    dz = max(boxes[node, 2] - z, z - boxes[node, 5], 0.0)
    return float(dx * dx + dy * dy + dz * dz)


@compiled
def towards(x: float, y: float, z: float, vertices: Any, faces: Any, t: int, best: float) -> Any:
    """Squared distance of a point from a triangle, and the nearest point of that; infinite for some points that are seen to be farther than `best`:
    beyond a side they are at least as far as from its line in the plane. The plane of a slim triangle is rounding, so its sides are looked at too."""
    a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
    ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
    ux, uy, uz = vertices[b, 0] - ax, vertices[b, 1] - ay, vertices[b, 2] - az
    vx, vy, vz = vertices[c, 0] - ax, vertices[c, 1] - ay, vertices[c, 2] - az
    wx, wy, wz = x - ax, y - ay, z - az
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    area = uu * vv - uv * uv
    second, third = vv * wu - uv * wv, uu * wv - uv * wu
    nearest, qx, qy, qz = np.inf, 0.0, 0.0, 0.0
    if area > 0.0 and second >= 0.0 and third >= 0.0 and second + third <= area:
        second, third = second / area, third / area
        qx, qy, qz = second * ux + third * vx, second * uy + third * vy, second * uz + third * vz
        nearest = (wx - qx) ** 2 + (wy - qy) ** 2 + (wz - qz) ** 2
        if area > SLIM * uu * vv:
            return nearest, ax + qx, ay + qy, az + qz
    elif area > SLIM * uu * vv:
        first, room = area - second - third, (best * ROUNDING + ROUNDING_SQUARED * (uu + vv)) * area
        is_far = (second < 0.0 and second * second > room * vv) or (third < 0.0 and third * third > room * uu)
        if is_far or (first < 0.0 and first * first > room * (uu - 2.0 * uv + vv)):
            return np.inf, x, y, z
    share = min(max(wu / uu, 0.0), 1.0) if uu > 0.0 else 0.0
    px, py, pz = share * ux, share * uy, share * uz
    squared = (wx - px) ** 2 + (wy - py) ** 2 + (wz - pz) ** 2
    if squared < nearest:
        nearest, qx, qy, qz = squared, px, py, pz
    share = min(max(wv / vv, 0.0), 1.0) if vv > 0.0 else 0.0
    px, py, pz = share * vx, share * vy, share * vz
    squared = (wx - px) ** 2 + (wy - py) ** 2 + (wz - pz) ** 2
    if squared < nearest:
        nearest, qx, qy, qz = squared, px, py, pz
    tt, wt = uu - 2.0 * uv + vv, (wv - uv) - (wu - uu)  # from b to c
    share = min(max(wt / tt, 0.0), 1.0) if tt > 0.0 else 0.0
    px, py, pz = ux + share * (vx - ux), uy + share * (vy - uy), uz + share * (vz - uz)
    squared = (wx - px) ** 2 + (wy - py) ** 2 + (wz - pz) ** 2
    if squared < nearest:
        nearest, qx, qy, qz = squared, px, py, pz
    return nearest, ax + qx, ay + qy, az + qz


@compiled
def nearest_within(x: float, y: float, z: float, tree: Any, start: int, enough: float, stack: Any, gaps: Any) -> Any:
    """Squared distance of a point, its nearest triangle, of equally near ones the lowest, and the nearest point of that; or of the first triangle
    that is found to be as near as `enough` (squared, negative for none). The search begins around a triangle, which should be a near one: below the
    lowest node above it that has the point in its box, then beside that and beside the nodes above it.

    tree: vertices, faces, order, boxes, and where each face stands in the order; stack, gaps (DEEP,): room.
    """
    vertices, faces, order, boxes, place = tree
    m, k, found, levels = len(faces), len(boxes) // 2, start, 0
    while 1 << levels < k:
        levels += 1
    best, px, py, pz = towards(x, y, z, vertices, faces, found, np.inf)
    around = k + ((place[found] + 1) * k - 1) // m
    while around > 1 and _gap(boxes, around, x, y, z) > 0.0:
        around >>= 1
    top, stack[0], gaps[0] = 0, around, 0.0
    while top >= 0 and best > enough:
        node, gap = stack[top], gaps[top]
        top -= 1
        while gap <= best and node < k:
            near, far = 2 * node, 2 * node + 1
            near_gap, far_gap = _gap(boxes, near, x, y, z), _gap(boxes, far, x, y, z)
            if far_gap < near_gap:
                near, far, near_gap, far_gap = far, near, far_gap, near_gap
            if far_gap <= best:
                top += 1
                stack[top], gaps[top] = far, far_gap
            node, gap = near, near_gap
        if gap <= best:
            leaf = node - k
            for i in range(leaf * m >> levels, (leaf + 1) * m >> levels):
                t = order[i]
                distance, qx, qy, qz = towards(x, y, z, vertices, faces, t, best)
                if distance < best or (distance == best and t < found):
                    best, found, px, py, pz = distance, t, qx, qy, qz
        while top < 0 and around > 1:
            gap = _gap(boxes, around ^ 1, x, y, z)
            if gap <= best:
                top, stack[0], gaps[0] = 0, around ^ 1, gap
            around >>= 1
    return best, found, px, py, pz


@compiled
def nearest_triangles(points: Any, tree: Any, squared: Any, face: Any, place: Any) -> None:
    """Set the squared distance (n,) of each point, its nearest triangle (n,), of equally near ones the lowest, and the nearest point (n, 3)."""
    stack, gaps, found = np.empty(DEEP, np.int64), np.empty(DEEP), 0
    for p in range(len(points)):
        x, y, z = points[p]
        squared[p], found, place[p, 0], place[p, 1], place[p, 2] = nearest_within(x, y, z, tree, found, -1.0, stack, gaps)
        face[p] = found


@compiled
def near_triangles(points: Any, centre: Any, tree: Any, step: int, enough: float, squared: Any, face: Any) -> None:
    """As `nearest_triangles` for points less `centre` (3,), but any triangle will do that is as near as `enough` (squared). Every `step` points the
    search begins anew, so that what is found does not hang on where a thread begins, if that is at such a point."""
    stack, gaps, found = np.empty(DEEP, np.int64), np.empty(DEEP), 0
    for p in range(len(points)):
        if p % step == 0:
            found = 0
        x, y, z = points[p, 0] - centre[0], points[p, 1] - centre[1], points[p, 2] - centre[2]
        squared[p], found, _, _, _ = nearest_within(x, y, z, tree, found, enough, stack, gaps)
        face[p] = found


@compiled
def weigh_corners(points: Any, corners: Any, weights: Any) -> None:
    """Set weights (n, 3) >= 0 that sum to 1 and give points (n, 3) lying on the triangles `corners` (n, 3, 3). A triangle without area gives the
    weight to its corner nearest to the point."""
    for p in range(len(points)):
        ax, ay, az = corners[p, 0]
        ux, uy, uz = corners[p, 1, 0] - ax, corners[p, 1, 1] - ay, corners[p, 1, 2] - az
        vx, vy, vz = corners[p, 2, 0] - ax, corners[p, 2, 1] - ay, corners[p, 2, 2] - az
        wx, wy, wz = points[p, 0] - ax, points[p, 1] - ay, points[p, 2] - az
        uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
        wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
        area = uu * vv - uv * uv
        if area > FLAT * max(uu, vv) ** 2:
            second, third = (vv * wu - uv * wv) / area, (uu * wv - uv * wu) / area
            first = min(max(1.0 - second - third, 0.0), 1.0)
            second, third = min(max(second, 0.0), 1.0), min(max(third, 0.0), 1.0)
            total = first + second + third
            weights[p, 0], weights[p, 1], weights[p, 2] = first / total, second / total, third / total
            continue
        nearest, least = 0, np.inf
        for k in range(3):
            gap = (corners[p, k, 0] - points[p, 0]) ** 2 + (corners[p, k, 1] - points[p, 1]) ** 2 + (corners[p, k, 2] - points[p, 2]) ** 2
            if gap < least:
                nearest, least = k, gap
            weights[p, k] = 0.0
        weights[p, nearest] = 1.0
