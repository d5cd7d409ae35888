"""The pieces of a rigid mould around a bone, each withdrawn along one direction, in the order they are taken off.

First come loose side pieces, then the upper half along +z, then the lower half along -z. Each is cut so that nothing of the bone, nor of a
piece still in place, stands in its way (see shadow.py); so what cannot be moulded is not a collision but a gap in the mould, filled by
the casting. Such gaps are measured, and side pieces are added where they are too deep. Our own method.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.parting import Block, Membrane, cut_block, flange_above, stretch_membrane
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.shadow import Solid, joined, rotation_to_z, shadow_of, solid_of, without
from meshtools.geometry.winding import is_inside
from meshtools.geometry.withdrawal import half_sphere
from meshtools.model import FloatArray, Mesh

SHALLOW_MM = 0.02  # a casting fatter by less counts for no undercut
CRUMB_MM3 = 5.0  # bodies smaller than this are left out: the casting fills their place
_SAMPLES = 20_000
_MOST_BAD = 1000  # points that a side piece is planned by
_SIDE_WAYS = 120  # directions tried for a side piece, over half a sphere; their opposites too
_BAD_SHARE = 0.8  # of the limit: undercuts deeper than this are what a side piece is for
_WINDOW_MARGIN = 2.0  # of the limit, around the undercuts that a side piece reaches
_LINK = 6.0  # of the limit: deep undercuts closer than this are one pocket
_LINK_SPACINGS = 2.5  # or than this many spacings of the points
_LEAST_GAIN = 0.02  # of the weight of deep undercuts that a further side piece must reach


@dataclass(frozen=True)
class Cutting:
    """How pieces are cut: wall and flange of the block, the depth of undercut that may stay filled, draft of side pieces, most pieces."""

    wall_mm: float
    flange_mm: float
    limit_mm: float
    draft_deg: float
    most_pieces: int


@dataclass(frozen=True, eq=False)
class Bone:
    """A bone in the frame of its mould: the mesh, its body in the kernel and the body's id there."""

    mesh: Mesh
    solid: Solid
    number: int

    @classmethod
    def create(cls, mesh: Mesh) -> Bone:
        """Put a closed mesh into the kernel. GeometryError where it is no solid."""
        solid = solid_of(mesh.vertices, mesh.faces).as_original()
        return cls(mesh, solid, int(solid.original_id()))


@dataclass(frozen=True, eq=False)
class Undercuts:
    """Where the mould does not reach the bone: points (n, 3) all over the bone with its normals, and for each the distance to the mould (n,),
    which is how much fatter the casting gets there; wall_points (k, 3) of the cavity's wall that are off the bone, and by how much (k,); the
    area of the bone that is more than SHALLOW_MM off, and the volume between."""

    points: FloatArray
    normals: FloatArray
    depth_mm: FloatArray
    wall_points: FloatArray
    wall_depth_mm: FloatArray
    area_mm2: float
    volume_mm3: float

    @property
    def deepest_mm(self) -> float:
        """Depth of the deepest one, 0 where there is none."""
        return max(float(self.depth_mm.max(initial=0.0)), float(self.wall_depth_mm.max(initial=0.0)))


@dataclass(frozen=True, eq=False)
class MouldPiece:
    """One piece: its name, the direction (3,) it is withdrawn along, its body."""

    name: str
    direction: FloatArray
    solid: Solid


@dataclass(frozen=True, eq=False)
class RigidMould:
    """Pieces in the order they come off, the block they were cut from, the membrane they part at, the undercuts that stay filled, the side pieces
    as planned; crumbs: bodies too small to be pieces, whose place the casting fills."""

    bone: Bone
    pieces: tuple[MouldPiece, ...]
    block: Block
    membrane: Membrane
    undercuts: Undercuts
    windows: tuple[SidePlan, ...]
    crumbs: tuple[Solid, ...]

    @property
    def crumbs_mm3(self) -> float:
        """Volume of all crumbs."""
        return float(sum(crumb.volume() for crumb in self.crumbs))


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


