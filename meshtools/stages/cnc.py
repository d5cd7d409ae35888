"""The route that carves a part from foam: set-ups, stock, slabs and the solid to carve. No toolpaths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from meshtools.carving import Carving
from meshtools.carving_drawings import draw_setup, draw_slabs
from meshtools.carving_findings import find_faults, laid_to_fit
from meshtools.carving_sections import TOO_LARGE, join_sections, room_for_part, section_parts
from meshtools.carving_sheet import carving_facts, carving_figures, carving_tables, carving_views
from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.carved_solid import CarvingPlan, carve_from
from meshtools.geometry.coat_check import check_coat
from meshtools.geometry.end_widths import end_points
from meshtools.geometry.further_setups import choose_setups
from meshtools.geometry.milled_parting import height_at, parting_sheet
from meshtools.geometry.outlines import silhouette, solid_of
from meshtools.geometry.setups import ReachLimits, SetUpSearch, TwoSides
from meshtools.geometry.slab_check import check_stack
from meshtools.geometry.slabs import SlabPlan, share_inside, stack_slabs
from meshtools.geometry.stock import (
    LEAST_BRIDGES,
    LIKELY_END_SHARE,
    Bridge,
    BridgePlan,
    Stock,
    StockPlan,
    block_mesh,
    lay_in_stock,
    place_bridges,
)
from meshtools.geometry.transform import apply_matrix, move_points, translation_matrix
from meshtools.geometry.uncut import draw_fresh, measure_inside_radii, measure_uncut, reach_of_cutters
from meshtools.geometry.unite import concatenate, unite_pieces
from meshtools.model import EvidenceClass, Finding, FloatArray, Mesh, Origin, Severity, SourceEntry
from meshtools.model_ready import Made, MadeSolid, Part
from meshtools.settings_cnc import CncSettings, Cutter


def make_cnc(part: Part, settings: CncSettings) -> Made:
    """Plan how a part is carved: the solid to carve in stock coordinates, its block, parting surface, bridges, slabs, dowels and drawings.

    Set-ups are two opposite sides along the shallowest direction that leaves little enough uncut, and further sides where they gain; holes of the
    armature are drilled and bear on neither. A part that is too large for the machine is carved in sections. One that cannot be carved comes
    back with a finding of severity failed.
    """
    made_entry = SourceEntry(EvidenceClass.MADE, "", Origin.MADE)
    sources = (*part.sources, made_entry)
    try:
        carving = plan_carving(part, settings)
    except GeometryError as error:
        return Made((), part.sources, {"route": "cnc"}, (Finding(Severity.FAILED, "not-carvable", f"{part.part_id}: {error}"),))
    whole = _made(carving, sources)
    if not any(finding.code == TOO_LARGE for finding in whole.findings):
        return whole
    try:
        parts = section_parts(carving, stock_plan(settings), made_entry)
        if len(parts) == 1:  # it fits as it is when it lies otherwise
            laid = _made(plan_carving(part, settings, must_fit=True), sources)
            fits = not any(finding.code == TOO_LARGE for finding in laid.findings)
            return replace(laid, findings=(*((laid_to_fit(carving),) if fits else ()), *laid.findings))
        sections = [_made(plan_carving(section, replace(settings, coat_mm=0.0), must_fit=True), sources) for section in parts]
    except GeometryError as error:
        return replace(whole, findings=(*whole.findings, Finding(Severity.FAILED, "no-sections", f"{part.part_id}: {error}")))
    return join_sections(whole, sections, carving)


def _made(carving: Carving, sources: tuple[SourceEntry, ...]) -> Made:
    """The route's result; the last source is that of made faces."""
    return Made(
        _solids(carving, len(sources) - 1),
        sources,
        carving_facts(carving),
        find_faults(carving),
        carving_figures(carving),
        carving_tables(carving),
        (draw_setup(carving), *draw_slabs(carving)),
        carving_views(carving),
    )


