"""From the clean surfaces of a recipe's finds to one labelled surface: scans and pieces put together, missing parts taken over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.completing import Completion, Rows, complete_from_other_half, complete_from_partner
from meshtools.geometry.composing import Composition, Part, compose
from meshtools.geometry.opening_place import PlacedOpening, PlacedScan
from meshtools.geometry.transform import move_points, scale
from meshtools.model import EvidenceClass, FloatArray, Mesh, Origin, Recipe, SourceEntry
from meshtools.settings import RestoreSettings


class SourceTable:
    """The source table of a replica while it grows."""

    def __init__(self) -> None:
        self.entries: list[SourceEntry] = []

    def row_of(self, entry: SourceEntry) -> int:
        """The number of an entry, which is added where it is new."""
        if entry not in self.entries:
            self.entries.append(entry)
        return self.entries.index(entry)

    def fill_rows(self) -> list[int]:
        """Numbers of all entries that are nobody's bone."""
        return [row for row, entry in enumerate(self.entries) if entry.evidence in (EvidenceClass.FILL, EvidenceClass.MADE)]


@dataclass(frozen=True, eq=False)
class BoneSurface:
    """One labelled surface in the frame of the first find's scan, with the openings of all its finds in that frame, and the scans it is laid
    out by; that of a partner is none of them."""

    mesh: Mesh
    scans: tuple[PlacedScan, ...]
    openings: tuple[PlacedOpening, ...]
    composition: Composition | None
    completion: Completion | None

    @property
    def is_placed(self) -> bool:
        """Whether it is known how the finds lie on each other."""
        return self.composition is None or self.composition.is_placed


def gather_bone(
    recipe: Recipe, cleaned: Sequence[Cleaned], openings: Sequence[PlacedOpening], table: SourceTable, settings: RestoreSettings
) -> BoneSurface:
    """Put the finds of a recipe together and complete the bone where the recipe says so. openings: each as its find was scanned."""
    kept = [item for item in cleaned if item.find != recipe.partner]
    evidence = EvidenceClass.OWN if recipe.evidence is EvidenceClass.OWN_C else recipe.evidence
    parts = [Part(item.find, relabel(item, evidence, table), item.pose) for item in kept]
    composition = _composed(recipe, parts, table, settings) if len(parts) > 1 else None
    mesh = composition.mesh if composition else parts[0].mesh
    scans = tuple(map(PlacedScan, kept, composition.poses if composition else (np.eye(4),)))
    frames = {scan.cleaned.find: scan.pose for scan in scans}
    moved = tuple(_moved(opening, frames[opening.row.find]) for opening in openings if opening.row.find in frames)
    completion = None
    if recipe.evidence is EvidenceClass.OWN_C or recipe.partner:
        completion = _completed(recipe, mesh, cleaned[-1], table, settings)
        mesh = completion.mesh
    return BoneSurface(mesh, scans, moved, composition, completion)


def relabel(cleaned: Cleaned, evidence: EvidenceClass, table: SourceTable) -> Mesh:
    """Give scanned faces a class and move all source numbers to the replica's table."""
    mesh, sources = cleaned.mesh, cleaned.sources
    if int(mesh.source.max()) >= len(sources):
        raise GeometryError(f"a face names source {mesh.source.max()} of a table of {len(sources)}; clean the find again")
    rows = [
        table.row_of(SourceEntry(evidence, entry.find, entry.origin) if entry.origin is Origin.SCANNED else entry) for entry in sources
    ]
    return mesh.replaced(source=np.array(rows, dtype=np.uint16)[mesh.source])


def _composed(recipe: Recipe, parts: Sequence[Part], table: SourceTable, settings: RestoreSettings) -> Composition:
    seam = table.row_of(SourceEntry(EvidenceClass.FILL, parts[0].find, Origin.SEAM))
    return compose(recipe.element, parts, seam, table.fill_rows(), settings)


def _completed(recipe: Recipe, mesh: Mesh, last: Cleaned, table: SourceTable, settings: RestoreSettings) -> Completion:
    """Complete a bone from its other half, or from the partner, which is the last find of the recipe."""
    seam = table.row_of(SourceEntry(EvidenceClass.FILL, recipe.finds[0], Origin.SEAM))
    if not recipe.partner:
        taken = [table.row_of(_reflected(entry)) for entry in tuple(table.entries)]
        rows = Rows(tuple(taken), seam, tuple(table.fill_rows()))
        return complete_from_other_half(recipe.element, mesh, recipe.plane, rows, settings, is_midline=True)  # plan_restore: median elements only
    partner = scale(relabel(last, recipe.partner_class, table), recipe.partner_factor)
    rows = Rows(tuple(range(len(table.entries))), seam, tuple(table.fill_rows()))
    return complete_from_partner(recipe.element, mesh, partner, recipe.partner_reflect, rows, settings)


def _reflected(entry: SourceEntry) -> SourceEntry:
    """What an own face becomes on the other half: scanned skin is of class OWN-C there, a fill stays a fill."""
    return SourceEntry(EvidenceClass.OWN_C, entry.find, entry.origin) if entry.evidence is EvidenceClass.OWN else entry


def _moved(opening: PlacedOpening, pose: FloatArray) -> PlacedOpening:
    return opening.at(move_points(np.array([opening.point_mm]), pose)[0])
