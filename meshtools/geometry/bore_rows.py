"""One bent tube through a row of vertebrae in their pose: straight runs, as few as keep the wall, with round bends between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.bore_search import Looks, joined, look, prove_least, widen
from meshtools.geometry.column import end_face
from meshtools.geometry.distance import Surface
from meshtools.geometry.mouths import Mouth, counted_skin
from meshtools.geometry.posing import surface_middle
from meshtools.geometry.tube_bends import TubePath, bend_table
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh

N_LOOKS = 24  # places in each bone that the search looks from
MOST_TRIED = 24  # with more choices of where to bend, one bend is added to the best choice so far
CHORD_MM = 0.02  # bends are cut as chords that stray from the arc by no more
MOUTH_ROUNDS = 4
SLACK_MM = 0.25  # of what is possible, that the search may leave


@dataclass(frozen=True)
class RowAsked:
    """What is asked of a row: radius of the hole, least wall and smallest bend radius of the tube's centre line, mm."""

    radius_mm: float
    wall_mm: float
    bend_radius_mm: float

    @property
    def clear_mm(self) -> float:
        """Radius and wall together."""
        return self.radius_mm + self.wall_mm


@dataclass(frozen=True, eq=False)
class Stretch:
    """The tube's axis in one bone: points (n, 3) from skin to skin, the least wall found at `thinnest` (3,), and the wall that no place is below;
    bent_mm: how much of its length is bent; mouths: where it meets the skin."""

    points: FloatArray
    wall_mm: float
    proven_wall_mm: float
    thinnest: FloatArray
    length_mm: float
    bent_mm: float
    mouths: tuple[Mouth, Mouth]


@dataclass(frozen=True, eq=False)
class RowLaid:
    """A tube through a row, in the frame of the pose: corners (k, 3) of its centre line, the path with its bend table, a stretch for each bone."""

    corners: FloatArray
    path: TubePath
    stretches: tuple[Stretch, ...]


def lay_row(bones: Sequence[Mesh], asked: RowAsked) -> RowLaid:
    """Lay a tube through vertebrae that stand in their pose, head to tail or tail to head.

    It may bend between any two of them. The fewest bends are taken with which every centrum keeps the wall, or as much as the narrowest centrum
    can; of equally few those that leave the most (for long rows bends are added one by one). Corners are then moved until the wall grows no more.
    What counts as wall: geometry/mouths.py, for each bone. The wall is proven along straights and bends alike. GeometryError for fewer than two
    bones, and where the tube misses a bone or cannot be bent so.
    """
    if len(bones) < 2:
        raise GeometryError("a row needs two bones or more that stand in the pose")
    row = _Row(bones, asked)
    corners = row.fewest_runs()
    reach = 2.0 * asked.clear_mm
    ways = corners[[1, -1]] - corners[[0, -2]]
    ways /= np.sqrt((ways**2).sum(axis=1))[:, None]
    corners = np.concatenate([corners[:1] - reach * ways[:1], corners[1:-1], corners[-1:] + reach * ways[1:]])
    path = TubePath(corners, asked.bend_radius_mm)
    return RowLaid(corners, path, tuple(_stretch(bone, path, asked, k) for k, bone in enumerate(bones)))


