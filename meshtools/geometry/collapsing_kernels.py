"""The loop that takes edges away for `collapsing`, one after the other, as long as no vertex of the original strays. It brings numba, see `compiled`.

Faces and vertices keep their numbers: a collapse moves one vertex, gives its number to the other, and the two faces between them are gone.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.collapse_start_kernels import NEVER, STRIP, UNKNOWN
from meshtools.geometry.compiled import compiled
from meshtools.geometry.triangle_kernels import FRAME, frame_of_triangle, squared_distance_within, squared_height_over

GONE = -1  # first corner of a face that is no more
MOST_AROUND = 48  # faces around a vertex beyond which its edges stay
MOST_LANDED = 1 << 14  # vertices of the original around one edge beyond which it stays
PULL = 1e-3  # of a vertex's area: how strongly it is drawn to the middle of its edge where the planes around leave it free
LENGTH_COST = 1e-5  # of an edge's length squared, added to its cost, so that short edges go first on flat skin and none grows without end
CLOSE = 0.0625  # of the squared reach: so near above its face a point stays on it without a look at the others
LEAST_TURN = 0.3  # cosine between a face before and after a collapse
LEAST_SIZE = 0.02  # area vector of a face as a share of its edges squared; thinner ones may only become thicker
FIRST_LENGTH = 1024  # of lists that grow as they fill


@compiled
def _best_place(u: int, v: int, vertices: Any, is_fixed: Any, sums: Any, place: Any) -> float:
    """Set the place (3,) for the vertex that stands for u and v; returns the mean squared distance of their planes from it, with LENGTH_COST."""
    x, y, z = 0.5 * (vertices[u, 0] + vertices[v, 0]), 0.5 * (vertices[u, 1] + vertices[v, 1]), 0.5 * (vertices[u, 2] + vertices[v, 2])
    if is_fixed[u]:
        x, y, z = vertices[u, 0], vertices[u, 1], vertices[u, 2]
    if is_fixed[v]:
        x, y, z = vertices[v, 0], vertices[v, 1], vertices[v, 2]
    aa, ab, ac, ad = sums[u, 0] + sums[v, 0], sums[u, 1] + sums[v, 1], sums[u, 2] + sums[v, 2], sums[u, 3] + sums[v, 3]
    bb, bc, bd = sums[u, 4] + sums[v, 4], sums[u, 5] + sums[v, 5], sums[u, 6] + sums[v, 6]
    cc, cd, dd, area = sums[u, 7] + sums[v, 7], sums[u, 8] + sums[v, 8], sums[u, 9] + sums[v, 9], sums[u, 10] + sums[v, 10]
    if not area > 0.0:
        return float(NEVER)
    p, q, r = aa * x + ab * y + ac * z + ad, ab * x + bb * y + bc * z + bd, ac * x + bc * y + cc * z + cd
    error = x * (p + ad) + y * (q + bd) + z * (r + cd) + dd
    length = (vertices[u, 0] - vertices[v, 0]) ** 2 + (vertices[u, 1] - vertices[v, 1]) ** 2 + (vertices[u, 2] - vertices[v, 2]) ** 2
    if not (is_fixed[u] or is_fixed[v]):
        pull = PULL * area
        ia, ib, ic = aa + pull, bb + pull, cc + pull
        first, second, third = ib * ic - bc * bc, ac * bc - ab * ic, ab * bc - ac * ib
        whole = ia * first + ab * second + ac * third
        if not whole > 0.0:
            return float(NEVER)
        dx = -(p * first + q * second + r * third) / whole
        dy = -(p * second + q * (ia * ic - ac * ac) + r * (ab * ac - ia * bc)) / whole
        dz = -(p * third + q * (ab * ac - ia * bc) + r * (ia * ib - ab * ab)) / whole
        share = dx * dx + dy * dy + dz * dz
        share = 1.0 if share <= length else np.sqrt(length / share)
        dx, dy, dz = dx * share, dy * share, dz * share
        error += 2.0 * (p * dx + q * dy + r * dz) + aa * dx * dx + bb * dy * dy + cc * dz * dz
        error += 2.0 * (ab * dx * dy + ac * dx * dz + bc * dy * dz)
        x, y, z = x + dx, y + dy, z + dz
    place[0], place[1], place[2] = x, y, z
    return float(max(error / area, 0.0) + LENGTH_COST * length)


@compiled
def _faces_around(vertex: int, faces: Any, chains: Any, around: Any) -> int:
    """List the faces at a vertex and mend its chain of corners; returns how many, MOST_AROUND + 1 where they are too many."""
    first, last, after = chains
    n, before, corner = 0, -1, first[vertex]
    while corner >= 0:
        following = after[corner]
        if faces[corner // 3, 0] != GONE:
            if n == MOST_AROUND:
                return MOST_AROUND + 1
            around[n] = corner
            n += 1
            before = corner
        elif before < 0:
            first[vertex] = following
        else:
            after[before] = following
        corner = following
    if before >= 0:
        last[vertex] = before
    return n


@compiled
def _is_sound(u: int, v: int, faces: Any, around: Any, counts: Any, mark: Any, stamp: int) -> bool:
    """Whether the surface keeps its form without the edge: exactly two faces at it, and no other vertex than theirs is joined to both ends
    (the link condition, Dey and others 1999, Topology preserving edge contraction)."""
    n_between, n_common = 0, 0
    for i in range(counts[0]):
        t, has_other = around[0, i] // 3, False
        for k in range(3):
            mark[faces[t, k]] = stamp
            has_other = has_other or faces[t, k] == v
        n_between += has_other
    for i in range(counts[1]):
        t = around[1, i] // 3
        for k in range(3):
            vertex = faces[t, k]
            if vertex != u and vertex != v and mark[vertex] == stamp:
                mark[vertex] = stamp + 1
                n_common += 1
    return bool(n_between == 2 and n_common == 2 and counts[0] + counts[1] > 6)


@compiled
def _new_faces(ends: Any, place: Any, vertices: Any, faces: Any, around: Any, counts: Any, left: Any, corners: Any) -> int:
    """The faces (k,) that stay, and their corners (k, 3, 3) with the edge's ends at their new place; -1 where one turns over or becomes thin."""
    n = 0
    for side in range(2):
        for i in range(counts[side]):
            t, k = around[side, i] // 3, around[side, i] % 3
            b, c = faces[t, (k + 1) % 3], faces[t, (k + 2) % 3]
            if b == ends[1 - side] or c == ends[1 - side]:
                continue
            for axis in range(3):
                corners[n, k, axis] = place[axis]
                corners[n, (k + 1) % 3, axis], corners[n, (k + 2) % 3, axis] = vertices[b, axis], vertices[c, axis]
            size, edges, turn, old_size, old_edges = _turn_of(vertices[ends[side]], place, vertices[b], vertices[c])
            if not turn > LEAST_TURN * size * old_size or (size < LEAST_SIZE * edges and size * old_edges < old_size * edges):
                return -1
            left[n] = t
            n += 1
    return n


