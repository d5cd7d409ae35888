"""The mould route: a pattern with its parting line, the pieces of a rigid mould, or rubber and jacket, of one replica."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.body import mesh_of, surface_of
from meshtools.geometry.core_prints import PRINT_LENGTH, HeldCore, PrintSizes, hold_core
from meshtools.geometry.distance import Surface
from meshtools.geometry.groove import scribe
from meshtools.geometry.hollowing import find_cavity
from meshtools.geometry.jacket import Lining, cut_flexible_mould
from meshtools.geometry.mould_fittings import Port, clear_of, place_keys, plan_ports
from meshtools.geometry.mould_keying import fit_rigid, fitted
from meshtools.geometry.mould_pieces import MouldPiece
from meshtools.geometry.mould_plan import Bed, fewest_pieces, lay_bone
from meshtools.geometry.mould_proof import as_made, prove_withdrawal, rejoin
from meshtools.geometry.mould_sheet import (
    Fittings,
    casting_figures,
    core_figures,
    core_findings,
    fitting_facts,
    fitting_figures,
    flexible_figures,
    flexible_findings,
    rigid_figures,
    rigid_findings,
    undercut_facts,
)
from meshtools.geometry.mould_tables import (
    draft_view,
    jacket_figures,
    parting_figures,
    parting_table,
    piece_figures,
    piece_views,
    pieces_table,
    ports_table,
    shrink_table,
)
from meshtools.geometry.parting import Block, Membrane, bone_outline, stretch_membrane, trace_parting_lines
from meshtools.geometry.seat_ribs import turned_in
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.shadow import without
from meshtools.geometry.shrink import pattern_scale
from meshtools.geometry.side_pieces import Cutting
from meshtools.geometry.tidying import tidied
from meshtools.geometry.undercuts import Bone, Probe, shades_of
from meshtools.geometry.unite import signed_volume_mm3
from meshtools.geometry.withdrawal import Pull
from meshtools.model import EvidenceClass, Finding, Origin, Severity, SourceEntry
from meshtools.model_ready import Figure, Made, MadeSolid, Part
from meshtools.settings_mould import MouldSettings

APART_MM = 0.01  # what is left out of the cavity with the keys reaches so far beyond their clearance
_Sources = tuple[SourceEntry, ...]


def make_mould(part: Part, settings: MouldSettings) -> Made:
    """Make the pattern of a part, or the pieces of a mould around it, at pattern scale.

    All bodies stand in the frame of the mould (z: the way its halves part), each with the matrix that leads there from the replica. A part whose
    facts say that a shrink was applied already, or that encloses no solid, comes back without bodies and with a finding that says so. Holes of the
    armature are drilled into the casting: in the mould they would hold it.
    """
    if part.unbored is not None:
        whole = make_mould(dataclasses.replace(part, mesh=part.unbored, unbored=None), settings)
        said = "The armature's holes are not in the mould, where they would hold the casting: drill them into it by their templates."
        return dataclasses.replace(whole, findings=(*whole.findings, Finding(Severity.NOTE, "mould-holes-drilled", said)))
    made = (*part.sources, SourceEntry(EvidenceClass.MADE, "", Origin.MADE))
    before = float(part.facts.get("pattern_scale", 1.0))
    if before != 1.0:
        reason = f"{part.part_id}: the surface is a pattern already, at {before} of the bone's size; give the replica: shrink is applied once."
        return Made((), made, {}, (Finding(Severity.FAILED, "mould-shrink-twice", reason),))
    try:
        scale = pattern_scale(link.shrink_percent for link in settings.shrink)
        return _made_at_scale(part, settings, scale, made)
    except GeometryError as error:
        return Made((), made, {}, (Finding(Severity.FAILED, "mould-not-possible", f"{part.part_id}: {error}."),))


def _made_at_scale(part: Part, settings: MouldSettings, scale: float, sources: _Sources) -> Made:
    bed, pulls = lay_bone(part.mesh, scale, settings.work_tolerance_mm)
    bed = dataclasses.replace(bed, keep_off_replica=part.keep_off)
    if settings.form == "pattern":
        made = _pattern(settings, bed, sources)
    elif settings.kind == "flexible":
        made = _flexible_pieces(settings, bed, sources)
    else:
        bed, made = _rigid_pieces(settings, bed, pulls, scale, sources)
    own = signed_volume_mm3(part.mesh.vertices, part.mesh.faces)
    hollow = own - made.facts["core_mm3"] / scale**3 if "core_mm3" in made.facts else None
    findings: tuple[Finding, ...] = ()
    facts = {
        "pattern_scale": scale,
        "shrink": [dataclasses.asdict(link) for link in settings.shrink],
        "form": settings.form,
        "kind": settings.kind,
        "work_bound_mm": bed.bound_mm,
        "casting_mm3": own,
        "casting_hollow_mm3": hollow,
    }
    figures = (
        Figure("pattern scale", round(scale, 6), "", "1 / product of (1 - shrink); applied here and nowhere else"),
        *(Figure(f"shrink, {link.name}", link.shrink_percent, "%", link.source) for link in settings.shrink),
    )
    if not settings.shrink:
        said = "No shrink is entered, so the pattern is the size of the bone; enter each step under shrink, with 0 where nothing shrinks."
        findings += (Finding(Severity.REVIEW, "mould-no-shrink", said),)
    findings += made.findings + _crossings(made.solids)
    return dataclasses.replace(
        made,
        facts=facts | dict(made.facts),
        findings=findings,
        figures=figures + made.figures + casting_figures(own, hollow, settings),
        tables=(shrink_table(settings.shrink, scale), *made.tables),
    )


def _crossings(solids: Sequence[MadeSolid]) -> tuple[Finding, ...]:
    counts = ((solid.name, count_self_intersections(solid.mesh).n_pairs) for solid in solids)
    said = "Faces of {} cross each other; look at the file before it is made."
    return tuple(Finding(Severity.REVIEW, "mould-crossing", said.format(name), n, 0, "pairs") for name, n in counts if n)


def _with_core(made: Made, core: HeldCore | None, bed: Bed, settings: MouldSettings) -> Made:
    """What is made, and the core that leaves a wall in it: none where none is wished for or there is no room for one."""
    if settings.core_wall_mm <= 0.0:
        return made
    if core is None:
        said = "The bone is too thin for a core that leaves this wall; lower core_wall_mm, or set it to 0 to cast the bone solid."
        found = Finding(Severity.REVIEW, "mould-no-core", said, settings.core_wall_mm, None, "mm")
        return dataclasses.replace(made, findings=(*made.findings, found))
    mesh = tidied(surface_of(core.solid))
    mesh = mesh.replaced(source=np.full(len(mesh.faces), len(made.sources) - 1, np.uint16))
    facts = {"core_mm3": core.lost_mm3, "core_prints": [[one.start.tolist(), one.end.tolist(), one.width_mm] for one in core.prints]}
    solid = MadeSolid("core", "core", mesh, bed.mould_from_replica)
    return dataclasses.replace(
        made,
        solids=(*made.solids, solid),
        facts=dict(made.facts) | facts,
        findings=(*made.findings, *core_findings(core, settings)),
        figures=(*made.figures, *core_figures(core)),
    )


def _held_core(bone: Bone, ground: tuple[Block, Membrane], ports: Sequence[Port], settings: MouldSettings, bed: Bed) -> HeldCore | None:
    """The core of a hollow casting on its prints, away from pour, vents and articular ends; None where there is none."""
    cavity = find_cavity(bone.solid, bone.mesh, settings.core_wall_mm) if settings.core_wall_mm > 0.0 else None
    if cavity is None:
        return None
    width, length = settings.core_print_mm, PRINT_LENGTH * settings.core_print_mm
    if settings.kind == "flexible":  # the seats lie in the rubber
        width, length = min(width, 0.8 * settings.rubber_mm), min(length, 0.8 * settings.rubber_mm)
    barred = [np.array([port.point[0], port.point[1], port.diameter_mm]) for port in ports]
    barred += [np.array([x, y, width]) for x, y, _ in bed.keep_off]
    sizes = PrintSizes(width, length, settings.core_wall_mm, settings.key_clearance_mm)
    return hold_core(cavity, bone, ground, sizes, barred)


def _pattern(settings: MouldSettings, bed: Bed, sources: _Sources) -> Made:
    """The bone at pattern scale with its parting line scribed in."""
    bone = Bone.create(bed.mesh)
    membrane = stretch_membrane(bed.mesh.vertices, bed.mesh.faces, settings.flange_mm)
    lines = trace_parting_lines(bed.mesh, bone_outline(bed.mesh.vertices, bed.mesh.faces), membrane)
    scribed, taken = scribe(bone.solid, lines, settings.groove_width_mm, settings.groove_depth_mm)
    mesh = tidied(mesh_of(scribed, bed.mesh.source, bone.number, len(sources) - 1)[0])
    depth = float(Surface(bed.mesh).distance(mesh.vertices)[0].max())
    figures = (
        *parting_figures(lines),
        Figure("groove, depth", round(depth, 3), "mm", "measured against the pattern without it"),
        Figure("groove, volume", round(taken, 2), "mm³", "measured"),
    )
    facts = {"groove_depth_mm": depth, "groove_mm3": taken, "n_parting_lines": len(lines), "pull": bed.pull.direction.tolist()}
    solid = MadeSolid("pattern", "pattern", mesh, bed.mould_from_replica)
    view = draft_view(bed.mesh, np.zeros(len(bed.mesh.vertices)), settings.undercut_limit_mm)
    made = Made((solid,), sources, facts, (), figures, (parting_table(lines),), (), (view,))
    cavity = find_cavity(bone.solid, bone.mesh, settings.core_wall_mm) if settings.core_wall_mm > 0.0 else None
    core = None if cavity is None else HeldCore(cavity.solid, (), 0.0, cavity.volume_mm3, cavity.least_wall_mm)
    return _with_core(made, core, bed, settings)


def _rigid_pieces(settings: MouldSettings, bed: Bed, pulls: tuple[Pull, ...], scale: float, sources: _Sources) -> tuple[Bed, Made]:
    cutting = Cutting(settings.wall_mm, settings.flange_mm, settings.undercut_limit_mm, settings.flange_draft_deg, settings.most_pieces)
    bed, mould = fewest_pieces(bed, pulls, cutting, scale)
    bone, made = mould.bone, len(sources) - 1
    way, ports = plan_ports(bone.mesh, mould.block, settings.pour_diameter_mm, settings.vent_diameter_mm, settings.vent_prominence_mm)
    ground = clear_of(mould.block, [piece.solid for piece in mould.pieces[:-2]]), mould.membrane
    core = _held_core(bone, ground, ports, settings, bed)
    fit = fit_rigid(mould, ports, core, (settings.key_diameter_mm, settings.key_clearance_mm))
    solids = _solids(fit.pieces, "mould piece", bone, made, bed)
    meshes = [solid.mesh for solid in solids]
    pieces = as_made(fit.pieces, meshes)
    mould = dataclasses.replace(mould, pieces=pieces)
    ways = prove_withdrawal(pieces, fit.staying)
    room = settings.key_clearance_mm + APART_MM  # around keys, prints and ribs there is room that is no cavity
    rooms = [key.body(room) for key in (*fit.keys, *fit.more_keys)]
    rooms += [seat for side in (1.0, -1.0) for seat in (core.seats(side, APART_MM) if core else ())]
    block = without(mould.block.solid, [rib.body(room) for rib in fit.ribs])
    check = rejoin(block, pieces, [*(port.body for port in ports), *rooms], bone.mesh, mould.undercuts, mould.crumbs)
    held = Fittings(fit.keys, ports, way, ways, check, fit.ribs, fit.stray_keys, turned_in(pieces, fit.staying))
    rows = [piece_figures(mould, k, meshes, made) for k in range(len(meshes))]
    good = [out.is_free and row[1] <= settings.undercut_limit_mm for out, row in zip(ways, rows, strict=True)]
    stated = [{"name": piece.name, "direction": piece.direction.tolist(), "good": ok} for piece, ok in zip(pieces, good, strict=True)]
    lines = trace_parting_lines(bone.mesh, mould.block.bone_outline, mould.membrane)
    depth_at = mould.undercuts.depth_mm[-len(bone.mesh.vertices) :]
    made_pieces = Made(
        solids,
        sources,
        {"n_pieces": len(pieces), "pieces": stated, "crumbs_mm3": mould.crumbs_mm3} | undercut_facts(mould.undercuts) | fitting_facts(held),
        rigid_findings(mould, held, settings),
        rigid_figures(mould, held, settings) + fitting_figures(held, mould.membrane.steepest_deg, settings) + parting_figures(lines, mould.membrane),
        (pieces_table(mould.pieces, ways, good, rows), ports_table(ports), parting_table(lines)),
        (),
        (draft_view(bone.mesh, depth_at, settings.undercut_limit_mm), *piece_views(mould.pieces, meshes, made)),
    )
    return bed, _with_core(made_pieces, core, bed, settings)


def _flexible_pieces(settings: MouldSettings, bed: Bed, sources: _Sources) -> Made:
    mould = cut_flexible_mould(bed.mesh, Lining(settings.rubber_mm, settings.jacket_draft_deg, settings.wall_mm, settings.flange_mm))
    bone, made = mould.bone, len(sources) - 1
    down, up = shades_of(bone, 1.0)
    cuts = Probe.create(bone, down ^ up).plain
    way, ports = plan_ports(bone.mesh, mould.block, settings.pour_diameter_mm, settings.vent_diameter_mm, settings.vent_prominence_mm)
    keys = place_keys(mould.block, mould.membrane, (), settings.key_diameter_mm)
    plain = dataclasses.replace(mould.block, bone_outline=bone_outline(bone.mesh.vertices, bone.mesh.faces))
    core = _held_core(bone, (plain, mould.membrane), ports, settings, bed)
    names = ("jacket-upper", "jacket-lower")
    jacket = fitted(mould.jacket, names, keys, ports, settings.key_clearance_mm)
    rubber = fitted(mould.rubber, ("rubber-upper", "rubber-lower"), (), ports, 0.0, core)
    solids = _solids(jacket, "jacket", bone, made, bed) + _solids(rubber, "mould piece", bone, made, bed)
    meshes = [solid.mesh for solid in solids]
    jacket, rubber = as_made(jacket, meshes[:2]), as_made(rubber, meshes[2:])
    ways = prove_withdrawal(jacket, mould.body)
    none = dataclasses.replace(cuts, depth_mm=np.zeros(len(cuts.points)), wall_depth_mm=np.zeros(len(cuts.wall_points)), area_mm2=0.0, volume_mm3=0.0)
    rooms = [seat for side in (1.0, -1.0) for seat in (core.seats(side, APART_MM) if core else ())]
    check = rejoin(mould.body, rubber, [*(port.body for port in ports), *rooms], bone.mesh, none, mould.crumbs)
    held = Fittings(keys, ports, way, ways, check)
    lining = surface_of(mould.body)
    rows = [jacket_figures(piece, solid.mesh, Surface(lining)) for piece, solid in zip(jacket, solids[:2], strict=True)]
    good = [out.is_free and row[2] >= settings.jacket_draft_deg - 0.01 for out, row in zip(ways, rows, strict=True)]
    lines = trace_parting_lines(bone.mesh, bone_outline(bone.mesh.vertices, bone.mesh.faces), mould.membrane)
    draft = min(row[2] for row in rows)
    stated = [{"name": piece.name, "direction": piece.direction.tolist(), "good": ok} for piece, ok in zip(jacket, good, strict=True)]
    facts = {
        "rubber_mm": [mould.thinnest_mm, mould.thickest_mm],
        "rubber_sampled_mm": mould.sampled_mm,
        "jacket_draft_deg": draft,
        "n_pieces": len(solids),
        "pieces": stated,
    }
    view = draft_view(bone.mesh, cuts.depth_mm[-len(bone.mesh.vertices) :], settings.undercut_limit_mm)
    made_pieces = Made(
        solids,
        sources,
        facts | undercut_facts(cuts) | fitting_facts(held),
        flexible_findings(mould, held, settings),
        flexible_figures(mould, cuts, draft, settings) + fitting_figures(held, mould.membrane.steepest_deg, settings) + parting_figures(lines),
        (pieces_table(jacket, ways, good, rows), ports_table(ports), parting_table(lines)),
        (),
        (view, *piece_views((*jacket, *rubber), meshes, made)),
    )
    return _with_core(made_pieces, core, bed, settings)


def _solids(pieces: Sequence[MouldPiece], role: str, bone: Bone, made: int, bed: Bed) -> tuple[MadeSolid, ...]:
    meshes = [tidied(mesh_of(piece.solid, bone.mesh.source, bone.number, made)[0]) for piece in pieces]
    return tuple(MadeSolid(piece.name, role, mesh, bed.mould_from_replica) for piece, mesh in zip(pieces, meshes, strict=True))

