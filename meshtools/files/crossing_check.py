"""Count where a surface read back from a file passes through itself, by another way than the maker's (geometry/self_intersection.py).

Faces without a common corner: libigl's box tree with the adaptive predicates of Shewchuk (1997, Discrete & Computational Geometry
18:305), exact by our test against exact arithmetic. The same routine is wrong for faces that share a corner (found by that test), so
those are decided here. A vertex whose faces look along one direction and go round it once is clean: they project onto a plane
without overlap. Around the few other vertices every pair of faces is tested for a plane that separates them, with room for
rounding, and what is left is decided in exact fractions (our own method).
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray

_ROUNDING = 1e-12  # of a sum of three products of unit vectors from rounded differences: the true bound is below 1e-14
_UPRIGHT = 1e-6  # an edge this close to the direction that its faces look along tells no angle around it
_Faces = NDArray[np.int64]
_Point = tuple[Fraction, ...]


def count_crossings(vertices: FloatArray, faces: _Faces) -> int:
    """Pairs of faces of one connected piece with a common point outside the corners and edges they share.

    vertices (n, 3), faces (m, 3). Corners of equal coordinates are one corner; faces without area
    do not count. A piece is what hangs together by the numbers in `faces`.
    """
    place = number_places(vertices)
    points = np.empty((int(place.max()) + 1, 3))
    points[place] = vertices
    corners = place[faces]
    sound = np.flatnonzero(~_has_no_area(points, corners))
    if len(sound) < 2:
        return 0
    pairs = np.concatenate([_crossings_apart(points, corners[sound]), _crossings_around_vertices(points, corners[sound])])
    if not len(pairs):
        return 0
    piece = label_pieces_by_vertex(faces, len(vertices))[sound]
    return int(np.count_nonzero(piece[pairs[:, 0]] == piece[pairs[:, 1]]))


def number_places(vertices: FloatArray) -> _Faces:
    """A number (n,) from 0 for each vertex, the same for vertices of equal coordinates."""
    order = np.lexsort(vertices.T)
    is_new = (vertices[order][1:] != vertices[order][:-1]).any(axis=1)
    places = np.empty(len(vertices), dtype=np.int64)
    places[order] = np.concatenate([[0], np.cumsum(is_new)])
    return places


def label_pieces_by_vertex(faces: _Faces, n_vertices: int) -> NDArray[Any]:
    """A number (m,) for each face, the same for faces that hang together by common vertex numbers."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    ends = faces[:, [0, 1]], faces[:, [1, 2]]
    rows, columns = np.concatenate(ends).T
    graph = coo_matrix((np.ones(len(rows), np.int8), (rows, columns)), shape=(n_vertices, n_vertices))
    return np.asarray(connected_components(graph.tocsr(), directed=False)[1])[faces[:, 0]]


def _has_no_area(points: FloatArray, corners: _Faces) -> NDArray[np.bool_]:
    a, b, c = (points[corners[:, k]] for k in range(3))
    across, lengths = np.cross(b - a, c - a), _norm(b - a) * _norm(c - a)
    is_flat = _norm(across) <= _ROUNDING * lengths
    for row in np.flatnonzero(is_flat):
        is_flat[row] = not any(_cross(*_spans(_exact(points[corners[row]]))))
    return np.asarray(is_flat)


def _crossings_apart(points: FloatArray, corners: _Faces) -> _Faces:
    """(k, 2) pairs without a common corner that meet."""
    import igl.predicates

    found: Any = igl.predicates.find_self_intersections(points, np.ascontiguousarray(corners))
    pairs = np.unique(np.sort(np.asarray(found[1], np.int64).reshape(-1, 2), axis=1), axis=0)
    return np.asarray(pairs[_n_common(corners, pairs) == 0])


def _n_common(corners: _Faces, pairs: _Faces) -> NDArray[np.int64]:
    first, second = corners[pairs[:, 0]], corners[pairs[:, 1]]
    return np.asarray((first[:, :, None] == second[:, None, :]).sum(axis=(1, 2)))


