"""Loose side pieces of a rigid mould: which directions reach its undercuts with the fewest pieces, and the way each piece comes out by.

Every direction frees those deep points of the undercuts from which a ray along it leaves the bone. The fewest directions that free all of
them are looked for by greedy choice and exchange (set cover); a piece takes what it frees, and is widened later before a further one is
added. Our own method.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.parting import Block
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.shadow import Solid, joined, rotation_to_z, shadow_of, without
from meshtools.geometry.undercuts import Bone, Undercuts
from meshtools.geometry.withdrawal import half_sphere
from meshtools.model import FloatArray

_MOST_DEEP = 600  # points that side pieces are planned by
_SIDE_WAYS = 150  # directions tried for side pieces, over half a sphere; their opposites too
_DEEP_SHARE = 0.8  # of the limit: undercuts deeper than this are what a side piece is for
_ABOVE_SHARE = 0.2  # of the limit: a side piece may pass so far above the skin
_WINDOW_MARGIN = 2.0  # of the limit, around the undercuts that a side piece reaches
_DEPTH_MARGIN = 0.5  # of the limit, behind them
_LINK = 6.0  # of the limit: deep undercuts closer than this are one pocket
_LINK_SPACINGS = 2.5  # or than this many spacings of the points
_TAKEN_SHARE = 0.8  # a side piece takes a stray body over where it can take so much of it along
_FREE_RAYS = 200
_GROW_MM = 2e-3  # a body that is taken over is taken with so much around it, so that nothing is left between
_LEAST_GAIN = 0.02  # of the weight of deep points: what is left when so little is may well go with the pieces there are
_EXCHANGES = 3  # rounds of exchanging one direction for another
SLIDE_DEG = 0.02  # draft of walls of a way that stand on the bone's outline or around a body taken over: 0.035 mm in 100 mm (our default)
_MITRE = 5.0
_AROUND = np.array([[np.cos(turn), np.sin(turn)] for turn in np.arange(8) * np.pi / 4])
_LEVEL_WEIGHT = 2e-3  # of the weight of all deep points, that a direction along z counts less than a level one (our own weight)

@dataclass(frozen=True)
class Cutting:
    """How pieces are cut: wall and flange of the block, the depth of undercut that may stay filled, draft of side pieces, most pieces."""

    wall_mm: float
    flange_mm: float
    limit_mm: float
    draft_deg: float
    most_pieces: int


@dataclass(frozen=True, eq=False)
class SidePlan:
    """A loose side piece as planned: its direction, the outline (k, 2) of its end in the frame of that direction, and how deep it reaches."""

    direction: FloatArray
    window: Any
    depth_mm: float

    def moved(self, shift: FloatArray) -> SidePlan:
        """The same for a bone that was shifted (3,)."""
        import shapely

        x, y, z = rotation_to_z(self.direction) @ shift
        return SidePlan(self.direction, shapely.affinity.translate(self.window, float(x), float(y)), self.depth_mm + float(z))


@dataclass(frozen=True, eq=False)
class _Deep:
    """Deep points (n, 3) of undercuts, the bone's normals there (n, 3; 0 on walls, which are off the bone already), and how deep they are (n,)."""

    points: FloatArray
    normals: FloatArray
    depth_mm: FloatArray
    limit_mm: float

    @classmethod
    def create(cls, undercuts: Undercuts, limit_mm: float) -> _Deep:
        """Evenly chosen ones of those deeper than nearly the limit."""
        depth = np.concatenate([undercuts.depth_mm, undercuts.wall_depth_mm])
        rows = np.flatnonzero(depth > _DEEP_SHARE * limit_mm)
        if len(rows) > _MOST_DEEP:
            rows = np.union1d(rows[np.linspace(0, len(rows) - 1, _MOST_DEEP).astype(int)], rows[np.argsort(-depth[rows], kind="stable")[:50]])
        points = np.concatenate([undercuts.points, undercuts.wall_points])[rows]
        return cls(points, np.concatenate([undercuts.normals, np.zeros_like(undercuts.wall_points)])[rows], depth[rows], limit_mm)

    def freed_by(self, surface: Surface, way: FloatArray) -> NDArray[np.bool_]:
        """(n,) True where a ray along a direction leaves the bone, from so little above the skin that what stays is well within the limit."""
        starts = self.points + _ABOVE_SHARE * self.limit_mm * self.normals
        return np.asarray(np.isinf(surface.first_hit(starts, np.tile(way, (len(starts), 1)))))


