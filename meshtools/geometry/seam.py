"""The seam between original and taken-over skin: find the rims that belong together and span the gap between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import is_degenerate
from meshtools.geometry.pieces import face_areas
from meshtools.geometry.rims import Rim, find_rims
from meshtools.geometry.triangulate import LARGEST_AT_ONCE, triangulate_loop
from meshtools.geometry.weld import edge_keys, edge_keys_between
from meshtools.model import FloatArray, Mesh

STRETCH = 100
"""About how many points of both rims together are spanned at once."""
MOST_TRIES = 8
LONGEST_STRAIGHT = 8
STRAIGHT_RATIOS = (0.02, 0.002)
MOST_AREA = 1.5
"""Flat faces are avoided only as long as the area stays below so many times the least one: else chords through the bone would be taken."""
LEAST_SHARED = 0.4
"""Two rims belong together when this share of one of them runs along the other."""


@dataclass(frozen=True, eq=False)
class Zipped:
    """Original and taken skin joined: seam faces come last. n_original: vertices that belong to the original skin, first.

    n_seams: groups of rims that were joined; left_open: rims that found no partner; n_failed: groups that could not be spanned.
    """

    mesh: Mesh
    n_original: int
    n_seams: int
    left_open: tuple[Rim, ...]
    n_failed: int


def zip_rims(skin: Mesh, taken: Mesh, reach_mm: float, source_seam: int) -> Zipped:
    """Join rims of the original skin to rims of the taken skin that run along them within the reach, by a strip of faces."""
    from meshtools.geometry.unite import concatenate

    both = concatenate([skin, taken])
    rims = find_rims(both)
    n_original = len(skin.vertices)
    barred = edge_keys_between(both.faces, len(both.vertices), [rim.vertices for rim in rims])
    strips, used, n_failed = [], set[int](), 0
    for group in _groups(both.vertices, rims, n_original, reach_mm):
        joined, strip = _span_most(both, [rims[k].vertices for k in group], n_original, barred)
        if strip is None:
            n_failed += 1
            continue
        strips.append(strip)
        barred = with_edges(barred, strip, len(both.vertices))
        used.update(group[k] for k in joined)
    left = tuple(rim for k, rim in enumerate(rims) if k not in used)
    faces = np.concatenate([both.faces, *strips])
    source = np.concatenate([both.source, np.full(len(faces) - len(both.faces), source_seam, dtype=np.uint16)])
    return Zipped(both.replaced(faces=faces, source=source), n_original, len(strips), left, n_failed)


def _groups(vertices: FloatArray, rims: Sequence[Rim], n_original: int, reach_mm: float) -> list[list[int]]:
    """Rims that run along each other, original with taken, as lists of their numbers; rims without a partner are left out.

    Every point of a rim speaks for the rim of the other kind that is nearest to it, so that the two walls of a thin bone stay apart.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    is_own = np.array([rim.vertices[0] < n_original for rim in rims], dtype=bool)
    if is_own.all() or not is_own.any():
        return []
    lines = [_dense(vertices[rim.vertices], reach_mm / 2) for rim in rims]
    votes = np.zeros((len(rims), len(rims)))
    for kind in (is_own, ~is_own):
        ours, others = np.flatnonzero(kind), np.flatnonzero(~kind)
        for k in ours:
            votes[k, others] = _votes(lines[k], [lines[other] for other in others], reach_mm)
    graph = coo_matrix(np.maximum(votes, votes.T) >= LEAST_SHARED)
    _, group = connected_components(graph, directed=False)
    return [members.tolist() for k in range(int(group.max()) + 1) if len(members := np.flatnonzero(group == k)) > 1]


def _votes(line: FloatArray, others: Sequence[FloatArray], reach_mm: float) -> FloatArray:
    """Share of a line's points to which each of the other lines is the nearest one within the reach."""
    from scipy.spatial import cKDTree

    owner = np.repeat(np.arange(len(others)), [len(other) for other in others])
    distance, place = cKDTree(np.concatenate(others)).query(line, distance_upper_bound=reach_mm)
    is_near = np.isfinite(distance)
    return np.bincount(owner[place[is_near]], minlength=len(others)) / len(line)


def _dense(points: FloatArray, step_mm: float) -> FloatArray:
    """A closed line with points at most a step apart."""
    after = np.roll(points, -1, axis=0)
    n = np.maximum(np.ceil(np.sqrt(((after - points) ** 2).sum(axis=1)) / step_mm), 1).astype(np.int64)
    rows = np.repeat(np.arange(len(points)), n)
    share = (np.arange(len(rows)) - np.repeat(np.cumsum(n) - n, n)) / n[rows]
    return np.asarray(points[rows] + share[:, None] * (after - points)[rows])


