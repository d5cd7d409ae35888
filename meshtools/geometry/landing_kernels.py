"""Loops over faces for `landing`: how near one surface lies to another, face by face. Import this only where it is used: it brings numba."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

MOST_FACES = 12  # coarse faces that one fine face is judged against: the three it lands on, and their neighbours
MOST_PIECES = 24  # parts that one fine face may be cut into before it is left open
FIRST_LENGTH = 1024  # of a list that grows as it fills
TOUCH = 1e-9  # a landing point this little beyond an edge, in barycentric weight, counts as on it
PROBE_SECOND, PROBE_THIRD = 0.3293, 0.3336  # the point of a coarse face at which the cover is counted, off all symmetric places


@compiled
def squared_distance_to_triangle(p: Any, a: Any, b: Any, c: Any) -> float:
    """Squared distance of point p (3,) from the triangle a, b, c: to its plane where the foot lies inside, else to the nearest edge."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    wx, wy, wz = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    area = uu * vv - uv * uv
    second, third = vv * wu - uv * wv, uu * wv - uv * wu
    if area > 0.0 and second > 0.0 and third > 0.0 and second + third < area:
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        height = nx * wx + ny * wy + nz * wz
        return float(height * height / (nx * nx + ny * ny + nz * nz))
    ww = wx * wx + wy * wy + wz * wz
    share = min(max(wu / uu, 0.0), 1.0) if uu > 0.0 else 0.0
    best = ww + share * (share * uu - 2.0 * wu)
    share = min(max(wv / vv, 0.0), 1.0) if vv > 0.0 else 0.0
    best = min(best, ww + share * (share * vv - 2.0 * wv))
    tt, wt = uu - 2.0 * uv + vv, (wv - uv) - (wu - uu)  # t = c - b, seen from b
    share = min(max(wt / tt, 0.0), 1.0) if tt > 0.0 else 0.0
    best = min(best, ww - 2.0 * wu + uu + share * (share * tt - 2.0 * wt))
    return float(max(best, 0.0))


@compiled
def _add(known: Any, n: int, face: int) -> int:
    """Put a face into a short list unless it is there or the list is full; returns the new length."""
    if face < 0 or n >= len(known):
        return n
    for k in range(n):
        if known[k] == face:
            return n
    known[n] = face
    return n + 1


@compiled
def _faces_around(faces: Any, n: int, landed: Any, neighbours: Any) -> int:
    """The coarse faces to judge a fine one against: those that its corners land on, then their neighbours."""
    for k in range(3):
        n = _add(faces, n, landed[k])
    for k in range(n):
        for j in range(3):
            n = _add(faces, n, neighbours[faces[k], j])
    return n


@compiled
def _piece_bound(stack: Any, top: int, faces: Any, n: int, vertices: Any, triangles: Any, table: Any) -> float:
    """Least, over n coarse faces, of the largest squared distance of the three corners: the distance to a triangle is convex.

    table (3, n) is filled with the squared distances.
    """
    best = np.inf
    for g in range(n):
        face = triangles[faces[g]]
        worst = 0.0
        for k in range(3):
            table[k, g] = squared_distance_to_triangle(stack[top, k], vertices[face[0]], vertices[face[1]], vertices[face[2]])
            worst = max(worst, table[k, g])
        best = min(best, worst)
    return float(best)


@compiled
def _shown_by_one(stack: Any, top: int, faces: Any, n: int, vertices: Any, triangles: Any, limit: float) -> float:
    """Largest squared distance of the three corners to the first of n coarse faces that all of them are near to; infinite without one."""
    for g in range(n):
        face = triangles[faces[g]]
        worst = 0.0
        for k in range(3):
            worst = max(worst, squared_distance_to_triangle(stack[top, k], vertices[face[0]], vertices[face[1]], vertices[face[2]]))
            if worst > limit:
                break
        if worst <= limit:
            return worst
    return float(np.inf)


