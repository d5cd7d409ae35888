"""Ribs on the side pieces of a rigid mould: each sets its piece in the seat in one way only.

A rib is a cone that stands in the wall of the seat, half of it in the piece. It begins on a flat floor in the outer part of the piece's way, away
from the bone, runs along the way out and widens towards it, so it comes free as soon as the piece moves. The neighbour has a socket for it,
larger by the clearance of keys. A second rib, thinner than the first, stands as far from it as can be: the two keep the piece from tilting and
cannot change places. Our own method.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.mould_pieces import MouldPiece, bodies_of
from meshtools.geometry.mould_proof import prove_piece
from meshtools.geometry.parting import Block
from meshtools.geometry.shadow import Solid, joined, rotation_to_z, without
from meshtools.geometry.undercuts import Bone
from meshtools.model import FloatArray

N_RIBS = 2
RIB_DRAFT_DEG = 8.0
_SIZES = (1.0, 0.7, 0.5, 0.35)  # diameters tried for the first rib, in those of keys, largest first
_SECOND = 0.7  # diameter of the second rib, of the first
_LEAST_GUIDE, _MOST_GUIDE = 1.0, 4.0  # length of a rib within the block, in its diameters
_BESIDE, _LEAST_BESIDE_MM = 0.3, 1.5  # of a rib's diameter: so much stays between it and the bone or the outside of the block
_LEAST_OUT = 0.25  # of a rib stands out of its piece into the neighbours
_MOST_SHARE = 0.2  # of its piece's volume that a rib may have
_APART = 2.0  # diameters of the first rib between the two, at least
_LEVELS, _ROUND, _MOST_ON_LOOP = 8, 24, 60  # sections of a piece that are looked at, sides of a rib, places along a loop of a section
_MOST_TRIED = 30  # places tried by exact cuts
_TURNS_DEG = (60.0, 120.0, 180.0, 240.0, 300.0)
_AROUND = np.array([[np.cos(turn), np.sin(turn)] for turn in np.arange(_ROUND) * 2 * np.pi / _ROUND])


@dataclass(frozen=True, eq=False)
class SeatRib:
    """One rib: the piece it belongs to and that piece's way out (3,), the middle (3,) of its floor, its diameter there, and how far it reaches
    along the way: beyond the block."""

    piece: str
    direction: FloatArray
    place: FloatArray
    diameter_mm: float
    reach_mm: float

    def body(self, clearance_mm: float = 0.0) -> Solid:
        """The rib, larger all round by the clearance."""
        import manifold3d

        turn = rotation_to_z(self.direction)
        rings = []
        for along in (-clearance_mm, self.reach_mm):
            radius = self.diameter_mm / 2 + clearance_mm + along * np.tan(np.radians(RIB_DRAFT_DEG))
            rings.append(self.place + along * turn[2] + radius * np.einsum("ij,jk->ik", _AROUND, turn[:2]))
        return manifold3d.Manifold.hull_points(np.concatenate(rings))


@dataclass(frozen=True, eq=False)
class _Ground:
    """What ribs are placed in: the block, the bone's surface, bodies to stay clear of, the clearance of sockets."""

    block: Block
    skin: Surface
    barred: Sequence[Solid]
    clearance_mm: float


def with_ribs(
    pieces: Sequence[MouldPiece], block: Block, bone: Bone, barred: Sequence[Solid], sizes_mm: tuple[float, float]
) -> tuple[tuple[MouldPiece, ...], tuple[SeatRib, ...]]:
    """The pieces of a mould, in the order they come off, with ribs on the side pieces and sockets in what stays around them; and the ribs. A side
    piece gets fewer than N_RIBS where there is no room.

    barred: bodies that ribs stay clear of (pour, vents, core prints). sizes_mm: diameter of keys and clearance around them.
    """
    ground, left, ribs = _Ground(block, Surface(bone.mesh), barred, sizes_mm[1]), list(pieces), list[SeatRib]()
    for k in [k for k, piece in enumerate(pieces) if piece.name.startswith("side")]:  # the halves have keys
        tried = (_ribs_of(left, k, ground, size * sizes_mm[0]) for size in _SIZES)
        best: list[SeatRib] = []
        for own in tried:
            best = own if len(own) > len(best) else best
            if len(best) == N_RIBS:
                break
        for rib in best:
            left = _cut(left, k, rib, ground)
        ribs += best
    return tuple(left), tuple(ribs)


