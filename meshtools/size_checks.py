"""Lengths that contradict each other: what the length of a find is held against, and what that says about its unit. Pure: our own method.

A wrong unit makes a bone that is sound in every other way. It shows in the other side of the animal, in the same bone of another animal beside
the bones that both have, or in other bones of one animal.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from heapq import nsmallest
from operator import itemgetter

from meshtools.comparisons import looks_whole
from meshtools.factor import individual_of
from meshtools.model import Find, Finding, Register, Severity, Side
from meshtools.register_finds import UNASSOCIATED, primary_finds
from meshtools.units import MM_PER_UNIT, Unit

SIDES_FACTOR = 1.25
"""The same element of one animal differs by less than a quarter in length (our default)."""
ANIMALS_FACTOR = 2.0
"""The same element of two animals departs by less from the ratio of the other bones that both have (our default)."""
PLAIN_FACTOR, UNLIKE_UNITS_FACTOR = 3.0, 2.0
"""Animals of one taxon and stage of life that share no other bone differ by less, and by less than the second where their scans were stated in
different units, so that a cm taken for an inch shows (our defaults). Where no row states a taxon they may be of one."""
MATES_FACTOR, MATES_FIT, ALIKE_MATES_FACTOR = 5.0, 3.0, 20.0
"""Single bones of one group, or bones of one series, differ by less within an animal where their units differ; stated in another unit, they would be
within the second factor. Stated in one unit they differ by less than the third, above a kneecap beside a thigh bone and below an inch taken for a mm
(our defaults)."""
_Place = tuple[str, str, int]  # group, series, and position in it
_Beside = dict[tuple[str, str], list[tuple[int, Find]]]
SIZE_CODE = "size-contradicted"
MOST_SAME, MOST_ANIMALS, MOST_SHARED, MOST_MATES = 2, 2, 3, 3


@dataclass(frozen=True)
class OtherAnimal:
    """The same element of another animal, and pairs of finds (this animal's, the other's) of other elements that both have."""

    find: str
    shared: tuple[tuple[str, str], ...]
    is_alike: bool  # of the same taxon and stage of life, or of none that is stated


@dataclass(frozen=True)
class SizeCheck:
    """What the length of one find is held against, by names of finds."""

    find: str
    same: tuple[str, ...]  # the element in the same animal
    others: tuple[OtherAnimal, ...]
    mates: tuple[str, ...]  # bones of the same group and series, and animal

    def names(self) -> frozenset[str]:
        """All finds whose lengths are needed."""
        pairs = (name for other in self.others for pair in other.shared for name in pair)
        return frozenset((self.find, *self.same, *(other.find for other in self.others), *pairs, *self.mates))


@dataclass(frozen=True)
class SizedFind:
    """A find with the greatest length of its clean surface. `why_sure` says why its own size is not in doubt, or is empty."""

    find: str
    words: str  # left tibia of DOG-A
    element: str
    unit: Unit
    length_mm: float
    why_sure: str = ""


def size_checks(register: Register, names: Iterable[str], cleaned: Collection[str], in_one_unit: bool = False) -> dict[str, SizeCheck]:
    """What the length of each named find is held against, for those that anything can be held against.

    Only whole, sure and sound finds that stand for a bone alone are held against each other, and only those among `cleaned`, so that no scan is
    cleaned for this alone. Other bones of an animal are looked at where their units differ, or anyway with `in_one_unit`: a page would be made
    again with the scan of each of them, so only intake and the index do.
    """
    in_parts = {find.part_of for find in register.finds if find.part_of}
    usable = sorted((find for find in primary_finds(register.finds) if find.find in cleaned and _speaks(find, in_parts)), key=lambda find: find.find)
    animals: dict[str, dict[str, list[Find]]] = {}
    for find in usable:
        animals.setdefault(individual_of(find), {}).setdefault(find.element, []).append(find)
    wanted = set(names)
    places = {element.name: (element.group, element.series, element.position or 0) for element in register.elements}
    beside = {name: _by_series(elements, places) for name, elements in animals.items()}
    checks = (_check_of(find, (places, beside), animals, in_one_unit) for find in usable if find.find in wanted)
    return {check.find: check for check in checks if len(check.names()) > 1}


def _speaks(find: Find, in_parts: Collection[str]) -> bool:
    is_sound = find.deformation.strip().casefold() in ("", "none") and not find.identification_qualifier.strip()
    return is_sound and looks_whole(find) and find.find not in in_parts


def _by_series(elements: Mapping[str, list[Find]], places: Mapping[str, _Place]) -> _Beside:
    """Group and series -> position and first find of each element of an animal that has a unit, in the order of the elements' names."""
    found: _Beside = {}
    for name in sorted(elements):
        if name in places and elements[name][0].unit is not Unit.NONE:
            group, series, position = places[name]
            found.setdefault((group, series), []).append((position, elements[name][0]))
    return found


