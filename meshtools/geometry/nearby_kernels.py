"""Loops for `landing`: a face against the faces of another surface near it, cut into parts until it is settled. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled
from meshtools.geometry.landing_kernels import _add, _cut_place
from meshtools.geometry.triangle_kernels import FRAME, frame_of_triangle, squared_distance_within

MOST_NEARBY = 2048  # faces that one face is judged against
MOST_PARTS = 256  # parts that one face may be cut into before it is left open


@compiled
def group_by(keys: Any, n: int) -> Any:
    """Indices of keys (k,) in the order of their value, 0 to n - 1, and where each value starts (n + 1,)."""
    starts = np.zeros(n + 1, np.int64)
    for key in keys:
        starts[key + 1] += 1
    for value in range(n):
        starts[value + 1] += starts[value]
    place = starts[:-1].copy()
    order = np.empty(len(keys), np.int32)
    for i in range(len(keys)):
        order[place[keys[i]]] = i
        place[keys[i]] += 1
    return order, starts


@compiled
def _note(face: int, w: int, stamp: Any, nearby: Any, n: int, start: int) -> int:
    """Add a face to the list of the w-th wanted one, unless it is there or the list is full; returns the new length."""
    if stamp[face] == w or n - start >= MOST_NEARBY:
        return n
    stamp[face] = w
    nearby[n] = face
    return n + 1


@compiled
def _with_room(nearby: Any, n: int) -> Any:
    return nearby if n + MOST_NEARBY <= len(nearby) else np.concatenate((nearby, np.empty(len(nearby), np.int32)))


@compiled
def gather_at_corners(wanted: Any, faces: Any, at_corner: Any, landed_on: Any, fine_at: Any, n_fine: int) -> Any:
    """For coarse faces (k,): the fine faces at the vertices that land on one of them or on a face that shares a corner with it.

    at_corner, landed_on, fine_at: `group_by` of coarse corners by vertex, of fine vertices by the coarse face they land on, of fine corners by
    vertex. Returns the fine faces, and where those of each wanted face start (k + 1,).
    """
    stamp = np.full(n_fine, -1, np.int32)
    nearby, starts = np.empty(64 * len(wanted) + MOST_NEARBY, np.int32), np.zeros(len(wanted) + 1, np.int64)
    (corner_order, corner_starts), (landed_order, landed_starts), (fine_order, fine_starts) = at_corner, landed_on, fine_at
    n = 0
    for w in range(len(wanted)):
        nearby = _with_room(nearby, n)
        for k in range(3):
            vertex = faces[wanted[w], k]
            for i in range(corner_starts[vertex], corner_starts[vertex + 1]):
                ring = corner_order[i] // 3
                for j in range(landed_starts[ring], landed_starts[ring + 1]):
                    fine_vertex = landed_order[j]
                    for h in range(fine_starts[fine_vertex], fine_starts[fine_vertex + 1]):
                        n = _note(fine_order[h] // 3, w, stamp, nearby, n, starts[w])
        starts[w + 1] = n
    return nearby[:n], starts


@compiled
def nearest_landed(wanted: Any, coarse: Any, at_corner: Any, landed_on: Any, points: Any) -> Any:
    """For coarse faces (k,): of the fine vertices that land on a face sharing a corner with one, the nearest to its middle; -1 where none does.

    coarse: vertices and faces; at_corner, landed_on: as in `gather_at_corners`; points (n, 3): the fine vertices.
    """
    (vertices, faces), (corner_order, corner_starts), (landed_order, landed_starts) = coarse, at_corner, landed_on
    nearest = np.full(len(wanted), -1, np.int64)
    for w in range(len(wanted)):
        a, b, c = vertices[faces[wanted[w], 0]], vertices[faces[wanted[w], 1]], vertices[faces[wanted[w], 2]]
        x, y, z = (a[0] + b[0] + c[0]) / 3.0, (a[1] + b[1] + c[1]) / 3.0, (a[2] + b[2] + c[2]) / 3.0
        least = np.inf
        for k in range(3):
            corner = faces[wanted[w], k]
            for i in range(corner_starts[corner], corner_starts[corner + 1]):
                ring = corner_order[i] // 3
                for j in range(landed_starts[ring], landed_starts[ring + 1]):
                    v = landed_order[j]
                    squared = (points[v, 0] - x) ** 2 + (points[v, 1] - y) ** 2 + (points[v, 2] - z) ** 2
                    if squared < least or (squared == least and v < nearest[w]):
                        least, nearest[w] = squared, v
    return nearest


@compiled
def gather_at_landing(wanted: Any, fine_faces: Any, landed: Any, faces: Any, at_corner: Any) -> Any:
    """For fine faces (k,): the coarse faces that share a corner with one that their corners land on; returned as above."""
    stamp = np.full(len(faces), -1, np.int32)
    nearby, starts = np.empty(64 * len(wanted) + MOST_NEARBY, np.int32), np.zeros(len(wanted) + 1, np.int64)
    corner_order, corner_starts = at_corner
    n = 0
    for w in range(len(wanted)):
        nearby = _with_room(nearby, n)
        for k in range(3):
            face = landed[fine_faces[wanted[w], k]]
            for j in range(3):
                vertex = faces[face, j]
                for i in range(corner_starts[vertex], corner_starts[vertex + 1]):
                    n = _note(corner_order[i] // 3, w, stamp, nearby, n, starts[w])
        starts[w + 1] = n
    return nearby[:n], starts


@compiled
def _box_around(mesh: Any, face: int, margin: float, box: Any) -> None:
    """Set box (2, 3) to the lowest and highest coordinates of a face, and so much beyond."""
    vertices, faces = mesh
    a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
    for axis in range(3):
        box[0, axis] = min(vertices[a, axis], vertices[b, axis], vertices[c, axis]) - margin
        box[1, axis] = max(vertices[a, axis], vertices[b, axis], vertices[c, axis]) + margin


@compiled
def _is_outside(box: Any, vertices: Any, a: int, b: int, c: int) -> bool:
    """Whether a triangle lies beyond one side of the box."""
    for axis in range(3):
        low, high = box[0, axis], box[1, axis]
        if vertices[a, axis] < low and vertices[b, axis] < low and vertices[c, axis] < low:
            return True
        if vertices[a, axis] > high and vertices[b, axis] > high and vertices[c, axis] > high:
            return True
    return False


@compiled
def _frames_of(nearby: Any, box: Any, mesh: Any, frames: Any, balls: Any) -> int:
    """The frame of each face near by that is not outside the box (`triangle_kernels`), and its centre and radius; returns how many."""
    (vertices, faces), n = mesh, 0
    for face in nearby:
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        if n == len(frames) or _is_outside(box, vertices, a, b, c):
            continue
        frame_of_triangle(vertices, a, b, c, frames, n)
        for axis in range(3):
            balls[n, axis] = (vertices[a, axis] + vertices[b, axis] + vertices[c, axis]) / 3.0
        radius = 0.0
        for k in range(3):
            squared = 0.0
            for axis in range(3):
                squared += (vertices[faces[face, k], axis] - balls[n, axis]) ** 2
            radius = max(radius, squared)
        balls[n, 3] = np.sqrt(radius)
        n += 1
    return n


@compiled
def _nearest(x: float, y: float, z: float, n: int, balls: Any, frames: Any, first: int) -> int:
    """Place in the list of the face near by that is nearest to a point; first: a good guess, or -1."""
    best, found = np.inf, first
    if first >= 0:
        best = squared_distance_within(x, y, z, frames, first, np.inf)
    reach = np.sqrt(best)
    for i in range(n):
        dx, dy, dz = x - balls[i, 0], y - balls[i, 1], z - balls[i, 2]
        limit = reach + balls[i, 3]
        if i == first or dx * dx + dy * dy + dz * dz >= limit * limit:
            continue
        squared = squared_distance_within(x, y, z, frames, i, best)
        if squared < best:
            best, found, reach = squared, i, np.sqrt(squared)
    return found


@compiled
def _part_bound(stack: Any, top: int, around: Any, first: int, n: int, frames: Any, table: Any) -> float:
    """Least, over the faces from the first to the n-th, of the largest squared distance of the three corners of a part: the distance to a triangle is
    convex. Their columns of table (1, 3, k) are filled with the squared distances."""
    best = np.inf
    for g in range(first, n):
        worst = 0.0
        for k in range(3):
            table[0, k, g] = squared_distance_within(stack[top, k, 0], stack[top, k, 1], stack[top, k, 2], frames, around[g], np.inf)
            worst = max(worst, table[0, k, g])
        best = min(best, worst)
    return float(best)


@compiled
def _is_far(table: Any, n: int, limit: float) -> bool:
    """Whether a corner lies beyond the limit from all of n faces."""
    for k in range(3):
        least = np.inf
        for g in range(n):
            least = min(least, table[0, k, g])
        if least > limit:
            return True
    return False


@compiled
def prove_faces(wanted: Any, mesh: Any, other: Any, lists: Any, tolerance: float, upper: Any) -> None:
    """Show of some faces of a mesh that all of each lies within the tolerance of the other surface.

    wanted (k,): their numbers. mesh, other: vertices and faces; lists: faces of the other near to each wanted one, and where they start. upper
    (m,) is set to what was shown, infinite where nothing was. Faces farther than the tolerance from the box of a wanted one show nothing of it.
    """
    limit = tolerance * tolerance
    box, balls, frames = np.empty((2, 3)), np.empty((MOST_NEARBY, 4)), np.empty((MOST_NEARBY, FRAME))
    stack, near = np.empty((MOST_PARTS + 2, 3, 3)), np.empty((MOST_PARTS + 2, 3), np.int64)
    table, around, middle = np.empty((1, 3, 4)), np.empty(4, np.int64), np.empty(3)
    for w in range(len(wanted)):
        face = wanted[w]
        _box_around(mesh, face, tolerance, box)
        n = _frames_of(lists[0][lists[1][w] : lists[1][w + 1]], box, other, frames, balls)
        worst, top, n_parts = 0.0, 0, 1
        if n == 0:
            worst, top = np.inf, -1
        for k in range(3):
            for axis in range(3):
                stack[0, k, axis] = mesh[0][mesh[1][face, k], axis]
            near[0, k] = _nearest(stack[0, k, 0], stack[0, k, 1], stack[0, k, 2], n, balls, frames, -1)
        while top >= 0:
            for axis in range(3):
                middle[axis] = (stack[top, 0, axis] + stack[top, 1, axis] + stack[top, 2, axis]) / 3.0
            n_around = 0
            for k in range(3):
                n_around = _add(around, n_around, near[top, k])
            shown = _part_bound(stack, top, around, 0, n_around, frames, table)
            if shown > limit:
                first = n_around
                n_around = _add(around, n_around, _nearest(middle[0], middle[1], middle[2], n, balls, frames, near[top, 0]))
                shown = min(shown, _part_bound(stack, top, around, first, n_around, frames, table))
            if shown <= limit:
                worst = max(worst, shown)
                top -= 1
                continue
            if n_parts >= MOST_PARTS or _is_far(table, n_around, limit):
                worst = np.inf
                break
            i, j, share = _cut_place(stack, top, table, 0, n_around)
            n_parts += 1
            for k in range(3):
                for axis in range(3):
                    stack[top + 1, k, axis] = stack[top, k, axis]
                near[top + 1, k] = near[top, k]
            for axis in range(3):
                middle[axis] = stack[top, i, axis] + share * (stack[top, j, axis] - stack[top, i, axis])
                stack[top, i, axis] = stack[top + 1, j, axis] = middle[axis]
            near[top, i] = near[top + 1, j] = _nearest(middle[0], middle[1], middle[2], n, balls, frames, near[top, i])
            top += 1
        upper[face] = np.sqrt(worst)