def _ribs_of(pieces: Sequence[MouldPiece], number: int, ground: _Ground, diameter_mm: float) -> list[SeatRib]:
    """As many ribs on one piece as there is room for, the first of this diameter."""
    own: list[SeatRib] = []
    while len(own) < N_RIBS:
        rib = _place_rib(pieces, number, ground, diameter_mm * _SECOND ** len(own), own)
        if rib is None:
            break
        own.append(rib)
        pieces = _cut(pieces, number, rib, ground)
    return own


def _place_rib(pieces: Sequence[MouldPiece], number: int, ground: _Ground, diameter_mm: float, others: Sequence[SeatRib]) -> SeatRib | None:
    """A rib of this diameter on a piece, far from its middle or from the ribs it has; None where there is no room."""
    piece = pieces[number]
    places = _places(piece, ground, diameter_mm)
    if others and len(places):
        score = np.min([np.linalg.norm(places - other.place, axis=1) for other in others], axis=0)
        places, score = places[score > _APART * others[0].diameter_mm], score[score > _APART * others[0].diameter_mm]
    else:
        box = np.reshape(piece.solid.bounding_box(), (2, 3))
        score = np.linalg.norm(np.cross(places - box.mean(axis=0), piece.direction), axis=1)
    end = float((_corners(ground.block.solid) @ piece.direction).max()) + 1.0
    for row in np.argsort(-score, kind="stable")[:_MOST_TRIED]:
        rib = SeatRib(piece.name, piece.direction, places[row], diameter_mm, end - float(places[row] @ piece.direction))
        if _fits(pieces, number, rib, ground):
            return rib
    return None


def _places(piece: MouldPiece, ground: _Ground, diameter_mm: float) -> FloatArray:
    """Places (n, 3) on the walls of a piece's seat where a rib's floor has room, well within the block and away from the bone."""
    turn = rotation_to_z(piece.direction)
    turned = piece.solid.transform(np.column_stack([turn, np.zeros(3)]))
    low, high = turned.bounding_box()[2], turned.bounding_box()[5]
    found = [np.empty((0, 3))]
    for level in low + (high - low) * (np.arange(_LEVELS) + 0.5) / _LEVELS:
        for loop in turned.slice(float(level)).to_polygons():
            flat = _along(np.asarray(loop), diameter_mm / 2)
            found.append(np.column_stack([flat, np.full(len(flat), level)]) @ turn)
    places = np.concatenate(found)
    beside = max(_BESIDE * diameter_mm, _LEAST_BESIDE_MM)
    widening, guide = np.tan(np.radians(RIB_DRAFT_DEG)), _LEAST_GUIDE * diameter_mm
    is_free = ~_is_within(ground.block, places + _MOST_GUIDE * diameter_mm * turn[2])
    for along, radius in ((-beside, diameter_mm / 2 + beside), (guide, diameter_mm / 2 + guide * widening + beside)):
        ring = along * turn[2] + radius * np.einsum("ij,jk->ik", _AROUND, turn[:2])
        is_free &= np.all([_is_within(ground.block, places + step) for step in ring], axis=0)
    places = places[is_free]
    steps = np.linspace(0.0, _MOST_GUIDE * diameter_mm, 12)
    off = [ground.skin.distance(places + along * turn[2])[0] - along * widening for along in steps] if len(places) else []
    return places[np.min(off, axis=0) > diameter_mm / 2 + beside] if off else places


