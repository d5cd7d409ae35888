"""Where a mould parts: a membrane that follows the bone, the block around it, and the line where the pieces meet on the bone.

All in the frame of the mould, its withdrawal direction along z.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.column_map import ColumnMap, map_columns
from meshtools.geometry.compiled import compiled
from meshtools.geometry.distance import Surface
from meshtools.geometry.outlines import polygons_of, without_narrow_holes
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.shadow import Solid, solid_of, without
from meshtools.model import FloatArray, Mesh

OUTLINE_GRID_MM = 1e-5
INSET_MM = 0.004  # the flange begins this far within the bone's outline, so that the two cross and do not merely touch
_SIMPLER_MM = 0.002  # the outline is simplified by at most this, less than the inset
_COLUMNS, _MOST_COLUMNS = 100, 160  # columns along the longer side of the bone, and of the membrane
_SWEEPS = 400
_OVER_RELAXATION = 1.9
LEAST_HOLE_MM = 0.001  # narrower ones of an outline are rounding; those of 14 bones were below 5e-5 or above 1 mm
_INSETS_MM = (0.02, 0.004, 0.0005)  # how far within the outline the bone's heights are taken; the first is as little as counts for no undercut
_LEAST_LINE_STEPS = 4  # shorter lines, around pinholes, are left out
_LINE_STEP_SHARE = 0.004  # points of the parting line stand this share of the bone's diagonal apart


@dataclass(frozen=True, eq=False)
class Membrane:
    """Heights (nx, ny) over a square grid: a skin stretched through the bone, between the undersides and the tops of its columns."""

    x0_mm: float
    y0_mm: float
    step_mm: float
    height_mm: FloatArray

    def at(self, points: FloatArray) -> FloatArray:
        """Heights (n,) at points (n, 2), between the grid's points in a straight line; beyond the grid as at its rim."""
        from scipy.ndimage import map_coordinates

        places = ((points[:, :2] - [self.x0_mm, self.y0_mm]) / self.step_mm).T
        return np.asarray(map_coordinates(self.height_mm, places, order=1, mode="nearest"))

    @property
    def steepest_deg(self) -> FloatArray:
        """(nx, ny) slope of the membrane against the level."""
        across, along = np.gradient(self.height_mm, self.step_mm)
        return np.asarray(np.degrees(np.arctan(np.hypot(across, along))))


@dataclass(frozen=True, eq=False)
class Block:
    """The block that a mould is cut from: its outline on the table (shapely polygon), its floor and its top, the outline of the bone in it."""

    outline: Any
    bone_outline: Any
    floor_mm: float
    top_mm: float
    solid: Solid

    def larger(self) -> Solid:
        """The block and a little around it on all sides."""
        return upright(self.outline.buffer(1.0, quad_segs=2), self.floor_mm - 1.0, self.top_mm + 1.0)


def bone_outline(vertices: FloatArray, faces: NDArray[Any]) -> Any:
    """The outline of a bone seen along z, holes included (shapely geometry). Slits of no width, which rounding leaves between faces, are none."""
    import shapely

    is_up = area_vectors(vertices, faces)[:, 2] > 0.0
    shapes = shapely.polygons(vertices[faces[is_up]][:, :, :2])
    try:
        outline = shapely.union_all(shapes)
    except shapely.errors.GEOSException:  # needles whose edges nearly meet: corners go to a grid, which cannot fail
        outline = shapely.union_all(shapely.make_valid(shapes), grid_size=OUTLINE_GRID_MM)
    return without_narrow_holes(outline, LEAST_HOLE_MM)


def stretch_membrane(vertices: FloatArray, faces: NDArray[Any], margin_mm: float) -> Membrane:
    """The membrane of a bone and `margin_mm` around it: as even as the columns allow (a projected relaxation), so that flange and bone meet
    at the bone's silhouette and the flange follows the bone."""
    size = float(np.ptp(vertices[:, :2], axis=0).max())
    columns = map_columns(vertices, faces, max(size / _COLUMNS, (size + 2 * margin_mm) / _MOST_COLUMNS), margin_mm)
    return Membrane(columns.x0_mm, columns.y0_mm, columns.step_mm, relaxed(columns))


