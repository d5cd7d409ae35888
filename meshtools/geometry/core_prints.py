"""Core prints: pegs that run from the core of a hollow casting out through its wall into seats between the halves of the mould, and hold it there.

A print lies level in the parting surface, square with an edge up and an edge down, so that its faces lean 45 degrees and either half lifts
off it; a seat reaches past the parting surface where that is not level. Two prints as far apart as can be hold the core in place; their
square section keeps it from turning. Each leaves a hole in the casting, to be closed by hand. Our own method.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.hollowing import Cavity
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.parting import Block, Membrane
from meshtools.geometry.shadow import Solid, joined
from meshtools.geometry.undercuts import Bone
from meshtools.model import FloatArray, Mesh

N_PRINTS = 2
_CANDIDATES = 240  # places tried around the outline
_STEEPEST_DEG = 30.0  # of the parting surface across and along a print
_LONGEST_WALLS = 4.0  # of the wall: a print's way through the casting
_BESIDE_MM = 2.0  # of the flange that stays around a seat
PRINT_LENGTH = 1.5  # of a print beyond the casting, in its widths


@dataclass(frozen=True, eq=False)
class CorePrint:
    """One print: where its axis leaves the core and where it ends (3,), both at one height, its width from edge to edge, how far its seats reach
    past the parting surface, and its way through the casting."""

    start: FloatArray
    end: FloatArray
    width_mm: float
    slack_mm: float
    wall_mm: float

    def body(self, clearance_mm: float = 0.0, shift_mm: float = 0.0) -> Solid:
        """The print, larger all round by the clearance, drawn out upwards (or downwards) by the shift."""
        import manifold3d

        along = (self.end - self.start) / np.linalg.norm(self.end - self.start)
        across, up = np.array([-along[1], along[0], 0.0]), np.array([0.0, 0.0, 1.0])
        reach = self.width_mm / 2 + np.sqrt(2.0) * clearance_mm
        ring = np.array([reach * across, reach * up, -reach * across, -reach * up])
        corners = np.concatenate([ring + self.start, ring + self.end + clearance_mm * along])
        return manifold3d.Manifold.hull_points(np.concatenate([corners, corners + [0.0, 0.0, shift_mm]]))

    def seat(self, way: float, clearance_mm: float) -> Solid:
        """The room for the print in the half that is lifted along +z (way 1) or lowered (way -1): nothing of the half is left behind it."""
        return self.body(clearance_mm, -way * self.slack_mm)


@dataclass(frozen=True)
class PrintSizes:
    """Width of a print from edge to edge, its length beyond the casting, the wall of the casting, the clearance of its seats."""

    width_mm: float
    length_mm: float
    wall_mm: float
    clearance_mm: float


@dataclass(frozen=True, eq=False)
class HeldCore:
    """A core with its prints, the clearance of their seats, the volume that the casting lacks for both, and the core's least wall."""

    solid: Solid
    prints: tuple[CorePrint, ...]
    clearance_mm: float
    lost_mm3: float
    least_wall_mm: float

    def seats(self, way: float, more_mm: float = 0.0) -> list[Solid]:
        """The seats in the upper (way 1) or the lower half (way -1), larger by so much if wished."""
        return [one.seat(way, self.clearance_mm + more_mm) for one in self.prints]


def hold_core(cavity: Cavity, bone: Bone, ground: tuple[Block, Membrane], sizes: PrintSizes, barred: Sequence[FloatArray]) -> HeldCore:
    """A core and the prints that hold it between the halves of a mould: a block and the membrane they part at. barred: as in place_prints."""
    prints = place_prints(cavity.solid, bone.mesh, ground, sizes, barred)
    solid = joined([cavity.solid, *(one.body() for one in prints)])
    return HeldCore(solid, prints, sizes.clearance_mm, float((solid ^ bone.solid).volume()), cavity.least_wall_mm)


def place_prints(
    core: Solid, bone: Mesh, ground: tuple[Block, Membrane], sizes: PrintSizes, barred: Sequence[FloatArray]
) -> tuple[CorePrint, ...]:
    """The two places around the outline of a bone for prints that are farthest apart; fewer where there is no room for more.

    barred: x, y and a distance (3,) each, of places in plan that prints stay so far away from.
    """
    (block, membrane), width, length, wall = ground, sizes.width_mm, sizes.length_mm, sizes.wall_mm
    skin, inner = Surface(bone), Surface(surface_of(core))
    found = [one for one in _candidates(block, membrane, length) if _is_clear(one, width, length, block, barred)]
    prints = []
    for flat, outward in found:
        level = float(membrane.at((flat + 0.5 * outward)[None])[0])
        start, away = np.array([*(flat + length * outward), level]), np.array([*outward, 0.0])
        entry, depth = (float(surface.first_hit(start[None], -away[None])[0]) for surface in (skin, inner))
        if not (np.isfinite(depth) and 0.0 <= depth - entry <= _LONGEST_WALLS * wall) or entry < 0.8 * length:
            continue
        outside = start - entry * away + np.arange(0.0, 1.01, 0.1)[:, None] * length * away
        across = width / 2 * np.array([-outward[1], outward[0]])
        heights = np.concatenate([membrane.at(outside[:, :2] + side * across) for side in (-1.0, 0.0, 1.0)])
        off = float(np.abs(heights - level).max())
        if off <= np.tan(np.radians(_STEEPEST_DEG)) * width / 2:
            inside = start - (depth + width / 2) * away
            prints.append(CorePrint(inside, start - entry * away + length * away, width, off + width, depth - entry))
    return _farthest(prints)


def _candidates(block: Block, membrane: Membrane, length_mm: float) -> list[tuple[FloatArray, FloatArray]]:
    """Points (2,) around the bone's outline and the way out there (2,)."""
    import shapely

    outer = max(polygons_of(block.bone_outline), key=lambda part: part.area).exterior
    outer = shapely.Polygon(outer).buffer(length_mm / 4).buffer(-length_mm / 4).exterior
    steps = outer.length * np.arange(_CANDIDATES) / _CANDIDATES
    here, ahead = (np.array([outer.interpolate(step).coords[0][:2] for step in (steps + shift) % outer.length]) for shift in (0.0, length_mm / 4))
    along = ahead - here
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
    turn = 1.0 if outer.is_ccw else -1.0
    return [(flat, turn * np.array([way[1], -way[0]])) for flat, way in zip(here, along, strict=True)]


def _is_clear(place: tuple[FloatArray, FloatArray], width_mm: float, length_mm: float, block: Block, barred: Sequence[FloatArray]) -> bool:
    import shapely

    flat, outward = place
    axis = flat + np.linspace(0.0, length_mm, 5)[:, None] * outward
    if not block.outline.contains(shapely.LineString([axis[0], axis[-1]]).buffer(width_mm / 2 + _BESIDE_MM)):
        return False
    return all(float((np.linalg.norm(axis - point[:2], axis=1) - point[2]).min()) > width_mm for point in barred)


def _farthest(prints: Sequence[CorePrint]) -> tuple[CorePrint, ...]:
    if len(prints) < N_PRINTS:
        return tuple(prints)
    ends = np.array([one.end for one in prints])
    apart = np.linalg.norm(ends[:, None] - ends[None], axis=2)
    i, j = np.unravel_index(int(apart.argmax()), apart.shape)
    return (prints[int(i)], prints[int(j)])
