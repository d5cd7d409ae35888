"""Loops for `landing`: a face against the faces of another surface near it, cut into parts until it is settled. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled
from meshtools.geometry.landing_kernels import _add, _cut_place, _piece_bound, squared_distance_to_triangle

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
def _balls(nearby: Any, n: int, vertices: Any, faces: Any, ball: Any) -> None:
    """Centre and radius of each fine face near by."""
    for i in range(n):
        corners = faces[nearby[i]]
        for axis in range(3):
            ball[i, axis] = (vertices[corners[0], axis] + vertices[corners[1], axis] + vertices[corners[2], axis]) / 3.0
        radius = 0.0
        for k in range(3):
            squared = 0.0
            for axis in range(3):
                squared += (vertices[corners[k], axis] - ball[i, axis]) ** 2
            radius = max(radius, squared)
        ball[i, 3] = np.sqrt(radius)


@compiled
def _nearest(point: Any, nearby: Any, n: int, ball: Any, vertices: Any, faces: Any, first: int) -> int:
    """The fine face near by that is nearest to a point; first: a good guess, or -1."""
    best, found = np.inf, -1
    if first >= 0:
        corners = faces[first]
        best, found = squared_distance_to_triangle(point, vertices[corners[0]], vertices[corners[1]], vertices[corners[2]]), first
    reach = np.sqrt(best)
    for i in range(n):
        x, y, z = point[0] - ball[i, 0], point[1] - ball[i, 1], point[2] - ball[i, 2]
        limit = reach + ball[i, 3]
        if x * x + y * y + z * z >= limit * limit:
            continue
        corners = faces[nearby[i]]
        squared = squared_distance_to_triangle(point, vertices[corners[0]], vertices[corners[1]], vertices[corners[2]])
        if squared < best:
            best, found, reach = squared, nearby[i], np.sqrt(squared)
    return found


@compiled
def prove_faces(wanted: Any, mesh: Any, other: Any, lists: Any, tolerance: float, upper: Any, failed_place: Any, failed_face: Any) -> None:
    """Show of some faces of a mesh that all of each lies within the tolerance of the other surface.

    wanted (k,): their numbers. mesh, other: vertices and faces; lists: faces of the other near to each wanted one, and where they start. upper
    (m,) is set to what was shown, infinite where nothing was; then failed_place (k, 3) to a point that no face near by comes near to,
    failed_face (k,) to the one nearest to it.
    """
    limit = tolerance * tolerance
    vertices, faces = other
    ball = np.empty((MOST_NEARBY, 4))
    stack, near = np.empty((MOST_PARTS + 2, 3, 3)), np.empty((MOST_PARTS + 2, 3), np.int64)
    table, around, middle = np.empty((3, 4)), np.empty(4, np.int64), np.empty(3)
    for w in range(len(wanted)):
        face, nearby = wanted[w], lists[0][lists[1][w] : lists[1][w + 1]]
        n = min(len(nearby), MOST_NEARBY)
        _balls(nearby, n, vertices, faces, ball)
        for k in range(3):
            stack[0, k] = mesh[0][mesh[1][face, k]]
            near[0, k] = _nearest(stack[0, k], nearby, n, ball, vertices, faces, -1)
        worst, top, n_parts = 0.0, 0, 1
        if n == 0:
            worst, top = np.inf, -1
            failed_place[w] = (stack[0, 0] + stack[0, 1] + stack[0, 2]) / 3.0
        while top >= 0:
            for axis in range(3):
                middle[axis] = (stack[top, 0, axis] + stack[top, 1, axis] + stack[top, 2, axis]) / 3.0
            n_around = _add(around, 0, near[top, 0])
            n_around = _add(around, n_around, near[top, 1])
            n_around = _add(around, n_around, near[top, 2])
            n_around = _add(around, n_around, _nearest(middle, nearby, n, ball, vertices, faces, near[top, 0]))
            shown = _piece_bound(stack, top, around, n_around, vertices, faces, table)
            if shown <= limit:
                worst = max(worst, shown)
                top -= 1
                continue
            far = -1
            for k in range(3):
                if table[k, :n_around].min() > limit and (far < 0 or table[k, :n_around].min() > table[far, :n_around].min()):
                    far = k
            if far >= 0 or n_parts >= MOST_PARTS:
                failed_place[w] = stack[top, far] if far >= 0 else middle
                failed_face[w] = near[top, max(far, 0)]
                worst = np.inf
                break
            i, j, share = _cut_place(stack, top, table, n_around)
            n_parts += 1
            for axis in range(3):
                middle[axis] = stack[top, i, axis] + share * (stack[top, j, axis] - stack[top, i, axis])
            found = _nearest(middle, nearby, n, ball, vertices, faces, near[top, i])
            for k in range(3):
                stack[top + 1, k] = stack[top, k]
                near[top + 1, k] = near[top, k]
            stack[top, i] = middle
            stack[top + 1, j] = middle
            near[top, i] = found
            near[top + 1, j] = found
            top += 1
        upper[face] = np.sqrt(worst)
