"""A flexible mould: a skin of rubber around a bone, and the rigid jacket that holds it and withdraws from it.

The jacket never touches the bone; it withdraws from the rubber's outer surface. That surface is the bone's, a rubber's thickness further out,
and thicker where the jacket could not be drawn off with its draft: so the undercuts of the bone lie in the rubber alone. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.body import surface_of
from meshtools.geometry.column_map import ColumnMap, map_columns
from meshtools.geometry.compiled import compiled
from meshtools.geometry.contour import contour
from meshtools.geometry.distance import Surface
from meshtools.geometry.mould_pieces import MouldPiece, whole
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.parting import Block, Membrane, bone_outline, relaxed, under_membrane, upright
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.shadow import Solid, solid_of, without
from meshtools.geometry.undercuts import Bone
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh

_STEPS_PER_RUBBER = 3.0  # cells of the distance field through the rubber
_MOST_CELLS = 220  # along the longest side
_MOST_COLUMNS = 200
_TIGHT_MM = 0.01  # rubber thinner than this between the halves of the jacket is none
_OPENED_MM = 2 * _TIGHT_MM  # rubber where two bodies of it would meet in a mere edge
THIN_MM = 0.01  # rubber may be so much thinner than wished
_MOST_TRIALS = 4
_INSET_COLUMNS = 0.3
_RUBBER_FLANGE = 1.0  # width of the rubber's own flange, in rubber thicknesses


@dataclass(frozen=True)
class Lining:
    """How a flexible mould is built: thickness of the rubber, draft of the jacket, its wall and the width of its flange."""

    rubber_mm: float
    draft_deg: float
    wall_mm: float
    flange_mm: float


@dataclass(frozen=True, eq=False)
class FlexibleMould:
    """Jacket halves, then rubber halves, in the order they come off; the rubber before it was parted, with the bone's place in it; the block; what
    the plain offset of the bone would have kept of undercuts, now filled with rubber; least distance from bone to jacket face to face, and from
    points on the bone to the rubber's outside; most thickness of the rubber over the bone; crumbs: bodies of rubber too small to be made."""

    bone: Bone
    jacket: tuple[MouldPiece, ...]
    rubber: tuple[MouldPiece, ...]
    body: Solid
    block: Block
    membrane: Membrane
    filled_mm3: float
    thinnest_mm: float
    sampled_mm: float
    thickest_mm: float
    crumbs: tuple[Solid, ...] = ()


def offset_outwards(mesh: Mesh, by_mm: float) -> Mesh:
    """The surface at a distance outside a closed one (a bounded distance field; within about a twentieth of the distance)."""
    surface, vertices = Surface(mesh), mesh.vertices
    step = max(by_mm / _STEPS_PER_RUBBER, float(np.ptp(vertices, axis=0).max() + 2 * by_mm) / _MOST_CELLS)
    level = by_mm + step**2 / (8 * by_mm)  # flat faces cut the corners of a round surface by about so much (chord error, closed form)

    def beyond(points: FloatArray, is_within: bool) -> FloatArray:
        away, _ = surface.distance(points)
        return np.asarray(level - np.where(is_inside(mesh, points), -away, away))

    margin = level + 1.5 * step
    points, triangles = contour(beyond, (vertices.min(axis=0) - margin, vertices.max(axis=0) + margin), step, 0.0)
    return Mesh.create(points, triangles)


def cut_flexible_mould(mesh: Mesh, lining: Lining) -> FlexibleMould:
    """Lay rubber and jacket around a closed mesh whose halves part along z, nowhere thinner than wished by more than THIN_MM: the distance from
    bone to jacket is measured face to face, and the rubber's outside moved further out where it comes out short. GeometryError where the mesh
    is no solid."""
    target = lining.rubber_mm
    for trial in range(1, _MOST_TRIALS + 1):
        mould = _lay(mesh, lining, target)
        if mould.thinnest_mm >= lining.rubber_mm - THIN_MM:
            break
        target += lining.rubber_mm - mould.thinnest_mm + trial * THIN_MM / 2  # the grid moves with the target, so it may come out short again
    return mould


