"""How complete a planned skeleton is. Every share names its basis: by count of elements, with sides pooled, or by positions of a series."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from meshtools.model import Element, EvidenceClass, Recipe, Side, Target

OWN_CLASSES = (EvidenceClass.OWN, EvidenceClass.OWN_R, EvidenceClass.OWN_C)


def measure_completeness(target: Target, elements: Sequence[Element], recipes: Iterable[Recipe]) -> dict[str, Mapping[str, Any]]:
    """Completeness of one target by count, with sides pooled, and the missing positions of each series.

    `n_own_bone` counts elements made from this very bone (OWN), `n_own_animal` also its reflected or partly rebuilt counterparts,
    `n_filled` everything that has a source. Shares are percent, to one decimal. Recipes of other targets are ignored.
    """
    evidence = {recipe.element: recipe.evidence for recipe in recipes if recipe.target == target.name}
    by_element = [(element.slug, evidence[element.slug]) for element in elements]
    by_name = [(element.name, evidence[element.slug]) for element in elements]
    present = [element for element in elements if evidence[element.slug] is EvidenceClass.OWN]
    return {
        "by_count": _shares("by count of elements, left and right counted apart", by_element),
        "sides_pooled": _shares("by count of elements, left and right counted once", by_name),
        "series": series_gaps(elements, present),
        "classes": {code.value: n for code in EvidenceClass if (n := sum(item is code for item in evidence.values()))},
    }


def percent(n: int, n_all: int) -> float:
    """Share in percent to one decimal; 0 of nothing is 0."""
    return round(100.0 * n / n_all, 1) if n_all else 0.0


def missing_positions(expected: Iterable[int], present: Iterable[int]) -> tuple[int, ...]:
    """The positions of a series that no find fills, ascending."""
    return tuple(sorted(set(expected) - set(present)))


def as_ranges(positions: Iterable[int]) -> str:
    """`4, 6, 8-13` for 4, 6, 8, 9, 10, 11, 12, 13. A run of two is written as a range too."""
    runs: list[list[int]] = []
    for position in sorted(set(positions)):
        if runs and position == runs[-1][1] + 1:
            runs[-1][1] = position
        else:
            runs.append([position, position])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


def series_gaps(elements: Iterable[Element], present: Iterable[Element]) -> dict[str, dict[str, Any]]:
    """For each series (and side, where paired): how many positions have an own bone, and which have none."""
    expected: dict[str, set[int]] = {}
    found: dict[str, set[int]] = {}
    for places, group in ((expected, elements), (found, present)):
        for element in group:
            if element.series and element.position is not None:
                name = element.series if element.side is Side.MEDIAN else f"{element.series} {element.side.value}"
                places.setdefault(name, set()).add(element.position)
    return {
        name: {
            "basis": "by positions of the series with an own bone",
            "n_positions": len(positions),
            "n_present": len(positions & found.get(name, set())),
            "missing": as_ranges(missing_positions(positions, found.get(name, set()))),
        }
        for name, positions in sorted(expected.items())
    }


def _shares(basis: str, places: Iterable[tuple[str, EvidenceClass]]) -> dict[str, Any]:
    """Counts and shares of places; a place that is listed twice counts once, with whatever either listing has."""
    classes: dict[str, set[EvidenceClass]] = {}
    for name, evidence in places:
        classes.setdefault(name, set()).add(evidence)
    n_elements = len(classes)
    n_own_bone = sum(EvidenceClass.OWN in found for found in classes.values())
    n_own_animal = sum(not found.isdisjoint(OWN_CLASSES) for found in classes.values())
    n_filled = sum(bool(found - {EvidenceClass.NONE}) for found in classes.values())
    return {
        "basis": basis,
        "n_elements": n_elements,
        "n_own_bone": n_own_bone,
        "own_bone_percent": percent(n_own_bone, n_elements),
        "n_own_animal": n_own_animal,
        "own_animal_percent": percent(n_own_animal, n_elements),
        "n_filled": n_filled,
        "filled_percent": percent(n_filled, n_elements),
    }
