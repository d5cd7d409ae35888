"""Small bodies that side pieces cut off a piece of a mould: joined to a neighbour that they come out with, so that nobody has to hold them by hand.

A stray body may go with any piece that it touches, if moved out with it nothing is met, and if no piece that comes off before then meets it. Both
are proven before it is joined (see mould_proof.py). Our own method.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from meshtools.geometry.mould_pieces import SPECK_MM3, MouldPiece, bodies_of, whole
from meshtools.geometry.mould_proof import prove_piece
from meshtools.geometry.shadow import Solid, joined, without

_GROW_MM = 2e-3  # a stray body is joined with so much around it, so that it and its neighbour cross and do not merely touch


def given_to_neighbours(pieces: Sequence[MouldPiece], bone: Solid) -> tuple[MouldPiece, ...]:
    """The pieces in their order, stray bodies joined to a neighbour where that is proven to come out; smallest first. bone: with all else that the
    pieces leave room for."""
    left = list(pieces)
    for stray in sorted((piece for piece in pieces if piece.is_stray), key=lambda piece: float(piece.solid.volume())):
        place = next(k for k, piece in enumerate(left) if piece is stray)
        found = _taker(left, place, bone)
        if found is not None:
            left[found[0]] = found[1]
            del left[place]
    return tuple(left)


def _taker(pieces: Sequence[MouldPiece], place: int, bone: Solid) -> tuple[int, MouldPiece] | None:
    """The largest piece that can take the body at this place along: its number and what it becomes. None where there is none."""
    stray = pieces[place]
    steps = _GROW_MM * np.concatenate([np.eye(3), -np.eye(3)])
    grown = joined([stray.solid, *(stray.solid.translate(tuple(float(x) for x in step)) for step in steps)])
    for number in sorted(range(len(pieces)), key=lambda k: (pieces[k].is_stray, -float(pieces[k].solid.volume()))):
        piece = pieces[number]
        if number == place or not _touch(grown, piece.solid):
            continue
        others = [other.solid for k, other in enumerate(pieces) if k not in (place, number)]
        both = whole(joined([piece.solid, without(grown, [bone, *others])]), SPECK_MM3)[0]
        taker = dataclasses.replace(piece, solid=both)
        if len(bodies_of(taker.solid)) == len(bodies_of(piece.solid)) and _comes_out(pieces, (place, number), taker, bone):
            return number, taker
    return None


def _touch(grown: Solid, solid: Solid) -> bool:
    return float((grown ^ solid).volume()) > 0.0


def _comes_out(pieces: Sequence[MouldPiece], places: tuple[int, int], taker: MouldPiece, bone: Solid) -> bool:
    """Whether the taker comes out past what is still in place then, and those that come off between its place and the stray body's past it."""
    place, number = places
    later = [piece.solid for k, piece in enumerate(pieces) if k > number and k != place]
    between = [pieces[k] for k in range(place + 1, number)]
    return prove_piece(taker, [bone, *later]).is_free and all(prove_piece(piece, [taker.solid]).is_free for piece in between)