@compiled
def _cut_place(stack: Any, top: int, table: Any, n: int) -> Any:
    """Where to cut a piece: between two corners with different nearest faces, where both are about equally near; else in the middle of
    the longest edge. Returns (corner, next corner, share)."""
    nearest = np.zeros(3, np.int64)
    for k in range(3):
        for g in range(1, n):
            if table[k, g] < table[k, nearest[k]]:
                nearest[k] = g
    chosen, longest, is_split = 0, -1.0, False
    for k in range(3):
        j = (k + 1) % 3
        length = 0.0
        for axis in range(3):
            length += (stack[top, k, axis] - stack[top, j, axis]) ** 2
        differs = nearest[k] != nearest[j]
        if (differs and not is_split) or (differs == is_split and length > longest):
            chosen, longest, is_split = k, length, differs
    other = (chosen + 1) % 3
    if not is_split:
        return chosen, other, 0.5
    here, there = nearest[chosen], nearest[other]
    excess = np.sqrt(table[chosen, there]) - np.sqrt(table[chosen, here])
    other_excess = np.sqrt(table[other, here]) - np.sqrt(table[other, there])
    share = excess / (excess + other_excess) if excess + other_excess > 0.0 else 0.5
    return chosen, other, min(max(share, 0.1), 0.9)


@compiled
def prove_fine_faces(
    fine_vertices: Any, fine_faces: Any, is_todo: Any, landed: Any, vertices: Any, triangles: Any, neighbours: Any, tolerance: float, upper: Any
) -> int:
    """Show of fine faces that all of each lies within the tolerance of the coarse surface; returns how many were not shown.

    landed (n,): the coarse face nearest to each fine vertex. upper (m,): set to the distance that was shown, infinite where nothing was.
    A face is cut into parts, each near to one coarse face at all of its corners.
    """
    limit = tolerance * tolerance
    around = np.empty(MOST_FACES, np.int64)
    table = np.empty((3, MOST_FACES))
    stack = np.empty((MOST_PIECES + 2, 3, 3))
    corners = np.empty(3, np.int64)
    n_open = 0
    for t in range(len(fine_faces)):
        if not is_todo[t]:
            continue
        for k in range(3):
            corners[k] = landed[fine_faces[t, k]]
            for axis in range(3):
                stack[0, k, axis] = fine_vertices[fine_faces[t, k], axis]
        n_first = _add(around, 0, corners[0])
        n_first = _add(around, n_first, corners[1])
        n_first = _add(around, n_first, corners[2])
        shown = _shown_by_one(stack, 0, around, n_first, vertices, triangles, limit)
        if shown <= limit:
            upper[t] = np.sqrt(shown)
            continue
        n = _faces_around(around, 0, corners, neighbours)
        worst, top, n_pieces = 0.0, 0, 1
        while top >= 0:
            shown = _shown_by_one(stack, top, around, n, vertices, triangles, limit)
            if shown <= limit:
                worst = max(worst, shown)
                top -= 1
                continue
            _piece_bound(stack, top, around, n, vertices, triangles, table)
            is_far = False
            for k in range(3):
                is_far = is_far or table[k, :n].min() > limit
            if is_far or n_pieces >= MOST_PIECES:
                worst = np.inf
                break
            i, j, share = _cut_place(stack, top, table, n)
            n_pieces += 1
            for axis in range(3):
                middle = stack[top, i, axis] + share * (stack[top, j, axis] - stack[top, i, axis])
                for k in range(3):
                    stack[top + 1, k, axis] = stack[top, k, axis]
                stack[top, i, axis] = middle
                stack[top + 1, j, axis] = middle
            top += 1
        upper[t] = np.sqrt(worst)
        n_open += worst == np.inf
    return n_open


