"""Does a stack of slabs hold its part? Asked again without the kernel that drew the outlines.

Outlines come from projections of the boolean kernel. Here the edges of the part are cut to the heights of each slab by straight arithmetic, with
the lines in which its faces meet the planes of the slab, and every such line, seen from above, must lie within the outline. What then could
still stand out would fill a hole of the outline altogether, so one upright ray through each hole settles it. Exact but for rounding. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.slabs import Slab, SlabPlan, SlabStack
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh


@dataclass(frozen=True)
class StackCheck:
    """What a stack was found to hold.

    n_contained: slabs whose outline contains all of the solid within them; least_cover_mm: least distance of that from the outline's edge;
    n_doweled: slabs with two or more dowels that lie inside with their margin (a single slab needs none); n_loose: pieces of slabs without two.
    """

    n_slabs: int
    n_contained: int
    least_cover_mm: float
    n_doweled: int
    n_loose: int


def check_stack(stack: SlabStack, lying: Mesh, plan: SlabPlan) -> StackCheck:
    """Check every slab of a finished stack against the solid (in the stack's coordinates), and every dowel against both of its slabs."""
    import shapely

    contained, cover = 0, np.inf
    doweled = loose = 0
    surface, edges = Surface(lying), _edges_of(lying)
    for number, slab in enumerate(stack.slabs):
        holds, slab_cover = _holds(slab, lying, edges, surface)
        contained, cover = contained + int(holds), min(cover, slab_cover if holds else 0.0)
        places = shapely.points([(dowel.x_mm, dowel.y_mm) for dowel in stack.dowels_in(number)] or np.empty((0, 2)))
        room = shapely.buffer(places, plan.room_mm, quad_segs=16)
        is_held = shapely.covered_by(room, slab.outline)
        doweled += int(len(stack.slabs) == 1 or (len(places) >= 2 and bool(is_held.all())))
        if len(stack.slabs) > 1:
            loose += sum(int(np.count_nonzero(shapely.covered_by(places, part)) < 2) for part in polygons_of(slab.outline))
    return StackCheck(len(stack.slabs), contained, float(cover), doweled, loose)


def _holds(slab: Slab, lying: Mesh, edges: NDArray[Any], surface: Surface) -> tuple[bool, float]:
    """Whether a slab's outline holds all of the solid between its heights, and the least distance of that from the outline's edge."""
    import shapely

    corners = lying.vertices[lying.faces]
    cut = [_clipped(lying.vertices[edges], slab.low_mm, slab.high_mm), *(_crossed(corners, height) for height in (slab.low_mm, slab.high_mm))]
    lines = shapely.linestrings(np.concatenate(cut)[:, :, :2])
    if not len(lines):
        return True, np.inf
    shapely.prepare(slab.outline)
    is_held = bool(shapely.covers(slab.outline, lines).all()) and _holes_are_free(slab, lying, surface)
    boundary = slab.outline.boundary
    shapely.prepare(boundary)
    return is_held, float(shapely.distance(boundary, shapely.multilinestrings(lines)))


def _edges_of(mesh: Mesh) -> NDArray[Any]:
    """Every edge (k, 2) once."""
    return np.unique(np.sort(np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]]), axis=1), axis=0)


def _clipped(lines: FloatArray, low: float, high: float) -> FloatArray:
    """What of straight lines (n, 2, 3) lies between two heights (k, 2, 3)."""
    z = lines[:, :, 2]
    rows = np.flatnonzero((z.max(axis=1) >= low) & (z.min(axis=1) <= high))
    lines, z = lines[rows], z[rows]
    rise = z[:, 1] - z[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        at = (np.clip(z, low, high) - z[:, :1]) / rise[:, None]
    at = np.where(rise[:, None] == 0.0, (0.0, 1.0), at)
    return np.asarray(lines[:, :1] + at[:, :, None] * (lines[:, 1:] - lines[:, :1]))


def _crossed(corners: FloatArray, height: float) -> FloatArray:
    """The lines (k, 2, 3) in which triangles (m, 3, 3) meet a level plane."""
    is_above = corners[:, :, 2] > height
    n_above = is_above.sum(axis=1)
    rows = np.flatnonzero((n_above == 1) | (n_above == 2))
    alone = np.argmax(is_above[rows] == (n_above[rows] == 1)[:, None], axis=1)  # the corner on its own side of the plane
    tips, others = corners[rows, alone], (corners[rows, (alone + k) % 3] for k in (1, 2))
    ends = [tips + ((height - tips[:, 2]) / (other[:, 2] - tips[:, 2]))[:, None] * (other - tips) for other in others]
    return np.stack(ends, axis=1)


def _holes_are_free(slab: Slab, lying: Mesh, surface: Surface) -> bool:
    """True where an upright ray through each hole of the outline meets nothing of the solid within the slab and does not begin inside it."""
    holes = [ring for part in polygons_of(slab.outline) for ring in part.interiors]
    if not holes:
        return True
    import shapely

    places = np.array([shapely.Polygon(ring).representative_point().coords[0] for ring in holes])
    starts = np.column_stack([places, np.full(len(places), slab.low_mm)])
    up = np.tile([0.0, 0.0, 1.0], (len(starts), 1))
    return bool((surface.first_hit(starts, up) > slab.high_mm - slab.low_mm).all() and not is_inside(lying, starts).any())
