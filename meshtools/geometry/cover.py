"""How near a fine surface lies to each face of a coarse one, shown by its vertices alone.

Let every vertex of the fine surface land on the nearest point of the coarse one, and carry the fine faces along, flat. Take the fine
faces with a corner that lands on one coarse face, and their neighbours across edges that enter it, seen along its normal. If the
outline of that patch stays off the coarse face, the patch covers the face as many times as it covers any one point of it: the degree
of a continuous map is constant away from the image of the boundary (Milnor 1965, Topology from the differentiable viewpoint, section
5; cited from memory). Once or more means that each point of the coarse face has a point of the fine surface at most (largest landing
distance + height of the carried face above the coarse one) away. The effort for each fine face is fixed and small, where subdivision
of the coarse one would need many pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.weld import edge_keys
from meshtools.model import FloatArray, Mesh

TOUCH = 1e-9  # a landing point this little beyond an edge, in barycentric weight, counts as on it
PROBE = (0.3371, 0.3293, 0.3336)  # the point of a coarse face at which the cover is counted, off all symmetric places
BLOCK = 1 << 15
ROUNDS = 8  # a patch grows at most this often across edges that enter the coarse face


@dataclass(frozen=True, eq=False)
class _Frames:
    """Of each coarse face: first corner, unit normal, and the vectors that give the second and third barycentric weight, each (m, 3)."""

    origin: FloatArray
    normal: FloatArray
    second: FloatArray
    third: FloatArray
    is_sound: Any


def cover_bounds(coarse: Surface, fine: Surface) -> FloatArray:
    """For each face of `coarse` a distance in mm (m,) within which all of it has `fine` near, infinite where that is not shown.

    True up to 1e-9 of a face's size, and whatever the surfaces are: where the argument does not hold, nothing is shown.
    """
    distance, face, point = coarse.project(fine.mesh.vertices)
    cover = _Cover(coarse.mesh, fine.mesh, distance, point)
    neighbour = _neighbours(fine.mesh)
    n_coarse = len(coarse.mesh.faces)
    known = _distinct(np.concatenate([_landing_keys(face[fine.mesh.faces], n_coarse), _centre_keys(coarse.mesh, fine, face)]))
    rows, target = np.divmod(known, n_coarse)
    for _ in range(ROUNDS):
        edges = cover.add(rows, target)
        beyond, wanted = neighbour[rows][edges], np.repeat(target, edges.sum(axis=1))
        cover.spoilt[wanted[beyond < 0]] = True
        fresh = _distinct((beyond * n_coarse + wanted)[beyond >= 0])
        fresh = fresh[known[np.searchsorted(known, fresh).clip(max=len(known) - 1)] != fresh]
        if not len(fresh):
            break
        rows, target = np.divmod(fresh, n_coarse)
        known = np.sort(np.concatenate([known, fresh]))
    else:
        cover.spoilt[target] = True
    return np.where(cover.spoilt | (cover.count == 0), np.inf, cover.upper)


class _Cover:
    """Adds up what the patches show of each coarse face: upper bound, number of times covered, and whether the proof is spoilt."""

    def __init__(self, coarse: Mesh, fine: Mesh, distance: FloatArray, point: FloatArray) -> None:
        self._frames, self._fine, self._distance, self._point = _frames(coarse), fine, distance, point
        self.upper, self.count = np.zeros(len(coarse.faces)), np.zeros(len(coarse.faces), np.int64)
        self.spoilt = ~self._frames.is_sound

    def add(self, rows: Any, target: Any) -> Any:
        """Take fine faces into patches of coarse ones. Returns (k, 3) True for edges that enter the coarse face."""
        enters = np.zeros((len(rows), 3), bool)
        for start in range(0, len(rows), BLOCK):
            block = slice(start, start + BLOCK)
            corners, on = self._fine.faces[rows[block]], target[block]
            weights, height = _seen(self._point[corners], self._frames, on)
            reach = _height_within(weights, height)
            np.maximum.at(self.upper, on, np.where(reach < 0, 0.0, reach + self._distance[corners].max(axis=1)))
            np.add.at(self.count, on, _covers_probe(weights))
            enters[block] = _enters(weights)
        return enters


def _distinct(keys: Any) -> Any:
    """Sorted, without repeats. np.unique takes ten times as long on millions of keys that come in steps (numpy 2.3 hashes them)."""
    ordered = np.sort(keys)
    return ordered[np.concatenate([np.ones(min(len(keys), 1), bool), ordered[1:] != ordered[:-1]])]


def _landing_keys(labels: Any, n_coarse: int) -> Any:
    """Fine faces paired with every coarse face that one of their corners lands on, each pair as one number."""
    return (np.arange(len(labels))[:, None] * n_coarse + labels).ravel()


def _centre_keys(coarse: Mesh, fine: Surface, face: Any) -> Any:
    """Coarse faces that no fine vertex lands on, paired with the fine face nearest to their middle."""
    empty = np.flatnonzero(np.bincount(face, minlength=len(coarse.faces)) == 0)
    _, nearest = fine.distance(coarse.vertices[coarse.faces[empty]].mean(axis=1))
    return nearest.astype(np.int64) * len(coarse.faces) + empty


def _frames(mesh: Mesh) -> _Frames:
    corners = mesh.vertices[mesh.faces]
    to_b, to_c = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    cross = np.cross(to_b, to_c)
    squared = np.einsum("ij,ij->i", cross, cross)
    longest = np.maximum(np.einsum("ij,ij->i", to_b, to_b), np.einsum("ij,ij->i", to_c, to_c))
    is_sound = squared > 1e-16 * longest**2
    safe = np.where(is_sound, squared, 1.0)[:, None]
    return _Frames(corners[:, 0], cross / np.sqrt(safe), np.cross(to_c, cross) / safe, np.cross(cross, to_b) / safe, is_sound)


def _neighbours(mesh: Mesh) -> Any:
    """(m, 3) the face across the edge from corner k to the next, -1 where the edge is not shared by exactly two faces."""
    keys = edge_keys(mesh.faces, len(mesh.vertices))
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.concatenate([[True], np.diff(keys[order]) != 0]))
    pairs = starts[np.diff(np.append(starts, len(keys))) == 2]
    first, second = order[pairs], order[pairs + 1]
    across = np.full(len(keys), -1, np.int64)
    across[first], across[second] = second // 3, first // 3
    return across.reshape(-1, 3)


def _seen(points: FloatArray, frames: _Frames, target: Any) -> tuple[FloatArray, FloatArray]:
    """Barycentric weights (k, 3 corners, 3) in the coarse face and heights (k, 3) above it, of the corners of carried fine faces."""
    local = points - frames.origin[target][:, None]
    second, third, height = (np.einsum("ijk,ik->ij", local, axis[target]) for axis in (frames.second, frames.third, frames.normal))
    return np.stack([1 - second - third, second, third], axis=2), height


def _height_within(weights: FloatArray, height: FloatArray) -> FloatArray:
    """Largest height (k,) of a carried face over the coarse one, clipped by one edge at a time; -1 where it lies outside."""
    least = np.full(len(height), np.inf)
    magnitude = np.abs(height)
    for edge in range(3):
        side = weights[:, :, edge]
        inside = side > -TOUCH
        tallest = np.where(inside, magnitude, -1.0).max(axis=1)
        for i, j in ((0, 1), (1, 2), (2, 0)):
            crosses = inside[:, i] != inside[:, j]
            share = side[:, i] / np.where(crosses, side[:, i] - side[:, j], 1.0)
            at_cut = np.abs(height[:, i] + share.clip(0.0, 1.0) * (height[:, j] - height[:, i]))
            tallest = np.maximum(tallest, np.where(crosses, at_cut, -1.0))
        least = np.minimum(least, tallest)
    return least


def _covers_probe(weights: FloatArray) -> Any:
    """+1 or -1 (k,) where the carried face lies over the probe, by the way it turns; else 0."""
    x, y = weights[:, :, 1] - PROBE[1], weights[:, :, 2] - PROBE[2]
    turns = np.stack([x[:, i] * y[:, j] - x[:, j] * y[:, i] for i, j in ((0, 1), (1, 2), (2, 0))], axis=1)
    return (turns > 0).all(axis=1).astype(np.int64) - (turns < 0).all(axis=1)


def _enters(weights: FloatArray) -> Any:
    """(k, 3) True where the edge from corner i to the next is not shown to stay off the inside of the coarse face."""
    return np.stack([_segment_enters(weights[:, i], weights[:, (i + 1) % 3]) for i in range(3)], axis=1)


def _segment_enters(start: FloatArray, end: FloatArray) -> Any:
    """Clip the segment by the three edges: it stays off where nothing is left."""
    low, high = np.zeros(len(start)), np.ones(len(start))
    step = end - start
    for k in range(3):
        at = (TOUCH - start[:, k]) / np.where(step[:, k] == 0, 1.0, step[:, k])
        low = np.where(step[:, k] > 0, np.maximum(low, at), low)
        high = np.where(step[:, k] < 0, np.minimum(high, at), high)
        high = np.where((step[:, k] == 0) & (start[:, k] <= TOUCH), -1.0, high)
    return low < high