@compiled
def face_neighbours(faces: Any, n_vertices: int) -> Any:
    """(m, 3) int32: the face across the edge from corner k to the next, -1 on a rim, -2 where the edge has more than two faces."""
    m = len(faces)
    starts = np.zeros(n_vertices + 1, np.int64)
    for t in range(m):
        for k in range(3):
            starts[min(faces[t, k], faces[t, (k + 1) % 3]) + 1] += 1
    for v in range(n_vertices):
        starts[v + 1] += starts[v]
    place = starts[:-1].copy()
    half_edges = np.empty(3 * m, np.int32)
    for t in range(m):
        for k in range(3):
            low = min(faces[t, k], faces[t, (k + 1) % 3])
            half_edges[place[low]] = 3 * t + k
            place[low] += 1
    across = np.full((m, 3), -1, np.int32)
    for v in range(n_vertices):
        for i in range(starts[v], starts[v + 1]):
            h = half_edges[i]
            high = max(faces[h // 3, h % 3], faces[h // 3, (h % 3 + 1) % 3])
            n_same, other = 0, -1
            for j in range(starts[v], starts[v + 1]):
                g = half_edges[j]
                if g != h and max(faces[g // 3, g % 3], faces[g // 3, (g % 3 + 1) % 3]) == high:
                    n_same += 1
                    other = g
            if n_same == 1:
                across[h // 3, h % 3] = other // 3
            elif n_same > 1:
                across[h // 3, h % 3] = -2
    return across


@compiled
def coarse_frames(vertices: Any, faces: Any) -> Any:
    """(m, 12) of each coarse face: first corner, unit normal, and the vectors that give the second and third barycentric weight; NaN where
    a face is flat."""
    frames = np.empty((len(faces), 12))
    for t in range(len(faces)):
        a, b, c = vertices[faces[t, 0]], vertices[faces[t, 1]], vertices[faces[t, 2]]
        u, v = b - a, c - a
        normal = np.cross(u, v)
        squared = np.sum(normal * normal)
        if not squared > 1e-16 * max(np.sum(u * u), np.sum(v * v)) ** 2:
            frames[t] = np.nan
            continue
        frames[t, 0:3] = a
        frames[t, 3:6] = normal / np.sqrt(squared)
        frames[t, 6:9] = np.cross(v, normal) / squared
        frames[t, 9:12] = np.cross(normal, u) / squared
    return frames


@compiled
def _largest_over_face(polygon: Any, spare: Any) -> float:
    """Largest offset of a carried face within the coarse one; -1 where it lies outside.

    polygon (7, 6): corners as barycentric weights in the coarse face and the offset vector from the carried to the fine point, three to begin
    with. It is clipped by one edge after the other; an offset is linear over a face, so its length is largest at a corner.
    """
    n = 3
    for edge in range(3):
        m = 0
        for i in range(n):
            j = (i + 1) % n
            side, next_side = polygon[i, edge], polygon[j, edge]
            if side > -TOUCH:
                spare[m] = polygon[i]
                m += 1
            if (side > -TOUCH) != (next_side > -TOUCH):
                share = min(max(side / (side - next_side), 0.0), 1.0)
                for axis in range(6):
                    spare[m, axis] = polygon[i, axis] + share * (polygon[j, axis] - polygon[i, axis])
                m += 1
        n = m
        polygon[:n] = spare[:n]
    largest = -1.0
    for i in range(n):
        largest = max(largest, polygon[i, 3] ** 2 + polygon[i, 4] ** 2 + polygon[i, 5] ** 2)
    return float(np.sqrt(largest)) if largest >= 0.0 else -1.0


@compiled
def _covers_probe(weights: Any) -> int:
    """+1 or -1 where the carried face lies over the probe, by the way it turns; else 0."""
    n_left, n_right = 0, 0
    for i in range(3):
        j = (i + 1) % 3
        turn = (weights[i, 1] - PROBE_SECOND) * (weights[j, 2] - PROBE_THIRD) - (weights[j, 1] - PROBE_SECOND) * (weights[i, 2] - PROBE_THIRD)
        n_left += turn > 0.0
        n_right += turn < 0.0
    return (n_left == 3) - (n_right == 3)


@compiled
def _edge_enters(weights: Any, i: int) -> bool:
    """True where the edge from corner i to the next is not shown to stay off the inside of the coarse face."""
    j = (i + 1) % 3
    low, high = 0.0, 1.0
    for k in range(3):
        start, step = weights[i, k], weights[j, k] - weights[i, k]
        if step == 0.0:
            if start <= TOUCH:
                return False
        elif step > 0.0:
            low = max(low, (TOUCH - start) / step)
        else:
            high = min(high, (TOUCH - start) / step)
    return low < high


@compiled
def _carry_over(row: int, target: int, fine: Any, landing: Any, frames: Any, found: Any, work: Any) -> None:
    """Take one fine face into the patch of a coarse one: its barycentric weights (3 corners, 3) go into work, what it shows into found."""
    (vertices, faces), (_, point), (upper, count, _) = fine, landing, found
    weights, polygon, spare = work
    for k in range(3):
        v = faces[row, k]
        x, y, z = point[v, 0] - frames[target, 0], point[v, 1] - frames[target, 1], point[v, 2] - frames[target, 2]
        height = x * frames[target, 3] + y * frames[target, 4] + z * frames[target, 5]
        weights[k, 1] = x * frames[target, 6] + y * frames[target, 7] + z * frames[target, 8]
        weights[k, 2] = x * frames[target, 9] + y * frames[target, 10] + z * frames[target, 11]
        weights[k, 0] = 1.0 - weights[k, 1] - weights[k, 2]
        for axis in range(3):
            polygon[k, axis] = weights[k, axis]
            polygon[k, 3 + axis] = point[v, axis] - height * frames[target, 3 + axis] - vertices[v, axis]
    upper[target] = max(upper[target], _largest_over_face(polygon, spare))
    count[target] += _covers_probe(weights)


@compiled
def _lands_on(faces: Any, row: int, landed: Any, target: int) -> bool:
    return bool(landed[faces[row, 0]] == target or landed[faces[row, 1]] == target or landed[faces[row, 2]] == target)


@compiled
def _take_in(row: int, target: int, fine: Any, across: Any, landing: Any, frames: Any, found: Any, work: Any, growth: Any, n: int) -> Any:
    """Carry one fine face over to a coarse one, and list the pairs by which the patch must grow; returns the list and its length."""
    faces, landed, is_spoilt = fine[1], landing[0], found[2]
    _carry_over(row, target, fine, landing, frames, found, work)
    for i in range(3):
        if not _edge_enters(work[0], i):
            continue
        beyond = across[row, i]
        if beyond < 0:
            is_spoilt[target] = True
        elif not _lands_on(faces, beyond, landed, target):
            if n == len(growth):
                growth = np.concatenate((growth, np.empty((n, 2), np.int64)))
            growth[n, 0], growth[n, 1] = beyond, target
            n += 1
    return growth, n


@compiled
def cover_first(fine: Any, across: Any, landing: Any, frames: Any, is_wanted: Any, found: Any) -> Any:
    """Every fine face into the patch of each wanted coarse face that one of its corners lands on.

    fine: vertices and faces; landing: coarse face (n,) and point (n, 3) of each vertex; found: of each coarse face the distance shown so far,
    the number of times covered, and whether the proof is spoilt. Returns (k, 2) int64: pairs of a fine and a coarse face by which patches
    must grow, because an edge between them enters the coarse face.
    """
    growth, n = np.empty((FIRST_LENGTH, 2), np.int64), 0
    work = np.empty((3, 3)), np.empty((7, 6)), np.empty((7, 6))
    faces, landed = fine[1], landing[0]
    for row in range(len(faces)):
        for k in range(3):
            target = landed[faces[row, k]]
            is_seen = (k > 0 and landed[faces[row, 0]] == target) or (k > 1 and landed[faces[row, 1]] == target)
            if is_wanted[target] and not is_seen:
                growth, n = _take_in(row, target, fine, across, landing, frames, found, work, growth, n)
    return growth[:n]


@compiled
def cover_more(pairs: Any, fine: Any, across: Any, landing: Any, frames: Any, found: Any) -> Any:
    """The same for given pairs (k, 2) of a fine and a coarse face. Returns the pairs by which the patches must grow next."""
    growth, n = np.empty((FIRST_LENGTH, 2), np.int64), 0
    work = np.empty((3, 3)), np.empty((7, 6)), np.empty((7, 6))
    for p in range(len(pairs)):
        growth, n = _take_in(pairs[p, 0], pairs[p, 1], fine, across, landing, frames, found, work, growth, n)
    return growth[:n]
