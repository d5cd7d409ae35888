"""The joints of a target: which neighbours come from different sources, who shows how they should fit, and where they lie. Pure."""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass

from meshtools.comparisons import looks_whole
from meshtools.model import Element, EvidenceClass, Find, JointPose, Recipe, Register, Side
from meshtools.model_pose import JointPlaces
from meshtools.placing import joint_places, row_of
from meshtools.register_finds import UNASSOCIATED

MOST_REFERENCES = 3


@dataclass(frozen=True)
class Joint:
    """Two elements that meet, as slugs in order, and pairs of finds (of a, of b), each pair of one individual that has both bones whole.

    is_mixed: their replicas come from different sources; has_part: one of them is of a find that is only a part of the bone. places: how they lie
    in a frame of poses.csv, None where no frame shows it; row: what pose.csv says of the joint.
    """

    a: str
    b: str
    references: tuple[tuple[str, str], ...]
    is_mixed: bool = True
    has_part: bool = False
    places: JointPlaces | None = None
    row: JointPose | None = None

    @property
    def unjudged(self) -> str:
        """Why the widths at the joint are not compared; empty where they are."""
        return ("a part" if self.has_part else "") if self.is_mixed else "one source"

    @property
    def name(self) -> str:
        """`femur-left__tibia-left`."""
        return f"{self.a}__{self.b}"


def neighbour_pairs(slugs: Container[str], elements: Iterable[Element]) -> list[tuple[str, str]]:
    """Pairs of these elements that meet in a joint, each in the order of its names, in order."""
    return sorted({(min(e.slug, other), max(e.slug, other)) for e in elements if e.slug in slugs for other in e.joins if other in slugs})


def joints_of(target: str, recipes: Iterable[Recipe], register: Register) -> tuple[Joint, ...]:
    """The joints of a target between replicas of different individuals or factors, and those that a frame shows. recipes: those that are built."""
    mine = {recipe.element: recipe for recipe in recipes if recipe.target == target}
    elements = {element.slug: element for element in register.elements}
    finds = {find.find: find for find in register.finds}
    joints = []
    for a, b in neighbour_pairs(mine, register.elements):
        is_mixed = _source(mine[a], finds) != _source(mine[b], finds)
        places = joint_places(mine[a], mine[b], (elements[a], elements[b]), register)
        if is_mixed or places:
            has_part = any(_is_part(mine[slug], finds) for slug in (a, b))
            references = _references(elements[a], elements[b], register) if is_mixed and not has_part else ()
            joints.append(Joint(a, b, references, is_mixed, has_part, places, row_of(target, a, b, register.joint_poses)))
    return tuple(joints)


def _is_part(recipe: Recipe, finds: dict[str, Find]) -> bool:
    """Whether a replica lacks what its find lacks. What a row says of pieces put together, the first find says of all."""
    return bool(recipe.finds) and not recipe.partner and recipe.evidence is not EvidenceClass.OWN_C and not looks_whole(finds[recipe.finds[0]])


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
