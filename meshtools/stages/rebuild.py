"""Rebuild one element: relabel, close, reflect, scale and unite its clean surfaces into one replica, and say what it is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.counted import counted
from meshtools.errors import GeometryError
from meshtools.geometry.audit import TopologyAudit, audit_topology
from meshtools.geometry.bone_sources import BoneSurface, Cleaned, SourceTable, gather_bone
from meshtools.geometry.closing import FILL_REMEDY
from meshtools.geometry.completing import still_missing
from meshtools.geometry.conjecture import SERIAL_CLASSES, conjecture_from
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.opening_place import PlacedScan, place_in_scan
from meshtools.geometry.passages import KeptRim, Passages, cut_passages, passage_tools
from meshtools.geometry.pinning import LEAST_HOLD, Joining, join_bodies
from meshtools.geometry.self_intersection import SelfIntersections, count_self_intersections
from meshtools.geometry.solid import Closing, OpenRim, centre_of_mass_mm, close_openings, count_touching_edges, face_areas_mm2
from meshtools.geometry.transform import apply_matrix, chain, reflection_matrix, scaling_matrix
from meshtools.geometry.unite import Union, unite_pieces
from meshtools.model import (
    EvidenceClass,
    Finding,
    FloatArray,
    Mesh,
    Opening,
    Origin,
    Recipe,
    Severity,
    SourceEntry,
    StageResult,
)
from meshtools.settings import RebuildSettings, RestoreSettings

FROM_BONE = (EvidenceClass.OWN, EvidenceClass.OWN_R, EvidenceClass.OWN_C, EvidenceClass.DON, EvidenceClass.DON_R)


@dataclass(frozen=True, eq=False)
class _Solid:
    """What the geometric steps left behind, before it is described."""

    mesh: Mesh
    sources: tuple[SourceEntry, ...]
    bone: BoneSurface
    closing: Closing
    united: Union
    passages: Passages
    missed_openings: tuple[Opening, ...]
    joining: Joining | None
    n_bodies: int
    audit: TopologyAudit
    n_touching_edges: int
    crossings: SelfIntersections

    @property
    def n_pins(self) -> int:
        """How many pins join loose bodies."""
        return self.joining.n_pins if self.joining else 0

    @property
    def is_deliverable(self) -> bool:
        """Closed, outward, nowhere touching itself along an edge, and no rim waits for a decision."""
        return not self.closing.left_open and self.audit.is_closed and self.audit.is_outward and not self.n_touching_edges


def rebuild_element(
    recipe: Recipe, cleaned: Sequence[Cleaned], settings: RebuildSettings, openings: tuple[Opening, ...],
    restore: RestoreSettings | None = None, poses: Mapping[str, FloatArray] | None = None, mm_per_unit: Mapping[str, float] | None = None,
) -> StageResult:  # fmt: skip
    """Make the replica of one element from its clean surfaces, as the recipe says.

    cleaned: (find, mesh in mm of clean.ply, source table) for each find of the recipe. openings: rows that name openings of these
    finds, in mm of clean.ply. mm_per_unit: of each find's scan (1 where not given), to tell places in its units. The replica stays in scan
    coordinates, reflected across x = 0 and scaled about the origin.
    Facts: `deliverable` False means that no STL, 3MF or GLB may be made. GeometryError when there is no surface to rebuild from.
    """
    if not cleaned or any(len(mesh.faces) == 0 for _, mesh, _ in cleaned):
        names = ", ".join(find for find, mesh, _ in cleaned if len(mesh.faces) == 0) or "none was handed over"
        raise GeometryError(f"{recipe.element}: there is no clean surface to rebuild from ({names}); scan again or choose another find")
    finds, conjecture = recipe.finds, conjecture_from(recipe, cleaned, openings) if recipe.evidence in SERIAL_CLASSES else None
    if conjecture:
        recipe, cleaned, openings = conjecture.recipe, conjecture.cleaned, conjecture.openings
    matrix = chain(*([reflection_matrix()] if recipe.reflect else []), scaling_matrix(recipe.factor))
    solid = _make_solid(recipe, cleaned, settings, openings, matrix, restore or RestoreSettings(), poses or {})
    shares = _evidence_shares(solid)
    scans = _placed_scans(solid, cleaned, mm_per_unit or {})
    findings = (*_shape_findings(recipe, solid, settings, scans), *_evidence_findings(recipe, solid, settings, shares))
    facts = _facts(recipe, solid, matrix, shares) | {"finds": list(finds), "conjecture": conjecture.facts if conjecture else None}
    return StageResult(solid.mesh, solid.sources, facts, (*findings, *conjecture.findings) if conjecture else findings)


def _make_solid(
    recipe: Recipe, cleaned: Sequence[Cleaned], settings: RebuildSettings, openings: tuple[Opening, ...], matrix: FloatArray,
    restore: RestoreSettings, poses: Mapping[str, FloatArray],
) -> _Solid:  # fmt: skip
    table = SourceTable()
    bone = gather_bone(recipe, cleaned, openings, poses, table, restore)
    # in the frame of the first find's scan; the limit holds at the replica's size
    fill = SourceEntry(EvidenceClass.FILL, recipe.finds[0], Origin.FILLED)
    closing = close_openings(bone.mesh, settings.close_rims_up_to_mm / recipe.factor, bone.openings, table.row_of(fill))
    united = unite_pieces(apply_matrix(closing.mesh, matrix))
    mesh, joining, n_bodies = united.mesh, None, united.n_bodies
    passages = _cut(mesh, closing.passages, table, matrix)
    missed = tuple(opening for opening in bone.openings if opening.is_cut and opening not in [rim.opening for rim in closing.passages])
    mesh = passages.mesh
    if settings.pin_diameter_mm > 0.0 and united.n_bodies > 1:
        joining = join_bodies(mesh, settings.pin_diameter_mm, table.row_of(SourceEntry(EvidenceClass.MADE, "", Origin.MADE)))
        mesh, n_bodies = joining.union.mesh, joining.union.n_bodies
    checks = audit_topology(mesh), count_touching_edges(mesh), count_self_intersections(mesh)
    return _Solid(mesh, tuple(table.entries), bone, closing, united, passages, missed, joining, n_bodies, *checks)


def _placed_scans(solid: _Solid, cleaned: Sequence[Cleaned], mm_per_unit: Mapping[str, float]) -> tuple[PlacedScan, ...]:
    """The scans in which a place of the bone can be named: those that its frame is laid out by."""
    poses = solid.bone.composition.poses if solid.bone.composition else (np.eye(4),)
    return tuple(PlacedScan(find, mesh.vertices, pose, mm_per_unit.get(find, 1.0)) for (find, mesh, _), pose in zip(cleaned, poses, strict=False))


def _cut(mesh: Mesh, kept: Sequence[KeptRim], table: SourceTable, matrix: FloatArray) -> Passages:
    """Cut the pits and tunnels of kept rims, which stand in the frame of the scan, into the replica; an open surface is left as it is."""
    if not kept or not audit_topology(mesh).is_closed:
        return Passages(mesh, 0, 0, is_as_planned=not kept)
    row = table.row_of(SourceEntry(EvidenceClass.MADE, "", Origin.MADE))
    pits, tunnels = ([apply_matrix(tool, matrix) for tool in tools] for tools in passage_tools(kept, row, mesh.colour is not None))
    passages = cut_passages(mesh, pits, tunnels)
    n_wanted = sum(bool(rim.opening.depth_mm) for rim in kept), len({rim.opening.passage for rim in kept if rim.opening.passage})
    return replace(passages, is_as_planned=passages.is_as_planned and n_wanted == (len(pits), len(tunnels)))


def _evidence_shares(solid: _Solid) -> dict[str, float]:
    """Share of the area for each evidence class that occurs, in the order of the classes."""
    areas = face_areas_mm2(solid.mesh)
    by_source = np.bincount(solid.mesh.source, weights=areas, minlength=len(solid.sources))
    total = float(np.sum(areas))
    if total == 0.0:
        raise GeometryError("the replica has no area; clean the find again")
    sums: dict[EvidenceClass, float] = {}
    for entry, area in zip(solid.sources, by_source, strict=True):
        sums[entry.evidence] = sums.get(entry.evidence, 0.0) + float(area)
    return {evidence.value: sums[evidence] / total for evidence in EvidenceClass if sums.get(evidence, 0.0) > 0.0}


def _facts(recipe: Recipe, solid: _Solid, matrix: FloatArray, shares: dict[str, float]) -> dict[str, Any]:
    audit = solid.audit
    volume_mm3 = float(audit.volume_mm3) if audit.is_closed else None
    from_bone = sum(shares.get(evidence.value, 0.0) for evidence in FROM_BONE)
    return {
        "target": recipe.target,
        "element": recipe.element,
        "class": recipe.evidence.value,
        "finds": list(recipe.finds),
        "factor": recipe.factor,
        "reflected": recipe.reflect,
        "replica_from_scan": matrix.tolist(),
        "determinant_sign": "negative" if recipe.reflect else "positive",
        "deliverable": solid.is_deliverable,
        "is_closed": bool(audit.is_closed),
        "n_faces": len(solid.mesh.faces),
        "n_vertices": len(solid.mesh.vertices),
        "n_pieces_before": solid.united.n_before,
        "n_pieces_after": int(audit.n_pieces),
        "n_bodies": solid.n_bodies,
        "n_pins": solid.n_pins,
        "n_self_intersections": solid.crossings.n_pairs,
        "extents_mm": np.ptp(solid.mesh.vertices, axis=0).tolist(),
        "greatest_length_mm": greatest_length(solid.mesh.vertices),
        "area_mm2": float(audit.area_mm2),
        "volume_mm3": volume_mm3,
        "centre_of_mass_mm": list(centre_of_mass_mm(solid.mesh)) if volume_mm3 else None,
        "evidence_share": shares,
        "filled_area_percent": 100.0 * shares.get(EvidenceClass.FILL.value, 0.0),
        "volume_from_bone_percent": 100.0 * from_bone,
        "volume_from_bone_mm3": None if volume_mm3 is None else from_bone * volume_mm3,
        "volume_from_bone_basis": "area share x volume",
        "n_rims_closed": solid.closing.n_closed,
        "n_rims_closed_by_name": solid.closing.n_closed_by_name,
        "widest_closed_rim_mm": _widest_closed_mm(recipe, solid),
        "restoration": solid.bone.completion.facts if solid.bone.completion else None,
        "composition": solid.bone.composition.facts if solid.bone.composition else None,
        "n_pits_cut": solid.passages.n_pits,
        "n_tunnels_cut": solid.passages.n_tunnels,
        "n_open_rims": len(solid.closing.left_open),
    }


def _widest_closed_mm(recipe: Recipe, solid: _Solid) -> float:
    return recipe.factor * solid.closing.widest_closed_mm


def _shape_findings(recipe: Recipe, solid: _Solid, settings: RebuildSettings, scans: Sequence[PlacedScan]) -> list[Finding]:
    """What keeps the replica from being one closed, outward solid."""
    findings = [_open_rim_finding(recipe, rim, scans, settings) for rim in solid.closing.left_open]
    audit, united = solid.audit, solid.united
    if not audit.is_closed and not findings:
        message = (
            f"{recipe.element}: the replica does not close: {audit.n_open_edges} open and {audit.n_nonmanifold_edges} shared by more than "
            "two faces; nothing is delivered. Clean the find again or scan it again."
        )
        findings.append(Finding(Severity.REVIEW, "not-closed", message, int(audit.n_open_edges + audit.n_nonmanifold_edges), 0, "edges"))
    if audit.is_closed and not audit.is_outward:
        findings.append(Finding(Severity.FAILED, "inside-out", f"{recipe.element}: the surface faces inwards; clean the find again."))
    if audit.is_closed and solid.n_touching_edges:
        message = (
            f"{recipe.element}: bodies touch along {counted(solid.n_touching_edges, 'edge')} without overlapping, which no printer or mill can make; "
            "nothing is delivered. Leave one of them out, or scan again."
        )
        findings.append(Finding(Severity.REVIEW, "bodies-touch", message, solid.n_touching_edges, 0, "edges"))
    if united.n_left_alone and audit.is_closed:
        message = f"{recipe.element}: {united.n_left_alone} of {united.n_before} pieces could not be united and stay as they are."
        findings.append(Finding(Severity.REVIEW, "pieces-not-united", message, united.n_left_alone, 0, "pieces"))
    if united.n_turned:
        message = f"{recipe.element}: {counted(united.n_turned, 'piece')} that faced inwards and lay within no other, now turned outward."
        findings.append(Finding(Severity.NOTE, "pieces-turned", message, united.n_turned, 0, "pieces"))
    if united.n_glued:
        message = f"{recipe.element}: {counted(united.n_glued, 'piece')} of several bodies with edges in common (one stored twice?), now united."
        findings.append(Finding(Severity.NOTE, "bodies-glued", message, united.n_glued, 0, "pieces"))
    findings += _crossing_findings(recipe, solid)
    return [*findings, *_passage_findings(recipe, solid, scans), *_body_findings(recipe, solid, settings)]


def _crossing_findings(recipe: Recipe, solid: _Solid) -> list[Finding]:
    crossings = solid.crossings
    if not crossings.n_pairs:
        return []
    is_filled = any(solid.sources[row].evidence is EvidenceClass.FILL for row in np.unique(solid.mesh.source[crossings.faces]))
    advice = "a closed hole crosses the skin beside it: scan the hole's surroundings again" if is_filled else "mend the scan or scan again"
    places = ", ".join(f"({x:.1f}, {y:.1f}, {z:.1f})" for x, y, z in crossings.places_mm)
    more = crossings.n_places - len(crossings.places_mm)
    message = (
        f"{recipe.element}: the surface passes through itself at {counted(crossings.n_places, 'place')}, near {places} mm of replica.ply"
        f"{f' and {more} more' if more else ''}. A printer or mill may fill or hollow it wrongly there. "
        f"Look at the replica: {advice}, or sign it off as it is."
    )
    return [Finding(Severity.REVIEW, "self-intersection", message, crossings.n_pairs, 0, "pairs of faces")]


def _open_rim_finding(recipe: Recipe, rim: OpenRim, scans: Sequence[PlacedScan], settings: RebuildSettings) -> Finding:
    span_mm, place = rim.span_mm * recipe.factor, place_in_scan(rim.centre_mm, scans)
    if rim.is_kept:
        message = (
            f"{recipe.element}: openings.csv keeps the {span_mm:.1f} mm rim of {place.words} open, and an open surface is no solid. Nothing is "
            f"delivered until the row (x,y,z {place.scan_cells} in scan units) says how deep it is (depth_mm), where it leads (passage) or close."
        )
        return Finding(Severity.REVIEW, "open-rim-kept", message, round(span_mm, 3), None, "mm")
    # an interpolated surface is bent, so that no place of it is one of the scan
    row = "`bonewright intake` lists its place" if recipe.fraction else f"row: {place.row('break', rim.span_mm, 'close')}"
    message = (
        f"{recipe.element}: the open rim of {place.words} spans {span_mm:.1f} mm, more than {settings.close_rims_up_to_mm:g} mm, and nobody "
        f"named it. Nothing is delivered until openings.csv says close ({row}), or the bone is scanned again."
    )
    return Finding(Severity.REVIEW, "open-rim", message, round(span_mm, 3), settings.close_rims_up_to_mm, "mm")


def _passage_findings(recipe: Recipe, solid: _Solid, scans: Sequence[PlacedScan]) -> list[Finding]:
    passages = solid.passages
    n_cut = passages.n_pits + passages.n_tunnels
    widths = ", ".join(f"{width:.1f}" for width in (rim.width_mm for rim in solid.closing.passages))
    findings = []
    if n_cut:
        message = (
            f"{recipe.element}: {counted(passages.n_pits, 'blind pit')} and {counted(passages.n_tunnels, 'tunnel')} were cut where openings.csv "
            f"keeps a hole that the scan does not see into ({widths} mm wide before scaling); the walls are straight, round and nobody's bone."
        )
        findings.append(Finding(Severity.NOTE, "passages-made", message, n_cut, None, "holes"))
    for opening in solid.missed_openings:
        place = place_in_scan((opening.x, opening.y, opening.z), [scan for scan in scans if scan.find == opening.find] or scans)
        message = (
            f"{recipe.element}: openings.csv keeps a {opening.kind} of {place.words} (x,y,z {place.scan_cells} in scan units), but the surface has "
            "no rim of its own there, so nothing was cut for it. Correct its place, or leave out depth and passage where the scan sees into the hole."
        )
        findings.append(Finding(Severity.REVIEW, "passage-not-cut", message))
    if not passages.is_as_planned:
        message = (
            f"{recipe.element}: a pit or tunnel of openings.csv does not lie in the bone as planned: it breaks out at another place or meets "
            "another one, or other rims are still open. Look at the replica and correct place, width or depth."
        )
        findings.append(Finding(Severity.REVIEW, "passage-breaks-out", message))
    return findings


def _body_findings(recipe: Recipe, solid: _Solid, settings: RebuildSettings) -> list[Finding]:
    findings = []
    if solid.joining and solid.n_pins:
        pins, hold = counted(solid.n_pins, "made pin"), 100.0 * min(solid.joining.holds)
        share = "all" if hold >= 99.5 else f"at least {hold:.0f} %"
        message = (
            f"{recipe.element}: its loose bodies are joined by {pins} of {settings.pin_diameter_mm:g} mm; {share} of what reaches into a "
            "body lies in bone."
        )
        findings.append(Finding(Severity.NOTE, "pins-made", message, solid.n_pins, None, "pins"))
    if solid.joining and solid.joining.refused:
        findings.append(_refused_pin_finding(recipe, solid.joining, settings))
    elif solid.n_bodies > 1:
        severity, code = (Severity.REVIEW, "bodies-not-joined") if solid.n_pins else (Severity.REVIEW, "loose-bodies")
        choice = "where one is not of this bone, name its own pieces in bones.csv; where all are, set pin_diameter_mm to join them"
        advice = "the pins did not reach" if solid.n_pins else choice
        findings.append(Finding(severity, code, f"{recipe.element}: {solid.n_bodies} bodies hang loose; {advice}.", solid.n_bodies, 1, "bodies"))
    n_hollow = solid.audit.n_pieces - solid.n_bodies
    if solid.audit.is_closed and n_hollow > 0:
        message = f"{recipe.element}: {n_hollow} closed cavities inside, {solid.united.n_cavities} of them scanned; the rest lie between bodies."
        findings.append(Finding(Severity.NOTE, "closed-cavities", message, n_hollow, None, "cavities"))
    return findings


def _refused_pin_finding(recipe: Recipe, joining: Joining, settings: RebuildSettings) -> Finding:
    hold, least = (round(100.0 * share, 1) for share in (min(joining.refused), LEAST_HOLD))
    bodies = counted(len(joining.refused), "loose body", "loose bodies")
    message = (
        f"{recipe.element}: {bodies} could not be pinned: along the best line only {hold:.0f} % of a pin of {settings.pin_diameter_mm:g} mm "
        f"would lie in bone, and the rest would run along its outside. Set a smaller pin_diameter_mm, write into poses.csv how the pieces lie, or "
        "set pin_diameter_mm to 0 and join them at the bench."
    )
    return Finding(Severity.REVIEW, "pin-outside", message, hold, least, "%")


def _evidence_findings(recipe: Recipe, solid: _Solid, settings: RebuildSettings, shares: dict[str, float]) -> list[Finding]:
    """How far the replica can be taken for the bone."""
    findings = []
    filled_percent = 100.0 * shares.get(EvidenceClass.FILL.value, 0.0)
    if filled_percent > settings.filled_area_review_percent:
        limit = f"more than {settings.filled_area_review_percent:g} %"
        message = f"{recipe.element}: {filled_percent:.1f} % of the area is filled, {limit}. {FILL_REMEDY}"
        findings.append(Finding(Severity.REVIEW, "filled-area", message, round(filled_percent, 4), settings.filled_area_review_percent, "%"))
    length_mm = float(np.max(np.ptp(solid.mesh.vertices, axis=0)))
    span_percent = 100.0 * _widest_closed_mm(recipe, solid) / length_mm
    if span_percent > settings.fill_span_review_percent:
        limit = f"more than {settings.fill_span_review_percent:g} %"
        message = f"{recipe.element}: one fill spans {span_percent:.1f} % of the length, {limit}. {FILL_REMEDY}"
        findings.append(Finding(Severity.REVIEW, "fill-span", message, round(span_percent, 4), settings.fill_span_review_percent, "%"))
    findings += solid.bone.composition.findings if solid.bone.composition else ()
    completion = solid.bone.completion
    findings += (*completion.findings, *still_missing(recipe, completion)) if completion else ()
    if recipe.reflect:
        length, breadth = settings.natural_asymmetry_length_percent, settings.natural_asymmetry_breadth_percent
        message = (
            f"{recipe.element}: reflected from the other side. A natural asymmetry of about {length:g} % of length and up to {breadth:g} % of "
            "breadth is expected between left and right (from memory); the mesh tolerance says nothing about it."
        )
        findings.append(Finding(Severity.NOTE, "natural-asymmetry", message))
    return findings