def relaxed(columns: ColumnMap) -> FloatArray:
    """Heights (nx, ny) of a membrane that lies within the body's columns and is as even as possible elsewhere."""
    is_body = columns.is_body
    height = np.zeros(is_body.shape)
    height[is_body] = (columns.highest_mm[is_body] + columns.lowest_mm[is_body]) / 2
    height[~is_body] = height[is_body].mean() if is_body.any() else 0.0
    low, high = np.where(is_body, columns.lowest_mm, -np.inf), np.where(is_body, columns.highest_mm, np.inf)
    _relax(height, low, high, _SWEEPS, _OVER_RELAXATION)
    return np.asarray(height)


@compiled
def _relax(height: Any, low: Any, high: Any, n_sweeps: int, factor: float) -> None:
    nx, ny = height.shape
    for _ in range(n_sweeps):
        for i in range(nx):
            for j in range(ny):
                total, n = 0.0, 0
                if i > 0:
                    total, n = total + height[i - 1, j], n + 1
                if i < nx - 1:
                    total, n = total + height[i + 1, j], n + 1
                if j > 0:
                    total, n = total + height[i, j - 1], n + 1
                if j < ny - 1:
                    total, n = total + height[i, j + 1], n + 1
                value = height[i, j] + factor * (total / n - height[i, j])
                height[i, j] = min(max(value, low[i, j]), high[i, j])


def cut_block(vertices: FloatArray, faces: NDArray[Any], wall_mm: float, flange_mm: float, is_hull: bool) -> Block:
    """The block around a bone: its outline and a flange around it (the convex hull of both where loose side pieces are to pass), a wall
    above and below."""
    import shapely

    outline = bone_outline(vertices, faces)
    filled = shapely.union_all([shapely.Polygon(part.exterior) for part in polygons_of(outline)])
    around = filled.convex_hull if is_hull else filled
    around = around.buffer(2 * flange_mm, quad_segs=8).buffer(-flange_mm, quad_segs=8).simplify(flange_mm / 50)
    around = shapely.union_all([shapely.Polygon(part.exterior) for part in polygons_of(around)])
    if len(polygons_of(around)) > 1:
        around = around.convex_hull
    floor, top = float(vertices[:, 2].min()) - wall_mm, float(vertices[:, 2].max()) + wall_mm
    return Block(around, outline, floor, top, upright(around, floor, top))


def upright(shape: Any, floor_mm: float, top_mm: float) -> Solid:
    """A shape of the plane (shapely) as an upright body from floor to top."""
    import manifold3d

    loops = [np.asarray(ring.coords)[:-1, :2] for part in polygons_of(shape) for ring in (part.exterior, *part.interiors)]
    if not loops:
        return manifold3d.Manifold()
    section = manifold3d.CrossSection(loops, manifold3d.FillRule.EvenOdd)
    return section.extrude(top_mm - floor_mm).translate((0.0, 0.0, floor_mm))


def flange_above(block: Block, membrane: Membrane) -> Solid:
    """What lies over the membrane, without the bone's columns; it reaches beyond the block on all sides."""
    bone = upright(block.bone_outline.buffer(-INSET_MM, quad_segs=2).simplify(_SIMPLER_MM), block.floor_mm - 3.0, block.top_mm + 3.0)
    return without(under_membrane(membrane, block.top_mm + 2.0), [bone])


def under_membrane(membrane: Membrane, end_mm: float) -> Solid:
    """The body between the membrane, over its whole grid, and a level below it; or above it, where that level is higher."""
    nx, ny = membrane.height_mm.shape
    x, y = membrane.x0_mm + membrane.step_mm * np.arange(nx), membrane.y0_mm + membrane.step_mm * np.arange(ny)
    top = np.stack([*np.meshgrid(x, y, indexing="ij"), membrane.height_mm], axis=2).reshape(-1, 3)
    return upright_field(top, nx, ny, end_mm)