def _crossings_around_vertices(points: FloatArray, corners: _Faces) -> _Faces:
    """(k, 2) pairs with a common corner that meet beyond what they share."""
    is_doubtful = ~_goes_round_once(points, corners)
    if not is_doubtful.any():
        return np.empty((0, 2), np.int64)
    pairs = _pairs_around(corners, is_doubtful)
    n_common = _n_common(corners, pairs)
    is_met = n_common == 3
    for number, is_apart in ((1, _is_apart_at_corner), (2, _is_apart_at_edge)):
        rows = np.flatnonzero(n_common == number)
        unsure = rows[~is_apart(points, corners, pairs[rows])]
        is_met[unsure] = [_meets(_exact(points[corners[i]]), _exact(points[corners[j]])) for i, j in pairs[unsure]]
    return np.asarray(pairs[is_met])


def _goes_round_once(points: FloatArray, corners: _Faces) -> NDArray[np.bool_]:
    """(n,) True for vertices whose faces look along one direction and turn around it by 360 degrees."""
    a, b, c = (points[corners[:, k]] for k in range(3))
    ab, bc, ca = _unit(b - a), _unit(c - b), _unit(a - c)
    normal = _unit(np.cross(b - a, c - a))
    sums = [np.bincount(corners.ravel(), np.repeat(normal[:, axis], 3), len(points)) for axis in range(3)]
    up = _unit(np.stack(sums, axis=1).astype(np.float64))
    # all corners at once: those at a, then at b, then at c; u and w run along the edges that leave each
    here, u, w = corners.T.ravel(), np.concatenate([ab, bc, ca]), -np.concatenate([ca, ab, bc])
    axis = up[here]
    height_u, height_w, across = (np.einsum("ij,ij->i", one, other) for one, other in ((axis, u), (axis, w), (u, w)))
    rise = np.einsum("ij,ij->i", axis, np.cross(u, w))
    is_doubtful = (rise <= _ROUNDING) | (np.maximum(np.abs(height_u), np.abs(height_w)) > 1.0 - _UPRIGHT)
    turn = np.bincount(here, np.arctan2(rise, across - height_u * height_w), len(points))
    is_clear = _has_paired_edges(corners, len(points))
    is_clear[here[is_doubtful]] = False
    return np.asarray(is_clear & (np.abs(turn - 2.0 * np.pi) < 1e-2))


def _has_paired_edges(corners: _Faces, n_points: int) -> NDArray[np.bool_]:
    """(n,) True for vertices whose edges all have two faces that run along them in opposite directions."""
    after = np.roll(corners, -1, axis=1)
    forward, backward = (corners * n_points + after).ravel(), (after * n_points + corners).ravel()
    ordered = np.sort(forward)
    if (ordered[1:] != ordered[:-1]).all() and np.array_equal(ordered, np.sort(backward)):
        return np.ones(n_points, bool)
    first = np.minimum(np.searchsorted(ordered, backward), len(ordered) - 1)
    is_paired = ordered[first] == backward
    repeated = ordered[1:][ordered[1:] == ordered[:-1]]
    is_paired &= ~np.isin(forward, repeated) & ~np.isin(backward, repeated)
    is_sound = np.ones(n_points, bool)
    is_sound[np.concatenate([corners.ravel()[~is_paired], after.ravel()[~is_paired]])] = False
    return is_sound


def _pairs_around(corners: _Faces, is_wanted: NDArray[np.bool_]) -> _Faces:
    """(k, 2) all pairs of faces that share one of the wanted vertices, each once, the lower face first."""
    face = np.repeat(np.arange(len(corners)), 3)
    vertex = corners.ravel()
    rows = np.flatnonzero(is_wanted[vertex])
    rows = rows[np.argsort(vertex[rows], kind="stable")]
    _, starts, sizes = np.unique(vertex[rows], return_index=True, return_counts=True)
    parts = [np.empty((0, 2), np.int64)]
    for size in np.unique(sizes):
        fans = face[rows[starts[sizes == size, None] + np.arange(size)]]
        one, other = np.triu_indices(size, 1)
        parts.append(np.stack([fans[:, one], fans[:, other]], axis=-1).reshape(-1, 2))
    return np.unique(np.concatenate(parts), axis=0)


