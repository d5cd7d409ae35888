"""Loops over faces for `bound`: what the distances at their corners and a few points more show of all of them. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled
from meshtools.geometry.tree_kernels import DEEP, nearest_within
from meshtools.geometry.triangle_kernels import squared_side

MOST_ASKED = 36  # points of one face
MOST_SPLITS = 8  # of the room between what is shown and what is wished for, that balls may be too large by
ROOM = 64  # parts of one face that wait


@compiled
def reach_of_corners(aa: float, bb: float, cc: float) -> float:
    """The largest distance of a point of a triangle from the nearest corner, from its squared sides: that of the circumcentre, or of
    a point of the longest side where one angle is obtuse."""
    cc, bb, aa = max(aa, bb, cc), max(min(aa, bb), min(max(aa, bb), cc)), min(aa, bb, cc)
    if cc == 0.0:
        return 0.0
    side = np.sqrt(cc)
    if aa + bb >= cc:
        sixteen_areas_squared = 4.0 * aa * bb - (aa + bb - cc) ** 2
        if not sixteen_areas_squared > 0.0:  # two corners on one point
            return float(side / 2.0 + np.sqrt(aa))
        return float(np.sqrt(aa * bb * cc / sixteen_areas_squared))
    return float(max(aa * side / (aa + cc - bb), bb * side / (bb + cc - aa)))


@compiled
def first_bounds(vertices: Any, faces: Any, distance: Any, nearest: Any, upper: Any) -> None:
    """Lower what is shown of each face (m,): no point of it is farther off than a corner by more than the longer edge there, nor than the farthest
    corner by more than the way to the nearest one, and one whose corners have one face near lies no farther from that than they do."""
    squared = np.empty(3)
    for t in range(len(faces)):
        for k in range(3):
            a, b = faces[t, k], faces[t, (k + 1) % 3]
            x, y, z = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
            squared[k] = x * x + y * y + z * z
        first, second, third = faces[t, 0], faces[t, 1], faces[t, 2]
        least = distance[first] + np.sqrt(max(squared[0], squared[2]))
        least = min(least, distance[second] + np.sqrt(max(squared[1], squared[0])), distance[third] + np.sqrt(max(squared[2], squared[1])))
        farthest = max(distance[first], distance[second], distance[third])
        is_one = nearest[first] == nearest[second] and nearest[second] == nearest[third]
        upper[t] = min(upper[t], least, farthest if is_one else farthest + reach_of_corners(squared[0], squared[1], squared[2]))


@compiled
def _split(parts: Any, distances: Any, near: Any, top: int, limit: float, tree: Any, centre: Any, room: Any) -> Any:
    """Put four quarters in the place of a part. Returns the largest distance found at the middles of its sides, 0 where none exceeds the limit."""
    found = 0.0
    for k in range(3):
        j, row = (k + 1) % 3, top + 1 + k
        for axis in range(3):
            parts[top + 4, k, axis] = 0.5 * (parts[top, k, axis] + parts[top, j, axis])
        x, y, z = parts[top + 4, k, 0] - centre[0], parts[top + 4, k, 1] - centre[1], parts[top + 4, k, 2] - centre[2]
        squared, face, _, _, _ = nearest_within(x, y, z, tree, near[top, k], limit * limit, room[0], room[1])
        distances[top + 4, k], near[top + 4, k] = np.sqrt(squared), face
        if distances[top + 4, k] > limit:
            found = max(found, distances[top + 4, k])
    for k in range(3):
        row, back = top + 1 + k, (k + 2) % 3
        for axis in range(3):
            parts[row, 0, axis], parts[row, 1, axis], parts[row, 2, axis] = parts[top, k, axis], parts[top + 4, k, axis], parts[top + 4, back, axis]
        distances[row, 0], distances[row, 1], distances[row, 2] = distances[top, k], distances[top + 4, k], distances[top + 4, back]
        near[row, 0], near[row, 1], near[row, 2] = near[top, k], near[top + 4, k], near[top + 4, back]
    for k in range(3):
        for axis in range(3):
            parts[top, k, axis] = parts[top + 4, k, axis]
        distances[top, k], near[top, k] = distances[top + 4, k], near[top + 4, k]
    return found


@compiled
def cover_with_balls(mesh: Any, rows: Any, at_vertices: Any, tree: Any, centre: Any, limit: float, upper: Any) -> float:
    """Show of some faces (k,) of a mesh that no point is farther from a surface than the limit, where a few points more show it: every point of a
    triangle is as near to the surface as a corner is, and farther by no more than the way to that corner. Parts are judged with their middle, or
    quartered.

    mesh: vertices and faces; at_vertices: distance (n,) and a face (n,) that has it; tree: `Surface.tree`, about the centre (3,).
    upper (m,) is lowered. Returns the largest distance found, if it exceeds what was enough where it was found; else 0.
    """
    (vertices, faces), (distance, nearest) = mesh, at_vertices
    parts, distances, near = np.empty((ROOM, 4, 3)), np.empty((ROOM, 3)), np.empty((ROOM, 3), np.int64)
    room, largest = (np.empty(DEEP, np.int64), np.empty(DEEP)), 0.0
    for t in rows:
        for k in range(3):
            distances[0, k], near[0, k] = distance[faces[t, k]], nearest[faces[t, k]]
            for axis in range(3):
                parts[0, k, axis] = vertices[faces[t, k], axis]
        worst, top, n_asked = 0.0, 0, 0
        while top >= 0:
            farthest = max(distances[top, 0], distances[top, 1], distances[top, 2])
            if near[top, 0] == near[top, 1] and near[top, 1] == near[top, 2] and farthest <= limit:
                worst, top = max(worst, farthest), top - 1
                continue
            aa, bb, cc = squared_side(parts, top, 0, 1), squared_side(parts, top, 1, 2), squared_side(parts, top, 2, 0)
            reach = reach_of_corners(aa, bb, cc)
            if farthest + reach <= limit:
                worst, top = max(worst, farthest + reach), top - 1
                continue
            if reach > MOST_SPLITS * (limit - farthest) or n_asked + 4 > MOST_ASKED:
                break
            for axis in range(3):
                parts[top, 3, axis] = (parts[top, 0, axis] + parts[top, 1, axis] + parts[top, 2, axis]) / 3.0
            to_a, to_b, to_c = squared_side(parts, top, 0, 3), squared_side(parts, top, 1, 3), squared_side(parts, top, 2, 3)
            reach = max(reach_of_corners(aa, to_a, to_b), reach_of_corners(bb, to_b, to_c), reach_of_corners(cc, to_c, to_a))
            if farthest + reach <= limit:
                x, y, z = parts[top, 3, 0] - centre[0], parts[top, 3, 1] - centre[1], parts[top, 3, 2] - centre[2]
                squared, _, _, _, _ = nearest_within(x, y, z, tree, near[top, 0], (limit - reach) ** 2, room[0], room[1])
                found, n_asked = np.sqrt(squared), n_asked + 1
                if found + reach <= limit:
                    worst, top = max(worst, max(farthest, found) + reach), top - 1
                    continue
                largest = max(largest, found)
            largest = max(largest, _split(parts, distances, near, top, farthest, tree, centre, room))
            n_asked, top = n_asked + 3, top + 3
        if top < 0:
            upper[t] = min(upper[t], worst)
    return largest
