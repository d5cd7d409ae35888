"""Which finds a find is compared with, so that its shape can speak about its side and its identity. Pure: register in, names out.

The choice depends on the rows of the finds alone, never on the plan, so that no decision elsewhere changes it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from meshtools.model import Decision, Element, Find, Recipe, Register, Side
from meshtools.register_finds import UNASSOCIATED, is_whole

MOST_PARTNERS = 4
MOST_NEIGHBOURS = 2
WHOLE_PERCENT = 90.0
"""A find preserved less than this is no whole bone to lay another on. Our own limit: a fracture beyond it changes the length."""


@dataclass(frozen=True)
class Partner:
    """A find of the same element, and finds of the same individual that are neighbours of it in its series."""

    find: str
    neighbours: tuple[str, ...] = ()


def partners_of(find: Find, register: Register) -> tuple[Partner, ...]:
    """The finds to compare a find with, best first: of the same element and either side, at most MOST_PARTNERS.

    Whole ones of other individuals come first, then whole ones of its own, then incomplete ones (which only a whole find is compared with).
    Finds of unknown side or doubtful identity say nothing about another, nor do other scans of the same bone: they show another part of it, and where
    they show the same they are laid on it when they are joined. Neighbours, which could be confused with the element, are taken
    from the partner's own individual only: between individuals the difference of size and build would count as well.
    """
    if find.side is Side.UNKNOWN:
        return ()
    same = [other for other in register.finds if _bone(other) != _bone(find) and other.element == find.element and _is_sure(other)]
    usable = [other for other in same if looks_whole(other) or looks_whole(find)]
    neighbours = {other.find: _neighbours(other, find, register) if looks_whole(other) else () for other in usable}
    if find.side is Side.MEDIAN:  # without neighbours nothing could be told about a median bone
        usable = [other for other in usable if neighbours[other.find]]
    chosen = sorted(usable, key=lambda other: _place(other, find, bool(neighbours[other.find])))[:MOST_PARTNERS]
    return tuple(Partner(other.find, neighbours[other.find]) for other in chosen)


def doubles_of(find: Find, finds: Iterable[Find]) -> tuple[str, ...]:
    """Other whole finds that claim the place of this one: same individual, element and side."""
    if find.organism_id == UNASSOCIATED or find.side is Side.UNKNOWN or not is_whole(find):
        return ()
    claim = (find.organism_id, find.element, find.side)
    return tuple(sorted(o.find for o in finds if o.find != find.find and (o.organism_id, o.element, o.side) == claim and is_whole(o)))


def checked_finds(recipe: Recipe, finds: Iterable[Find]) -> tuple[str, ...]:
    """The finds whose side and identity matter to an element: those it is made from, and those that claim the place of one of them."""
    rows = tuple(finds)
    used = [find for find in rows if find.find in recipe.finds]
    return tuple(sorted({find.find for find in used} | {name for find in used for name in doubles_of(find, rows)}))


def settled_by(find: Find, decisions: Iterable[Decision]) -> Decision | None:
    """The latest decision that names the find as a source: whoever chose it looked at what it is."""
    named = [decision for decision in decisions if decision.find == find.find and decision.kind in ("class", "donor")]
    return max(named, key=lambda decision: (decision.date, decision.by, decision.reason), default=None)


def looks_whole(find: Find) -> bool:
    """True where the row says that (nearly) all of the bone is there."""
    return is_whole(find) and (find.preserved_percent is None or find.preserved_percent >= WHOLE_PERCENT)


def _bone(find: Find) -> str:
    """The find that a further scan or piece is a part of, or the find itself."""
    return find.part_of or find.find


def _is_sure(find: Find) -> bool:
    return find.side is not Side.UNKNOWN and not find.identification_qualifier


def _place(other: Find, find: Find, has_neighbours: bool) -> tuple[bool, bool, bool, bool, bool, str]:
    is_own = other.organism_id == find.organism_id and find.organism_id != UNASSOCIATED
    is_other_taxon = other.scientific_name.casefold() != find.scientific_name.casefold()
    return not looks_whole(other), is_own, not has_neighbours, is_other_taxon, bool(other.pathology or other.deformation), other.find


def _neighbours(partner: Find, find: Find, register: Register) -> tuple[str, ...]:
    """One whole find for each of the nearest members of the partner's series that its individual has, of the find's side where there is one."""
    if partner.organism_id == UNASSOCIATED:
        return ()
    members = {element.name: element for element in register.elements}
    own = members.get(partner.element)
    if own is None or not own.series or own.position is None:
        return ()
    theirs: dict[str, list[Find]] = {}
    for other in register.finds:
        element = members.get(other.element)
        if other.organism_id == partner.organism_id and element is not None and _is_near(element, own) and _is_sure(other) and looks_whole(other):
            theirs.setdefault(other.element, []).append(other)
    nearest = sorted(theirs, key=lambda name: (abs((members[name].position or 0) - own.position), name))[:MOST_NEIGHBOURS]  # type: ignore[operator]
    return tuple(min(theirs[name], key=lambda other: (other.side is not find.side, other.find)).find for name in nearest)


def _is_near(element: Element, own: Element) -> bool:
    """Another member of the same series, at most two places off."""
    if (element.group, element.series) != (own.group, own.series) or element.name == own.name or element.position is None or own.position is None:
        return False
    return abs(element.position - own.position) <= MOST_NEIGHBOURS