def plan_sides(bone: Bone, undercuts: Undercuts, cutting: Cutting, n_most: int) -> tuple[SidePlan, ...]:
    """The fewest side pieces, at most `n_most`, that together reach all undercuts deeper than the limit, or as much of them as they can."""
    deep = _Deep.create(undercuts, cutting.limit_mm)
    if not len(deep.points) or n_most < 1:
        return ()
    surface, upper = Surface(bone.mesh), half_sphere(_SIDE_WAYS)
    ways = np.concatenate([np.eye(3)[:2], -np.eye(3)[:2], upper, -upper])
    is_free = np.array([deep.freed_by(surface, way) for way in ways])
    weight = np.where(deep.depth_mm > cutting.limit_mm, deep.depth_mm, 0.1 * deep.depth_mm)
    chosen = _fewest_ways(is_free, weight, deep.depth_mm > cutting.limit_mm, np.abs(ways[:, 2]), n_most)
    spacing = _spacing(deep.points)
    pocket = _pockets(deep.points, max(_LINK * cutting.limit_mm, _LINK_SPACINGS * spacing))
    gain = np.array([np.bincount(pocket[free], weight[free], pocket.max() + 1)[pocket] * free for free in is_free[chosen]])
    taken, is_reached = gain.argmax(axis=0), is_free[chosen].any(axis=0)
    parts = [(way, deep.points[is_reached & (taken == k)]) for k, way in enumerate(ways[chosen])]
    return tuple(_plan(way, points, cutting.limit_mm, spacing) for way, points in parts if len(points))


def _fewest_ways(is_free: NDArray[np.bool_], weight: FloatArray, is_over: NDArray[np.bool_], lean: FloatArray, n_most: int) -> list[int]:
    """Rows of the fewest directions that free all points that are over the limit and can be freed at all; of as many, those that free most,
    and of these the most level ones (lean 0). Greedy choice, then exchange of one for another until nothing gains."""
    total = float(weight.sum())

    def worth(rows: list[int]) -> float:
        return float(weight[is_free[rows].any(axis=0)].sum()) - _LEVEL_WEIGHT * total * float(lean[rows].sum())

    is_wanted, chosen = is_over & is_free.any(axis=0), list[int]()
    enough = (1.0 - _LEAST_GAIN) * float(weight[is_wanted].sum())
    for _ in range(n_most):
        chosen.append(max(range(len(is_free)), key=lambda row: worth([*chosen, row])))
        for place in [*range(len(chosen))] * _EXCHANGES:
            others = chosen[:place] + chosen[place + 1 :]
            better = max(range(len(is_free)), key=lambda row: worth([*others, row]))
            if worth([*others, better]) > worth(chosen) + 1e-9 * total:
                chosen = [*others[:place], better, *others[place:]]
        if float(weight[is_wanted & is_free[chosen].any(axis=0)].sum()) >= enough:
            break
    return chosen


def widened(plans: Sequence[SidePlan], bone: Bone, undercuts: Undercuts, cutting: Cutting, margins: float = 1.0) -> tuple[SidePlan, ...]:
    """The plans, each widened to those deep undercuts beyond its window that its direction frees and that no other such window is nearer to.
    margins: so many times the usual margin around these. Plans that stay as they are come back as the same objects."""
    import shapely

    deep, surface = _Deep.create(undercuts, cutting.limit_mm), Surface(bone.mesh)
    if not plans or not len(deep.points):
        return tuple(plans)
    lacking = np.full((len(plans), len(deep.points)), np.inf)
    for k, plan in enumerate(plans):
        turned = np.einsum("ij,kj->ki", rotation_to_z(plan.direction), deep.points)
        beyond = shapely.distance(plan.window, shapely.points(turned[:, :2])) + np.maximum(plan.depth_mm - turned[:, 2], 0.0)
        lacking[k] = np.where(deep.freed_by(surface, plan.direction), beyond, np.inf)
    nearest, is_new = lacking.argmin(axis=0), np.isfinite(lacking).any(axis=0) & (lacking > 0.0).all(axis=0)
    spacing = _spacing(deep.points)
    grown = []
    for k, plan in enumerate(plans):
        points = deep.points[is_new & (nearest == k)]
        if len(points):
            more = _plan(plan.direction, points, cutting.limit_mm, min(spacing, _LINK * cutting.limit_mm), margins)
            plan = SidePlan(plan.direction, plan.window.union(more.window).convex_hull, min(plan.depth_mm, more.depth_mm))
        grown.append(plan)
    return tuple(grown)


def _plan(way: FloatArray, points: FloatArray, limit_mm: float, spacing_mm: float, margins: float = 1.0) -> SidePlan:
    import shapely

    turned = np.einsum("ij,kj->ki", rotation_to_z(way), points)
    window = shapely.MultiPoint(turned[:, :2]).convex_hull.buffer(margins * max(_WINDOW_MARGIN * limit_mm + 1.0, spacing_mm), quad_segs=2)
    return SidePlan(way, window, float(turned[:, 2].min()) - margins * _DEPTH_MARGIN * limit_mm)