@compiled
def _turn_of(old: Any, new: Any, b: Any, c: Any) -> Any:
    """Of the triangle of b, c and a corner that moves: length of its area vector and edges squared, product with the old area vector, and the
    old ones' sizes."""
    ux, uy, uz, vx, vy, vz = b[0] - new[0], b[1] - new[1], b[2] - new[2], c[0] - new[0], c[1] - new[1], c[2] - new[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    across = (b[0] - c[0]) ** 2 + (b[1] - c[1]) ** 2 + (b[2] - c[2]) ** 2
    edges = ux * ux + uy * uy + uz * uz + vx * vx + vy * vy + vz * vz + across
    ux, uy, uz, vx, vy, vz = b[0] - old[0], b[1] - old[1], b[2] - old[2], c[0] - old[0], c[1] - old[1], c[2] - old[2]
    ox, oy, oz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    old_edges = ux * ux + uy * uy + uz * uz + vx * vx + vy * vy + vz * vz + across
    size, old_size = np.sqrt(nx * nx + ny * ny + nz * nz), np.sqrt(ox * ox + oy * oy + oz * oz)
    return size, edges, nx * ox + ny * oy + nz * oz, old_size, old_edges


@compiled
def _land(
    ends: Any, faces: Any, around: Any, counts: Any, points: Any, left: Any, frames: Any, n_left: int, limit: float, lists: Any, landed: Any
) -> int:
    """Where the vertices on the faces around an edge land on the new ones: `landed` (k, 2) of vertex and face. Returns k, -1 where one strays.

    One that stands close over the face it is on stays there; the others land on the nearest one.
    """
    n, found, own = 0, 0, -1
    for side in range(2):
        for i in range(counts[side]):
            t = around[side, i] // 3
            is_between = faces[t, 0] == ends[1 - side] or faces[t, 1] == ends[1 - side] or faces[t, 2] == ends[1 - side]
            if is_between and side == 1:
                continue  # seen from the other end
            own += not is_between
            vertex = lists[0][t]
            while vertex >= 0:
                x, y, z = points[vertex, 0], points[vertex, 1], points[vertex, 2]
                if not is_between and n < MOST_LANDED and squared_height_over(x, y, z, frames, own) <= CLOSE * limit:
                    landed[n, 0], landed[n, 1] = vertex, t
                    n += 1
                    vertex = lists[1][vertex]
                    continue
                first = found  # where the last one landed: as a rule a near face, so that most others are soon passed over
                best = squared_distance_within(x, y, z, frames, first, np.inf)
                for j in range(n_left):
                    if j != first:
                        squared = squared_distance_within(x, y, z, frames, j, best)
                        if squared < best:
                            best, found = squared, j
                if best > limit or n >= MOST_LANDED:
                    return -1
                landed[n, 0], landed[n, 1] = vertex, left[found]
                n += 1
                vertex = lists[1][vertex]
    return n


@compiled
def _join(
    ends: Any, place: Any, mesh: Any, sums: Any, chains: Any, around: Any, counts: Any, lists: Any, landed: Any, n_landed: int, cost: Any
) -> None:
    """Give the second end's number up for the first, at the new place."""
    vertices, faces = mesh
    u, v = ends
    for side in range(2):
        for i in range(counts[side]):
            t, k = around[side, i] // 3, around[side, i] % 3
            lists[0][t] = -1
            if side == 1:
                if faces[t, 0] == u or faces[t, 1] == u or faces[t, 2] == u:
                    faces[t, 0] = GONE
                    cost[3 * t : 3 * t + 3] = NEVER
                else:
                    faces[t, k] = u
    for axis in range(3):
        vertices[u, axis] = place[axis]
    for i in range(11):
        sums[u, i] += sums[v, i]
    first, last, after = chains
    after[last[u]] = first[v]
    last[u] = last[v]
    for i in range(n_landed):
        vertex, t = landed[i]
        lists[1][vertex] = lists[0][t]
        lists[0][t] = vertex


@compiled
def _note_ring(vertex: int, sweep: int, faces: Any, left: Any, cost: Any, swept: Any, mark: Any, stamp: int, rings: Any, n: int) -> int:
    """List the vertices around one that has moved, leave them in peace for this sweep, and forget what its edges cost and which of those
    beside it were beyond reach; returns the length."""
    for t in left:
        for k in range(3):
            start, end, h = faces[t, k], faces[t, (k + 1) % 3], 3 * t + k
            if start == vertex or end == vertex or cost[h] == NEVER:
                cost[h] = UNKNOWN if start < end else NEVER
            if start != vertex and mark[start] != stamp:
                mark[start], swept[start] = stamp, sweep
                rings[n] = start
                n += 1
    return n


@compiled
def _is_own(u: int, v: int, own: int, region: Any) -> bool:
    """Whether an edge is of this region: in a block both of its ends are, in the strip between blocks one is enough."""
    if own == STRIP:
        return bool(region[u] == STRIP or region[v] == STRIP)
    return bool(region[u] == own and region[v] == own)


@compiled
def _add_to_strip(vertex: int, left: Any, region: Any, is_queued: Any, new: Any, n_new: int) -> int:
    """Make a vertex one of the strip, and list the faces (k,) around it that are new to that; returns the list's length."""
    region[vertex] = STRIP
    for t in left:
        if not is_queued[t]:
            is_queued[t] = True
            new[n_new] = t
            n_new += 1
    return n_new


@compiled
def collapse_sweep(sweep: int, most_mm2: float, reach_mm: float, own: int, queue: Any, state: Any, mark: Any, stamp: int) -> Any:
    """Take away the edges of one region that cost at most `most_mm2`, as long as every original point stays within reach of the faces around it.

    queue (q,): faces whose edges are looked at. state: vertices, faces, the original's points (n, 3), fixed vertices, sums of planes, chains of
    corners, lists of landed points, costs of half-edges, the last sweep at each vertex, the region of each vertex, and faces in the queue of the
    strip; changed in place. mark (n,), stamp: numbers beyond `stamp` have not been used in `mark`. Returns for each collapse, in turn, the vertex
    that stays, the one that goes, and the place; the vertices around each and how many; faces that are new to the strip; and the stamp.
    """
    (vertices, faces), points, is_fixed, sums, chains, lists, cost, swept, region, is_queued = state
    kept, gone, places = np.empty(FIRST_LENGTH, np.int32), np.empty(FIRST_LENGTH, np.int32), np.empty((FIRST_LENGTH, 3))
    n_around, rings, n_ring, done = np.empty(FIRST_LENGTH, np.int16), np.empty(8 * FIRST_LENGTH, np.int32), 0, 0
    new, n_new = np.empty(FIRST_LENGTH, np.int32), 0
    around, counts, ends, place = np.empty((2, MOST_AROUND), np.int64), np.empty(2, np.int64), np.empty(2, np.int64), np.empty(3)
    left, corners, landed = np.empty(2 * MOST_AROUND, np.int64), np.empty((2 * MOST_AROUND, 3, 3)), np.empty((MOST_LANDED, 2), np.int64)
    flat_corners, frames = corners.reshape(-1, 3), np.empty((2 * MOST_AROUND, FRAME))
    for row in range(3 * len(queue)):
        t, k = queue[row // 3], row % 3
        h = 3 * t + k
        if cost[h] > most_mm2:
            continue
        u, v = faces[t, k], faces[t, (k + 1) % 3]
        if not _is_own(u, v, own, region) or swept[u] == sweep or swept[v] == sweep:  # asked first: another block may be writing what is not its own
            continue
        if is_fixed[u] and is_fixed[v]:
            cost[h] = NEVER
            continue
        if cost[h] == UNKNOWN:
            cost[h] = _best_place(u, v, vertices, is_fixed, sums, place)
            if cost[h] > most_mm2:
                continue
        ends[0], ends[1] = (v, u) if is_fixed[v] else (u, v)
        for side in range(2):
            counts[side] = _faces_around(ends[side], faces, chains, around[side])
        stamp += 2
        cost[h] = NEVER  # until something near by changes
        if counts.max() > MOST_AROUND or not _is_sound(ends[0], ends[1], faces, around, counts, mark, stamp):
            continue
        _best_place(u, v, vertices, is_fixed, sums, place)
        n_left = _new_faces(ends, place, vertices, faces, around, counts, left, corners)
        if n_left < 0:
            continue
        for j in range(n_left):
            frame_of_triangle(flat_corners, 3 * j, 3 * j + 1, 3 * j + 2, frames, j)
        n_landed = _land(ends, faces, around, counts, points, left, frames, n_left, reach_mm * reach_mm, lists, landed)
        if n_landed < 0:
            continue
        _join(ends, place, (vertices, faces), sums, chains, around, counts, lists, landed, n_landed, cost)
        if done == len(kept):
            kept, gone = np.concatenate((kept, np.empty(done, np.int32))), np.concatenate((gone, np.empty(done, np.int32)))
            places, n_around = np.concatenate((places, np.empty((done, 3)))), np.concatenate((n_around, np.empty(done, np.int16)))
        if n_ring + 3 * MOST_AROUND > len(rings):
            rings = np.concatenate((rings, np.empty(len(rings), np.int32)))
        kept[done], gone[done] = ends
        places[done] = place
        swept[ends[0]] = sweep
        stamp += 2
        n_before, n_ring = n_ring, _note_ring(ends[0], sweep, faces, left[:n_left], cost, swept, mark, stamp, rings, n_ring)
        n_around[done] = n_ring - n_before
        done += 1
        if own == STRIP:
            if n_new + n_left > len(new):
                new = np.concatenate((new, np.empty(len(new), np.int32)))
            n_new = _add_to_strip(ends[0], left[:n_left], region, is_queued, new, n_new)
    log = (kept[:done].copy(), gone[:done].copy(), places[:done].copy()), (n_around[:done].copy(), rings[:n_ring].copy())
    return log, new[:n_new].copy(), stamp
