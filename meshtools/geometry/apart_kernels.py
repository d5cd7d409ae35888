"""Loops for `self_intersection`: which faces are surely apart from all others, but for corners and edges they share. They bring numba.

Two faces are apart where a plane has one of them on each side; a value counts as beside a plane only where it exceeds its own rounding
error a hundred times. What no such plane is found for is left to an exact decision.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

SURE = 1e-12  # of the product of lengths that a value comes from; its rounding error is below 1e-14 of that
# a tip nearer to the edge than this share of its side: rounding, 1e-16 of the side, may turn its height by more than 1e-10 ..
LEAST_HEIGHT = 1e-6
BEHIND = -1e-6  # .. and a cosine below this is behind by far more than such a turn
MOST_WAITING = 1 << 12  # pairs of boxes put aside at a time


@compiled
def _boxes_meet(boxes: Any, i: int, others: Any, j: int) -> bool:
    meet = True
    for axis in range(3):
        meet = meet and boxes[i, axis] <= others[j, 3 + axis] and others[j, axis] <= boxes[i, 3 + axis]
    return bool(meet)


@compiled
def boxes_of_faces(points: Any, faces: Any, order: Any) -> Any:
    """(m, 6) lowest and highest corner of the faces, in the order given."""
    boxes = np.empty((len(faces), 6))
    for i in range(len(order)):
        for axis in range(3):
            a, b, c = points[faces[order[i], 0], axis], points[faces[order[i], 1], axis], points[faces[order[i], 2], axis]
            boxes[i, axis], boxes[i, 3 + axis] = min(a, b, c), max(a, b, c)
    return boxes


@compiled
def _side(points: Any, origin: int, vertex: int, x: float, y: float, z: float) -> int:
    """+1 or -1 where a vertex is surely on that side of the plane through `origin` with the normal (x, y, z), else 0."""
    dx, dy, dz = points[vertex, 0] - points[origin, 0], points[vertex, 1] - points[origin, 1], points[vertex, 2] - points[origin, 2]
    value = dx * x + dy * y + dz * z
    room = SURE * np.sqrt((dx * dx + dy * dy + dz * dz) * (x * x + y * y + z * z))
    return int(value > room) - int(value < -room)


@compiled
def _normal(points: Any, a: int, b: int, c: int) -> Any:
    """Normal of three points, not of unit length, and the product of the lengths of the two edges it comes from."""
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    vx, vy, vz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
    size = np.sqrt((ux * ux + uy * uy + uz * uz) * (vx * vx + vy * vy + vz * vz))
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx, size


@compiled
def _side_of_face(points: Any, a: int, b: int, c: int, vertex: int) -> int:
    """+1 or -1 where a vertex is surely on that side of the plane of a face, else 0."""
    x, y, z, size = _normal(points, a, b, c)
    dx, dy, dz = points[vertex, 0] - points[a, 0], points[vertex, 1] - points[a, 1], points[vertex, 2] - points[a, 2]
    value, room = dx * x + dy * y + dz * z, SURE * size * np.sqrt(dx * dx + dy * dy + dz * dz)
    return int(value > room) - int(value < -room)


@compiled
def _apart_at_edge(points: Any, a: int, b: int, tip: int, other_tip: int) -> bool:
    """Faces with the common edge a, b: apart where they open by more than a right angle, or where one's tip is off the other's plane."""
    ex, ey, ez = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    ux, uy, uz = points[tip, 0] - points[a, 0], points[tip, 1] - points[a, 1], points[tip, 2] - points[a, 2]
    ee = ex * ex + ey * ey + ez * ez
    if ee > 0.0:
        share = (ux * ex + uy * ey + uz * ez) / ee
        x, y, z = ux - share * ex, uy - share * ey, uz - share * ez
        squared, room = x * x + y * y + z * z, LEAST_HEIGHT**2 * (ux * ux + uy * uy + uz * uz)
        # the plane holds the edge only to rounding: a tip counts as beside it where its height is far more than that
        wx, wy, wz = points[other_tip, 0] - points[a, 0], points[other_tip, 1] - points[a, 1], points[other_tip, 2] - points[a, 2]
        if squared > room and x * wx + y * wy + z * wz < BEHIND * np.sqrt(squared * (wx * wx + wy * wy + wz * wz)):
            return True
    return _side_of_face(points, a, b, tip, other_tip) != 0


@compiled
def _apart_at_corner(points: Any, at: int, a: int, b: int, c: int, d: int) -> bool:
    """Faces (at, a, b) and (at, c, d) with one common corner: apart where a plane through it has each wholly on one side."""
    x = y = z = 0.0
    for vertex, sign in ((a, 1.0), (b, 1.0), (c, -1.0), (d, -1.0)):
        dx, dy, dz = points[vertex, 0] - points[at, 0], points[vertex, 1] - points[at, 1], points[vertex, 2] - points[at, 2]
        length = np.sqrt(dx * dx + dy * dy + dz * dz)
        if length == 0.0:
            return False
        x, y, z = x + sign * dx / length, y + sign * dy / length, z + sign * dz / length
    is_before = _side(points, at, a, x, y, z) > 0 and _side(points, at, b, x, y, z) > 0
    if is_before and _side(points, at, c, x, y, z) < 0 and _side(points, at, d, x, y, z) < 0:
        return True
    side = _side_of_face(points, at, a, b, c)
    if side != 0 and _side_of_face(points, at, a, b, d) == side:
        return True
    side = _side_of_face(points, at, c, d, a)
    return bool(side != 0 and _side_of_face(points, at, c, d, b) == side)


@compiled
def _all_beside(points: Any, a: int, b: int, c: int, others: Any, row: int) -> bool:
    """Whether the corners of another face are surely all on one side of the plane of a, b, c."""
    side = _side_of_face(points, a, b, c, others[row, 0])
    if side == 0 or _side_of_face(points, a, b, c, others[row, 1]) != side:
        return False
    return bool(_side_of_face(points, a, b, c, others[row, 2]) == side)


@compiled
def _beyond_edge(points: Any, faces: Any, s: int, t: int) -> bool:
    """Whether face t is surely beyond one of the edges of face s, seen along the normal of s."""
    x, y, z, _ = _normal(points, faces[s, 0], faces[s, 1], faces[s, 2])
    for k in range(3):
        a, b = faces[s, k], faces[s, (k + 1) % 3]
        ex, ey, ez = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
        px, py, pz = y * ez - z * ey, z * ex - x * ez, x * ey - y * ex  # towards the tip; as a plain vector, whatever its rounding
        least, most = np.inf, -np.inf
        for j in range(3):
            own, other = faces[s, j], faces[t, j]
            value = (points[own, 0] - points[a, 0]) * px + (points[own, 1] - points[a, 1]) * py + (points[own, 2] - points[a, 2]) * pz
            least = min(least, value)
            value = (points[other, 0] - points[a, 0]) * px + (points[other, 1] - points[a, 1]) * py + (points[other, 2] - points[a, 2]) * pz
            most = max(most, value)
        reach = _reach(points, faces, a, s, t)
        if most < least - SURE * reach * np.sqrt(px * px + py * py + pz * pz):
            return True
    return False


@compiled
def _reach(points: Any, faces: Any, origin: int, s: int, t: int) -> float:
    """The largest distance of a corner of two faces from one point, or somewhat more."""
    reach = 0.0
    for k in range(3):
        for face in (s, t):
            vertex = faces[face, k]
            for axis in range(3):
                reach = max(reach, abs(points[vertex, axis] - points[origin, axis]))
    return float(2.0 * reach)


@compiled
def _are_apart(points: Any, faces: Any, s: int, t: int, own: Any, other: Any) -> bool:
    """Whether two faces surely meet in nothing but what they share. own, other (3,): room for their corners, the shared ones first."""
    n_shared = 0
    for k in range(3):
        own[k], other[k] = faces[s, k], faces[t, k]
    if own[0] == own[1] or own[1] == own[2] or own[2] == own[0] or other[0] == other[1] or other[1] == other[2] or other[2] == other[0]:
        return False
    for k in range(3):
        for j in range(n_shared, 3):
            if k >= n_shared and own[k] == other[j]:
                own[k], own[n_shared] = own[n_shared], own[k]
                other[j], other[n_shared] = other[n_shared], other[j]
                n_shared += 1
                break
    if n_shared == 3:
        return False
    if n_shared == 2:
        return _apart_at_edge(points, own[0], own[1], own[2], other[2])
    if n_shared == 1:
        return _apart_at_corner(points, own[0], own[1], own[2], other[1], other[2])
    if _all_beside(points, own[0], own[1], own[2], faces, t) or _all_beside(points, other[0], other[1], other[2], faces, s):
        return True
    return bool(_beyond_edge(points, faces, s, t) or _beyond_edge(points, faces, t, s))


@compiled
def faces_perhaps_meeting(points: Any, faces: Any, tree: Any, starts: Any) -> Any:
    """(m,) True for faces (m, 3) of which another one is not surely apart; of equal points there must be only one.

    tree: `tree.tree_over`, and `boxes_of_faces` in its order; starts (p, 2): pairs of nodes of one level, below which faces are looked at; the lower
    one first.
    """
    is_open = np.zeros(len(faces), np.bool_)
    order, nodes, boxes = tree
    m, k = len(faces), len(nodes) // 2
    waiting, own, other = np.empty((MOST_WAITING, 2), np.int64), np.empty(3, np.int64), np.empty(3, np.int64)
    n = len(starts)
    waiting[:n] = starts
    while n > 0:
        n -= 1
        i, j = waiting[n, 0], waiting[n, 1]
        if i != j and not _boxes_meet(nodes, i, nodes, j):
            continue
        if i < k:
            for first, second in ((2 * i, 2 * j), (2 * i + 1, 2 * j + 1), (2 * i, 2 * j + 1), (2 * i + 1, 2 * j)):
                if i != j or first <= second:
                    waiting[n, 0], waiting[n, 1] = first, second
                    n += 1
            continue
        for p in range((i - k) * m // k, (i - k + 1) * m // k):
            if i != j and not _boxes_meet(boxes, p, nodes, j):
                continue
            for q in range(p + 1 if i == j else (j - k) * m // k, (j - k + 1) * m // k):
                s, t = order[p], order[q]
                is_asked = _boxes_meet(boxes, p, boxes, q) and not (is_open[s] and is_open[t])
                if is_asked and not _are_apart(points, faces, s, t, own, other):
                    is_open[s] = is_open[t] = True
    return is_open
