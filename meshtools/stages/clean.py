"""Clean: a raw scan becomes a clean surface in millimetres, with every piece of the bone and a list of all that was done to it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from meshtools.counted import counted
from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.closing import choose_rims, fill_findings, fill_rows, rim_findings, rim_row, spike_findings
from meshtools.geometry.measure import greatest_length, median_spacing
from meshtools.geometry.open_ends import OpenEnds, find_open_ends, open_end_findings, open_end_rows
from meshtools.geometry.orient import flip_faces, make_consistent, turn_outward
from meshtools.geometry.pieces import Pieces, mesh_areas, rank_pieces, square_share, take_pieces, without_vertices
from meshtools.geometry.repair_budget import Repair, RepairBudget, repair_findings
from meshtools.geometry.repair_cracks import close_cracks
from meshtools.geometry.repair_crossings import mend_crossings
from meshtools.geometry.repair_dangling import remove_dangling
from meshtools.geometry.repair_sheets import doubled_findings, remove_second_layers
from meshtools.geometry.repair_spikes import cut_spikes
from meshtools.geometry.repair_support import support_findings, without_fused_support
from meshtools.geometry.rims import close_rims_listed, find_rims
from meshtools.geometry.scale_check import caliper_scale, check_lengths, size_problem, starting_scale, unit_finding
from meshtools.geometry.selection import Choice, choose_pieces, floaters_at_bone, piece_at
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.shared_edges import part_pairs
from meshtools.geometry.spikes import find_spikes
from meshtools.geometry.threads import at_once
from meshtools.geometry.weld import APART_RATIO, cut_crowded_edges, remove_fins, weld_scan
from meshtools.model import EvidenceClass, Find, Finding, FloatArray, Mesh, Opening, Origin, RawScan, Severity, SourceEntry, StageResult
from meshtools.settings import CleanSettings

if TYPE_CHECKING:
    from meshtools.geometry.crevices import CreviceChange
    from meshtools.geometry.decimate import Decimation

FILL_SOURCE = 1
LISTED_PIECES = 60
MOST_FACES_LOOKED_OVER = 200_000
"""Crossings of a scan with more faces are looked for once it is decimated: in the whole one that would take as long as decimating it."""
LEAST_SQUARE, LEAST_STEPS = 0.8, 500
"""Share of the area of so many faces that looks along axes: of blocks it is all, of 172 dog bones less than a
hundredth (measured; our default)."""
RECUT_ROUNDS = 4
"""A slit or knot that no valid cap closes is widened by the faces around it and closed as a hole, at most this often."""


def clean_scan(raw: RawScan, find: Find, settings: CleanSettings, openings: tuple[Opening, ...], tolerance_mm: float) -> StageResult:
    """Turn a raw scan into a clean surface in mm, in scan coordinates.

    Order: scale, weld, orient, choose pieces, check the scale, cut spikes, close holes, decimate within tolerance_mm (0 keeps every face), mend where
    the skin passes through itself.
    The surface may stay open; its rims are listed. Sources: 0 scanned (labelled OWN until the recipe says otherwise), 1 filled.
    Raises GeometryError when no face is left.
    """
    findings = [Finding(Severity.NOTE, "scan-file", note) for note in raw.notes] + unit_finding(find, raw.file_unit)
    mm_per_unit, basis = starting_scale(find)
    mesh, facts, repairs = surface_of_scan(raw, mm_per_unit, find, settings)
    own = [opening for opening in openings if opening.find == find.find]
    mesh, rows, noted = bone_pieces(mesh, find, settings, own, mm_per_unit)
    facts |= rows
    findings += noted
    if basis == "caliper" and find.caliper is not None:
        factor = caliper_scale(mesh.vertices, find.caliper)
        mesh, mm_per_unit = mesh.replaced(vertices=mesh.vertices * factor), mm_per_unit * factor
    problem = size_problem(mesh.vertices, settings.part_tolerance_mm)
    if problem and basis != "none":
        raise GeometryError(f"{problem}.")
    turned = turn_outward(mesh)
    findings += _turn_findings(find, turned.n_pieces_turned, len(turned.is_unsure), bool(turned.is_unsure[:1].any()))
    facts |= {"n_pieces_turned": turned.n_pieces_turned, "n_cavities": turned.n_cavities, "mm_per_unit": mm_per_unit, "scale_basis": basis}
    rows, noted = _reduced(raw, find, settings, mm_per_unit)
    facts |= rows
    findings += noted
    lengths, noted = check_lengths(turned.mesh.vertices, find, basis, settings)
    facts |= {"unit": find.unit.value, "lengths": lengths}
    findings += noted
    mesh = turned.mesh
    del turned
    mesh, rows, noted, spikes = _closed_holes(mesh, find, settings, own, mm_per_unit)
    facts |= rows
    facts["resolution_ratio"] = round(1.0 - rows["spacing_mm"] / settings.part_tolerance_mm, 6)
    findings += noted + spacing_findings(find, rows["spacing_mm"], settings) + _step_findings(find, mesh, rows["spacing_mm"])
    crossings, rows, noted = _decimated_and_mended(mesh, find, repair_budget(settings), tolerance_mm)
    findings += noted
    mesh, repairs = crossings.mesh, (*repairs, spikes, crossings.without_mesh())
    facts |= rows | {"repairs": [repair.row() for repair in repairs]} | _final_facts(mesh)
    findings += repair_findings(find, repairs, greatest_length(mesh.vertices), settings)
    sources = (SourceEntry(EvidenceClass.OWN, find.find, Origin.SCANNED), SourceEntry(EvidenceClass.FILL, find.find, Origin.FILLED))
    return StageResult(mesh, sources, facts, tuple(findings))


def surface_of_scan(raw: RawScan, mm_per_unit: float, find: Find, settings: CleanSettings) -> tuple[Mesh, dict[str, Any], tuple[Repair, ...]]:
    """Scaled, welded, without cracks and what hangs on the skin, and consistently wound; counts of what that took, and the repairs."""
    vertices = raw.vertices if mm_per_unit == 1.0 else raw.vertices * mm_per_unit
    welded = weld_scan(vertices, raw.faces, raw.colour)
    if len(welded.mesh.faces) == 0:
        raise GeometryError(f"The scan of {find.find} ({find.scan}) holds no usable face; scan the piece again or name another file.")
    mesh, n_fins = remove_fins(welded.mesh)
    cracks = close_cracks(mesh)
    dangling = remove_dangling(cracks.mesh, repair_budget(settings))
    is_flipped = make_consistent(dangling.mesh)
    mesh, n_cut = cut_crowded_edges(flip_faces(dangling.mesh, is_flipped))
    if len(mesh.faces) == 0:
        raise GeometryError(f"The scan of {find.find} ({find.scan}) holds no face that is part of a skin; scan the piece again or name another file.")
    mesh = part_pairs(mesh, APART_RATIO * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0))))
    # without a scale of its own the scan's millimetres are not known yet
    reach_mm = 0.0 if starting_scale(find)[1] == "caliper" else settings.doubled_layer_up_to_mm
    layers = remove_second_layers(mesh, reach_mm, settings.doubled_layer_area_percent)
    counts = {"n_fins_removed": n_fins, "n_edges_cut": n_cut, "n_faces_flipped": int(is_flipped.sum())}
    facts = {"n_vertices_raw": len(raw.vertices), "n_faces_raw": len(raw.faces)} | welded.counts | counts
    return layers.mesh, facts, (cracks.without_mesh(), dangling.without_mesh(), layers.without_mesh())


def _reduced(raw: RawScan, find: Find, settings: CleanSettings, mm_per_unit: float) -> tuple[dict[str, Any], list[Finding]]:
    """How the scan was reduced on reading, if it was, in mm."""
    facts: dict[str, Any] = {"most_faces": settings.most_faces, "reduction": None}
    if raw.reduction is None:
        return facts, []
    cell_mm = raw.reduction.cell * mm_per_unit
    bound_mm = cell_mm * 3**0.5
    facts["reduction"] = {"n_faces_file": raw.reduction.n_faces_file, "cell_mm": round(cell_mm, 6), "bound_mm": round(bound_mm, 6)}
    message = (
        f"{find.find}: the scan has {raw.reduction.n_faces_file} faces and was reduced on reading to {len(raw.faces)} by a grid with cells of "
        f"{cell_mm:.3g} mm: no point was moved by more than {bound_mm:.3g} mm, and what is smaller is lost. Look whether that is fine enough, "
        f"export the scan with fewer faces, or raise most_faces ({settings.most_faces}) in config.yaml."
    )
    return facts, [Finding(Severity.REVIEW, "reduced-on-reading", message, round(bound_mm, 6), None, "mm")]


def repair_budget(settings: CleanSettings) -> RepairBudget:
    """What the settings allow a repair."""
    return RepairBudget(settings.repair_removed_percent, settings.repair_invented_percent, settings.repair_volume_percent)


def bone_pieces(
    mesh: Mesh, find: Find, settings: CleanSettings, openings: Sequence[Opening], mm_per_unit: float
) -> tuple[Mesh, dict[str, Any], list[Finding]]:
    """The pieces that are the bone; facts about every piece; findings about what a person should decide."""
    pieces = rank_pieces(mesh)
    supports = [
        piece_at(mesh, pieces, np.array([opening.x, opening.y, opening.z]) * mm_per_unit)
        for opening in openings if opening.kind == "support" and opening.action == "remove"
    ]
    named = [number - 1 for number in find.pieces if 1 <= number <= len(pieces)]
    choice = choose_pieces(mesh, pieces, settings.floater_area_percent, named, supports)
    if find.support == "remove" and choice.is_support_like.any():
        supports += np.flatnonzero(choice.is_support_like).tolist()
        choice = choose_pieces(mesh, pieces, settings.floater_area_percent, named, supports)
    if not choice.kept:
        raise GeometryError(
            f"{find.find}: no piece of the scan is left; correct the pieces in bones.csv or the supports in openings.csv. A table that is one "
            "surface with the bone is no piece by itself: write remove in the column support of bones.csv."
        )
    findings = _piece_findings(find, pieces, choice, settings, mm_per_unit) + _floaters_at_bone(find, mesh, pieces, choice)
    findings += support_findings(find, mesh, pieces, choice, mm_per_unit)
    counts = {f"n_pieces_{reason.replace('-', '_')}": choice.reason.count(reason) for reason in ("kept", "floater", "support", "not-chosen")}
    floater_area = float(sum(pieces.area[k] for k, reason in enumerate(choice.reason) if reason == "floater"))
    facts = {"n_pieces_raw": len(pieces), "pieces": _piece_rows(pieces, choice), **counts}
    facts["floater_area_percent"] = round(100.0 * floater_area / float(pieces.area.sum()), 6)
    has_loose = "support" in choice.reason or bool(choice.is_support_like.any())
    taken = take_pieces(mesh, pieces, choice.kept)
    factor = caliper_scale(taken.vertices, find.caliper) if find.caliper is not None and starting_scale(find)[1] == "caliper" else 1.0
    findings += doubled_findings(find, mesh if factor == 1.0 else mesh.replaced(vertices=mesh.vertices * factor), pieces, choice.kept, settings)
    bone, noted = without_fused_support(taken, find, has_loose)
    return bone, facts | {"n_faces_support_cut": int(sum(pieces.n_faces[k] for k in choice.kept)) - len(bone.faces)}, findings + noted


def _piece_rows(pieces: Pieces, choice: Choice) -> list[dict[str, Any]]:
    """The largest pieces as plain rows, numbered from 1 as bones.csv numbers them."""
    return [
        {
            "number": place + 1, "share_percent": round(100.0 * float(pieces.area[place] / pieces.area[0]), 6),
            "n_faces": int(pieces.n_faces[place]), "is_solid": bool(choice.is_solid[place]), "outcome": choice.reason[place],
        }
        for place in range(min(len(pieces), LISTED_PIECES))
    ]


def _floaters_at_bone(find: Find, mesh: Mesh, pieces: Pieces, choice: Choice) -> list[Finding]:
    places = floaters_at_bone(mesh, pieces, choice)
    if not places:
        return []
    listed = ", ".join(f"{place + 1} ({pieces.span[place]:.1f} mm across)" for place in places[:10])
    listed += f" and {len(places) - 10} more" if len(places) > 10 else ""
    message = f"{find.find}: pieces {listed} lie at the bone and went as floaters; if bone, name all its pieces in bones.csv, else sign it off."
    return [Finding(Severity.REVIEW, "floater-at-bone", message, len(places), 0)]


def _piece_findings(find: Find, pieces: Pieces, choice: Choice, settings: CleanSettings, mm_per_unit: float) -> list[Finding]:
    findings = []
    wrong = [number for number in find.pieces if not 1 <= number <= len(pieces)]
    if wrong:
        message = f"{find.find}: bones.csv asks for piece {wrong[0]}, but the scan has {counted(len(pieces), 'piece')}."
        findings.append(Finding(Severity.REVIEW, "piece-number", message, wrong[0], len(pieces)))
    floaters = [place for place, reason in enumerate(choice.reason) if reason == "floater"]
    share = 100.0 * float(pieces.area[floaters].sum() / pieces.area.sum())
    if share > settings.floater_budget_percent:
        message = f"{find.find}: {len(floaters)} floaters, {share:.2f} % of the area, were removed, more than {settings.floater_budget_percent:g} %."
        findings.append(Finding(Severity.REVIEW, "floater-budget", message, round(share, 6), settings.floater_budget_percent, "%"))
    kept = [place for place in choice.kept if not choice.is_support_like[place]]
    limit = settings.comparable_piece_percent
    large = [place for place in kept if pieces.area[place] > limit / 100.0 * pieces.area[kept[0]]] if kept else []
    if len(large) > 1 and not find.pieces:
        listed = ", ".join(f"{place + 1} ({100.0 * pieces.area[place] / pieces.area[kept[0]]:.0f} %)" for place in large[:10])
        message = f"{find.find}: the scan holds {len(large)} separate pieces of comparable size, pieces {listed}; name the bone's own in bones.csv."
        findings.append(Finding(Severity.REVIEW, "comparable-pieces", message, len(large), limit, "%"))
    return findings


def _turn_findings(find: Find, n_turned: int, n_pieces: int, is_first_unsure: bool) -> list[Finding]:
    findings = []
    if n_turned:
        message = f"{find.find}: {n_turned} of {n_pieces} pieces were inside out and were turned outwards."
        findings.append(Finding(Severity.NOTE, "inside-out", message, n_turned, 0))
    if is_first_unsure:
        message = f"{find.find}: the scan is a nearly flat sheet, so which of its sides is the bone's outside could not be told."
        findings.append(Finding(Severity.REVIEW, "outside-unsure", message))
    return findings


def _closed_holes(
    mesh: Mesh, find: Find, settings: CleanSettings, openings: Sequence[Opening], mm_per_unit: float
) -> tuple[Mesh, dict[str, Any], list[Finding], Repair]:
    """Spikes laid back or cut out, small and named holes closed; facts about every cap and every rim left; findings; the repair of the spikes."""
    holes = [opening for opening in openings if opening.kind != "support"]
    looks: list[Callable[[Mesh], Any]] = [find_spikes, median_spacing]
    spikes, spacing = at_once([partial(look, mesh) for look in looks])
    cut, left = cut_spikes(mesh, spikes, FILL_SOURCE, repair_budget(settings))
    mesh = without_vertices(cut.mesh, left) if len(left) else cut.mesh
    n_faces, ends = len(mesh.faces), OpenEnds()
    for number in range(RECUT_ROUNDS):
        choice = choose_rims(find_rims(mesh), holes, mm_per_unit, settings.close_holes_up_to_mm)
        ends = find_open_ends(mesh, choice.unnamed, 2.0 * settings.part_tolerance_mm) if number == 0 else ends
        closing = close_rims_listed(mesh, choice.close, FILL_SOURCE)
        if not closing.refused:
            break
        mesh = without_vertices(mesh, np.concatenate([rim.vertices for rim in closing.refused]))
    rows = fill_rows(closing)
    area = float(mesh_areas(closing.mesh).sum())
    limits = (settings.filled_area_review_percent, settings.fill_span_review_percent)
    findings = fill_findings(find, rows, closing.mesh, limits) + rim_findings(find, choice, closing.refused) + spike_findings(find, len(spikes))
    findings += open_end_findings(find, ends)
    facts = {
        "spacing_mm": round(spacing, 6), "n_spikes_cut": len(spikes), "n_faces_recut": n_faces - len(mesh.faces), "n_fills": len(rows), "fills": rows,
        "filled_area_percent": round(100.0 * sum(row["area_mm2"] for row in rows) / area, 6),
        "rims_left": [rim_row(rim) for rim in (*choice.leave, *closing.refused)],
        "open_ends": open_end_rows(ends),
    }
    return closing.mesh, facts, findings, cut.without_mesh()


def _step_findings(find: Find, mesh: Mesh, spacing_mm: float) -> list[Finding]:
    """Whether the skin is the blocks of a volume, which nobody's bone is."""
    share = square_share(mesh)
    if share < LEAST_SQUARE or len(mesh.faces) < LEAST_STEPS:
        return []
    message = (
        f"{find.find}: the skin is made of square steps about {spacing_mm:.2g} mm wide, as a volume scan that was exported block by block; they are "
        "in the replica, and thicknesses and radii are judged by them. Export a smooth surface from the volume, at the grey value of bone."
    )
    return [Finding(Severity.NOTE, "square-steps", message, round(100.0 * share, 3), 100.0 * LEAST_SQUARE, "%")]


