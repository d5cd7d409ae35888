"""Which whole bone may guide the pieces of a broken one. Pure: rows in, a choice out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from meshtools.comparisons import looks_whole
from meshtools.errors import UsageError
from meshtools.factor import individual_of
from meshtools.model import Find, Side
from meshtools.register_cells import nearest
from meshtools.register_finds import primary_finds


@dataclass(frozen=True)
class Guide:
    """A whole bone of the same element. reflect: it is of the other side. is_same_animal: so it has the size of the broken one."""

    find: Find
    reflect: bool
    is_same_animal: bool


def pieces_of(finds: Sequence[Find], name: str) -> list[Find]:
    """A find and the further pieces of it. UsageError where there is no such find, or it has none."""
    named = {find.find: find for find in finds}
    if name not in named:
        near = nearest(name, named)
        raise UsageError(f"'{name}' is no find of config/bones.csv.{f' Did you mean {near!r}?' if near else ''}")
    replaced = {find.replaces for find in finds if find.replaces}
    parts = [find for find in finds if find.part_of == name and find.find not in replaced]
    if not parts:
        whole = f" It is a piece of '{named[name].part_of}'; name that one." if named[name].part_of else ""
        raise UsageError(f"No row of config/bones.csv has '{name}' in part_of, so it has no further piece.{whole}")
    return [named[name], *parts]


def guide_for(finds: Sequence[Find], broken: Find, chosen: str | None) -> Guide:
    """The guide that was chosen by name, or the best one: of the same animal (the other side) before others, of the same side before the other.
    UsageError where there is none, where the chosen one is no such bone, and where nobody knows the side of the broken one."""
    if broken.side is Side.UNKNOWN:
        raise UsageError(
            f"The side of {broken.find} is unknown, so nobody can say whether a whole {broken.element} is to be mirrored before its pieces are laid "
            "on it. Write left or right for it and its pieces into config/bones.csv."
        )
    in_parts = {find.part_of for find in finds if find.part_of}
    fitting = [
        Guide(find, find.side is not broken.side, individual_of(find) == individual_of(broken))
        for find in primary_finds(finds)
        if find.element == broken.element and find.find not in {broken.find, *in_parts} and find.side in (broken.side, broken.side.opposite)
    ]
    if chosen is not None:
        named = [guide for guide in fitting if guide.find.find == chosen]
        if not named:
            known = ", ".join(sorted(guide.find.find for guide in fitting)) or "there is none"
            raise UsageError(f"'{chosen}' is no other {broken.element} in one piece; choose of: {known}.")
        return named[0]
    whole = [guide for guide in fitting if looks_whole(guide.find) and not guide.find.identification_qualifier]
    if not whole:
        raise UsageError(
            f"No whole {broken.element} is in config/bones.csv to lay the pieces of {broken.find} on. Register one, of either side and of any "
            "animal; or name one that is not whole with --like."
        )
    return min(whole, key=lambda guide: (not guide.is_same_animal, guide.reflect, guide.find.find))
