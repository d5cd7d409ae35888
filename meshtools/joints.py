"""Which neighbours of a target meet in a joint although their replicas come from different sources, and who shows how they should fit. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from meshtools.comparisons import looks_whole
from meshtools.model import Element, Find, Recipe, Register, Side
from meshtools.register_finds import UNASSOCIATED

MOST_REFERENCES = 3


@dataclass(frozen=True)
class Joint:
    """Two elements that meet, as slugs in order, and pairs of finds (of a, of b), each pair of one individual that has both bones whole."""

    a: str
    b: str
    references: tuple[tuple[str, str], ...]


def joints_of(target: str, recipes: Iterable[Recipe], register: Register) -> tuple[Joint, ...]:
    """The joints of a target between replicas of different individuals or factors, by slug. recipes: those that are built."""
    mine = {recipe.element: recipe for recipe in recipes if recipe.target == target}
    elements = {element.slug: element for element in register.elements}
    finds = {find.find: find for find in register.finds}
    pairs = sorted({(min(slug, other), max(slug, other)) for slug in mine if slug in elements for other in elements[slug].joins if other in mine})
    return tuple(Joint(a, b, _references(elements[a], elements[b], register)) for a, b in pairs if _source(mine[a], finds) != _source(mine[b], finds))


def _source(recipe: Recipe, finds: dict[str, Find]) -> tuple[tuple[str, ...], float]:
    """Individuals and factor behind a replica. A find of nobody and a file made by hand are sources of their own."""
    if recipe.model_file:
        return (recipe.model_file,), recipe.factor
    animals = {finds[name].organism_id if finds[name].organism_id != UNASSOCIATED else f"find {name}" for name in recipe.finds}
    return tuple(sorted(animals)), recipe.factor


def _references(a: Element, b: Element, register: Register) -> tuple[tuple[str, str], ...]:
    """One pair of finds for each of the first individuals that have both bones; of the element's own side where they have it."""
    by_animal: dict[str, list[Find]] = {}
    for find in register.finds:
        if find.organism_id != UNASSOCIATED and looks_whole(find) and find.side is not Side.UNKNOWN and not find.identification_qualifier:
            by_animal.setdefault(find.organism_id, []).append(find)
    pairs = [(_best(by_animal[animal], a), _best(by_animal[animal], b)) for animal in sorted(by_animal)]
    return tuple((one, other) for one, other in pairs if one and other)[:MOST_REFERENCES]


def _best(finds: Iterable[Find], element: Element) -> str:
    same = [find for find in finds if find.element == element.name]
    return min(same, key=lambda find: (find.side is not element.side, find.find)).find if same else ""