def _span_most(
    mesh: Mesh, loops: Sequence[NDArray[np.int32]], n_original: int, barred: NDArray[np.int64]
) -> tuple[list[int], NDArray[np.int32] | None]:
    """Numbers of the rims that are joined, and faces between them: all of a group, or else the group without its shortest rims, as long as
    rims of both kinds are left; those left out stay open."""
    left = list(range(len(loops)))
    while len({bool(loops[k][0] < n_original) for k in left}) == 2:
        strip = _span(mesh, [loops[k] for k in left], n_original, barred)
        if strip is not None:
            return left, strip
        left.remove(min(left, key=lambda k: (len(loops[k]), k)))
    return [], None


def _span(mesh: Mesh, loops: Sequence[NDArray[np.int32]], n_original: int, barred: NDArray[np.int64]) -> NDArray[np.int32] | None:
    """Faces between several rims of both kinds, spanned in short stretches between matching points; None where no valid ones are found."""
    faces = []
    for polygon in stretches(mesh.vertices, *_two_lines(mesh, loops, n_original)):
        part = span_polygon(mesh, polygon, barred)
        if part is None:
            return None
        faces.append(part)
        barred = with_edges(barred, part, len(mesh.vertices))
    return np.concatenate(faces)


def _two_lines(mesh: Mesh, loops: Sequence[NDArray[np.int32]], n_original: int) -> list[NDArray[np.int32]]:
    """The longest rim of either kind, the others made part of the one that they are nearest to, by a bridge between closest points."""
    by_length = sorted(loops, key=len, reverse=True)
    lines = [next(loop for loop in by_length if (loop[0] < n_original) == kind) for kind in (True, False)]
    for other in [loop for loop in by_length if not any(loop is line for line in lines)]:
        nearest = [_closest_of(mesh.vertices, line, other) for line in lines]
        k = 0 if nearest[0][2] <= nearest[1][2] else 1
        i, j, _ = nearest[k]
        lines[k] = np.concatenate([lines[k][: i + 1], other[j:], other[: j + 1], lines[k][i:]])
    return lines


def with_edges(barred: NDArray[np.int64], faces: NDArray[np.int32], n_vertices: int) -> NDArray[np.int64]:
    """The sorted keys of edges that have their faces, with those of further faces."""
    return np.sort(np.concatenate([barred, edge_keys(faces, n_vertices)]))


def span_polygon(
    mesh: Mesh, loop: NDArray[np.int32], barred: NDArray[np.int64], short: ShortDiagonals | None = None
) -> NDArray[np.int32] | None:
    """Faces that fill a polygon of vertices, wound against its direction; None where there are none.

    barred: keys of edges (`edge_keys`), sorted, that have their two faces already. Faces along straight stretches of the polygon, so flat
    that they would fold over, are avoided where that is possible without much more area. short: those of the polygon, if they are known.
    """
    plain = _span_without(mesh, loop, barred, np.zeros((len(loop), len(loop)), dtype=bool))
    if plain is None:
        return None
    least = float(face_areas(mesh.vertices, plain).sum())
    short = short or short_diagonals(mesh.vertices[loop])
    for ratio in STRAIGHT_RATIOS:
        is_straight = short.straight(ratio)
        if not is_straight.any():
            break
        faces = _span_without(mesh, loop, barred, is_straight)
        if faces is not None and float(face_areas(mesh.vertices, faces).sum()) <= MOST_AREA * least:
            return faces
    return plain


@dataclass(frozen=True, eq=False)
class ShortDiagonals:
    """The diagonals of a polygon of k points between places a few apart: where they start and end (d,), how long they are, and how far off the points
    between lie at most, in mm."""

    k: int
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    length: FloatArray
    off: FloatArray

    def straight(self, ratio: float) -> NDArray[np.bool_]:
        """(k, k) True for those that run along the points between them, within this share of their length."""
        result = np.zeros((self.k, self.k), dtype=bool)
        is_along = self.off < ratio * self.length
        start, end = self.start[is_along], self.end[is_along]
        result[start, end] = result[end, start] = True
        return result


def short_diagonals(points: FloatArray) -> ShortDiagonals:
    """The short diagonals of a polygon (k, 3)."""
    k = len(points)
    gaps = np.arange(2, min(LONGEST_STRAIGHT, k - 2) + 1)
    n_between = gaps - 1
    steps = np.concatenate([np.arange(1, gap) for gap in gaps]) if len(gaps) else gaps
    start = np.tile(np.arange(k), len(gaps))
    end = (start + np.repeat(gaps, k)) % k
    chord = points[end] - points[start]
    length = np.maximum(np.sqrt((chord**2).sum(axis=1)), 1e-300)
    row = (np.repeat(np.arange(len(gaps)), n_between)[:, None] * k + np.arange(k)).ravel()  # of each point between, its diagonal
    between = (start[row] + np.repeat(steps, k)) % k
    off = np.sqrt((np.cross(points[between] - points[start[row]], chord[row]) ** 2).sum(axis=1)) / length[row]
    most = np.zeros(len(start))
    np.maximum.at(most, row, off)
    return ShortDiagonals(k, start, end, length, most)


