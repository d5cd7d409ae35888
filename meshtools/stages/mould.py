"""The mould route: a pattern with its parting line, or the pieces of a mould, of one replica."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.groove import scribe
from meshtools.geometry.mould_fittings import LEAST_MISFIT_MM, N_KEYS, Key, Port, place_keys, plan_ports, wrong_way_misfit
from meshtools.geometry.mould_pieces import SHALLOW_MM, Cutting, MouldPiece, RigidMould
from meshtools.geometry.mould_plan import Bed, fewest_pieces, lay_bone
from meshtools.geometry.mould_proof import Rejoined, WayOut, prove_withdrawal, rejoin
from meshtools.geometry.mould_tables import (
    draft_view,
    mass_figures,
    parting_table,
    piece_draft_deg,
    piece_meshes,
    piece_views,
    pieces_table,
    shrink_table,
)
from meshtools.geometry.parting import bone_outline, stretch_membrane, trace_parting_lines
from meshtools.geometry.shadow import joined, mesh_of, without
from meshtools.geometry.shrink import pattern_scale
from meshtools.geometry.unite import signed_volume_mm3
from meshtools.model import EvidenceClass, Finding, FloatArray, Mesh, Origin, Severity, SourceEntry
from meshtools.model_ready import Figure, Made, MadeSolid, Part, RouteTable
from meshtools.settings_mould import MouldSettings

REJOIN_VOLUME = 1e-4  # share of the volume within which the cavity is the bone's
REJOIN_MM = 0.05  # and the distance of the surfaces


def make_mould(part: Part, settings: MouldSettings) -> Made:
    """Make the pattern of a part, or the pieces of a mould around it, at pattern scale.

    Pieces stand in the frame of the mould (z: the way its halves part), each with the matrix that leads there from the replica. A part whose
    facts say that a shrink was applied already, or that encloses no solid, comes back without solids and with a finding that says so.
    """
    made = (*part.sources, SourceEntry(EvidenceClass.MADE, "", Origin.MADE))
    if float(part.facts.get("pattern_scale", 1.0)) != 1.0:
        reason = f"the surface is a pattern already, at {part.facts['pattern_scale']} of the bone's size; give the replica: shrink is applied here"
        return Made((), made, {}, (Finding(Severity.FAILED, "mould-shrink-twice", reason),))
    try:
        scale = pattern_scale(link.shrink_percent for link in settings.shrink)
        return _made_at_scale(part, settings, scale, made)
    except GeometryError as error:
        return Made((), made, {}, (Finding(Severity.FAILED, "mould-not-possible", str(error)),))


def _made_at_scale(part: Part, settings: MouldSettings, scale: float, sources: tuple[SourceEntry, ...]) -> Made:
    bed, pulls = lay_bone(part.mesh, scale, settings.work_tolerance_mm)
    facts = {
        "pattern_scale": scale,
        "shrink": [dataclasses.asdict(link) for link in settings.shrink],
        "part": part.part_id,
        "form": settings.form,
        "kind": settings.kind,
        "work_bound_mm": bed.bound_mm,
    }
    figures = (
        Figure("pattern scale", round(scale, 6), "", "1 / product of (1 - shrink); applied here and nowhere else"),
        *(Figure(f"shrink, {link.name}", link.shrink_percent, "%", link.source) for link in settings.shrink),
    )
    none = Finding(Severity.REVIEW, "mould-no-shrink", "no shrink is entered, so the pattern is the size of the bone")
    findings = () if settings.shrink else (none,)
    is_pattern = settings.form == "pattern"
    made = _pattern(part, settings, bed, sources) if is_pattern else _rigid_pieces(part, settings, bed, pulls, scale, sources)
    table = shrink_table(settings.shrink, scale)
    return dataclasses.replace(
        made, facts=facts | dict(made.facts), findings=findings + made.findings, figures=figures + made.figures, tables=(table, *made.tables)
    )


def _pattern(part: Part, settings: MouldSettings, bed: Bed, sources: tuple[SourceEntry, ...]) -> Made:
    """The bone at pattern scale with its parting line scribed in."""
    from meshtools.geometry.mould_pieces import Bone

    bone = Bone.create(bed.mesh)
    membrane = stretch_membrane(bed.mesh.vertices, bed.mesh.faces, settings.flange_mm)
    lines = trace_parting_lines(bed.mesh, bone_outline(bed.mesh.vertices, bed.mesh.faces), membrane)
    scribed, taken = scribe(bone.solid, lines, settings.groove_width_mm, settings.groove_depth_mm)
    mesh = mesh_of(scribed, bone.number, bed.mesh.source, len(sources) - 1)
    depth = float(Surface(bed.mesh).distance(mesh.vertices)[0].max())
    figures = (
        Figure("parting lines", len(lines), "", "around the silhouette and each hole in it"),
        Figure("parting line, length", round(sum(_length(line) for line in lines), 1), "mm", "measured"),
        Figure("groove, depth", round(depth, 3), "mm", "measured against the pattern without it"),
        Figure("groove, volume", round(taken, 2), "mm3", "measured"),
        *mass_figures("casting, solid", signed_volume_mm3(part.mesh.vertices, part.mesh.faces), settings.casting_density_kg_m3, "density as set"),
    )
    facts = {"groove_depth_mm": depth, "groove_mm3": taken, "n_parting_lines": len(lines), "pull": bed.pull.direction.tolist()}
    solid = MadeSolid("pattern", "pattern", mesh, bed.mould_from_replica)
    view = draft_view(bed.mesh, np.zeros(len(bed.mesh.vertices)), settings.undercut_limit_mm)
    return Made((solid,), sources, facts, (), figures, (parting_table(lines),), (), (view,))


def _length(line: FloatArray) -> float:
    return float(np.linalg.norm(line - np.roll(line, -1, axis=0), axis=1).sum())


def _rigid_pieces(part: Part, settings: MouldSettings, bed: Bed, pulls: Any, scale: float, sources: tuple[SourceEntry, ...]) -> Made:
    cutting = Cutting(settings.wall_mm, settings.flange_mm, settings.undercut_limit_mm, settings.flange_draft_deg, settings.most_pieces)
    bed, mould = fewest_pieces(bed, pulls, cutting, scale)
    keys = place_keys(mould, settings.key_diameter_mm)
    way, ports = plan_ports(mould, settings.pour_diameter_mm, settings.vent_diameter_mm, settings.vent_prominence_mm)
    mould = _fitted(mould, keys, ports, settings.key_clearance_mm)
    ways = prove_withdrawal(mould.pieces, mould.bone.solid)
    check = rejoin(mould.block.solid, mould.pieces, [port.body for port in ports], mould.bone.mesh, mould.undercuts)
    made = len(sources) - 1
    meshes = piece_meshes(mould, mould.pieces, made)
    rows = [_piece_figures(mould, piece, mesh, made) for piece, mesh in zip(mould.pieces, meshes, strict=True)]
    good = [out.is_free and row[1] <= settings.undercut_limit_mm for out, row in zip(ways, rows, strict=True)]
    solids = tuple(
        MadeSolid(piece.name, "mould piece", mesh, bed.mould_from_replica) for piece, mesh in zip(mould.pieces, meshes, strict=True)
    )
    lines = trace_parting_lines(mould.bone.mesh, mould.block.bone_outline, mould.membrane)
    depth_at = mould.undercuts.depth_mm[-len(mould.bone.mesh.vertices):]
    return Made(
        solids,
        sources,
        _facts(mould, ways, check, keys, ports, good),
        _findings(mould, ways, check, keys, ports, settings),
        _figures(part, mould, check, keys, ports, settings, way),
        (pieces_table(mould, ways, good, rows), _ports_table(ports), parting_table(lines)),
        (),
        (draft_view(mould.bone.mesh, depth_at, settings.undercut_limit_mm), *piece_views(mould, meshes, made)),
    )


def _fitted(mould: RigidMould, keys: tuple[Key, ...], ports: tuple[Port, ...], clearance_mm: float) -> RigidMould:
    """The mould with keys on its lower half, sockets in the upper, pour and vents through all that stand in their way."""
    pins, sockets = joined([key.body(0.0) for key in keys]), joined([key.body(clearance_mm) for key in keys])
    holes = [port.body for port in ports]
    pieces = []
    for piece in mould.pieces:
        solid = piece.solid
        if piece.name == "lower" and keys:
            solid = joined([solid, pins])
        elif piece.name == "upper" and keys:
            solid = without(solid, [sockets])
        pieces.append(dataclasses.replace(piece, solid=without(solid, holes)))
    return dataclasses.replace(mould, pieces=tuple(pieces))


def _piece_figures(mould: RigidMould, piece: MouldPiece, mesh: Mesh, made: int) -> tuple[float, float, float, float]:
    """Undercut area and depth beside a piece, its least draft on the bone, and the share of its imprint below 3 degrees."""
    cuts = mould.undercuts
    depth = cuts.depth_mm
    rows = np.flatnonzero(depth > SHALLOW_MM)
    n_even = len(depth) - len(mould.bone.mesh.vertices)
    if len(rows):
        others = [Surface(other) for other in piece_meshes(mould, mould.pieces, made)]
        nearest = np.argmin([surface.distance(cuts.points[rows])[0] for surface in others], axis=0)
        rows = rows[nearest == [p.name for p in mould.pieces].index(piece.name)]
    area = float(mould.bone.solid.surface_area()) * int(np.count_nonzero(rows < n_even)) / n_even
    draft, size = piece_draft_deg(mesh, piece.direction, mesh.source != made)
    least = float(draft.min()) if len(draft) else 90.0
    share = float(size[draft < 3.0].sum() / size.sum()) if len(draft) else 0.0
    return area, float(depth[rows].max(initial=0.0)), least, share


def _ports_table(ports: tuple[Port, ...]) -> RouteTable:
    rows: list[tuple[str | int | float, ...]] = [
        (port.kind, *(round(float(x), 2) for x in port.point), port.diameter_mm, round(port.prominence_mm, 2)) for port in ports
    ]
    header = ("what", "x, mm", "y, mm", "z, mm", "diameter, mm", "prominence, mm")
    return RouteTable("pour-and-vents", "Pour and vents (axes of the mould)", header, tuple(rows))


def _facts(mould: RigidMould, ways: Any, check: Rejoined, keys: Any, ports: Any, good: list[bool]) -> dict[str, Any]:
    return {
        "n_pieces": len(mould.pieces),
        "pieces": [
            {"name": piece.name, "direction": piece.direction.tolist(), "good": is_good} | dataclasses.asdict(out)
            for piece, out, is_good in zip(mould.pieces, ways, good, strict=True)
        ],
        "undercut_deepest_mm": mould.undercuts.deepest_mm,
        "undercut_mm2": mould.undercuts.area_mm2,
        "undercut_mm3": mould.undercuts.volume_mm3,
        "rejoin": dataclasses.asdict(check),
        "n_keys": len(keys),
        "key_misfit_mm": wrong_way_misfit(keys) if len(keys) > 2 else None,
        "n_vents": sum(port.kind == "vent" for port in ports),
    }


def _findings(mould: RigidMould, ways: tuple[WayOut, ...], check: Rejoined, keys: Any, ports: Any, settings: MouldSettings) -> tuple[Finding, ...]:
    found = []
    deepest, limit = mould.undercuts.deepest_mm, settings.undercut_limit_mm
    if deepest > limit:
        said = (f"no rigid mould of at most {settings.most_pieces} pieces reaches all of the bone: the casting gets up to {deepest:.2f} mm fatter "
                "in its undercuts; take a flexible mould (kind: flexible), more pieces, or accept it")
        found.append(Finding(Severity.REVIEW, "mould-undercut", said, round(deepest, 3), limit, "mm"))
    for out in ways:
        if not out.is_free:
            said = f"piece {out.name} meets the bone or another piece on its way out"
            found.append(Finding(Severity.FAILED, "mould-stuck", said, out.overlap_mm3, 0.0, "mm3"))
    if abs(check.volume_ratio) > REJOIN_VOLUME:
        said = "the volume of the assembled mould's cavity differs from the bone's beyond the stated undercuts"
        found.append(Finding(Severity.REVIEW, "mould-rejoin-volume", said, f"{check.volume_ratio:.2e}", REJOIN_VOLUME))
    off = max(check.off_mm, check.beyond_mm)
    if off > REJOIN_MM:
        said = "the wall of the assembled mould's cavity lies off the bone beyond the stated undercuts"
        found.append(Finding(Severity.REVIEW, "mould-rejoin-surface", said, round(off, 4), REJOIN_MM, "mm"))
    if len(keys) < N_KEYS:
        found.append(Finding(Severity.REVIEW, "mould-keys", "the flange has no room for all keys; widen it", len(keys), N_KEYS))
    elif (misfit := wrong_way_misfit(keys)) < LEAST_MISFIT_MM:
        found.append(Finding(Severity.REVIEW, "mould-keys", "the keys nearly fit in a wrong position", round(misfit, 2), LEAST_MISFIT_MM, "mm"))
    sides = mould.pieces[:-2]
    crossing = sum(any((port.body ^ piece.solid.hull()).volume() > 0.0 for piece in sides) for port in ports)
    if crossing:
        said = "a pour or vent may run through a side piece: the casting's stub there is broken before the piece comes out"
        found.append(Finding(Severity.NOTE, "mould-vent-side", said, crossing))
    return tuple(found)


def _figures(part: Part, mould: RigidMould, check: Rejoined, keys: Any, ports: Any, settings: MouldSettings, way: float) -> tuple[Figure, ...]:
    own = signed_volume_mm3(part.mesh.vertices, part.mesh.faces)
    pieces = float(sum(piece.solid.volume() for piece in mould.pieces))
    off = max(check.off_mm, check.beyond_mm)
    return (
        Figure("pieces", len(mould.pieces), "", "typical: phalanx 2, long bone 2, scapula 2, vertebra 3-6 (common practice, no source)"),
        Figure("deepest undercut that stays filled", round(mould.undercuts.deepest_mm, 3), "mm", f"limit {settings.undercut_limit_mm:g} mm"),
        Figure("undercuts that stay filled, area", round(mould.undercuts.area_mm2, 1), "mm2", f"casting fatter by over {SHALLOW_MM:g} mm"),
        Figure("undercuts that stay filled, volume", round(mould.undercuts.volume_mm3, 2), "mm3", "cavity of the halves less bone and side pieces"),
        Figure("half on top while pouring", "upper" if way > 0 else "lower", "", "the one with fewer high points"),
        Figure("vents", sum(port.kind == "vent" for port in ports), "", f"at each high point of over {settings.vent_prominence_mm:g} mm"),
        Figure("keys", len(keys), "", "one large, so that a wrong way does not fit"),
        Figure("parting surface, steepest", round(float(np.percentile(mould.membrane.steepest_deg, 99)), 1), "deg", "99 of 100 places are flatter"),
        Figure("cavity against bone, volume", f"{check.volume_ratio:.1e}", "", f"without pour, vents and filled undercuts; limit {REJOIN_VOLUME:g}"),
        Figure("cavity against bone, surface", round(off, 4), "mm", f"beyond the stated undercuts; limit {REJOIN_MM:g} mm"),
        *mass_figures("casting, solid", own, settings.casting_density_kg_m3, "casting density as set, at the bone's size"),
        *mass_figures("mould pieces", pieces, settings.mould_density_kg_m3, "mould density as set"),
    )