def _check_of(
    find: Find, where: tuple[Mapping[str, _Place], Mapping[str, _Beside]], animals: Mapping[str, Mapping[str, list[Find]]], in_one_unit: bool
) -> SizeCheck:
    """where: place of each element, and `_by_series` of each animal."""
    own, (places, beside) = individual_of(find), where
    same = [other.find for other in animals[own][find.element] if other.find != find.find]
    others = [_other_animal(find, places, animals[own], animals[name]) for name in animals if name != own and find.element in animals[name]]
    others.sort(key=lambda other: (not other.shared, not other.is_alike, -len(other.shared), other.find))
    has_mates = not (same or others or find.organism_id == UNASSOCIATED or find.unit is Unit.NONE) and find.element in places
    mates = _mates(find, places[find.element], beside[own], in_one_unit) if has_mates else []
    return SizeCheck(find.find, tuple(same[:MOST_SAME]), tuple(others[:MOST_ANIMALS]), tuple(mates))


def _other_animal(find: Find, places: Mapping[str, _Place], own: Mapping[str, list[Find]], theirs: Mapping[str, list[Find]]) -> OtherAnimal:
    other = min(theirs[find.element], key=lambda one: (one.side is not find.side, one.find))
    series = places.get(find.element, ())[:2]
    shared = sorted((own.keys() & theirs.keys()) - {find.element}, key=lambda name: (places.get(name, ())[:2] != series, name))
    pairs = tuple((own[name][0].find, theirs[name][0].find) for name in shared[:MOST_SHARED])
    return OtherAnimal(other.find, pairs, _kind(find) == _kind(other))


def _kind(find: Find) -> tuple[str, str]:
    return find.scientific_name.casefold(), find.life_stage.casefold()


def _mates(find: Find, place: _Place, beside: _Beside, in_one_unit: bool) -> list[str]:
    """Finds of other bones of the series, or of the group's single bones, one for each element: those that were stated in another unit first, then
    those that stand nearest in the series."""
    group, series, own = place
    near = [(mate.unit is find.unit, abs(position - own), mate.find) for position, mate in beside[group, series] if mate.element != find.element]
    is_asked = in_one_unit or not all(is_alike for is_alike, _, _ in near)
    return [name for _, _, name in nsmallest(MOST_MATES, near, key=itemgetter(0, 1))] if is_asked else []


def size_findings(check: SizeCheck, sized: Mapping[str, SizedFind]) -> tuple[Finding, ...]:
    """The gravest contradiction between the length of a find and those it is held against, if there is one. Finds that are not in `sized` (their
    scan could not be used) say nothing. A finding of review; a note where the find's own size is not in doubt."""
    find = sized.get(check.find)
    if find is None or find.length_mm <= 0:
        return ()
    usable = {name: one for name, one in sized.items() if one.length_mm > 0}
    found = _in_same_animal(find, check, usable) or _in_other_animals(find, check, usable) or _among_mates(find, check, usable)
    if found is None:
        return ()
    if find.why_sure:
        return (replace(found, severity=Severity.NOTE, message=f"{found.message} It stays a note: {find.why_sure}"),)
    return (found,)


def _in_same_animal(find: SizedFind, check: SizeCheck, sized: Mapping[str, SizedFind]) -> Finding | None:
    for other in (sized[name] for name in check.same if name in sized):
        ratio = find.length_mm / other.length_mm
        if _departs(ratio, SIDES_FACTOR):
            return _finding(find, other, f"Those of one animal differ by less than {SIDES_FACTOR:g} times.", 1.0, SIDES_FACTOR)
    return None