def upright_field(skin: FloatArray, nx: int, ny: int, end_mm: float) -> Solid:
    """The body between grid points (nx * ny, 3), x running slowest, and a level below or above them."""
    from meshtools.geometry.shadow import curtain

    corner = (np.arange(nx - 1)[:, None] * ny + np.arange(ny - 1)[None, :]).ravel()
    faces = np.concatenate([np.stack([corner, corner + ny, corner + ny + 1], 1), np.stack([corner, corner + ny + 1, corner + 1], 1)])
    end = np.column_stack([skin[:, :2], np.full(len(skin), end_mm)])
    n = len(skin)
    body = np.concatenate([faces, faces[:, ::-1] + n, curtain(faces, n)])
    return solid_of(np.concatenate([skin, end]), body if end_mm < skin[:, 2].min() else body[:, ::-1])


def trace_parting_lines(mesh: Mesh, outline: Any, membrane: Membrane) -> tuple[FloatArray, ...]:
    """Closed lines (k, 3) on the bone where the halves of its mould meet, longest first: around its silhouette, and around each hole in it.

    A line follows the outline seen along z; its height lies on the bone there, as near to the membrane as the bone allows.
    """
    step = _LINE_STEP_SHARE * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    surface, lines = Surface(mesh), []
    for part in polygons_of(outline):
        for number, ring in enumerate((part.exterior, *part.interiors)):
            n_points = max(12, round(ring.length / step))
            if ring.length < _LEAST_LINE_STEPS * step:
                continue
            flat, inward = _along(ring, n_points, is_hole=number > 0)
            lines.append((ring.length, surface.project(_lifted(surface, flat, inward, membrane))[2]))
    return tuple(line for _, line in sorted(lines, key=lambda pair: -pair[0]))


def _along(ring: Any, n_points: int, is_hole: bool) -> tuple[FloatArray, FloatArray]:
    """Points (n, 2) at even ways along a ring of an outline, and for each the unit vector (n, 2) square to its edge, into the bone."""
    corners = np.asarray(ring.coords)[:, :2]
    edges = np.diff(corners, axis=0)
    length = np.linalg.norm(edges, axis=1)
    corners, edges, length = corners[:-1][length > 0.0], edges[length > 0.0], length[length > 0.0]
    ends = np.cumsum(length)
    way = ends[-1] * np.arange(n_points) / n_points
    at = np.minimum(np.searchsorted(ends, way, side="right"), len(ends) - 1)
    share = (way - (ends - length)[at]) / length[at]
    left = np.column_stack([-edges[:, 1], edges[:, 0]])[at] / length[at, None]
    return corners[at] + share[:, None] * edges[at], left if ring.is_ccw != is_hole else -left


def _lifted(surface: Surface, flat: FloatArray, inward: FloatArray, membrane: Membrane) -> FloatArray:
    """Points of an outline at the membrane's height, kept between the bone's underside and top beside them.

    A ray along the outline itself meets the bone or misses it by mere rounding, so rays go a little within it, and nearer to it where a tip of
    the bone is too thin for that.
    """
    vertices = surface.mesh.vertices
    low, high = float(vertices[:, 2].min()) - 1.0, float(vertices[:, 2].max()) + 1.0
    height = membrane.at(flat)
    rows = np.arange(len(flat))
    for inset in _INSETS_MM:
        places = flat[rows] + inset * inward[rows]
        up = low + surface.first_hit(np.column_stack([places, np.full(len(rows), low)]), np.tile([0.0, 0.0, 1.0], (len(rows), 1)))
        down = high - surface.first_hit(np.column_stack([places, np.full(len(rows), high)]), np.tile([0.0, 0.0, -1.0], (len(rows), 1)))
        is_hit = np.isfinite(up) & np.isfinite(down)
        height[rows[is_hit]] = np.clip(height[rows[is_hit]], up[is_hit], down[is_hit])
        rows = rows[~is_hit]
        if not len(rows):
            break
    return np.column_stack([flat, height])