def spacing_findings(find: Find, spacing_mm: float, settings: CleanSettings) -> list[Finding]:
    """Q = 1 - m/s with spacing m and smallest feature s, here the part tolerance (Archaeology Data Service guide, quoting English Heritage)."""
    quality = 1.0 - spacing_mm / settings.part_tolerance_mm
    if quality >= 0.0 or find.unit_source == "decision":  # what is modelled by hand samples no bone
        return []
    message = (
        f"{find.find}: the scan's points lie {spacing_mm:.2f} mm apart, wider than the tolerance of {settings.part_tolerance_mm:g} mm; "
        "smaller features are not recorded in it."
    )
    return [Finding(Severity.NOTE, "spacing", message, round(spacing_mm, 6), settings.part_tolerance_mm, "mm")]


def _decimated_and_mended(
    mesh: Mesh, find: Find, budget: RepairBudget, tolerance_mm: float
) -> tuple[Repair, dict[str, Any], list[Finding]]:
    """Fewer faces, and then no more crossings than can be helped."""
    if tolerance_mm <= 0:
        return mend_crossings(mesh, FILL_SOURCE, budget), {"tolerance_mm": 0.0, "n_faces_full": len(mesh.faces)}, []
    from meshtools.geometry.crevices import crevice_change
    from meshtools.geometry.decimate import UNTOUCHED, decimate_within

    # about its own middle, to whole mm, so that a scan far from the origin is decimated as it would be near it
    middle = np.rint((mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2)
    centred = mesh.replaced(vertices=mesh.vertices - middle)
    result = decimate_within(centred, tolerance_mm)
    first = _mended_before(centred, result, budget)
    if first is not None:
        centred = first.mesh
        result = decimate_within(centred, tolerance_mm)
    facts = {
        "tolerance_mm": tolerance_mm, "n_faces_full": len(mesh.faces), "decimation_bound_mm": round(result.bound_mm, 6),
        "decimation_engine": result.engine, "crevices": None,
    }
    if result.engine == UNTOUCHED:
        return mend_crossings(mesh, FILL_SOURCE, budget) if first is None else _moved(first, middle), facts, []
    change = crevice_change(centred, result.mesh, 2.0 * tolerance_mm)
    mended = mend_crossings(result.mesh, FILL_SOURCE, budget, result.crossings) if first is None else replace(first, mesh=result.mesh)
    repair = _moved(mended, middle)
    if change is None:
        return repair, facts, []
    facts["decimation_bound_mm"] = round(max(result.bound_mm, change.bound_mm), 6)
    facts["crevices"] = {"lost_mm": round(change.lost_mm, 6), "made_mm": round(change.made_mm, 6), "bound_mm": round(change.bound_mm, 6)}
    return repair, facts, _crevice_findings(find, change, middle, tolerance_mm)


def _mended_before(mesh: Mesh, decimated: Decimation, budget: RepairBudget) -> Repair | None:
    """The mesh mended where it passes through itself, if decimation smoothed such a place away; None where it did not. What is left of a fold that
    no longer crosses itself is wrong all the same, and nothing would show it. Of large scans, whose faces are small, it is not looked for."""
    from meshtools.geometry.decimate import UNTOUCHED

    if len(mesh.faces) > MOST_FACES_LOOKED_OVER or decimated.engine == UNTOUCHED:
        return None
    before = count_self_intersections(mesh)
    if not before.n_pairs or before.n_places <= (decimated.crossings or count_self_intersections(decimated.mesh)).n_places:
        return None
    return mend_crossings(mesh, FILL_SOURCE, budget, before)


def _moved(repair: Repair, by_mm: FloatArray) -> Repair:
    mesh = repair.mesh.replaced(vertices=repair.mesh.vertices + by_mm)
    return replace(repair, mesh=mesh, depth_at_mm=repair.depth_at_mm + by_mm, refused_mm=repair.refused_mm + by_mm)


def _crevice_findings(find: Find, change: CreviceChange, middle: FloatArray, tolerance_mm: float) -> list[Finding]:
    """A question where the union of the decimated pieces strays from that of the scanned ones by more than decimation may."""
    figure, place, words = max((change.lost_mm, change.lost_at_mm, "closed"), (change.made_mm, change.made_at_mm, "opened"))
    if figure <= tolerance_mm:
        return []
    x, y, z = np.add(place, middle)
    message = (
        f"{find.find}: decimation {words} a crevice between two pieces near ({x:.1f}, {y:.1f}, {z:.1f}) mm: skin there lies up to "
        f"{figure:.2f} mm from where the scan has it, more than {tolerance_mm:g} mm. Look at the replica there, or ask for a smaller tolerance."
    )
    return [Finding(Severity.REVIEW, "crevice-changed", message, round(figure, 6), tolerance_mm, "mm")]


def _final_facts(mesh: Mesh) -> dict[str, Any]:
    audit = audit_topology(mesh)
    return {
        "n_vertices": audit.n_vertices, "n_faces": audit.n_faces, "n_pieces": audit.n_pieces, "n_open_edges": audit.n_open_edges,
        "n_nonmanifold_edges": audit.n_nonmanifold_edges, "n_inconsistent_edges": audit.n_inconsistent_edges, "n_degenerate": audit.n_degenerate,
        "is_closed": audit.is_closed, "is_outward": audit.is_outward, "volume_mm3": round(audit.volume_mm3, 6) if audit.is_closed else None,
        "area_mm2": round(audit.area_mm2, 6), "extents_mm": [round(float(x), 6) for x in np.ptp(mesh.vertices, axis=0)],
        "greatest_length_mm": round(greatest_length(mesh.vertices), 6),
    }
