"""The pieces of a rigid mould around a bone, each withdrawn along one direction, in the order they are taken off.

First come loose side pieces, then the upper half along +z, then the lower half along -z. Each is cut so that nothing of the bone, nor of a
piece still in place, stands in its way (see shadow.py); so what cannot be moulded is not a collision but a gap in the mould, filled by
the casting. Such gaps are measured, and side pieces are added where they are too deep. Our own method.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.parting import Block, Membrane, cut_block, flange_above, stretch_membrane
from meshtools.geometry.shadow import Solid, without
from meshtools.geometry.side_pieces import Cutting, SidePlan, clear_way, free_share, plan_sides, taken_over, widened
from meshtools.geometry.undercuts import Bone, Probe, Undercuts, shades_of
from meshtools.model import FloatArray, Mesh

CRUMB_MM3, CRUMB_SHARE = 5.0, 2e-7  # bodies smaller than this, or this share of the block, are left out: the casting fills their place
CRUMB_LIMITS = 5.0  # as are those smaller than a cube of so many undercut limits
SPECK_MM3 = 1e-3  # a tenth of a millimetre each way: rounding leaves such bodies where pieces touch or are joined, and nobody can make or see one
HALVES = ("upper", "lower")
_STRAY_ROUNDS = 3
_ROUNDS = 10  # of widening side pieces and adding further ones
_HARDLY = 0.98  # of what undercuts were two rounds before: a round that leaves more gained nothing


@dataclass(frozen=True, eq=False)
class MouldPiece:
    """One piece: its name, the direction (3,) it is withdrawn along, its body, and whether it is a stray: a further body that side pieces cut off
    the piece it is named after."""

    name: str
    direction: FloatArray
    solid: Solid
    is_stray: bool = False


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


def cut_rigid_mould(mesh: Mesh, cutting: Cutting, plans: tuple[SidePlan, ...] | None = None) -> RigidMould:
    """Cut the mould of a closed mesh whose halves part along z. Side pieces are planned here, or taken from `plans` (found on a lighter
    version of the same bone) and added to where undercuts stay too deep. GeometryError where the mesh is no solid."""
    bone = Bone.create(mesh)
    membrane = stretch_membrane(mesh.vertices, mesh.faces, 1.3 * cutting.flange_mm + 2.0)
    shades = shades_of(bone, 4 * cutting.wall_mm)
    probe = Probe.create(bone, shades[0] ^ shades[1])
    is_hull = cutting.most_pieces > 2 and (bool(plans) or probe.plain.deepest_mm > cutting.limit_mm)
    block = cut_block(mesh.vertices, mesh.faces, cutting.wall_mm, cutting.flange_mm, is_hull)
    chosen, ways, undercuts = _choose_sides(probe, block, cutting, plans or ())
    cut = _cut(bone, block, _Halves(shades, flange_above(block, membrane), (CRUMB_LIMITS * cutting.limit_mm) ** 3), ways)
    if undercuts.deepest_mm <= cutting.limit_mm:
        cut = _without_strays(bone, block, cut, [plan.direction for plan in chosen])
    solid = [(plan, side) for plan, side in zip(chosen, cut.bodies, strict=False) if not side.is_empty()]
    pieces = [MouldPiece(f"side-{k + 1}", plan.direction, side) for k, (plan, side) in enumerate(solid)]
    halves = [MouldPiece(name, np.array([0.0, 0.0, way]), half) for name, way, half in zip(HALVES, (1.0, -1.0), cut.bodies[-2:], strict=True)]
    if cut.ways != ways:
        undercuts = probe.measure(cut.ways)
    return RigidMould(bone, tuple(pieces + halves), block, membrane, undercuts, chosen, cut.crumbs)


@dataclass(frozen=True, eq=False)
class _Halves:
    """What parts the halves: the bone's shades below and above, and what lies over the flange; and how small a body is no piece."""

    shades: tuple[Solid, Solid]
    over: Solid
    crumb_mm3: float


@dataclass(frozen=True, eq=False)
class _Cut:
    """The bodies of a mould, side pieces first, then the upper and the lower half; the ways of the side pieces, what parts the halves, the crumbs."""

    bodies: tuple[Solid, ...]
    ways: tuple[Solid, ...]
    halves: _Halves
    crumbs: tuple[Solid, ...]

    def n_bodies(self) -> int:
        """All bodies, strays included."""
        return sum(len(bodies_of(body)) for body in self.bodies)


