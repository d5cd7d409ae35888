"""Join the loose bodies of a replica by straight pins that run inside the bone.

The shortest way between the halves of a shaft begins and ends at its rim: a pin along it would lie on the skin like a splint. So lines through the
inside of both bodies are tried as well, and that which holds best is taken (our own search).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.fitting import tangents, unit_vectors
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.passages import frustum
from meshtools.geometry.unite import Piece, Union, concatenate, piece_mesh, split_pieces, unite_pieces
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh

DEPTH_DIAMETERS = 2.0  # engagement of a pin in each body (common practice, no source)
DEPTH_SHARE = 0.4  # but never deeper than this share of the body's diagonal, so that a tooth is not run through
LEAST_HOLD = 0.5  # less of its engagement in bone, and a pin is a splint: proposed default
SURE_HOLD = 0.9  # the shortest way is taken without a search from here on
N_GRID = 20  # places along each side of the box about the gap
N_PLACES = 40  # places in each body that lines are laid through
N_ON_LINE, N_ON_BEST = 24, 96  # points along a line that is tried, and along one that is to be made
N_BEST = 24  # lines whose hold is measured
N_STATIONS, N_AROUND = 8, 8  # sections of a pin in each body, and points around each section
GAP_COST = 0.1  # a diameter of free way is worth this much hold


@dataclass(frozen=True, eq=False)
class Pin:
    """A pin: its two ends (2, 3) mm, and its hold: the share of the wanted engagement whose section lies in bone, in the body that holds it less."""

    ends: FloatArray
    hold: float


@dataclass(frozen=True, eq=False)
class Joining:
    """Bodies joined by pins: the union, the hold of every pin, and the best hold found for each body that no pin could join."""

    union: Union
    holds: tuple[float, ...]
    refused: tuple[float, ...]

    @property
    def n_pins(self) -> int:
        """How many pins were made."""
        return len(self.holds)


@dataclass(frozen=True, eq=False)
class _Link:
    """Two bodies to be joined: their closest corners, and how deep a pin is to sit in each."""

    bodies: tuple[Mesh, Mesh]
    closest: FloatArray
    depths: tuple[float, float]


def join_bodies(mesh: Mesh, pin_diameter_mm: float, source_index: int) -> Joining:
    """Join the separate bodies of a mesh by straight pins and unite all.

    Each body that is not yet joined gets one pin to the nearest joined one, starting at the largest. A pin reaches two diameters into each body,
    less in a small one; where less than half of that finds bone around it none is made. Its faces carry `source_index`.
    """
    bodies = sorted((piece for piece in split_pieces(mesh) if piece.volume_mm3 > 0.0), key=lambda piece: -piece.volume_mm3)
    bone = _Bone(mesh, pin_diameter_mm / 2.0)
    pins = [bone.best_pin(link) for link in _links(mesh, bodies, pin_diameter_mm)]
    made = [pin for pin in pins if pin.hold >= LEAST_HOLD]
    widths = (pin_diameter_mm, pin_diameter_mm)
    solids = [frustum((pin.ends[0], pin.ends[1]), widths, source_index, mesh.colour is not None) for pin in made]
    refused = tuple(pin.hold for pin in pins if pin.hold < LEAST_HOLD)
    return Joining(unite_pieces(concatenate([mesh, *solids])), tuple(pin.hold for pin in made), refused)


def _links(mesh: Mesh, bodies: Sequence[Piece], pin_diameter_mm: float) -> Iterator[_Link]:
    """The links of a shortest tree over the bodies (Prim 1957), by their closest corners."""
    from scipy.spatial import cKDTree

    trees = [cKDTree(body.vertices) for body in bodies]
    depths = [min(DEPTH_DIAMETERS * pin_diameter_mm, DEPTH_SHARE * diagonal_mm(body.vertices)) for body in bodies]
    nearest: dict[int, tuple[float, int, int, int]] = {}
    joined, waiting = 0, set(range(1, len(bodies)))
    while waiting:
        for number in sorted(waiting):
            distances, rows = trees[joined].query(bodies[number].vertices)
            own = int(np.argmin(distances))
            candidate = (float(distances[own]), joined, int(rows[own]), own)
            nearest[number] = min(nearest.get(number, candidate), candidate)
        joined = min(waiting, key=lambda number: (nearest[number], number))
        waiting.remove(joined)
        _, partner, row, own = nearest[joined]
        closest = np.array([bodies[partner].vertices[row], bodies[joined].vertices[own]])
        pair = piece_mesh(mesh, bodies[partner]), piece_mesh(mesh, bodies[joined])
        yield _Link(pair, closest, (depths[partner], depths[joined]))


def _reached(share: FloatArray) -> tuple[int, float]:
    """How many sections a pin is deep, at least one, and its hold: to the end of the first run of sections of which half and more lies in bone."""
    is_held = share >= 0.5
    first = int(np.argmax(is_held))
    n_kept = first + int(np.argmin(np.append(is_held[first:], False)))
    return max(n_kept, 1), float(share[:n_kept].sum()) / N_STATIONS


class _Bone:
    """All bodies, asked how deep points lie in them."""

    def __init__(self, mesh: Mesh, radius_mm: float) -> None:
        self._mesh, self._surface, self._radius_mm = mesh, Surface(mesh), radius_mm
        angles = 2.0 * np.pi * np.arange(N_AROUND) / N_AROUND
        self._circle = np.column_stack([np.cos(angles), np.sin(angles)])

    def best_pin(self, link: _Link) -> Pin:
        """The pin that holds best, whether or not it holds well enough."""
        first, last = link.closest
        if np.array_equal(first, last):  # they touch: aim the pin from middle to middle
            way = link.bodies[1].vertices.mean(axis=0) - link.bodies[0].vertices.mean(axis=0)
            last = last + way * (1e-3 / max(float(np.sqrt(np.sum(way**2))), 1e-9))
        starts, ends = first[None], last[None]
        shortest = self._pins(link, starts, ends)[0]
        if shortest.hold >= SURE_HOLD:
            return shortest
        further = self._lines(link)
        pins = [shortest, *self._pins(link, *further)]
        ways = np.concatenate([ends, further[1]]) - np.concatenate([starts, further[0]])
        hold = np.array([pin.hold for pin in pins])
        worth = hold - GAP_COST * np.sqrt(np.sum(ways**2, axis=1)) / (2.0 * self._radius_mm)
        return pins[int(np.lexsort((-worth, hold < LEAST_HOLD))[0])]

    def _within(self, bodies: Sequence[Mesh], points: FloatArray) -> NDArray[np.bool_]:
        """Which points (b, ..., 3) lie in the body of their number and in none of its hollows (b, ...). A mesh sorts its faces anew each time it is
        asked, so it is asked for all points together."""
        own = np.stack([is_inside(body, rows.reshape(-1, 3)) for body, rows in zip(bodies, points, strict=True)])
        return np.asarray(own & is_inside(self._mesh, points.reshape(-1, 3)).reshape(own.shape)).reshape(points.shape[:-1])

    def _pins(self, link: _Link, starts: FloatArray, ends: FloatArray) -> list[Pin]:
        """The pins that leave the first body at the starts (n, 3) and enter the other at the ends (n, 3); each ends where it would come out again."""
        axes = unit_vectors(ends - starts)
        along = (np.arange(N_STATIONS)[:, None] + 0.5) / N_STATIONS
        sides = tuple(zip((starts, ends), (-axes, axes), link.depths, strict=True))
        points = np.stack([self._sections(place[:, None] + along * depth * inward[:, None], axes) for place, inward, depth in sides])
        shares = self._within(link.bodies, points).mean(axis=-1)
        pins = []
        for number in range(len(axes)):
            reached = [_reached(share) for share in shares[:, number]]
            tips = [place[number] + n / N_STATIONS * depth * inward[number] for (place, inward, depth), (n, _) in zip(sides, reached, strict=True)]
            pins.append(Pin(np.array(tips), min(hold for _, hold in reached)))
        return pins

    def _sections(self, middles: FloatArray, axes: FloatArray) -> FloatArray:
        """Points (n, k, p, 3) of the sections of pins about axes (n, 3): the middle of each (n, k, 3), and points around it."""
        ring = self._radius_mm * self._circle @ np.stack(tangents(axes), axis=1)
        return np.asarray(middles[:, :, None] + np.concatenate([np.zeros((len(axes), 1, 3)), ring], axis=1)[:, None])

    def _lines(self, link: _Link) -> tuple[FloatArray, FloatArray]:
        """Where the most promising lines leave the first body (n, 3) and enter the other (n, 3)."""
        firsts, lasts = (self._places(link, side) for side in (0, 1))
        start, end = np.repeat(firsts, len(lasts), axis=0), np.tile(lasts, (len(firsts), 1))
        if not len(start):
            return start, end
        inside, held = self._runs(link, start, end, N_ON_LINE)
        length = np.sqrt(np.sum((end - start) ** 2, axis=1))
        share = np.min(np.minimum(held / np.array(link.depths)[:, None], 1.0), axis=0)
        gap = length - inside.sum(axis=0)
        best = np.argsort(GAP_COST * gap / (2.0 * self._radius_mm) - share, kind="stable")[:N_BEST]
        start, end = start[best], end[best]
        way = (end - start) / length[best, None]
        inside, _ = self._runs(link, start, end, N_ON_BEST)
        return start + inside[0][:, None] * way, end - inside[1][:, None] * way

    def _runs(self, link: _Link, start: FloatArray, end: FloatArray, n_points: int) -> tuple[FloatArray, FloatArray]:
        """How far lines (n,) run inside the body at either end (2, n), and the same counted less where a pin would find less than its radius."""
        points = (start[:, None, :] + np.linspace(0.0, 1.0, n_points)[:, None] * (end - start)[:, None, :]).reshape(-1, 3)
        room = np.minimum(self._surface.distance(points)[0] / self._radius_mm, 1.0).reshape(-1, n_points)
        own = np.stack([is_inside(body, points) for body in link.bodies]) & is_inside(self._mesh, points)
        within = own.reshape(2, -1, n_points)
        runs = np.stack([np.cumprod(within[0], axis=1), np.cumprod(within[1][:, ::-1], axis=1)[:, ::-1]])
        step = np.sqrt(np.sum((end - start) ** 2, axis=1)) / (n_points - 1)
        inside = np.maximum(runs.sum(axis=2) - 1, 0) * step
        return inside, (runs * room).sum(axis=2) * step

    def _places(self, link: _Link, side: int) -> FloatArray:
        """Places (n, 3) in one body near the other, the deepest where there are many, with room for the pin where there are such."""
        own, other = link.bodies[side], link.bodies[1 - side]
        reach = link.depths[side]
        gap = float(np.sqrt(np.sum((link.closest[1] - link.closest[0]) ** 2)))
        near = own.vertices[Surface(other).distance(own.vertices)[0] <= gap + reach]
        distance, _, met = Surface(own).project(other.vertices)
        zone = np.concatenate([near, met[distance <= gap + reach], link.closest[[side]]])
        axes = [np.linspace(low, high, N_GRID) for low, high in zip(zone.min(axis=0) - reach, zone.max(axis=0) + reach, strict=True)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        grid = grid[self._within((own,), grid[None])[0]]
        depth = self._surface.distance(grid)[0]
        has_room = depth >= self._radius_mm
        grid, depth = (grid[has_room], depth[has_room]) if has_room.any() else (grid, depth)
        order = np.argsort(-depth, kind="stable")
        chosen = order[np.linspace(0, len(order) - 1, min(N_PLACES, len(order))).astype(np.intp)]
        return np.asarray(grid[chosen], dtype=np.float64)