def _is_apart_at_corner(points: FloatArray, corners: _Faces, pairs: _Faces) -> NDArray[np.bool_]:
    """True where a plane through the one common corner surely has the rest of either face on its own side."""
    first, second = corners[pairs[:, 0]], corners[pairs[:, 1]]
    is_same = first[:, :, None] == second[:, None, :]
    turns = [(own + 1) % 3 for own in (is_same.any(axis=2).argmax(axis=1), is_same.any(axis=1).argmax(axis=1))]
    row = np.arange(len(pairs))
    corner = points[first[row, (turns[0] + 2) % 3]]
    a = [_unit(points[first[row, (turns[0] + step) % 3]] - corner) for step in (0, 1)]
    b = [_unit(points[second[row, (turns[1] + step) % 3]] - corner) for step in (0, 1)]
    planes = [one - other for one in a for other in b]
    is_apart = np.zeros(len(pairs), bool)
    for plane in planes:
        is_apart |= (_lowest(plane, a) > _ROUNDING) & (_lowest(-plane, b) > _ROUNDING)
    for (one, other), rest in ((a, b), (b, a)):
        plane = np.cross(one, other)
        is_apart |= (_lowest(plane, rest) > _ROUNDING) | (_lowest(-plane, rest) > _ROUNDING)
    return np.asarray(is_apart)


def _is_apart_at_edge(points: FloatArray, corners: _Faces, pairs: _Faces) -> NDArray[np.bool_]:
    """True where two faces with a common edge surely lie in two planes, or on two sides of the edge."""
    first, second = corners[pairs[:, 0]], corners[pairs[:, 1]]
    is_own = [~(one[:, :, None] == other[:, None, :]).any(axis=2) for one, other in ((first, second), (second, first))]
    row, own = np.arange(len(pairs)), is_own[0].argmax(axis=1)
    start = points[first[row, (own + 1) % 3]]
    edge = _unit(points[first[row, (own + 2) % 3]] - start)
    tips = [_unit(points[face[row, mask.argmax(axis=1)]] - start) for face, mask in ((first, is_own[0]), (second, is_own[1]))]
    across = [np.cross(edge, tip) for tip in tips]
    height = np.einsum("ij,ij->i", across[0], tips[1])
    return np.asarray((np.abs(height) > _ROUNDING) | (np.einsum("ij,ij->i", *across) < -_ROUNDING))


def _lowest(plane: FloatArray, directions: list[FloatArray]) -> FloatArray:
    return np.asarray(np.min([np.einsum("ij,ij->i", plane, direction) for direction in directions], axis=0))


def _norm(vectors: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)))


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(_norm(vectors), 1e-300)[:, None])


def _exact(triangle: FloatArray) -> list[_Point]:
    return [tuple(map(Fraction, corner)) for corner in triangle.tolist()]


def _minus(p: _Point, q: _Point) -> _Point:
    return tuple(a - b for a, b in zip(p, q, strict=True))


def _cross(u: _Point, w: _Point) -> _Point:
    return u[1] * w[2] - u[2] * w[1], u[2] * w[0] - u[0] * w[2], u[0] * w[1] - u[1] * w[0]


def _spans(triangle: list[_Point]) -> tuple[_Point, _Point]:
    return _minus(triangle[1], triangle[0]), _minus(triangle[2], triangle[0])


def _meets(one: list[_Point], other: list[_Point]) -> bool:
    """Whether two triangles with one or two equal corners have a common point outside the corner or edge they share, in fractions."""
    shared = [corner for corner in one if corner in other]
    common = [point for point in _clipped(one, other) if point not in shared]
    if len(shared) == 1:
        return bool(common)
    edge = _minus(shared[1], shared[0])
    return any(any(_cross(edge, _minus(point, shared[0]))) for point in common)


def _clipped(one: list[_Point], other: list[_Point]) -> list[_Point]:
    """The corners of the intersection of two triangles: one, cut by the other's plane from both sides and by its three edges."""
    normal = _cross(*_spans(other))
    walls = [(normal, other[0]), (tuple(-x for x in normal), other[0])]
    walls += [(_cross(normal, _minus(other[(k + 1) % 3], other[k])), other[k]) for k in range(3)]
    polygon = one
    for direction, origin in walls:
        heights = [sum((d * (p - o) for d, p, o in zip(direction, point, origin, strict=True)), Fraction()) for point in polygon]
        kept: list[_Point] = []
        for point, height, before, height_before in zip(polygon, heights, polygon[-1:] + polygon[:-1], heights[-1:] + heights[:-1], strict=True):
            if height * height_before < 0:
                share = height_before / (height_before - height)
                kept.append(tuple(b + share * (p - b) for b, p in zip(before, point, strict=True)))
            if height >= 0:
                kept.append(point)
        polygon = list(dict.fromkeys(kept))
    return polygon
