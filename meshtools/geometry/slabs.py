"""A block glued from sheets: the outline of every slab, and the dowels that hold neighbours in register.

The outline of a slab is the union of all sections of the solid through its thickness, not only those at its faces, widened by the allowance
on all sides; the allowance above and below is kept too, so sections just beyond the slab count. Every piece of a slab shares at least two
dowels with a neighbour: within the bone's section where that has room for them, else within the outline, else in a pad added to both outlines.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from meshtools.geometry.outlines import polygonal, polygons_of, section_at, silhouette_between, without_narrow_holes
from meshtools.model import FloatArray

if TYPE_CHECKING:
    import manifold3d
    from shapely.geometry.base import BaseGeometry

CHORD_MM = 0.25  # outlines are widened by this more and then straightened by at most as much
APART_DIAMETERS = 3.0  # least distance between the two dowels of a joint
DOWEL_SHARE = 0.45  # of a slab on either side of a joint


@dataclass(frozen=True)
class SlabPlan:
    """How slabs are cut: thickness, allowance around the solid, diameter of the dowels and the matter to leave around them."""

    slab_mm: float
    allowance_mm: float
    dowel_mm: float
    margin_mm: float

    @property
    def room_mm(self) -> float:
        """Least distance from a dowel's axis to the edge of a slab."""
        return self.dowel_mm / 2.0 + self.margin_mm


@dataclass(frozen=True)
class Dowel:
    """A dowel along z through the joint between slab `joint` and the next (counted from 0, the lowest); `kind` says what it stands in."""

    joint: int
    x_mm: float
    y_mm: float
    kind: str


@dataclass(frozen=True, eq=False)
class Slab:
    """One sheet: its heights in the stack, its outline, and the solid's sections at its lower and upper face."""

    low_mm: float
    high_mm: float
    outline: BaseGeometry
    lower: BaseGeometry
    upper: BaseGeometry

    @property
    def volume_mm3(self) -> float:
        """Volume of the sheet cut to its outline."""
        return float(self.outline.area * (self.high_mm - self.low_mm))

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """Sides of the smallest upright rectangle around the outline."""
        low_x, low_y, high_x, high_y = self.outline.bounds
        return float(high_x - low_x), float(high_y - low_y)


@dataclass(frozen=True, eq=False)
class SlabStack:
    """Slabs from the lowest up, and the dowels of all joints."""

    slabs: tuple[Slab, ...]
    dowels: tuple[Dowel, ...]

    def dowels_in(self, number: int) -> tuple[Dowel, ...]:
        """The dowels that stand in a slab, those of the joint below it first."""
        return tuple(dowel for dowel in self.dowels if dowel.joint in (number - 1, number))

    def reach_of(self, dowel: Dowel) -> tuple[float, float]:
        """From which to which height a dowel stands: most of a slab's thickness, half of it on either side of its joint."""
        slab = self.slabs[dowel.joint]
        reach = DOWEL_SHARE * (slab.high_mm - slab.low_mm)
        return slab.high_mm - reach, slab.high_mm + reach


def stack_slabs(solid: manifold3d.Manifold, n_slabs: int, plan: SlabPlan) -> SlabStack:
    """Cut a solid, standing above z = 0, into this number of slabs."""
    heights = np.arange(n_slabs + 1) * plan.slab_mm
    outlines = [_outline(solid, low, high, plan) for low, high in pairwise(heights)]
    sections = [section_at(solid, height) for height in heights]
    dowels: list[Dowel] = []
    for joint in range(n_slabs - 1):
        dowels += _join(outlines, joint, sections[joint + 1], plan)
    slabs = [Slab(float(heights[k]), float(heights[k + 1]), outlines[k], sections[k], sections[k + 1]) for k in range(n_slabs)]
    return SlabStack(tuple(slabs), tuple(dowels))


def _outline(solid: manifold3d.Manifold, low: float, high: float, plan: SlabPlan) -> BaseGeometry:
    shadow = silhouette_between(solid, low - plan.allowance_mm, high + plan.allowance_mm)
    wide = shadow.buffer(plan.allowance_mm + 2.0 * CHORD_MM, quad_segs=8).simplify(CHORD_MM)
    return without_narrow_holes(wide, 2.0 * plan.room_mm)


def _join(outlines: list[BaseGeometry], joint: int, section: BaseGeometry, plan: SlabPlan) -> list[Dowel]:
    """Two dowels for every area that both slabs of a joint share; a pad is added to both outlines where there is no room."""
    dowels: list[Dowel] = []
    for shared in polygons_of(polygonal(outlines[joint].intersection(outlines[joint + 1]))):
        least_mm, inset_mm = APART_DIAMETERS * plan.dowel_mm, -plan.room_mm - 0.01
        pair, kind = _far_pair(section.intersection(shared).buffer(inset_mm), least_mm), "bone"
        if pair is None:
            pair, kind = _far_pair(shared.buffer(inset_mm), least_mm), "allowance"
        if pair is None:
            pair, kind = _pad(shared, outlines, joint, plan), "pad"
        dowels += [Dowel(joint, float(x), float(y), kind) for x, y in pair]
    return dowels


def _far_pair(area: BaseGeometry, least_mm: float) -> FloatArray | None:
    """Two points (2, 2) of an area as far apart as its corners allow, drawn in a little; None where that is less than `least_mm`."""
    import shapely

    if area.is_empty:
        return None
    corners = np.unique(shapely.get_coordinates(polygons_of(area)[0].simplify(0.05) if polygons_of(area) else area), axis=0)
    gaps = ((corners[:, None] - corners[None]) ** 2).sum(axis=2)
    one, other = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    if gaps[one, other] < least_mm**2:
        return None
    return corners[[one, other]]


def _pad(shared: BaseGeometry, outlines: list[BaseGeometry], joint: int, plan: SlabPlan) -> FloatArray:
    """Widen both outlines by a pad that holds two dowels over the middle of the shared area, along its longer side."""
    import shapely

    middle = np.asarray(shapely.get_coordinates(shared.representative_point()))[0]
    low_x, low_y, high_x, high_y = shared.bounds
    along = np.array([1.0, 0.0]) if high_x - low_x >= high_y - low_y else np.array([0.0, 1.0])
    half = 0.5 * APART_DIAMETERS * plan.dowel_mm * along
    pair = np.stack([middle - half, middle + half])
    pad = shapely.LineString(pair).buffer(plan.room_mm + 1.0)
    for k in (joint, joint + 1):
        outlines[k] = outlines[k].union(pad)
    return pair


def share_inside(stack: SlabStack, points: FloatArray) -> float:
    """Share of points (n, 3) of the stack's coordinates that lie within the stacked slabs, 0 to 1."""
    import shapely

    inside = np.zeros(len(points), bool)
    for slab in stack.slabs:
        rows = np.flatnonzero((points[:, 2] >= slab.low_mm) & (points[:, 2] <= slab.high_mm) & ~inside)
        shapely.prepare(slab.outline)
        inside[rows] = shapely.intersects_xy(slab.outline, points[rows, 0], points[rows, 1])
    return float(np.mean(inside))
