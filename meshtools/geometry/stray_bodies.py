"""Small bodies that side pieces cut off a piece of a mould: joined to a neighbour that they come out with, so that nobody has to hold them by hand.

A stray body may go with any piece that it touches, if moved out with it nothing is met, and if no piece that comes off before then meets it. Both
are proven before it is joined (see mould_proof.py). Our own method.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.mould_pieces import SPECK_MM3, MouldPiece, bodies_of, whole
from meshtools.geometry.mould_proof import prove_piece
from meshtools.geometry.shadow import Solid, joined, without
from meshtools.geometry.side_pieces import free_share

_LEAST_FREE = 0.5  # of rays from all over a stray body pass the bone along a way that may be its own
_GROW_MM = 2e-3  # a stray body is joined with so much around it, so that it and its neighbour cross and do not merely touch


def given_to_neighbours(pieces: Sequence[MouldPiece], bone: Solid, tried: frozenset[str] = frozenset()) -> tuple[MouldPiece, ...]:
    """The pieces in their order, stray bodies joined to a neighbour where that is proven to come out; smallest first. bone: with all else that the
    pieces leave room for. tried: names of bodies that stay as they are."""
    left, strays = list(pieces), [piece for piece in pieces if piece.is_stray and piece.name not in tried]
    strays.sort(key=lambda piece: float(piece.solid.volume()))
    skin = Surface(surface_of(bone)) if strays else None
    for name in [stray.name for stray in strays]:  # a stray that took a smaller one is another piece of that name
        place = next(k for k, piece in enumerate(left) if piece.name == name)
        ways = [skin is not None and free_share(left[place].solid, piece.direction, skin) >= _LEAST_FREE for piece in left]
        found = _taker(left, place, ways, bone)
        if found is not None:
            left[found[0]] = found[1]
            del left[place]
    return tuple(left)


def _taker(pieces: Sequence[MouldPiece], place: int, is_way: Sequence[bool], bone: Solid) -> tuple[int, MouldPiece] | None:
    """The largest piece that can take the body at this place along: its number and what it becomes. None where there is none. is_way: whether rays
    from the body along each piece's way pass the bone, which rules most of them out."""
    stray = pieces[place]
    steps = _GROW_MM * np.concatenate([np.eye(3), -np.eye(3)])
    grown = joined([stray.solid, *(stray.solid.translate(tuple(float(x) for x in step)) for step in steps)])
    for number in sorted(range(len(pieces)), key=lambda k: (pieces[k].is_stray, -float(pieces[k].solid.volume()))):
        piece = pieces[number]
        if number == place or not is_way[number] or not _touch(grown, piece.solid):
            continue
        others = [other.solid for k, other in enumerate(pieces) if k not in (place, number)]
        added = without(grown, [bone, *others])
        if not _comes_out(pieces, (place, number), added, bone):
            continue
        both = whole(joined([piece.solid, added]), SPECK_MM3)[0]
        if len(bodies_of(both)) == len(bodies_of(piece.solid)):
            return number, dataclasses.replace(piece, solid=both)
    return None


def _touch(grown: Solid, solid: Solid) -> bool:
    return float((grown ^ solid).volume()) > 0.0


def _comes_out(pieces: Sequence[MouldPiece], places: tuple[int, int], added: Solid, bone: Solid) -> bool:
    """Whether what is added to a piece (the second place) comes out with it past what is still in place then, and the pieces that come off between
    the stray body's own place and that past it. The piece itself comes out as it is."""
    place, number = places
    later = [piece.solid for k, piece in enumerate(pieces) if k > number and k != place]
    between = [pieces[k] for k in range(place + 1, number)]
    moved = dataclasses.replace(pieces[number], solid=added)
    return prove_piece(moved, [bone, *later]).is_free and all(prove_piece(piece, [added]).is_free for piece in between)
