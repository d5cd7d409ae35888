"""Loops over faces for `landing`: how near one surface lies to another, face by face. Import this only where it is used: it brings numba."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.across_kernels import squared_across
from meshtools.geometry.compiled import compiled
from meshtools.geometry.tree_kernels import SLIM
from meshtools.geometry.triangle_kernels import FRAME, frame_of_triangle, squared_distance_within, squared_side

MOST_FACES = 12  # coarse faces that one fine face is judged against: the three it lands on, and those beside them
MOST_PIECES = 96  # parts that one fine face may be cut into before it is left open
MOST_TURNS = 50  # steps over faces on the way to the nearest one


@compiled
def squared_distance(x: float, y: float, z: float, vertices: Any, a: int, b: int, c: int) -> float:
    """Squared distance of a point from the triangle of three vertices: to its plane where the foot lies inside, else to the nearest edge.
    A slim one counts as its edges, because its plane is rounding."""
    ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
    vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
    wx, wy, wz = x - vertices[a, 0], y - vertices[a, 1], z - vertices[a, 2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    area = uu * vv - uv * uv
    second, third = vv * wu - uv * wv, uu * wv - uv * wu
    if area > SLIM * uu * vv and second > 0.0 and third > 0.0 and second + third < area:
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
def _nearest_beside(x: float, y: float, z: float, around: Any, n: int, coarse: Any, neighbours: Any, limit: float) -> int:
    """The coarse face that a point is nearest to of those across an edge of n known ones; -1 where none is within the limit (squared)."""
    (vertices, triangles), best, found = coarse, limit, -1
    for k in range(n):
        for j in range(3):
            face = neighbours[around[k], j]
            if face < 0 or _is_among(around, n, face):
                continue
            squared = squared_distance(x, y, z, vertices, triangles[face, 0], triangles[face, 1], triangles[face, 2])
            if squared <= best:
                best, found = squared, face
    return found


@compiled
def _is_among(known: Any, n: int, face: int) -> bool:
    is_known = False
    for k in range(n):
        is_known = is_known or known[k] == face
    return bool(is_known)


@compiled
def _nearest_of(table: Any, top: int, k: int, n: int) -> int:
    """The coarse face, of n, that one corner of a part is nearest to."""
    found = 0
    for g in range(1, n):
        if table[top, k, g] < table[top, k, found]:
            found = g
    return found


@compiled
def _cut_place(stack: Any, top: int, table: Any, level: int, n: int) -> Any:
    """Where to cut a piece: between two corners with different nearest faces, where both are about equally near; else in the middle of
    the longest edge. table[level]: squared distances (3, n). Returns (corner, next corner, share)."""
    first, second, third = _nearest_of(table, level, 0, n), _nearest_of(table, level, 1, n), _nearest_of(table, level, 2, n)
    is_split = first != second or second != third
    chosen, longest = 0, -1.0
    if first != second or not is_split:
        chosen, longest = 0, squared_side(stack, top, 0, 1)
    if second != third or not is_split:
        length = squared_side(stack, top, 1, 2)
        if length > longest:
            chosen, longest = 1, length
    if third != first or not is_split:
        length = squared_side(stack, top, 2, 0)
        if length > longest:
            chosen, longest = 2, length
    other = (chosen + 1) % 3
    if not is_split:
        return chosen, other, 0.5
    here, there = (first, second) if chosen == 0 else ((second, third) if chosen == 1 else (third, first))
    excess = np.sqrt(table[level, chosen, there]) - np.sqrt(table[level, chosen, here])
    other_excess = np.sqrt(table[level, other, here]) - np.sqrt(table[level, other, there])
    share = excess / (excess + other_excess) if excess + other_excess > 0.0 else 0.5
    return chosen, other, min(max(share, 0.1), 0.9)


@compiled
def _fill_row(stack: Any, table: Any, top: int, k: int, frames: Any, n: int) -> None:
    """Squared distances of one corner of a part from each of n coarse faces."""
    x, y, z = stack[top, k, 0], stack[top, k, 1], stack[top, k, 2]
    for g in range(n):
        table[top, k, g] = squared_distance_within(x, y, z, frames, g, np.inf)


@compiled
def _least_worst(table: Any, top: int, n: int) -> float:
    """Least, over n coarse faces, of the largest squared distance of the three corners of a part."""
    best = np.inf
    for g in range(n):
        best = min(best, max(table[top, 0, g], table[top, 1, g], table[top, 2, g]))
    return float(best)


@compiled
def _far_corner(table: Any, top: int, n: int, limit: float) -> int:
    """A corner of a part that is farther than the limit from all of n coarse faces, -1 where there is none."""
    for k in range(3):
        least = np.inf
        for g in range(n):
            least = min(least, table[top, k, g])
        if least > limit:
            return k
    return -1


@compiled
def _take_along(face: int, around: Any, n: int, coarse: Any, frames: Any, stack: Any, table: Any, top: int) -> None:
    """Make a coarse face the n-th of those that the parts on the stack are judged against."""
    vertices, triangles = coarse
    around[n] = face
    frame_of_triangle(vertices, triangles[face, 0], triangles[face, 1], triangles[face, 2], frames, n)
    for row in range(top + 1):
        for k in range(3):
            table[row, k, n] = squared_distance_within(stack[row, k, 0], stack[row, k, 1], stack[row, k, 2], frames, n, np.inf)


@compiled
def _shown_in_parts(stack: Any, table: Any, around: Any, frames: Any, n: int, coarse: Any, neighbours: Any, limit: float) -> float:
    """Largest squared distance shown of a fine face (stack[0]) from coarse ones, after cutting it into parts; infinite where it is not shown.

    around: the n coarse faces, with their frames, that it is judged against at first. Where a corner is far from them all, the nearest face beside
    them is taken along.
    """
    for k in range(3):
        _fill_row(stack, table, 0, k, frames, n)
    worst, top, n_pieces = 0.0, 0, 1
    while top >= 0:
        shown = _least_worst(table, top, n)
        if shown <= limit:
            worst = max(worst, shown)
            top -= 1
            continue
        far = _far_corner(table, top, n, limit)
        if far >= 0:
            face = -1
            if n < MOST_FACES:
                face = _nearest_beside(stack[top, far, 0], stack[top, far, 1], stack[top, far, 2], around, n, coarse, neighbours, limit)
            if face < 0:
                return float(np.inf)
            _take_along(face, around, n, coarse, frames, stack, table, top)
            n += 1
            continue
        if n_pieces >= MOST_PIECES:
            return float(np.inf)
        i, j, share = _cut_place(stack, top, table, top, n)
        n_pieces += 1
        for k in range(3):
            for axis in range(3):
                stack[top + 1, k, axis] = stack[top, k, axis]
            for g in range(n):
                table[top + 1, k, g] = table[top, k, g]
        for axis in range(3):
            middle = stack[top, i, axis] + share * (stack[top, j, axis] - stack[top, i, axis])
            stack[top, i, axis] = stack[top + 1, j, axis] = middle
        _fill_row(stack, table, top, i, frames, n)
        for g in range(n):
            table[top + 1, j, g] = table[top, i, g]
        top += 1
    return worst


@compiled
def prove_fine_faces(fine: Any, is_todo: Any, landing: Any, coarse: Any, neighbours: Any, tolerance: float, upper: Any) -> None:
    """Show of fine faces that all of each lies within the tolerance of the coarse surface.

    fine, coarse: vertices and faces; landing: the coarse face (n,) near to each fine vertex, and its distance (n,) from there; neighbours: across the
    edges of the coarse faces. upper (m,): set to the distance that was shown, infinite where nothing was. A face whose corners land on one coarse
    face is as near as they are; faces beside each other are the next thing to try (`across_kernels`). Another one is cut into parts, each near to
    one coarse face at all of its corners.
    """
    limit = tolerance * tolerance
    (fine_vertices, fine_faces), (landed, distance), (vertices, triangles) = fine, landing, coarse
    around, frames = np.empty(MOST_FACES, np.int64), np.empty((MOST_FACES, FRAME))
    stack, table = np.empty((MOST_PIECES + 2, 3, 3)), np.empty((MOST_PIECES + 2, 3, MOST_FACES))
    for t in range(len(fine_faces)):
        if not is_todo[t]:
            continue
        a, b, c = fine_faces[t, 0], fine_faces[t, 1], fine_faces[t, 2]
        farthest = max(distance[a], distance[b], distance[c])
        if landed[a] == landed[b] and landed[b] == landed[c] and farthest <= tolerance:
            upper[t] = farthest
            continue
        if farthest <= tolerance:
            squared = squared_across(fine, t, landed, coarse, neighbours, limit)
            if squared <= limit:
                upper[t] = max(farthest, np.sqrt(squared))
                continue
        n = 0
        for k in range(3):
            n = _add(around, n, landed[fine_faces[t, k]])
            for axis in range(3):
                stack[0, k, axis] = fine_vertices[fine_faces[t, k], axis]
        for g in range(n):
            face = around[g]
            frame_of_triangle(vertices, triangles[face, 0], triangles[face, 1], triangles[face, 2], frames, g)
        upper[t] = np.sqrt(_shown_in_parts(stack, table, around, frames, n, coarse, neighbours, limit))


@compiled
def _closest_on_triangle(points: Any, i: int, vertices: Any, corners: Any, place: Any) -> float:
    """Set row i of `place` to the point of the triangle of three vertices that is nearest to that row of `points`; returns the squared distance."""
    a, b, c = corners
    ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
    vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
    wx, wy, wz = points[i, 0] - vertices[a, 0], points[i, 1] - vertices[a, 1], points[i, 2] - vertices[a, 2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    area = uu * vv - uv * uv
    second, third = vv * wu - uv * wv, uu * wv - uv * wu
    if area > 0.0 and second > 0.0 and third > 0.0 and second + third < area:
        second, third = second / area, third / area
    else:  # on an edge: the best of three, by how far along b and along c it is
        second, third, share = _share_along(wu, uu), 0.0, _share_along(wv, vv)
        best = second * (second * uu - 2.0 * wu)
        if share * (share * vv - 2.0 * wv) < best:
            best, second, third = share * (share * vv - 2.0 * wv), 0.0, share
        tt, wt = uu - 2.0 * uv + vv, (wv - uv) - (wu - uu)
        share = _share_along(wt, tt)
        if share * (share * tt - 2.0 * wt) + uu - 2.0 * wu < best:
            second, third = 1.0 - share, share
    x, y, z = second * ux + third * vx, second * uy + third * vy, second * uz + third * vz
    place[i, 0], place[i, 1], place[i, 2] = vertices[a, 0] + x, vertices[a, 1] + y, vertices[a, 2] + z
    return float((wx - x) ** 2 + (wy - y) ** 2 + (wz - z) ** 2)


@compiled
def _share_along(product: float, squared: float) -> float:
    """How far along an edge the nearest point lies, 0 to 1: the product of edge and way to the point, and the edge squared."""
    return float(min(max(product / squared, 0.0), 1.0)) if squared > 0.0 else 0.0


@compiled
def land_at(wanted: Any, points: Any, face: Any, vertices: Any, faces: Any, place: Any, distance: Any) -> None:
    """Set for each wanted point (k,) the place (n, 3) on its face (n,) that is nearest to it, and the distance (n,)."""
    for i in wanted:
        t = face[i]
        distance[i] = np.sqrt(_closest_on_triangle(points, i, vertices, (faces[t, 0], faces[t, 1], faces[t, 2]), place))


@compiled
def land_around(wanted: Any, points: Any, start: Any, vertices: Any, faces: Any, at_corner: Any, face: Any) -> None:
    """Set the face on which each wanted point (k,) lands: found from the vertex `start` (n,) over faces with a corner in common, as long as they
    come nearer."""
    (order, starts), ring = at_corner, np.empty(3, np.int64)
    for point in wanted:
        best, found, n_turns, is_nearer = np.inf, -1, 0, True
        x, y, z = points[point, 0], points[point, 1], points[point, 2]
        ring[0], ring[1], ring[2] = start[point], -1, -1
        while is_nearer and n_turns < MOST_TURNS:
            is_nearer = False
            n_turns += 1
            for k in range(3):
                if ring[k] < 0:
                    continue
                for i in range(starts[ring[k]], starts[ring[k] + 1]):
                    t = order[i] // 3
                    squared = squared_distance(x, y, z, vertices, faces[t, 0], faces[t, 1], faces[t, 2])
                    if squared < best:
                        best, found, is_nearer = squared, t, True
            for k in range(3):
                ring[k] = faces[found, k]
        face[point] = found
