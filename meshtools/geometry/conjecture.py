"""Make ready what a series offers for an element without a bone: interpolated between two neighbours, or one neighbour to be scaled.

Neither is anybody's bone of that place, so the faces are of class INT or EXT and their origin is `made`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.opening_place import PlacedOpening
from meshtools.model import EvidenceClass, Finding, FloatArray, Mesh, Origin, Recipe, Severity, SourceEntry

SERIAL_CLASSES = (EvidenceClass.INT, EvidenceClass.EXT)


@dataclass(frozen=True, eq=False)
class Conjecture:
    """One surface to rebuild from, as if it were the only find of `recipe`; its openings moved with it; facts are plain values for a record."""

    recipe: Recipe
    cleaned: tuple[Cleaned, ...]
    openings: tuple[PlacedOpening, ...]
    facts: dict[str, Any]
    findings: tuple[Finding, ...]


def conjecture_from(recipe: Recipe, cleaned: Sequence[Cleaned], openings: Sequence[PlacedOpening]) -> Conjecture:
    """The surface that a recipe of class INT or EXT is rebuilt from, before the recipe's own factor.

    cleaned: the neighbours before and after, each in its own frame, or the one that is only scaled. openings: of these finds, each as its
    find was scanned; the result has those of its template. GeometryError where the recipe names another number of finds.
    """
    if len(cleaned) != (2 if recipe.fraction else 1):
        raise GeometryError(f"{recipe.element}: class {recipe.evidence} needs one neighbour to scale, or two to interpolate between")
    if not recipe.fraction:
        facts = {"method": "scaled neighbour", "template": cleaned[0].find, "other": None}
        return Conjecture(recipe, (_labelled(recipe, cleaned[0]),), tuple(openings), facts, ())
    return _interpolated(recipe, cleaned, openings)


def _interpolated(recipe: Recipe, cleaned: Sequence[Cleaned], openings: Sequence[PlacedOpening]) -> Conjecture:
    from meshtools.geometry.serial import interpolate_between

    made = interpolate_between(cleaned[0].mesh, cleaned[1].mesh, recipe.fraction)
    template, other = cleaned if made.is_from_before else cleaned[::-1]
    facts = {
        "method": "interpolated", "template": template.find, "other": other.find, "fraction": recipe.fraction,
        "size_factor": round(made.size_factor, 6), "is_bent": made.is_bent, "reason": made.reason,
        "fit_residual_percent": round(made.fit_residual_percent, 4), "deviation_rms_mm": round(made.deviation_rms_mm, 4),
        "deviation_max_mm": round(made.deviation_max_mm, 4), "sizes_mm": [round(size, 4) for size in made.sizes_mm],
    }  # fmt: skip
    named = [opening for opening in openings if opening.row.find == template.find]
    bent = _labelled(recipe, replace(template, mesh=made.mesh))
    moved = tuple(_moved(opening, template.mesh, made.mesh) for opening in named)
    return Conjecture(replace(recipe, finds=(template.find,)), (bent,), moved, facts, (_finding(recipe, facts),))


def _labelled(recipe: Recipe, part: Cleaned) -> Cleaned:
    made = SourceEntry(recipe.evidence, part.find, Origin.MADE)
    return replace(part, sources=tuple(made if entry.origin is Origin.SCANNED else entry for entry in part.sources))


def _moved(opening: PlacedOpening, before: Mesh, after: Mesh) -> PlacedOpening:
    """An opening's point, moved as the nearest corner of the surface was."""
    point: FloatArray = np.array(opening.point_mm)
    nearest = int(np.argmin(np.sum((before.vertices - point) ** 2, axis=1)))
    return opening.at(point + after.vertices[nearest] - before.vertices[nearest])


def _finding(recipe: Recipe, facts: dict[str, Any]) -> Finding:
    if not facts["is_bent"]:
        message = (
            f"{recipe.element}: its shape could not be interpolated towards {facts['other']} ({facts['reason']}); it is {facts['template']}, "
            f"scaled by {facts['size_factor']:.4f}. Look whether the two are neighbours, or choose another class."
        )
        return Finding(Severity.REVIEW, "neighbours-unlike", message, round(facts["fit_residual_percent"], 4), None, "%")
    message = (
        f"{recipe.element}: {facts['template']} was bent towards {facts['other']} and scaled by {facts['size_factor']:.4f}; it differs from that "
        f"neighbour only scaled by {facts['deviation_rms_mm']:.2f} mm rms, {facts['deviation_max_mm']:.2f} mm at most. Both are conjecture."
    )
    return Finding(Severity.NOTE, "interpolated", message, facts["deviation_rms_mm"], None, "mm")