def plan_carving(part: Part, settings: CncSettings, must_fit: bool = False) -> Carving:
    """Everything that the sheet, the drawings and the solids are made from; must_fit: of the set-ups only those that the machine takes, where there
    are any. GeometryError where the part cannot be carved at all."""
    cutter = finishing_cutter(settings.cutters)
    _check_solid(part.mesh)
    facets = CarvingPlan(settings.part_tolerance_mm, settings.step_over_mm, settings.most_triangles, settings.coat_mm)
    carved = carve_from(part.skin, facets, part.mesh if part.unbored is not None else None)
    limits = replace(reach_limits(settings), must_fit=must_fit)
    setups = choose_setups(SetUpSearch(carved.mesh, cutter, limits), carved.mesh, settings.most_setups - 2)
    chosen, both, further = setups.chosen, setups.both, setups.further
    fresh = draw_fresh(carved.mesh)
    stock = lay_in_stock(carved.mesh.vertices, both.sight.frame, stock_plan(settings))
    corner = stock.stock_from_replica[:2, 3]
    sheet = parting_sheet(both.sight, both.parting, -corner, stock.size_mm[:2] - corner)
    lying = apply_matrix(carved.solid, stock.stock_from_replica)
    slab_plan = SlabPlan(settings.slab_mm, settings.roughing_mm, settings.dowel_mm, settings.dowel_margin_mm)
    solid = solid_of(lying)
    stack = stack_slabs(solid, stock.n_slabs, slab_plan)
    outline = silhouette(solid)
    coat = check_coat(part.skin, carved.mesh, settings.coat_mm, settings.least_core_mm, settings.part_tolerance_mm)
    return Carving(
        part=part, settings=settings, cutter=cutter, carved=carved, lying=lying, chosen=chosen, both=both, further=further,
        uncut=measure_uncut(carved.mesh, both, further, limits, (fresh, sheet)),
        reach=reach_of_cutters(carved.mesh, chosen.direction, settings.cutters, limits, fresh),
        radii=measure_inside_radii(carved.mesh, cutter, settings.part_tolerance_mm / 4.0, fresh),
        stock=stock, outline=outline, bridges=_bridges(part, settings, both, stock, outline),
        stack=stack, stack_check=check_stack(stack, lying, slab_plan), coat=coat,
        inside_share=share_inside(stack, draw_fresh(lying).points), sheet=sheet,
    )  # fmt: skip


def _check_solid(mesh: Mesh) -> None:
    audit = audit_topology(mesh)
    if not audit.is_closed or not audit.is_outward:
        raise GeometryError("the replica is not a closed surface that faces outwards, so it bounds no foam; repair it first")


def finishing_cutter(cutters: Sequence[Cutter]) -> Cutter:
    """The ball of least diameter, the first of several. GeometryError where there is no ball or a cutter cannot be."""
    for cutter in cutters:
        if cutter.kind not in ("ball", "flat") or min(cutter.diameter_mm, cutter.flute_mm, cutter.stick_out_mm, cutter.holder_diameter_mm) <= 0:
            raise GeometryError(f"cutter '{cutter.name}' needs the kind ball or flat and lengths above 0; correct it in the settings")
    balls = [cutter for cutter in cutters if cutter.kind == "ball"]
    if not balls:
        raise GeometryError("there is no ball-end cutter among the cutters, so no free form can be finished; enter one in the settings")
    return min(balls, key=lambda cutter: cutter.diameter_mm)


def reach_limits(settings: CncSettings) -> ReachLimits:
    """What the search of set-ups is held to."""
    deepest = room_for_part(settings, stock_plan(settings))[2]
    return ReachLimits(settings.uncut_limit_mm, settings.uncut_limit_percent, settings.overrun_mm, deepest)


def stock_plan(settings: CncSettings) -> StockPlan:
    """Widths around the part."""
    return StockPlan(settings.roughing_mm, settings.channel_mm, settings.frame_mm, settings.dowel_mm, settings.dowel_margin_mm, settings.slab_mm)


def _bridges(part: Part, settings: CncSettings, both: TwoSides, stock: Stock, outline: object) -> tuple[Bridge, ...]:
    shift = stock.stock_from_replica[:3, 3]

    def height(places: FloatArray) -> FloatArray:
        return np.asarray(height_at(both.sight, both.parting, places[:, :2] - shift[:2]) + shift[2])

    plan = BridgePlan(settings.bridge_width_mm, settings.bridge_spacing_mm, settings.channel_mm)
    known = move_points(part.keep_off, stock.stock_from_replica), settings.keep_off_mm
    if not part.has_joints:
        ends = move_points(end_points(part.skin, LIKELY_END_SHARE), stock.stock_from_replica)
        bridges = place_bridges(outline, height, [known, (ends, 0.0)], plan)
        if len(bridges) >= LEAST_BRIDGES:
            return bridges
    return place_bridges(outline, height, [known], plan)


def _solids(carving: Carving, made_index: int) -> tuple[MadeSolid, ...]:
    matrix, shift = carving.stock.stock_from_replica, carving.stock.stock_from_replica[:3, 3]
    size = carving.stock.size_mm
    sheet = apply_matrix(carving.sheet, translation_matrix(shift.tolist())).replaced(source=np.full(len(carving.sheet.faces), made_index))
    solids = [
        MadeSolid("carve", "part", apply_matrix(carving.carved.facets, matrix), matrix),
        MadeSolid("stock", "stock", block_mesh(size, made_index), matrix),
        MadeSolid("parting", "parting surface", sheet, matrix),
    ]
    if carving.bridges:
        bars = concatenate([bridge.mesh(made_index) for bridge in carving.bridges])
        solids.append(MadeSolid("bridges", "bridge", unite_pieces(bars).mesh, matrix))
    return tuple(solids)
