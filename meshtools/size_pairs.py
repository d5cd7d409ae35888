"""Which scans of two individuals can be laid on each other to learn their sizes. Pure: rows in, pairs out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from meshtools.comparisons import looks_whole
from meshtools.factor import individual_of
from meshtools.model import Find, Side
from meshtools.register_finds import is_whole, primary_finds


@dataclass(frozen=True)
class BonePair:
    """One bone of the target's individual and the same bone of a donor; `reflect`: they are of opposite sides.

    `is_donor_laid`: the donor's bone is the less preserved one, so it is laid on the target's, otherwise the other way round.
    """

    element: str
    target: Find
    donor: Find
    reflect: bool
    is_donor_laid: bool


def pairs_between(finds: Iterable[Find], target: str, donor: str) -> tuple[tuple[BonePair, ...], tuple[str, ...]]:
    """The pairs of finds of two individuals, by element, and a sentence for each find that stands for no bone to measure.

    Same sides go together; opposite sides where a find has no partner of its own side, so that no bone counts twice without need. At least
    one of the two is whole. Doubtful, deformed or sideless finds, further scans and replaced ones are left out.
    """
    rows = tuple(finds)
    in_parts = {find.part_of for find in rows if find.part_of}
    named = {target: [find for find in primary_finds(rows) if individual_of(find) == target],
             donor: [find for find in primary_finds(rows) if individual_of(find) == donor]}
    shared = {find.element for find in named[target]} & {find.element for find in named[donor]}
    pairs: list[BonePair] = []
    left_out: list[str] = []
    for element in sorted(shared):
        sides = []
        for individual in (target, donor):
            rows_here = sorted((find for find in named[individual] if find.element == element), key=lambda find: find.find)
            left_out += [f"{find.find}: {why}" for find in rows_here if (why := _why_unfit(find))]
            sides.append([find for find in rows_here if not _why_unfit(find)])
        found = [pair for pair in _crossed(*sides) if _is_whole_alone(pair.target, in_parts) or _is_whole_alone(pair.donor, in_parts)]
        if all(sides) and not found:
            left_out.append(f"{element}: neither individual has a whole one")
        pairs += found
    return tuple(pairs), tuple(left_out)


def _crossed(ours: list[Find], theirs: list[Find]) -> list[BonePair]:
    same = [(a, b) for a in ours for b in theirs if a.side is b.side]
    met = {find.find for pair in same for find in pair}
    other = [(a, b) for a in ours for b in theirs if a.side is b.side.opposite is not Side.MEDIAN and not {a.find, b.find} <= met]
    return [BonePair(a.element, a, b, a.side is not b.side, _preserved(b) < _preserved(a)) for a, b in (*same, *other)]


def _preserved(find: Find) -> tuple[bool, float]:
    return looks_whole(find), 100.0 if find.preserved_percent is None and is_whole(find) else find.preserved_percent or 0.0


def _is_whole_alone(find: Find, in_parts: set[str]) -> bool:
    """True where this one scan shows the whole bone: of a bone in several pieces it does not."""
    return looks_whole(find) and find.find not in in_parts


def _why_unfit(find: Find) -> str:
    if find.side is Side.UNKNOWN:
        return "its side is unknown"
    if find.identification_qualifier.strip():
        return f"it is identified as '{find.identification_qualifier}'"
    if find.deformation.strip().casefold() not in ("", "none"):
        return f"it is deformed ({find.deformation})"
    return ""