class _Row:
    def __init__(self, bones: Sequence[Mesh], asked: RowAsked) -> None:
        self.bones, self.asked = bones, asked
        self.surfaces = [Surface(bone) for bone in bones]
        middles = np.stack([surface_middle(bone) for bone in bones])
        ways = np.gradient(middles, axis=0)
        ways /= np.sqrt((ways**2).sum(axis=1))[:, None]
        self.ends = [(end_face(bone, -way).centre, end_face(bone, way).centre) for bone, way in zip(bones, ways, strict=True)]
        self.skins = [self._skin(k, *ends) for k, ends in enumerate(self.ends)]
        joints = [(self.ends[k][1] + self.ends[k + 1][0]) / 2 for k in range(len(bones) - 1)]
        self.stations = np.stack([self.ends[0][0], *joints, self.ends[-1][1]])

    def fewest_runs(self) -> FloatArray:
        """Corners (k, 3) of the line with the fewest bends that keeps the wall, or what the narrowest centrum has."""
        possible = min(self._widened((k, k + 1))[1] for k in range(len(self.bones)))
        goal = min(self.asked.clear_mm, possible - SLACK_MM)
        n_joints = len(self.bones) - 1
        best: tuple[int, ...] = ()
        found: list[tuple[bool, float, FloatArray]] = []
        for n_bends in range(n_joints + 1):
            tried = [self._choice(bends) for bends in self._choices(n_bends, best)]
            _, _, best, corners = max(tried, key=lambda choice: choice[:2])
            found.append(self._refined(best, corners))
            if found[-1][0] and found[-1][1] >= goal:
                return found[-1][2]
        can_bend, _, corners = max(found, key=lambda line: line[:2])
        if not can_bend:
            raise GeometryError(f"the row cannot be followed by a tube with bends of {self.asked.bend_radius_mm:g} mm; give a smaller bend radius")
        return corners

    def _choices(self, n_bends: int, best: tuple[int, ...]) -> list[tuple[int, ...]]:
        n_joints = len(self.bones) - 1
        if comb(n_joints, n_bends) <= MOST_TRIED:
            return list(combinations(range(1, n_joints + 1), n_bends))
        return [tuple(sorted((*best, joint))) for joint in range(1, n_joints + 1) if joint not in best]

    def _choice(self, bends: tuple[int, ...]) -> tuple[bool, float, tuple[int, ...], FloatArray]:
        corners, least = self._widened((0, *bends, len(self.bones)))
        return self._can_bend(corners), least, bends, corners

    def _can_bend(self, corners: FloatArray) -> bool:
        try:
            bend_table(corners, self.asked.bend_radius_mm)
        except GeometryError:
            return False
        return True

    def _refined(self, bends: tuple[int, ...], corners: FloatArray) -> tuple[bool, float, FloatArray]:
        """Once more with the mouths where the line now has them, in rounds: whether it can be bent so, its least distance, and its corners."""
        at = (0, *bends, len(self.bones))
        best = (False, 0.0, corners)
        for _ in range(MOUTH_ROUNDS):
            skins = self._skins_of(corners, at)
            seen = self._seen(corners, at, skins) if skins else None
            if skins is None or seen is None:
                break
            line = (self._can_bend(corners), seen.least_mm, corners)
            if line[:2] <= best[:2]:
                break
            best = line
            corners, _ = widen(corners, np.ones(len(corners), dtype=bool), lambda moved, skins=skins: self._seen(moved, at, skins))  # type: ignore[misc]
        return best

    def _skins_of(self, corners: FloatArray, at: tuple[int, ...]) -> list[Surface] | None:
        ends = [self._ends(k, corners[run], corners[run + 1]) for run in range(len(at) - 1) for k in range(at[run], at[run + 1])]
        return None if None in ends else [self._skin(k, *pair) for k, pair in enumerate(ends) if pair is not None]

    def _widened(self, at: tuple[int, ...]) -> tuple[FloatArray, float]:
        return widen(self.stations[list(at)], np.ones(len(at), dtype=bool), lambda corners: self._seen(corners, at, self.skins))

    def _seen(self, corners: FloatArray, at: tuple[int, ...], skins: Sequence[Surface]) -> Looks | None:
        """Look from every bone between the stations that the corners stand for."""
        parts = []
        for run in range(len(at) - 1):
            start, end = corners[run], corners[run + 1]
            for k in range(at[run], at[run + 1]):
                ends = self._ends(k, start, end)
                if ends is None:
                    return None
                points = ends[0] + np.linspace(0.0, 1.0, N_LOOKS)[:, None] * (ends[1] - ends[0])
                share = (points - start) @ (end - start) / float((end - start) @ (end - start))
                parts.append(look(points, (run, run + 1), share, skins[k]))
        return joined(parts)

    def _ends(self, k: int, start: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray] | None:
        """Where a straight line meets the skin of a centrum, coming from outside on either side."""
        way = (end - start) / np.sqrt(np.sum((end - start) ** 2))
        cranial, caudal = self.ends[k]
        middle = start + float(((cranial + caudal) / 2 - start) @ way) * way
        far = float(np.sqrt(np.sum((caudal - cranial) ** 2)))
        hits = self.surfaces[k].first_hit(np.stack([middle - far * way, middle + far * way]), np.stack([way, -way]))
        if not np.isfinite(hits).all() or hits.sum() >= 2 * far:
            return None
        return middle + (hits[0] - far) * way, middle + (far - hits[1]) * way

    def _skin(self, k: int, start: FloatArray, end: FloatArray) -> Surface:
        length = float(np.sqrt(np.sum((end - start) ** 2)))
        way = (end - start) / length
        return counted_skin(self.bones[k], [Mouth(start, -way), Mouth(end, way)], self.asked.clear_mm, length)


def _stretch(bone: Mesh, path: TubePath, asked: RowAsked, number: int) -> Stretch:
    """The path in one bone, from where it first meets its skin to where it last does, with its wall proven."""
    at = path.stations(0.0, path.length_mm, CHORD_MM)
    points = path.point(at)
    steps = np.diff(points, axis=0)
    lengths = np.sqrt((steps**2).sum(axis=1))
    ways = steps / lengths[:, None]
    surface = Surface(bone)
    forward, back = surface.first_hit(points[:-1], ways), surface.first_hit(points[1:], -ways)
    crossed = np.flatnonzero(forward <= lengths)
    if not len(crossed):
        raise GeometryError(f"the tube misses bone {number + 1} of the row; look at the pose")
    start, end = at[crossed[0]] + forward[crossed[0]], at[crossed[-1] + 1] - back[crossed[-1]]
    ends = path.point(np.array([start, end]))
    mouths = Mouth(ends[0], -ways[crossed[0]]), Mouth(ends[1], ways[crossed[-1]])
    least = prove_least(counted_skin(bone, mouths, asked.clear_mm, float(end - start)), path.point, float(start), float(end))
    margin = min(asked.clear_mm, float(end - start) / 4)
    inner = path.point(np.linspace(start + margin, end - margin, N_LOOKS))
    wall, proven, place = least.found_mm - asked.radius_mm, least.proven_mm - asked.radius_mm, path.point(np.array([least.place_mm]))[0]
    outside = ~is_inside(bone, inner)
    if outside.any():
        place = inner[outside][0]
        wall = proven = -asked.radius_mm - float(surface.distance(place[None])[0][0])
    stretch = path.point(path.stations(float(start), float(end), CHORD_MM))
    return Stretch(stretch, wall, proven, place, float(end - start), path.bent_between(float(start), float(end)), mouths)