def cut_rigid_mould(mesh: Mesh, cutting: Cutting, plans: tuple[SidePlan, ...] | None = None) -> RigidMould:
    """Cut the mould of a closed mesh whose halves part along z. Side pieces are planned here, or taken from `plans` (found on a lighter
    version of the same bone) and added to where undercuts stay too deep. GeometryError where the mesh is no solid."""
    bone = Bone.create(mesh)
    membrane = stretch_membrane(mesh.vertices, mesh.faces, 1.3 * cutting.flange_mm + 2.0)
    shades = shades_of(bone, 4 * cutting.wall_mm)
    probe = Probe.create(bone, shades[0] ^ shades[1])
    undercuts, chosen = probe.plain, list(plans or ())
    is_hull = cutting.most_pieces > 2 and (bool(chosen) or undercuts.deepest_mm > cutting.limit_mm)
    block = cut_block(mesh.vertices, mesh.faces, cutting.wall_mm, cutting.flange_mm, is_hull)
    ways = [clear_way(bone, block, plan, cutting) for plan in chosen]
    if ways:
        undercuts = probe.measure(ways)
    while undercuts.deepest_mm > cutting.limit_mm and 2 + len(chosen) < cutting.most_pieces:
        plan = plan_side(bone, undercuts, cutting)
        if plan is None:
            break
        chosen.append(plan)
        ways.append(clear_way(bone, block, plan, cutting))
        undercuts = probe.measure(ways)
    below = without(block.larger(), [shades[1], flange_above(block, membrane)])
    # the upper half is all that is left; it can be lifted, since the lower half can be lowered
    upper, lost = whole(without(block.solid, [shades[0], below, *ways]))
    lower, also_lost = whole(without(below, ways) ^ block.solid)
    sides = [whole(without(way ^ block.solid, [bone.solid, *ways[:k]])) for k, way in enumerate(ways)]
    crumbs = tuple(lost + also_lost + [crumb for _, loss in sides for crumb in loss])
    pieces = [MouldPiece(f"side-{k + 1}", plan.direction, side) for k, (plan, (side, _)) in enumerate(zip(chosen, sides, strict=True))]
    halves = [MouldPiece("upper", np.array([0.0, 0.0, 1.0]), upper), MouldPiece("lower", np.array([0.0, 0.0, -1.0]), lower)]
    return RigidMould(bone, tuple(pieces + halves), block, membrane, undercuts, tuple(chosen), crumbs)


def shades_of(bone: Bone, beyond_mm: float) -> tuple[Solid, Solid]:
    """The bone with all beneath it, and the bone with all above it, as far as `beyond_mm` beyond it."""
    mesh = bone.mesh
    reach = float(np.ptp(mesh.vertices[:, 2])) + beyond_mm
    down, up = (joined([bone.solid, shadow_of(mesh.vertices, mesh.faces, np.array([0.0, 0.0, way]), reach)]) for way in (1.0, -1.0))
    return down, up


def whole(solid: Solid) -> tuple[Solid, list[Solid]]:
    """A body without its crumbs, and these."""
    parts = solid.decompose()
    kept = [part for part in parts if part.volume() >= CRUMB_MM3]
    return (solid, []) if len(kept) == len(parts) else (solid.compose(kept), [part for part in parts if part.volume() < CRUMB_MM3])


def split_bodies(pieces: Sequence[MouldPiece]) -> tuple[MouldPiece, ...]:
    """Pieces of one body each: where side pieces cut a piece in two, its smaller bodies become pieces of their own with the same way out."""
    split = []
    for piece in pieces:
        bodies = sorted(piece.solid.decompose(), key=lambda body: -body.volume())
        if any(body.volume() <= 0.0 for body in bodies):  # a void within a piece belongs to the body around it
            bodies = [piece.solid]
        split += [MouldPiece(f"{piece.name}-{k + 1}" if k else piece.name, piece.direction, body) for k, body in enumerate(bodies)]
    return tuple(split)


@dataclass(frozen=True, eq=False)
class Probe:
    """Points all over a bone and over the walls of the cavity that its two halves leave, and how far they are from each other."""

    bone: Bone
    cavity: Solid
    plain: Undercuts

    @classmethod
    def create(cls, bone: Bone, cavity: Solid) -> Probe:
        """Probe the cavity of two halves, a body that holds the bone: at every corner of the bone, and at even samples of both."""
        mesh, walls = bone.mesh, Surface(surface_of(cavity))
        vectors = area_vectors(mesh.vertices, mesh.faces)
        sampled, faces = sample_surface(mesh, _SAMPLES, 0)
        corner_face = np.zeros(len(mesh.vertices), np.int64)
        corner_face[mesh.faces.ravel()] = np.repeat(np.arange(len(mesh.faces)), 3)
        points, of = np.concatenate([sampled, mesh.vertices]), np.concatenate([faces, corner_face])
        normals = vectors[of] / np.maximum(np.linalg.norm(vectors[of], axis=1), 1e-300)[:, None]
        around = np.concatenate([sample_surface(walls.mesh, _SAMPLES, 1)[0], walls.mesh.vertices])
        off, _ = Surface(mesh).distance(around)
        around, off = around[off > SHALLOW_MM], off[off > SHALLOW_MM]
        depth, volume = walls.distance(points)[0], float(cavity.volume() - bone.solid.volume())
        return cls(bone, cavity, Undercuts(points, normals, depth, around, off, _deep_area(bone, depth), max(volume, 0.0)))

    def measure(self, ways: Sequence[Solid]) -> Undercuts:
        """The undercuts that stay beside side pieces, given as the ways they come out by."""
        plain = self.plain
        depth, is_left, volume = plain.depth_mm.copy(), np.ones(len(plain.wall_points), bool), plain.volume_mm3
        beside = [side for side in (without(way, [self.bone.solid]) for way in ways) if not side.is_empty()]
        for side in beside:
            surface = Surface(surface_of(side))
            depth = np.minimum(depth, surface.distance(plain.points)[0])
            is_left &= ~is_inside(surface.mesh, plain.wall_points)
        if beside:
            volume -= float((joined(beside) ^ self.cavity).volume())
        walls, off = plain.wall_points[is_left], plain.wall_depth_mm[is_left]
        return Undercuts(plain.points, plain.normals, depth, walls, off, _deep_area(self.bone, depth), max(volume, 0.0))


