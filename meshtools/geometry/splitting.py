"""Cut a solid by planes until every part fits the build volume, keys included.

The solid is halved again and again, across the longest side of its own box. Of the planes that leave both sides few enough parts the one is
taken whose section is thick, round and in one piece and lies far from joint ends. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.counted import counted
from meshtools.errors import GeometryError
from meshtools.geometry.body import parts_of
from meshtools.geometry.build_fit import place_in, smallest_box
from meshtools.geometry.measure import hull_points
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.sections import Plane, sections
from meshtools.model import FloatArray

_N_PLANES = 25
_N_TRIED = 10
_CRUMB_SHARE = 0.02  # a part is a crumb below this share of the replica and ..
_CRUMB_OF_ROOM = 0.005  # .. of the build volume
_DEEPEST = 24  # cuts one after the other through one part: a halving each, so 24 leave less than a ten-millionth of the length
_PLAY = 0.35  # how far a plane may lie from an even division, as a share of an even part


@dataclass(frozen=True, eq=False)
class Demand:
    """What a split must keep: room_mm (3,) of the machine, the direction that points up, points (n, 3) that cuts stay off, and how far; the
    room kept for keys and the thickness a section needs for one; the most parts."""

    room_mm: tuple[float, float, float]
    up: FloatArray
    keep_off: FloatArray
    keep_off_mm: float
    key_depth_mm: float
    key_width_mm: float
    most_parts: int


@dataclass(frozen=True, eq=False)
class Cut:
    """One cut plane: area_mm2 of its section, how many pieces the section has, thick_share of it that has room for a key, distance of the
    nearest point to stay off (infinite where none is known)."""

    plane: Plane
    area_mm2: float
    n_loops: int
    thick_share: float
    keep_off_mm: float


@dataclass(frozen=True, eq=False)
class SplitPart:
    """One part of the split: a solid of the kernel and the cuts that bound it, by number and side (+1: the part lies along the normal)."""

    solid: Any
    cuts: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, eq=False)
class Split:
    """All parts, in the order along the first cuts, and the cuts."""

    parts: tuple[SplitPart, ...]
    cuts: tuple[Cut, ...]


@dataclass
class _Splitter:
    demand: Demand
    crumb_mm3: float
    cuts: list[Cut] = field(default_factory=list)
    parts: list[SplitPart] = field(default_factory=list)

    def split(self, part: SplitPart, depth: int = 0) -> None:
        points = self.reach(part)
        hull = hull_points(points)
        if place_in(hull, self.demand.room_mm, self.demand.up) is not None:
            self.parts.append(part)
            return
        if depth > _DEEPEST:
            raise GeometryError(f"the replica was cut {counted(depth, 'time')} one after the other and a part still does not fit the machine; "
                                "enter a larger build volume (print.build_x_mm, build_y_mm, build_z_mm), or a smaller print.key_depth_mm")
        if len(self.parts) >= self.demand.most_parts:
            raise GeometryError(f"the replica does not come apart into {self.demand.most_parts} parts or fewer that fit the machine; "
                                "check its size, raise print.most_parts, or enter a larger build volume (print.build_x_mm, build_y_mm, build_z_mm)")
        cut, sides = self.choose(part, hull)
        number = len(self.cuts)
        self.cuts.append(cut)
        for sign, solid in sides:
            for piece in parts_of(solid)[0]:
                self.split(SplitPart(piece, (*part.cuts, (number, sign))), depth + 1)

    def reach(self, part: SplitPart) -> FloatArray:
        """Corners of a part, and where keys on its cut faces may end."""
        corners = corners_of(part.solid)
        points = [corners]
        for number, sign in part.cuts:
            plane = self.cuts[number].plane
            heights = corners @ plane.normal - plane.offset_mm
            points.append(corners[np.abs(heights) < 1e-6 * np.ptp(corners, axis=0).max()] - sign * self.demand.key_depth_mm * plane.normal)
        return np.concatenate(points)

    def choose(self, part: SplitPart, hull: FloatArray) -> tuple[Cut, list[tuple[int, Any]]]:
        """The best plane that leaves no crumbs, and the two sides."""
        options = self.options(part.solid, hull)
        best: tuple[float, Cut, list[tuple[int, Any]]] | None = None
        for cost, cut in options[:_N_TRIED]:
            upper, lower = part.solid.split_by_plane(tuple(cut.plane.normal), cut.plane.offset_mm)
            n_crumbs = sum(piece.volume() < self.crumb_mm3 for side in (upper, lower) for piece in parts_of(side)[0])
            if best is None or cost + 2.0 * n_crumbs < best[0]:
                best = (cost + 2.0 * n_crumbs, cut, [(-1, lower), (1, upper)])
            if not n_crumbs:
                break
        if best is None:
            raise GeometryError("no plane was found that cuts the replica to the machine; choose a larger machine")
        return best[1], best[2]

    def options(self, solid: Any, hull: FloatArray) -> list[tuple[float, Cut]]:
        """Planes across the longest side by ascending cost."""
        axes = smallest_box(hull)
        room = np.sort(self.demand.room_mm)[::-1] - 2.0 * self.demand.key_depth_mm
        seen = hull @ axes.T
        ratios = np.ptp(seen, axis=0) / room
        axis = int(np.argmax(ratios))
        low, length = float(seen[:, axis].min()), float(np.ptp(seen[:, axis]))
        n_parts = max(2, int(np.ceil(ratios[axis] / 0.97)))
        before = n_parts // 2
        even = length * before / n_parts
        play = _PLAY * length / n_parts
        window = (max(length - (n_parts - before) * room[axis], even - play), min(before * room[axis], even + play))
        places = np.linspace(window[0], window[1], _N_PLANES)
        plane = Plane.across(axes[axis], low)
        areas = sections(solid, plane, places)
        costs = []
        for place, area in zip(places, areas, strict=True):
            if area.is_empty:
                continue
            lifted = Plane(plane.frame, low + float(place))
            cut = self.describe(lifted, area)
            off_middle = abs(float(place) - (window[0] + window[1]) / 2.0) / max(window[1] - window[0], 1e-9)
            costs.append((self.cost(cut, area) + 0.2 * off_middle, cut))
        return sorted(costs, key=lambda option: option[0])

    def describe(self, plane: Plane, area: Any) -> Cut:
        import shapely

        thick = area.buffer(-self.demand.key_width_mm / 2.0).buffer(self.demand.key_width_mm / 2.0)
        seen = plane.to_plane(self.demand.keep_off) if len(self.demand.keep_off) else np.empty((0, 3))
        aside = shapely.distance(area, shapely.points(seen[:, :2])) if len(seen) else np.empty(0)
        nearest = float(np.sqrt(aside**2 + seen[:, 2] ** 2).min(initial=np.inf))
        return Cut(plane, float(area.area), len(polygons_of(area)), float(min(thick.area / area.area, 1.0)), nearest)

    def cost(self, cut: Cut, area: Any) -> float:
        roundness = 4.0 * np.pi * area.area / max(area.length, 1e-9) ** 2
        near = max(0.0, 1.0 - cut.keep_off_mm / self.demand.keep_off_mm) if self.demand.keep_off_mm > 0.0 else 0.0
        return float((cut.n_loops - 1) + 2.0 * (1.0 - cut.thick_share) + (1.0 - roundness) + 5.0 * near)


def split_to_fit(solid: Any, demand: Demand) -> Split:
    """Cut a solid of the kernel until each part, with keys of the stated depth on its cut faces, fits the room.

    GeometryError where it would take more than the most parts, or the keys leave no room at all.
    """
    if min(demand.room_mm) <= 2.5 * demand.key_depth_mm:
        raise GeometryError("the machine is not much larger than two keys; choose a larger machine or less deep keys")
    splitter = _Splitter(demand, min(_CRUMB_SHARE * float(solid.volume()), _CRUMB_OF_ROOM * float(np.prod(demand.room_mm))))
    splitter.split(SplitPart(solid))
    if len(splitter.parts) > demand.most_parts:
        raise GeometryError(too_many(len(splitter.parts), demand.most_parts))
    return Split(tuple(splitter.parts), tuple(splitter.cuts))


def too_many(n_parts: int, most_parts: int) -> str:
    """Why a replica of too many parts is refused, and what to set."""
    return (f"the replica comes apart into {n_parts} parts, more than print.most_parts = {most_parts}; if its size is right "
            f"raise print.most_parts to {n_parts} or more, or enter a larger build volume (print.build_x_mm, build_y_mm, build_z_mm)")


def corners_of(solid: Any) -> NDArray[np.float64]:
    """Corners (n, 3) of a kernel's solid."""
    return np.asarray(solid.to_mesh64().vert_properties, dtype=np.float64)[:, :3]
