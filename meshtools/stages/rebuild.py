"""Rebuild one element: relabel, close, reflect, scale and unite its clean surfaces into one replica, and say what it is made of."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.bone_sources import SourceTable, gather_bone
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.conjecture import SERIAL_CLASSES, conjecture_from
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.opening_place import PlacedOpening, as_scanned
from meshtools.geometry.passages import KeptRim, Passages, cut_passages, passage_tools
from meshtools.geometry.pinning import join_bodies
from meshtools.geometry.rebuild_findings import Rebuilt, evidence_findings, shape_findings
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.solid import centre_of_mass_mm, close_openings, count_touching_edges, face_areas_mm2
from meshtools.geometry.threads import at_once
from meshtools.geometry.transform import apply_matrix, chain, reflection_matrix, scaling_matrix
from meshtools.geometry.unite import unite_pieces
from meshtools.model import EvidenceClass, FloatArray, Mesh, Opening, Origin, Recipe, SourceEntry, StageResult
from meshtools.settings import RebuildSettings, RestoreSettings

FROM_BONE = (EvidenceClass.OWN, EvidenceClass.OWN_R, EvidenceClass.OWN_C, EvidenceClass.DON, EvidenceClass.DON_R)


def rebuild_element(
    recipe: Recipe, cleaned: Sequence[Cleaned], settings: RebuildSettings, openings: tuple[Opening, ...], restore: RestoreSettings | None = None
) -> StageResult:
    """Make the replica of one element from its clean surfaces, as the recipe says.

    cleaned: of each find of the recipe. openings: rows that name openings of these finds, in mm of their clean surfaces. The replica stays in
    scan coordinates, reflected across x = 0 and scaled about the origin.
    Facts: `deliverable` False means that no STL, 3MF or GLB may be made. GeometryError when there is no surface to rebuild from.
    """
    empty = [part.find for part in cleaned if not len(part.mesh.faces)]
    if empty or not cleaned:
        names = ", ".join(empty) or "none was handed over"
        raise GeometryError(f"{recipe.element}: there is no clean surface to rebuild from ({names}); scan again or choose another find")
    placed = tuple(map(as_scanned, openings))
    finds, conjecture = recipe.finds, conjecture_from(recipe, cleaned, placed) if recipe.evidence in SERIAL_CLASSES else None
    if conjecture:
        recipe, cleaned, placed = conjecture.recipe, conjecture.cleaned, conjecture.openings
    built = _rebuilt(recipe, cleaned, settings, placed, restore or RestoreSettings())
    shares = _evidence_shares(built)
    findings = (*shape_findings(built, settings), *evidence_findings(built, settings, shares))
    facts = _facts(built, shares) | {"finds": list(finds), "conjecture": conjecture.facts if conjecture else None}
    return StageResult(built.mesh, built.sources, facts, (*findings, *conjecture.findings) if conjecture else findings)


def _rebuilt(
    recipe: Recipe, cleaned: Sequence[Cleaned], settings: RebuildSettings, openings: tuple[PlacedOpening, ...], restore: RestoreSettings
) -> Rebuilt:
    matrix = chain(*([reflection_matrix()] if recipe.reflect else []), scaling_matrix(recipe.factor))
    table = SourceTable()
    bone = gather_bone(recipe, cleaned, openings, table, restore)
    # in the frame of the first find's scan; the limit holds at the replica's size
    fill = SourceEntry(EvidenceClass.FILL, recipe.finds[0], Origin.FILLED)
    closing = close_openings(bone.mesh, settings.close_rims_up_to_mm / recipe.factor, bone.openings, table.row_of(fill))
    united = unite_pieces(apply_matrix(closing.mesh, matrix))
    passages = _cut(united.mesh, closing.passages, table, matrix)
    rows = [opening.row for opening in bone.openings]
    missed = tuple(row for row in rows if row.is_cut and row not in [rim.opening for rim in closing.passages])
    mesh, joining, n_bodies = passages.mesh, None, united.n_bodies
    if settings.pin_diameter_mm > 0.0 and united.n_bodies > 1 and bone.is_placed:
        joining = join_bodies(mesh, settings.pin_diameter_mm, table.row_of(SourceEntry(EvidenceClass.MADE, "", Origin.MADE)))
        mesh, n_bodies = joining.union.mesh, joining.union.n_bodies
    looks: list[Callable[[Mesh], Any]] = [count_self_intersections, audit_topology, count_touching_edges]
    crossings, audit, n_touching = at_once([partial(look, mesh) for look in looks])
    sources = tuple(table.entries)
    return Rebuilt(recipe, matrix, mesh, sources, bone, closing, united, passages, missed, joining, n_bodies, audit, n_touching, crossings)


def _cut(mesh: Mesh, kept: Sequence[KeptRim], table: SourceTable, matrix: FloatArray) -> Passages:
    """Cut the pits and tunnels of kept rims, which stand in the frame of the scan, into the replica; an open surface is left as it is."""
    if not kept or not audit_topology(mesh).is_closed:
        return Passages(mesh, 0, 0, is_as_planned=not kept)
    row = table.row_of(SourceEntry(EvidenceClass.MADE, "", Origin.MADE))
    pits, tunnels = ([apply_matrix(tool, matrix) for tool in tools] for tools in passage_tools(kept, row, mesh.colour is not None))
    passages = cut_passages(mesh, pits, tunnels)
    n_wanted = sum(bool(rim.opening.depth_mm) for rim in kept), len({rim.opening.passage for rim in kept if rim.opening.passage})
    return replace(passages, is_as_planned=passages.is_as_planned and n_wanted == (len(pits), len(tunnels)))


def _evidence_shares(built: Rebuilt) -> dict[str, float]:
    """Share of the area for each evidence class that occurs, in the order of the classes."""
    areas = face_areas_mm2(built.mesh)
    by_source = np.bincount(built.mesh.source, weights=areas, minlength=len(built.sources))
    total = float(np.sum(areas))
    if total == 0.0:
        raise GeometryError("the replica has no area; clean the find again")
    sums: dict[EvidenceClass, float] = {}
    for entry, area in zip(built.sources, by_source, strict=True):
        sums[entry.evidence] = sums.get(entry.evidence, 0.0) + float(area)
    return {evidence.value: sums[evidence] / total for evidence in EvidenceClass if sums.get(evidence, 0.0) > 0.0}


def _facts(built: Rebuilt, shares: dict[str, float]) -> dict[str, Any]:
    audit, recipe = built.audit, built.recipe
    volume_mm3 = float(audit.volume_mm3) if audit.is_closed else None
    from_bone = sum(shares.get(evidence.value, 0.0) for evidence in FROM_BONE)
    return {
        "target": recipe.target,
        "element": recipe.element,
        "class": recipe.evidence.value,
        "finds": list(recipe.finds),
        "factor": recipe.factor,
        "reflected": recipe.reflect,
        "replica_from_scan": built.replica_from_scan.tolist(),
        "determinant_sign": "negative" if recipe.reflect else "positive",
        "deliverable": built.is_deliverable,
        "is_closed": bool(audit.is_closed),
        "n_faces": len(built.mesh.faces),
        "n_vertices": len(built.mesh.vertices),
        "n_pieces_before": built.united.n_before,
        "n_pieces_after": int(audit.n_pieces),
        "n_bodies": built.n_bodies,
        "n_pins": built.n_pins,
        "n_self_intersections": built.crossings.n_pairs,
        "extents_mm": np.ptp(built.mesh.vertices, axis=0).tolist(),
        "greatest_length_mm": greatest_length(built.mesh.vertices),
        "area_mm2": float(audit.area_mm2),
        "volume_mm3": volume_mm3,
        "centre_of_mass_mm": list(centre_of_mass_mm(built.mesh)) if volume_mm3 else None,
        "evidence_share": shares,
        "filled_area_percent": 100.0 * shares.get(EvidenceClass.FILL.value, 0.0),
        "volume_from_bone_percent": 100.0 * from_bone,
        "volume_from_bone_mm3": None if volume_mm3 is None else from_bone * volume_mm3,
        "volume_from_bone_basis": "area share x volume",
        "n_rims_closed": built.closing.n_closed,
        "n_rims_closed_by_name": built.closing.n_closed_by_name,
        "widest_closed_rim_mm": built.widest_closed_mm,
        "restoration": built.bone.completion.facts if built.bone.completion else None,
        "composition": built.bone.composition.facts if built.bone.composition else None,
        "n_pits_cut": built.passages.n_pits,
        "n_tunnels_cut": built.passages.n_tunnels,
        "n_open_rims": len(built.closing.left_open),
    }