def _span_without(
    mesh: Mesh, loop: NDArray[np.int32], barred: NDArray[np.int64], is_unwanted: NDArray[np.bool_]
) -> NDArray[np.int32] | None:
    """Faces that fill a polygon without an edge that is barred, unwanted, or that would get more than two faces."""
    points, k, n = mesh.vertices[loop], len(loop), len(mesh.vertices)
    low, high = np.minimum(loop[:, None], loop[None, :]).astype(np.int64), np.maximum(loop[:, None], loop[None, :]).astype(np.int64)
    keys = low * n + high
    around, after = np.arange(k), (np.arange(k) + 1) % k
    sides = keys[around, after]
    is_barred = (barred[np.minimum(np.searchsorted(barred, keys), len(barred) - 1)] == keys) | (low == high) | np.isin(keys, sides) | is_unwanted
    is_barred[around, after] = is_barred[after, around] = False
    for _ in range(MOST_TRIES):
        triangles = triangulate_loop(points, is_barred)
        if triangles is None or is_degenerate(points, triangles).any():
            return None
        start, end = triangles.ravel(), triangles[:, [1, 2, 0]].ravel()
        is_inner = (np.abs(start - end) != 1) & (np.abs(start - end) != k - 1) & (start < end)
        start, end = start[is_inner], end[is_inner]
        _, first, count = np.unique(keys[start, end], return_index=True, return_counts=True)
        if (count == 1).all():
            return np.asarray(loop[triangles[:, ::-1]], dtype=np.int32)
        for place in first[count > 1]:  # one vertex stands at two places of a bridged loop: only one of its two diagonals may stay
            i, j = int(start[place]), int(end[place])
            is_barred |= keys == keys[i, j]
            is_barred[i, j] = is_barred[j, i] = False
        is_barred[around, after] = is_barred[after, around] = False
    return None


def stretches(vertices: FloatArray, one: NDArray[np.int32], other: NDArray[np.int32]) -> list[NDArray[np.int32]]:
    """Polygons that fill the band between two rims which run in opposite directions, each of about STRETCH points."""
    tree_i, tree_j, _ = _closest_of(vertices, one, other)
    a = np.append(np.roll(one, -tree_i), one[tree_i])
    b = np.append(np.roll(other[::-1], -(len(other) - 1 - tree_j)), other[tree_j])
    links = _match(vertices[a], vertices[b])
    gaps = np.sqrt(((vertices[a[links[:, 0]]] - vertices[b[links[:, 1]]]) ** 2).sum(axis=1))
    passed = links.sum(axis=1)  # points of both rims; the triangulation spans a polygon exactly only up to LARGEST_AT_ONCE of them
    cuts = [0]
    while passed[-1] - passed[cuts[-1]] + 2 > LARGEST_AT_ONCE:
        window = np.arange(*np.searchsorted(passed, passed[cuts[-1]] + np.array([STRETCH // 2, 3 * STRETCH // 2])))
        moved = (links[window] > links[cuts[-1]]).all(axis=1) & (links[window] < links[-1]).all(axis=1)
        cuts.append(int(window[np.where(moved, gaps[window], np.inf).argmin()]))
    cuts.append(len(links) - 1)
    polygons = []
    for (i0, j0), (i1, j1) in zip(links[cuts[:-1]], links[cuts[1:]], strict=True):
        polygons.append(np.concatenate([a[i0 : i1 + 1], b[j0 : j1 + 1][::-1]]))
    return polygons


def _match(a: FloatArray, b: FloatArray) -> NDArray[np.int64]:
    """Which points of two lines belong together: (k, 2) steps from both starts to both ends, of the least sum of squared distances.

    Method: dynamic time warping (Sakoe and Chiba 1978), computed along the anti-diagonals of the table.
    """
    n, m = len(a), len(b)
    came = np.zeros((n, m), dtype=np.uint8)
    before, last = np.full(n + 1, np.inf), np.full(n + 1, np.inf)  # costs along the two anti-diagonals before, by row + 1
    for step in range(n + m - 1):
        row = np.arange(max(0, step - m + 1), min(n, step + 1))
        choices = np.stack([before[row], last[row], last[row + 1]]) if step else np.zeros((3, 1))
        best = choices.argmin(axis=0)
        came[row, step - row] = best.astype(np.uint8)
        cost = np.full(n + 1, np.inf)
        cost[row + 1] = choices[best, np.arange(len(row))] + ((a[row] - b[step - row]) ** 2).sum(axis=1)
        before, last = last, cost
    path = [(n - 1, m - 1)]
    while path[-1] != (0, 0):
        i, j = path[-1]
        path.append(((i - 1, j - 1), (i - 1, j), (i, j - 1))[came[i, j]])
    return np.array(path[::-1], dtype=np.int64)


def _closest_of(vertices: FloatArray, one: NDArray[np.int32], other: NDArray[np.int32]) -> tuple[int, int, float]:
    from scipy.spatial import cKDTree

    distances, places = cKDTree(vertices[other]).query(vertices[one])
    i = int(np.argmin(distances))
    return i, int(places[i]), float(distances[i])