def _in_other_animals(find: SizedFind, check: SizeCheck, sized: Mapping[str, SizedFind]) -> Finding | None:
    """A contradiction with the first animal where the ratio departs from those of most other bones that both have."""
    for entry in (entry for entry in check.others if entry.find in sized):
        other = sized[entry.find]
        ratio = find.length_mm / other.length_mm
        pairs = [(sized[a], sized[b]) for a, b in entry.shared if a in sized and b in sized]
        ratios = [a.length_mm / b.length_mm for a, b in pairs]
        against = [value for value in ratios if _departs(ratio / value, ANIMALS_FACTOR)]
        if ratios and 2 * len(against) > len(ratios):
            bones = ", ".join(f"{a.element} {value:.3g}" for (a, _), value in zip(pairs, ratios, strict=True))
            expected = math.exp(sum(map(math.log, against)) / len(against))
            return _finding(find, other, f"The other bones that both animals have stand in the ratio {bones}.", expected, ANIMALS_FACTOR)
        is_unlike = find.unit is not other.unit and Unit.NONE not in (find.unit, other.unit)
        factor = UNLIKE_UNITS_FACTOR if is_unlike else PLAIN_FACTOR
        if not ratios and entry.is_alike and _departs(ratio, factor):
            stated = f", and these are stated in {find.unit.value} and {other.unit.value}" if is_unlike else ""
            words = f"Animals of one taxon and stage of life, or with none in their rows, should differ by less than {factor:g} times{stated}."
            return _finding(find, other, words, 1.0, factor)
    return None


def _among_mates(find: SizedFind, check: SizeCheck, sized: Mapping[str, SizedFind]) -> Finding | None:
    """A bone beyond most of its group, whose numbers would fit in the unit that the others have; or far beyond, and they would fit in any unit."""
    mates = [sized[name] for name in check.mates if name in sized]
    beyond = [(factor, mate) for mate in mates if (factor := _factor_beyond(find, mate))]
    if 2 * len(beyond) <= len(mates):
        return None
    factor, mate = min(beyond, key=lambda one: one[0])
    words = f"Bones of one group differ by less than {factor:g} times within an animal."
    return replace(_finding(find, mate, words, 1.0, MATES_FIT), limit=factor)


def _factor_beyond(find: SizedFind, mate: SizedFind) -> float | None:
    """The factor that two bones of one group differ by more than, where another unit would bring them together."""
    ratio = find.length_mm / mate.length_mm
    if mate.unit is not find.unit and _departs(ratio, MATES_FACTOR) and _fits(ratio, find.unit, mate.unit):
        return MATES_FACTOR
    return ALIKE_MATES_FACTOR if _departs(ratio, ALIKE_MATES_FACTOR) and any(_fits(ratio, find.unit, unit) for unit in MM_PER_UNIT) else None


def _fits(ratio: float, stated: Unit, meant: Unit) -> bool:
    return not _departs(ratio * MM_PER_UNIT[meant] / MM_PER_UNIT[stated], MATES_FIT)


def _departs(ratio: float, factor: float) -> bool:
    return abs(math.log(ratio)) > math.log(factor)


def _finding(find: SizedFind, other: SizedFind, expectation: str, expected: float, factor: float) -> Finding:
    ratio = find.length_mm / other.length_mm
    departure = ratio / expected
    beside = "" if expected == 1.0 else f" Beside them it is {departure if departure > 1 else 1 / departure:.3g} times too {_long(departure)}."
    explained = [words for words in (_unit_words(find, departure, factor), _unit_words(other, 1 / departure, factor)) if words]
    advice = f"It would fit with {', or with '.join(explained)}" if explained else "Look at unit, element, side and animal of each row"
    message = (
        f"{find.find} ({find.words}) is {find.length_mm:.4g} mm long, {other.find} ({other.words}) {other.length_mm:.4g} mm: a ratio of {ratio:.3g}. "
        f"{expectation}{beside} {advice}. Correct the row that is wrong, or state a caliper length."
    )
    return Finding(Severity.REVIEW, SIZE_CODE, message, float(f"{departure:.4g}"), factor)


def _long(departure: float) -> str:
    return "long" if departure > 1 else "short"


def _unit_words(find: SizedFind, departure: float, factor: float) -> str:
    """`tibia-a in m and not in cm` where another unit would bring the find near to what is expected; else nothing."""
    if find.unit is Unit.NONE or find.why_sure:
        return ""
    off = {unit: abs(math.log(departure * size / MM_PER_UNIT[find.unit])) for unit, size in MM_PER_UNIT.items() if unit is not find.unit}
    best = min(off, key=lambda unit: (off[unit], unit.value))
    times = MM_PER_UNIT[best] / MM_PER_UNIT[find.unit]
    step = f"{times:.4g} times larger" if times > 1 else f"{1 / times:.4g} times smaller"
    return f"{find.find} in {best.value} and not in {find.unit.value} ({step})" if off[best] < math.log(factor) else ""


def find_words(find: Find) -> str:
    """`left tibia of DOG-A`."""
    side = f"{find.side.value} " if find.side in (Side.LEFT, Side.RIGHT) else ""
    return f"{side}{find.element} of {find.organism_id or UNASSOCIATED}"