def _spacing(points: FloatArray) -> float:
    """How far apart points lie: nine in ten have another one within this."""
    from scipy.spatial import cKDTree

    return float(np.quantile(cKDTree(points).query(points, k=2)[0][:, 1], 0.9)) if len(points) > 1 else 0.0


def _pockets(points: FloatArray, link_mm: float) -> NDArray[np.int64]:
    """(n,) number of the group of points, linked by steps of at most `link_mm`, that each belongs to."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(link_mm, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    return np.asarray(connected_components(graph.tocsr(), directed=False)[1], np.int64)


def clear_way(bone: Bone, block: Block, plan: SidePlan, cutting: Cutting) -> Solid:
    """The way of a side piece: all beyond its window, which widens outwards by the draft, less the bone's shadow along the direction. The piece
    is what it cuts from the block, less the bone."""
    import manifold3d

    turn = rotation_to_z(plan.direction)
    corners = np.einsum("ij,kj->ki", turn, np.asarray(block.solid.to_mesh64().vert_properties)[:, :3])
    length = float(corners[:, 2].max()) - plan.depth_mm + 1.0
    end = _spread(plan.window, length * np.tan(np.radians(max(cutting.draft_deg, SLIDE_DEG))))
    rings = [np.column_stack([np.asarray(ring.exterior.coords)[:-1, :2], np.full(len(ring.exterior.coords) - 1, height)])
             for ring, height in ((plan.window, plan.depth_mm), (end, plan.depth_mm + length))]  # fmt: skip
    frustum = manifold3d.Manifold.hull_points(np.concatenate(rings))
    back = np.column_stack([turn.T, np.zeros(3)])
    shade = _shade_over(bone, plan.direction, np.reshape(end.bounds, (2, 2)), plan.depth_mm, length)
    return without(frustum.transform(back), [shade])


def _spread(window: Any, by_mm: float) -> Any:
    """A convex outline, every side of it moved out; of a long one its ends are moved out farther, in proportion to its breadth."""
    import shapely

    low, high = np.array(window.bounds[:2]), np.array(window.bounds[2:])
    times = 1.0 + by_mm / float((high - low).min() / 2)
    alike = shapely.affinity.scale(window, times, times, origin=tuple((low + high) / 2))
    return window.buffer(by_mm, join_style="mitre", mitre_limit=_MITRE).union(alike).convex_hull


def _shade_over(bone: Bone, direction: FloatArray, box: FloatArray, from_mm: float, length_mm: float) -> Solid:
    """The shadow along a direction of those faces of the bone that lie over a box (2, 2) of its plane, from a height on."""
    corners = np.einsum("ij,kj->ki", rotation_to_z(direction), bone.mesh.vertices)[bone.mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    is_over = (low[:, :2] <= box[1]).all(axis=1) & (high[:, :2] >= box[0]).all(axis=1) & (high[:, 2] >= from_mm)
    faces = bone.mesh.faces[is_over]
    return shadow_of(bone.mesh.vertices, faces, direction, length_mm, SLIDE_DEG) if len(faces) else joined([])


def taken_over(way: Solid, direction: FloatArray, body: Solid, bone: Bone, length_mm: float) -> Solid | None:
    """The way of a side piece that takes a loose body along with it: also the body's convex hull and all it passes as far as `length_mm`, less
    the bone's shadow along the direction. None where it could take less than most of the body, or would come out in two.

    Like every way it reaches into the bone, which is taken from the pieces last: cut at the bone's skin it would share that skin with the bone, and
    the kernel leaves fins without thickness where two bodies that are taken away share a face."""
    import manifold3d

    corners = np.asarray(body.to_mesh64().vert_properties, np.float64)[:, :3]
    grown = np.concatenate([corners + step for step in np.concatenate([np.eye(3), -np.eye(3)]) * _GROW_MM])
    turn, wider = rotation_to_z(direction), length_mm * float(np.tan(np.radians(SLIDE_DEG)))
    end = length_mm * direction + wider * np.einsum("ij,jk->ik", _AROUND, turn[:2])
    swept = manifold3d.Manifold.hull_points(np.concatenate([grown, *(grown + step for step in end)]))
    turned = np.einsum("ij,kj->ki", turn, grown)
    box = np.array([turned[:, :2].min(axis=0) - wider, turned[:, :2].max(axis=0) + wider])
    clear = without(swept, [_shade_over(bone, direction, box, float(turned[:, 2].min()), length_mm)])
    is_taken = (clear ^ body).volume() > _TAKEN_SHARE * body.volume() and without(clear ^ way, [bone.solid]).volume() > 0.0
    return joined([way, clear]) if is_taken else None


def free_share(body: Solid, direction: FloatArray, bone: Surface) -> float:
    """The share of a body's surface from which rays along a direction pass the bone."""
    points, _ = sample_surface(surface_of(body), _FREE_RAYS, 0)
    return float(np.isinf(bone.first_hit(points, np.tile(direction, (len(points), 1)))).mean())