def _deep_area(bone: Bone, depth_mm: FloatArray) -> float:
    return float(bone.solid.surface_area()) * float((depth_mm[:_SAMPLES] > SHALLOW_MM).mean())


def plan_side(bone: Bone, undercuts: Undercuts, cutting: Cutting) -> SidePlan | None:
    """The direction along which a loose side piece reaches most of the deep undercuts, and the window it needs; None where none reaches any."""
    import shapely

    depth = np.concatenate([undercuts.depth_mm, undercuts.wall_depth_mm])
    rows = np.flatnonzero(depth > _BAD_SHARE * cutting.limit_mm)
    if not len(rows):
        return None
    if len(rows) > _MOST_BAD:
        rows = rows[np.linspace(0, len(rows) - 1, _MOST_BAD).astype(int)]
    weight, points = depth[rows], np.concatenate([undercuts.points, undercuts.wall_points])[rows]
    normals = np.concatenate([undercuts.normals, np.zeros_like(undercuts.wall_points)])[rows]  # walls are off the bone already
    surface, upper = Surface(bone.mesh), half_sphere(_SIDE_WAYS)
    ways = np.concatenate([upper, -upper])
    start = points + 1e-3 * normals
    is_free = np.array([np.isinf(surface.first_hit(start, np.tile(way, (len(start), 1)))) for way in ways])
    spacing = _spacing(points)
    pocket = _pockets(points, max(_LINK * cutting.limit_mm, _LINK_SPACINGS * spacing))
    gain = np.array([np.bincount(pocket[free], weight[free], pocket.max() + 1) for free in is_free])
    gain *= 1.0 - 0.05 * np.abs(ways[:, 2:])  # of two directions that reach as much, the more level one
    way, chosen = np.unravel_index(int(np.argmax(gain)), gain.shape)
    if gain[way, chosen] < _LEAST_GAIN * weight.sum():
        return None
    reached = points[is_free[way] & (pocket == chosen)]
    turned = np.einsum("ij,kj->ki", rotation_to_z(ways[way]), reached)
    window = shapely.MultiPoint(turned[:, :2]).convex_hull.buffer(max(_WINDOW_MARGIN * cutting.limit_mm + 1.0, spacing), quad_segs=2)
    return SidePlan(ways[way], window, float(turned[:, 2].min()) - 0.5 * cutting.limit_mm)


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
    turn = rotation_to_z(plan.direction)
    turned = np.einsum("ij,kj->ki", turn, bone.mesh.vertices)
    corners = np.einsum("ij,kj->ki", turn, np.asarray(block.solid.to_mesh64().vert_properties)[:, :3])
    length = float(corners[:, 2].max()) - plan.depth_mm + 1.0
    low, high = np.array(plan.window.bounds[:2]), np.array(plan.window.bounds[2:])
    middle, half = (low + high) / 2, (high - low) / 2
    widening = 1.0 + length * np.tan(np.radians(cutting.draft_deg)) / float(half.min())
    frustum = _frustum(plan.window, middle, length, widening).translate((0.0, 0.0, plan.depth_mm))
    back = np.column_stack([turn.T, np.zeros(3)])
    reach = half.max() * widening
    boxes = turned[bone.mesh.faces]
    is_near = (np.abs(boxes[:, :, :2] - middle).min(axis=1) <= reach).all(axis=1) | (np.ptp(boxes[:, :, :2], axis=1) > reach).any(axis=1)
    is_near &= boxes[:, :, 2].max(axis=1) >= plan.depth_mm
    faces = bone.mesh.faces[is_near]
    shade = shadow_of(bone.mesh.vertices, faces, plan.direction, length) if len(faces) else joined([])
    return without(frustum.transform(back), [shade])


def _frustum(window: Any, middle: NDArray[Any], length: float, widening: float) -> Solid:
    import manifold3d

    loop = np.asarray(window.exterior.coords)[:-1, :2] - middle
    section = manifold3d.CrossSection([loop], manifold3d.FillRule.EvenOdd)
    return section.extrude(length, scale_top=(widening, widening)).translate((float(middle[0]), float(middle[1]), 0.0))