def _along(loop: FloatArray, step_mm: float) -> FloatArray:
    """Even points (n, 2) along a closed loop (k, 2)."""
    ends = np.concatenate([loop, loop[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ends, axis=0), axis=1))])
    n = int(np.clip(length[-1] / step_mm, 1, _MOST_ON_LOOP))
    at = length[-1] * np.arange(n) / n
    return np.column_stack([np.interp(at, length, ends[:, axis]) for axis in range(2)])


def _is_within(block: Block, points: FloatArray) -> NDArray[np.bool_]:
    import shapely

    within = shapely.contains_xy(block.outline, points[:, 0], points[:, 1])
    return np.asarray(within & (points[:, 2] > block.floor_mm) & (points[:, 2] < block.top_mm))


def _corners(solid: Solid) -> FloatArray:
    return np.asarray(solid.to_mesh64().vert_properties, np.float64)[:, :3]


def _fits(pieces: Sequence[MouldPiece], number: int, rib: SeatRib, ground: _Ground) -> bool:
    """Whether a rib meets nothing that comes off earlier, neither in place nor on its way, stands out far enough, and cuts no piece in two."""
    plain, socket = rib.body() ^ ground.block.solid, rib.body(ground.clearance_mm)
    earlier, later = pieces[:number], pieces[number + 1 :]
    taken = [*ground.barred, *(piece.solid for piece in earlier)]
    if plain.volume() > _MOST_SHARE * pieces[number].solid.volume() or any((socket ^ body).volume() > 0.0 for body in taken):
        return False
    out = joined([plain ^ piece.solid for piece in later])
    if out.volume() < _LEAST_OUT * plain.volume():
        return False
    cut = _cut(pieces, number, rib, ground)
    if any(len(bodies_of(new.solid)) != len(bodies_of(old.solid)) for new, old in zip(cut, pieces, strict=True) if new is not old):
        return False
    return all(prove_piece(piece, [plain]).is_free for piece in earlier)


def _cut(pieces: Sequence[MouldPiece], number: int, rib: SeatRib, ground: _Ground) -> list[MouldPiece]:
    """The pieces with a rib on one of them and its socket in those that come off later."""
    plain, socket = rib.body() ^ ground.block.solid, rib.body(ground.clearance_mm)
    changed = list(pieces)
    for k, piece in enumerate(pieces):
        if k == number:
            changed[k] = dataclasses.replace(piece, solid=joined([piece.solid, plain]))
        elif k > number and (socket ^ piece.solid).volume() > 0.0:
            changed[k] = dataclasses.replace(piece, solid=without(piece.solid, [socket]))
    return changed


def turned_in(pieces: Sequence[MouldPiece], bone: Solid) -> dict[str, float]:
    """By the name of each side piece, how much of it would lie in what is in place before it, mm3, if it were put in turned."""
    sides = [(k, piece) for k, piece in enumerate(pieces) if piece.name.startswith("side")]
    return {piece.name: turned_overlap_mm3(piece, [bone, *(later.solid for later in pieces[k + 1 :])]) for k, piece in sides}


def turned_overlap_mm3(piece: MouldPiece, staying: Sequence[Solid]) -> float:
    """How much of a piece lies in what stays when it is put in turned about its way out: the least over several turns about its middle."""
    turn = rotation_to_z(piece.direction)
    frame = np.column_stack([turn, np.zeros(3)])
    x, y = np.reshape(piece.solid.transform(frame).bounding_box(), (2, 3)).mean(axis=0)[:2]
    rest = joined([solid.transform(frame) for solid in staying]).translate((-float(x), -float(y), 0.0))
    own = piece.solid.transform(frame).translate((-float(x), -float(y), 0.0))
    return min(float((own.rotate((0.0, 0.0, angle)) ^ rest).volume()) for angle in _TURNS_DEG)