def _cut(bone: Bone, block: Block, halves: _Halves, ways: tuple[Solid, ...]) -> _Cut:
    below = without(block.larger(), [halves.shades[1], halves.over])
    # the upper half is all that is left; it can be lifted, since the lower half can be lowered
    raw = [without(way ^ block.solid, [bone.solid, *ways[:k]]) for k, way in enumerate(ways)]
    raw += [without(block.solid, [halves.shades[0], below, *ways]), without(below, ways) ^ block.solid]
    crumb_mm3 = max(CRUMB_MM3, CRUMB_SHARE * float(block.solid.volume()), halves.crumb_mm3)
    parts = [whole(body, crumb_mm3) for body in raw]
    return _Cut(tuple(body for body, _ in parts), ways, halves, tuple(crumb for _, crumbs in parts for crumb in crumbs))


def _without_strays(bone: Bone, block: Block, cut: _Cut, directions: Sequence[FloatArray]) -> _Cut:
    """The same mould, stray bodies that side pieces cut off taken over by a side piece that comes off before, where that makes fewer bodies."""
    length = float(np.linalg.norm(np.ptp(np.array(block.solid.bounding_box()).reshape(2, 3), axis=0)))
    surface = Surface(bone.mesh)
    for _ in range(_STRAY_ROUNDS):
        ways = list(cut.ways)
        for k, body in enumerate(cut.bodies):
            for stray in bodies_of(body)[1:]:
                q = max(range(min(k, len(ways))), key=lambda q: free_share(stray, directions[q], surface), default=None)
                way = None if q is None else taken_over(ways[q], directions[q], stray, bone, length)
                if q is not None and way is not None:
                    ways[q] = way
        if all(new is old for new, old in zip(ways, cut.ways, strict=True)):
            break
        after = _cut(bone, block, cut.halves, tuple(ways))
        if after.n_bodies() >= cut.n_bodies():
            break
        cut = after
    return cut


def _choose_sides(
    probe: Probe, block: Block, cutting: Cutting, plans: tuple[SidePlan, ...]
) -> tuple[tuple[SidePlan, ...], tuple[Solid, ...], Undercuts]:
    """Side pieces until no undercut is deeper than the limit or nothing helps: those there are get wider first, then further ones are added.
    Their plans, the ways they come out by, and the undercuts that stay."""
    bone, ways, undercuts = probe.bone, tuple(clear_way(probe.bone, block, plan, cutting) for plan in plans), probe.plain
    found: list[Undercuts] = []
    for number in range(_ROUNDS + 1):
        if ways:
            undercuts = probe.measure(ways)
        if undercuts.deepest_mm <= cutting.limit_mm or number == _ROUNDS:
            break
        found.append(undercuts)
        # by little each time, an edge of a gap creeps along for ever
        after = plans if _is_idle(found) else widened(plans, bone, undercuts, cutting, 1.0 + number)
        if all(new is old for new, old in zip(after, plans, strict=True)):
            after = (*plans, *plan_sides(bone, undercuts, cutting, cutting.most_pieces - 2 - len(plans)))
        if len(after) == len(plans) and all(new is old for new, old in zip(after, plans, strict=True)):
            break
        kept = dict(zip(map(id, plans), ways, strict=True))
        ways = tuple(kept[id(plan)] if id(plan) in kept else clear_way(bone, block, plan, cutting) for plan in after)
        plans = after
    return plans, ways, undercuts


def _is_idle(found: Sequence[Undercuts]) -> bool:
    """True where the last two rounds made undercuts neither shallower nor smaller, or hardly."""
    if len(found) < 3:
        return False
    before, now = found[-3], found[-1]
    return now.deepest_mm > _HARDLY * before.deepest_mm and now.volume_mm3 > _HARDLY * before.volume_mm3


def whole(solid: Solid, crumb_mm3: float = CRUMB_MM3) -> tuple[Solid, list[Solid]]:
    """A body without its crumbs, and these."""
    parts = solid.decompose()
    kept = [part for part in parts if part.volume() >= crumb_mm3]
    return (solid, []) if len(kept) == len(parts) else (solid.compose(kept), [part for part in parts if part.volume() < crumb_mm3])


def bodies_of(solid: Solid) -> list[Solid]:
    """The bodies of a solid, largest first; itself alone where there are voids within, which belong to the body around them."""
    bodies = sorted(solid.decompose(), key=lambda body: -body.volume())
    return [solid] if any(body.volume() <= 0.0 for body in bodies) else bodies


def split_bodies(pieces: Sequence[MouldPiece]) -> tuple[MouldPiece, ...]:
    """Pieces of one body each: where side pieces cut a piece in two, its smaller bodies become pieces of their own with the same way out."""
    names, split = {piece.name for piece in pieces}, list[MouldPiece]()
    for piece in pieces:
        for k, body in enumerate(bodies_of(piece.solid)):
            name = piece.name if k == 0 else next(f"{piece.name}-{n}" for n in count(2) if f"{piece.name}-{n}" not in names)
            names.add(name)
            split.append(MouldPiece(name, piece.direction, body, is_stray=piece.is_stray or k > 0))
    return tuple(split)
