"""Loops for `landing`: the fine faces carried along with their landing vertices, and how often they cover a coarse face. It brings numba."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

FIRST_LENGTH = 1024  # of a list that grows as it fills
MOST_GROWN = 3  # faces by which one may let a patch grow
TOUCH = 1e-9  # a landing point this little beyond an edge, in barycentric weight, counts as on it
PROBE_SECOND, PROBE_THIRD = 0.3293, 0.3336  # the point of a coarse face at which the cover is counted, off all symmetric places


@compiled
def coarse_frames(vertices: Any, faces: Any) -> Any:
    """(m, 12) of each coarse face: first corner, unit normal, and the vectors that give the second and third barycentric weight; NaN where
    a face is flat."""
    frames = np.empty((len(faces), 12))
    for t in range(len(faces)):
        a, b, c = vertices[faces[t, 0]], vertices[faces[t, 1]], vertices[faces[t, 2]]
        ux, uy, uz, vx, vy, vz = b[0] - a[0], b[1] - a[1], b[2] - a[2], c[0] - a[0], c[1] - a[1], c[2] - a[2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        squared = nx * nx + ny * ny + nz * nz
        if not squared > 1e-16 * max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz) ** 2:
            frames[t] = np.nan
            continue
        length, frame = np.sqrt(squared), frames[t]
        frame[0], frame[1], frame[2] = a[0], a[1], a[2]
        frame[3], frame[4], frame[5] = nx / length, ny / length, nz / length
        frame[6], frame[7], frame[8] = (vy * nz - vz * ny) / squared, (vz * nx - vx * nz) / squared, (vx * ny - vy * nx) / squared
        frame[9], frame[10], frame[11] = (ny * uz - nz * uy) / squared, (nz * ux - nx * uz) / squared, (nx * uy - ny * ux) / squared
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
                for axis in range(6):
                    spare[m, axis] = polygon[i, axis]
                m += 1
            if (side > -TOUCH) != (next_side > -TOUCH):
                share = min(max(side / (side - next_side), 0.0), 1.0)
                for axis in range(6):
                    spare[m, axis] = polygon[i, axis] + share * (polygon[j, axis] - polygon[i, axis])
                m += 1
        n = m
        for i in range(n):
            for axis in range(6):
                polygon[i, axis] = spare[i, axis]
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
def _is_beside(weights: Any) -> bool:
    """True where the carried face lies beyond one edge of the coarse one, so that it neither covers nor enters it."""
    is_beside = False
    for edge in range(3):
        is_beside = is_beside or (weights[0, edge] <= -TOUCH and weights[1, edge] <= -TOUCH and weights[2, edge] <= -TOUCH)
    return bool(is_beside)


@compiled
def _largest_offset(offsets: Any, weights: Any, polygon: Any, spare: Any, enough_mm: float) -> float:
    """Largest of the offsets (3, 3) at the corners of a carried face, or, where that is more than enough and the face is not all within the coarse
    one, over the part that is."""
    largest, is_within = 0.0, True
    for k in range(3):
        for edge in range(3):
            is_within = is_within and weights[k, edge] > -TOUCH
        largest = max(largest, offsets[k, 0] ** 2 + offsets[k, 1] ** 2 + offsets[k, 2] ** 2)
    if is_within or largest <= enough_mm * enough_mm:
        return float(np.sqrt(largest))
    for k in range(3):
        for axis in range(3):
            polygon[k, axis], polygon[k, 3 + axis] = weights[k, axis], offsets[k, axis]
    return float(_largest_over_face(polygon, spare))


@compiled
def _carry_over(row: int, target: int, fine: Any, landing: Any, frames: Any, enough_mm: float, found: Any, work: Any) -> bool:
    """Take one fine face into the patch of a coarse one: its barycentric weights (3 corners, 3) go into work, what it shows into found. False
    where it lies beside the coarse face and shows nothing."""
    (vertices, faces), (_, point), (upper, count, _) = fine, landing, found
    weights, polygon, spare, offsets = work
    for k in range(3):
        v = faces[row, k]
        x, y, z = point[v, 0] - frames[target, 0], point[v, 1] - frames[target, 1], point[v, 2] - frames[target, 2]
        weights[k, 1] = x * frames[target, 6] + y * frames[target, 7] + z * frames[target, 8]
        weights[k, 2] = x * frames[target, 9] + y * frames[target, 10] + z * frames[target, 11]
        weights[k, 0] = 1.0 - weights[k, 1] - weights[k, 2]
    if _is_beside(weights):
        return False
    for k in range(3):
        v = faces[row, k]
        x, y, z = point[v, 0] - frames[target, 0], point[v, 1] - frames[target, 1], point[v, 2] - frames[target, 2]
        height = x * frames[target, 3] + y * frames[target, 4] + z * frames[target, 5]
        for axis in range(3):
            offsets[k, axis] = point[v, axis] - height * frames[target, 3 + axis] - vertices[v, axis]
    upper[target] = max(upper[target], _largest_offset(offsets, weights, polygon, spare, enough_mm))
    count[target] += _covers_probe(weights)
    return True


@compiled
def _lands_on(faces: Any, row: int, landed: Any, target: int) -> bool:
    return bool(landed[faces[row, 0]] == target or landed[faces[row, 1]] == target or landed[faces[row, 2]] == target)


@compiled
def _take_in(row: int, target: int, fine: Any, across: Any, landing: Any, coarse: Any, found: Any, work: Any, growth: Any, n: int) -> int:
    """Carry one fine face over to a coarse one, and list the pairs by which the patch must grow, in room for MOST_GROWN more; returns the list's
    length. A face beyond an edge of which an end lands on the coarse one is in the patch already."""
    faces, landed, is_spoilt = fine[1], landing[0], found[2]
    if not _carry_over(row, target, fine, landing, coarse[0], coarse[1], found, work):
        return n
    for i in range(3):
        beyond = across[row, i]
        if beyond >= 0 and (landed[faces[row, i]] == target or landed[faces[row, (i + 1) % 3]] == target):
            continue
        if not _edge_enters(work[0], i):
            continue
        if beyond < 0:
            is_spoilt[target] = True
        elif not _lands_on(faces, beyond, landed, target):
            growth[n, 0], growth[n, 1] = beyond, target
            n += 1
    return n


@compiled
def cover_first(start: int, end: int, fine: Any, across: Any, landing: Any, coarse: Any, is_wanted: Any, found: Any) -> Any:
    """Every fine face from `start` to before `end` into the patch of each wanted coarse face that one of its corners lands on.

    fine: vertices and faces; landing: coarse face (n,) and point (n, 3) of each vertex; coarse: `coarse_frames`, and the distance up to which it does
    not matter how far the fine face is off exactly; found: of each coarse face the distance shown so far,
    the number of times covered, and whether the proof is spoilt. Returns (k, 2) int64: pairs of a fine and a coarse face by which patches
    must grow, because an edge between them enters the coarse face.
    """
    growth, n = np.empty((FIRST_LENGTH, 2), np.int64), 0
    work = np.empty((3, 3)), np.empty((7, 6)), np.empty((7, 6)), np.empty((3, 3))
    faces, landed = fine[1], landing[0]
    for row in range(start, end):
        first, second, third = landed[faces[row, 0]], landed[faces[row, 1]], landed[faces[row, 2]]
        if n + 3 * MOST_GROWN > len(growth):
            growth = np.concatenate((growth, np.empty((len(growth), 2), np.int64)))
        if is_wanted[first]:
            n = _take_in(row, first, fine, across, landing, coarse, found, work, growth, n)
        if is_wanted[second] and second != first:
            n = _take_in(row, second, fine, across, landing, coarse, found, work, growth, n)
        if is_wanted[third] and third != first and third != second:
            n = _take_in(row, third, fine, across, landing, coarse, found, work, growth, n)
    return growth[:n]


@compiled
def cover_more(pairs: Any, fine: Any, across: Any, landing: Any, coarse: Any, found: Any) -> Any:
    """The same for given pairs (k, 2) of a fine and a coarse face. Returns the pairs by which the patches must grow next."""
    growth, n = np.empty((FIRST_LENGTH, 2), np.int64), 0
    work = np.empty((3, 3)), np.empty((7, 6)), np.empty((7, 6)), np.empty((3, 3))
    for p in range(len(pairs)):
        if n + MOST_GROWN > len(growth):
            growth = np.concatenate((growth, np.empty((len(growth), 2), np.int64)))
        n = _take_in(pairs[p, 0], pairs[p, 1], fine, across, landing, coarse, found, work, growth, n)
    return growth[:n]
