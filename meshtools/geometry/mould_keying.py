"""Keys, seats and ports cut into the pieces of a mould, and keys for large bodies that side pieces cut off its halves."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from meshtools.geometry.core_prints import HeldCore
from meshtools.geometry.mould_fittings import Key, Port, key_layer, place_keys, seen_from_above
from meshtools.geometry.mould_pieces import HALVES, MouldPiece, RigidMould, split_bodies
from meshtools.geometry.parting import Block, Membrane
from meshtools.geometry.seat_ribs import SeatRib, with_ribs
from meshtools.geometry.shadow import Solid, joined, without
from meshtools.geometry.stray_bodies import given_to_neighbours

PLUG_MM3 = 20_000.0  # a cube of 27 mm: what is larger is no plug of soft rubber but a piece to be made and keyed like the others (our default)
N_STRAY_KEYS = 2
_LEAST_IN = 0.05  # of a key lies in the body it is to set, and in what that body rests on: its foot is short


@dataclasses.dataclass(frozen=True, eq=False)
class RigidFit:
    """The pieces of a rigid mould with all that was fitted to them: keys of the halves, ribs of the side pieces, keys of large stray bodies by
    the names of these; and what the pieces leave room for: the bone with the core's prints."""

    pieces: tuple[MouldPiece, ...]
    keys: tuple[Key, ...]
    ribs: tuple[SeatRib, ...]
    stray_keys: dict[str, tuple[Key, ...]]
    staying: Solid

    @property
    def more_keys(self) -> tuple[Key, ...]:
        """All keys of stray bodies."""
        return tuple(key for keys in self.stray_keys.values() for key in keys)


def fit_rigid(mould: RigidMould, ports: Sequence[Port], core: HeldCore | None, sizes_mm: tuple[float, float]) -> RigidFit:
    """Stray bodies to neighbours that take them along; ribs on what is drawn sideways, keys between the halves and to large stray bodies; ports
    and seats cut out. sizes_mm: diameter of keys and clearance around them."""
    block, membrane = mould.block, mould.membrane
    kept = [one.body() for one in core.prints] if core else []
    staying = joined([mould.bone.solid, *kept])
    pieces = given_to_neighbours(split_bodies(mould.pieces), staying)
    pieces, ribs = with_ribs(pieces, block, mould.bone, [*(port.body for port in ports), *kept], sizes_mm)
    layer = key_layer(membrane, sizes_mm[0])
    beside = [*(piece.solid ^ layer for piece in pieces if piece.name.startswith("side")), *kept]
    keys = place_keys(block, membrane, beside, sizes_mm[0])
    more = stray_keys(pieces, (block, membrane), [*beside, *(key.body(0.0) for key in keys)], sizes_mm[0], HALVES)
    every = [*keys, *(key for some in more.values() for key in some)]
    known = frozenset(piece.name for piece in pieces)
    pieces = split_bodies(fitted(pieces, HALVES, every, ports, sizes_mm[1], core))
    return RigidFit(given_to_neighbours(pieces, staying, known), keys, ribs, more, staying)


def large_strays(pieces: Sequence[MouldPiece]) -> list[MouldPiece]:
    """Bodies cut off other pieces that are too large for a plug."""
    return [piece for piece in pieces if piece.is_stray and float(piece.solid.volume()) > PLUG_MM3]


def stray_keys(
    pieces: Sequence[MouldPiece], ground: tuple[Block, Membrane], barred: Sequence[Solid], diameter_mm: float, halves: tuple[str, str]
) -> dict[str, tuple[Key, ...]]:
    """Keys between each large stray body of a half and the other half, by the name of the body: two of different size, fewer where the parting
    surface has no room. barred: bodies that keys stay clear of, seen from above."""
    (block, membrane), found = ground, dict[str, tuple[Key, ...]]()
    for stray in large_strays(pieces):
        own = next((half for half in halves if stray.name.startswith(half)), None)
        if own is None:
            continue
        layer = key_layer(membrane, diameter_mm)
        beside = [piece.solid ^ layer for piece in pieces if piece.name.startswith(own) and piece is not stray]
        facing = [piece.solid for piece in pieces if piece.name.startswith(halves[1 - halves.index(own)])]
        there = dataclasses.replace(block, outline=block.outline.intersection(seen_from_above(stray.solid ^ layer)))
        keys = place_keys(there, membrane, [*barred, *beside], diameter_mm)
        keys = tuple(key for key in keys if _sets(key, stray.solid, facing))
        found[stray.name] = keys[:N_STRAY_KEYS]
    return found


def _sets(key: Key, stray: Solid, facing: Sequence[Solid]) -> bool:
    body = key.body(0.0)
    own, other = float((body ^ stray).volume()), max((float((body ^ solid).volume()) for solid in facing), default=0.0)
    return min(own, other) > _LEAST_IN * float(body.volume()) and own + other > 0.99 * float(body.volume())


def fitted(
    pieces: Sequence[MouldPiece],
    halves: tuple[str, str],
    keys: Sequence[Key],
    ports: Sequence[Port],
    clearance_mm: float,
    core: HeldCore | None = None,
) -> tuple[MouldPiece, ...]:
    """The pieces with keys on the lower half (the second name), sockets in the upper, seats for the core's prints in both, pour and vents through
    all that stand in their way. Bodies cut off a half are named after it and are fitted like it; a key belongs to the body its foot is in."""
    pins = [key.body(0.0) for key in keys]
    lower = [k for k, piece in enumerate(pieces) if piece.name.startswith(halves[1])]
    bearer = [lower[int(np.argmax([float((pin ^ pieces[k].solid).volume()) for k in lower]))] for pin in pins]
    taken: dict[int, list[Solid]] = {k: [port.body for port in ports] for k in range(len(pieces))}
    for k, piece in enumerate(pieces):
        if piece.name.startswith(halves[0]):
            taken[k] += [key.body(clearance_mm) for key in keys] + (core.seats(1.0) if core else [])
        elif k in lower:
            taken[k] += [pin for pin, of in zip(pins, bearer, strict=True) if of != k] + (core.seats(-1.0) if core else [])
    own = [joined([piece.solid, *(pin for pin, of in zip(pins, bearer, strict=True) if of == k)]) if k in bearer else piece.solid
           for k, piece in enumerate(pieces)]  # fmt: skip
    return tuple(dataclasses.replace(piece, solid=without(own[k], taken[k])) for k, piece in enumerate(pieces))