def _lay(mesh: Mesh, lining: Lining, offset_mm: float) -> FlexibleMould:
    bone, outer = Bone.create(mesh), offset_outwards(mesh, offset_mm)
    margin = 1.3 * lining.flange_mm + _RUBBER_FLANGE * lining.rubber_mm + 2.0
    size = float(np.ptp(outer.vertices[:, :2], axis=0).max())
    step = (size + 2 * margin) / _MOST_COLUMNS
    around = map_columns(outer.vertices, outer.faces, step, margin + 2.5 * step)
    height = relaxed(_with_bone(around, outer, mesh, margin + 2.5 * step))
    membrane = Membrane(around.x0_mm, around.y0_mm, around.step_mm, height)
    high, low = without_pinches(*_drafted(around, height, lining), height)
    block = _block(outer, lining, around.step_mm)
    top = without(under_membrane(_at(membrane, high), block.top_mm + 2.0), []) ^ block.solid
    foot = under_membrane(_at(membrane, low), block.floor_mm - 2.0) ^ block.solid
    body = _between(_at(membrane, low), high)
    over, under = _between(membrane, high), _between(_at(membrane, low), height)
    jacket = (MouldPiece("jacket-upper", np.array([0.0, 0.0, 1.0]), top), MouldPiece("jacket-lower", np.array([0.0, 0.0, -1.0]), foot))
    halves = [(name, way, *whole(without(half, [bone.solid]))) for name, way, half in (("upper", 1.0, over), ("lower", -1.0, under))]
    rubber = tuple(MouldPiece(f"rubber-{name}", np.array([0.0, 0.0, way]), half) for name, way, half, _ in halves)
    crumbs = tuple(crumb for *_, left_out in halves for crumb in left_out if crumb.volume() > 0.0)  # a void is bone that no rubber is for
    thinnest, sampled, thickest = _thickness(body, bone, jacket, lining.rubber_mm)
    return FlexibleMould(bone, jacket, rubber, body, block, membrane, around.gap_volume_mm3, thinnest, sampled, thickest, crumbs)


def _at(membrane: Membrane, height: FloatArray) -> Membrane:
    return Membrane(membrane.x0_mm, membrane.y0_mm, membrane.step_mm, height)


def _with_bone(around: ColumnMap, outer: Mesh, mesh: Mesh, margin_mm: float) -> ColumnMap:
    """The columns of the rubber's outside, narrowed to the bone's where they meet it: the membrane passes through the bone, and begins a little
    within its skin, so that the two cross and do not merely touch."""
    inset = _INSET_COLUMNS * around.step_mm
    corners = np.concatenate([mesh.vertices, [outer.vertices.min(axis=0), outer.vertices.max(axis=0)]])  # so that both have one grid
    own = map_columns(corners, mesh.faces, around.step_mm, margin_mm)
    lowest = np.where(own.is_body, np.maximum(own.lowest_mm + inset, around.lowest_mm), around.lowest_mm)
    highest = np.where(own.is_body, np.minimum(own.highest_mm - inset, around.highest_mm), around.highest_mm)
    flipped = lowest > highest
    lowest[flipped], highest[flipped] = around.lowest_mm[flipped], around.highest_mm[flipped]
    return replace(around, lowest_mm=lowest, highest_mm=highest)


def _drafted(around: ColumnMap, height: FloatArray, lining: Lining) -> tuple[FloatArray, FloatArray]:
    """Heights (nx, ny) of the rubber's upper and lower outside: over the bone's offset, with a flange of rubber around it, and nowhere steeper
    than the draft allows."""
    from scipy.ndimage import distance_transform_edt, maximum_filter

    is_body = around.is_body
    is_rubber = distance_transform_edt(~is_body) * around.step_mm <= _RUBBER_FLANGE * lining.rubber_mm
    slope = 1.0 / np.tan(np.radians(lining.draft_deg)) / np.sqrt(2.0)  # along either axis, so that no slanting face is steeper
    sides = []
    for way in (1.0, -1.0):
        outside = around.highest_mm if way > 0 else -around.lowest_mm
        field = np.where(is_body, outside, -np.inf)
        field = np.where(np.isfinite(field), field, -1e9)
        field = np.maximum(maximum_filter(field, 3), way * height + np.where(is_rubber, lining.rubber_mm / 2, 0.0))
        limit_slope(field, slope * around.step_mm)
        sides.append(way * field)
    return sides[0], sides[1]


@compiled
def limit_slope(field: Any, rise: float) -> None:
    """Raise a field (nx, ny) as little as possible so that neighbours differ by at most `rise`; two passes there and back suffice."""
    nx, ny = field.shape
    for _ in range(2):
        for i in range(nx):
            for j in range(ny):
                if i > 0:
                    field[i, j] = max(field[i, j], field[i - 1, j] - rise)
                if j > 0:
                    field[i, j] = max(field[i, j], field[i, j - 1] - rise)
        for i in range(nx - 1, -1, -1):
            for j in range(ny - 1, -1, -1):
                if i < nx - 1:
                    field[i, j] = max(field[i, j], field[i + 1, j] - rise)
                if j < ny - 1:
                    field[i, j] = max(field[i, j], field[i, j + 1] - rise)


def without_pinches(high: FloatArray, low: FloatArray, height: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The heights of the rubber's outsides, a little rubber added wherever two bodies of it, on either side of an edge of the grid, would meet in
    that edge alone: its four faces bound no solid, and the kernel pairs them at will."""
    high, low = high.copy(), low.copy()
    while True:
        over, under = _pinched(high, height), _pinched(height, low)
        both = _pinched(high, low)
        over, under = over | (both & (high - height >= height - low)), under | (both & (high - height < height - low))
        if not (over.any() or under.any()):
            return high, low
        high[over], low[under] = height[over] + _OPENED_MM, height[under] - _OPENED_MM


def _pinched(high: FloatArray, low: FloatArray) -> NDArray[np.bool_]:
    """(nx, ny) True at the ends of edges of the grid along which two fields meet while they are apart on either side."""
    is_apart = high - low > _TIGHT_MM
    is_pinched = np.zeros(is_apart.shape, bool)
    # where an edge from (0, 0) ends, and the third corners of the two triangles of `_between` beside it
    for end, one, other in (((1, 0), (1, 1), (0, -1)), ((0, 1), (1, 1), (-1, 0)), ((1, 1), (1, 0), (0, 1))):
        found = ~is_apart & ~_seen_from(is_apart, end) & _seen_from(is_apart, one) & _seen_from(is_apart, other)
        is_pinched |= found | _seen_from(found, (-end[0], -end[1]))
    return is_pinched


def _seen_from(field: NDArray[np.bool_], step: tuple[int, int]) -> NDArray[np.bool_]:
    """(nx, ny) what a field holds one step on; False beyond its rim."""
    (nx, ny), (i, j) = field.shape, step
    padded = np.zeros((nx + 2, ny + 2), bool)
    padded[1:-1, 1:-1] = field
    return padded[1 + i : 1 + i + nx, 1 + j : 1 + j + ny]


def _block(outer: Mesh, lining: Lining, step_mm: float) -> Block:
    import shapely

    outline = bone_outline(outer.vertices, outer.faces).buffer(_RUBBER_FLANGE * lining.rubber_mm + 2.5 * step_mm, quad_segs=8)
    filled = shapely.union_all([shapely.Polygon(part.exterior) for part in polygons_of(outline)])
    around = filled.buffer(2 * lining.flange_mm, quad_segs=8).buffer(-lining.flange_mm, quad_segs=8).simplify(lining.flange_mm / 50)
    around = shapely.Polygon(polygons_of(around)[0].exterior) if len(polygons_of(around)) == 1 else around.convex_hull
    floor, top = float(outer.vertices[:, 2].min()) - lining.wall_mm, float(outer.vertices[:, 2].max()) + lining.wall_mm
    return Block(around, outline, floor, top, upright(around, floor, top))


def _between(low: Membrane, high: FloatArray) -> Solid:
    """The body between two fields over one grid, where they are apart."""
    nx, ny = high.shape
    is_apart = high - low.height_mm > _TIGHT_MM
    x, y = low.x0_mm + low.step_mm * np.arange(nx), low.y0_mm + low.step_mm * np.arange(ny)
    grid = np.stack([*np.meshgrid(x, y, indexing="ij"), low.height_mm], axis=2).reshape(-1, 3)
    corner = (np.arange(nx - 1)[:, None] * ny + np.arange(ny - 1)[None, :]).ravel()
    cells = np.stack([corner, corner + ny, corner + ny + 1, corner + 1], axis=1)
    cells = cells[is_apart.ravel()[cells].any(axis=1)]
    faces = np.concatenate([cells[:, [0, 1, 2]], cells[:, [0, 2, 3]]])
    n = len(grid)
    top = grid.copy()
    top[:, 2] = np.where(is_apart, high, low.height_mm).ravel()
    upper = np.arange(2 * n)
    upper[n:] = np.where(is_apart.ravel(), np.arange(n, 2 * n), np.arange(n))  # where they meet, both are one corner
    body = np.concatenate([upper[faces + n], faces[:, ::-1]])
    is_face = (body != np.roll(body, 1, axis=1)).all(axis=1)
    flat = np.concatenate([(upper[faces + n] == faces).all(axis=1)] * 2)
    used, corners = np.unique(body[is_face & ~flat], return_inverse=True)
    return solid_of(np.concatenate([grid, top])[used], corners.reshape(-1, 3))


def _thickness(body: Solid, bone: Bone, jacket: tuple[MouldPiece, ...], wished_mm: float) -> tuple[float, float, float]:
    """Least distance from bone to jacket, face to face; the same from points all over the bone to the rubber's outside; most thickness of the
    rubber over the bone."""
    outside = Surface(surface_of(body))
    points = np.concatenate([sample_surface(bone.mesh, 20_000, 0)[0], bone.mesh.vertices])
    away, _ = Surface(bone.mesh).distance(outside.mesh.vertices)
    least = min(_least_gap_mm(bone, piece.solid, 2.0 * wished_mm) for piece in jacket)
    return least, float(outside.distance(points)[0].min()), float(away.max())


def _least_gap_mm(bone: Bone, solid: Solid, most_mm: float) -> float:
    """Least distance from a bone to a body, face to face, at most `most_mm`. Looked for no farther than the body's nearest corner lies: the kernel
    takes every pair of faces within the distance it is given, and twice as far took it three times as long."""
    corner = float(Surface(bone.mesh).distance(surface_of(solid).vertices)[0].min())
    return float(bone.solid.min_gap(solid, min(most_mm, 1.001 * corner + 1e-6)))
