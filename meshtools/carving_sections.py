"""A part larger than the machine or the stock: cut by planes into sections that each fit, carved one by one and glued."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from meshtools.carving import Carving
from meshtools.errors import GeometryError
from meshtools.geometry.body import Body, enter, parts_of
from meshtools.geometry.splitting import Demand, Split, split_to_fit
from meshtools.geometry.stock import StockPlan
from meshtools.model import Finding, Mesh, Severity, SourceEntry
from meshtools.model_ready import Made, Part
from meshtools.settings_cnc import CncSettings

MOST_SECTIONS = 16
TOO_LARGE = "block-too-large"
LYING = 1.02  # a section may be so many times as deep as the whole
GLUE_WIDTH_DOWELS = 2.0  # a cut wants this much width of matter, in dowels


def room_for_part(settings: CncSettings, plan: StockPlan) -> tuple[float, float, float]:
    """Largest extents of a part whose block the machine and the stock take, 0 or less where none fits."""
    beside = 2.0 * (plan.channel_mm + plan.frame_width_mm)
    longest, widest, deepest = largest_block(settings)
    depth = float(np.floor(deepest / plan.slab_mm) * plan.slab_mm - 2.0 * plan.roughing_mm)
    return longest - beside - 2.0 * plan.dowel_mm - 1.0, widest - beside - 1.0, depth


def largest_block(settings: CncSettings) -> tuple[float, float, float]:
    """Length, width and height of the largest block that machine and stock take; the block lies along the longer of the two axes."""
    sides = min(settings.travel_x_mm, settings.stock_x_mm), min(settings.travel_y_mm, settings.stock_y_mm)
    return max(sides), min(sides), min(settings.travel_z_mm - settings.clearance_mm, settings.stock_z_mm)


def limiting_settings(settings: CncSettings) -> tuple[str, str, str]:
    """The settings that `largest_block` is what it is by, in its order; where the machine and the stock take the same, that of the machine."""
    sides = [("travel_x_mm", "stock_x_mm"), ("travel_y_mm", "stock_y_mm")]
    taken = [min(names, key=lambda name: float(getattr(settings, name))) for names in sides]
    longest, widest = sorted(taken, key=lambda name: -float(getattr(settings, name)))
    is_travel = settings.travel_z_mm - settings.clearance_mm <= settings.stock_z_mm
    return longest, widest, "travel_z_mm less clearance_mm" if is_travel else "stock_z_mm"


def section_parts(carving: Carving, plan: StockPlan, made: SourceEntry) -> tuple[Part, ...]:
    """The solid to carve, cut to sections that fit; cut faces get the last entry of their source table. GeometryError where that cannot be done."""
    part, settings = carving.part, carving.settings
    room = room_for_part(settings, plan)
    if min(room) <= 0.0:
        k = next(k for k, left_mm in enumerate(room) if left_mm <= 0.0)
        beside = "beside channel and frame" if k < 2 else "in height beside the roughing allowance"
        raise GeometryError(f"{limiting_settings(settings)[k]} leaves no room for a part {beside}, in sections neither.")
    body = enter(carving.carved.solid)
    room = (*room[:2], min(room[2], LYING * carving.chosen.depth_mm))  # sections lie as the whole did, they do not stand on end
    keep_off = settings.keep_off_mm if len(part.keep_off) else 0.0
    demand = Demand(room, carving.both.sight.direction, part.keep_off, keep_off, 0.0, GLUE_WIDTH_DOWELS * settings.dowel_mm, MOST_SECTIONS)
    try:
        split = split_to_fit(body.solid, demand)
    except GeometryError as error:  # which speaks of the settings of a print
        named = ", ".join(limiting_settings(settings))
        raise GeometryError(f"no {MOST_SECTIONS} sections or fewer were found that all fit; what limits them is {named}.") from error
    sources, made_index = (*part.sources, made), len(part.sources)
    unbored = [None] * len(split.parts) if part.unbored is None else _unbored(enter(carving.carved.mesh), split, made_index)
    meshes = [body.with_solid(piece.solid).mesh(made_index) for piece in split.parts]
    return tuple(
        Part(f"{part.part_id} section {k + 1}", part.revision, mesh, sources, part.keep_off, part.facts, skin)
        for k, (mesh, skin) in enumerate(zip(meshes, unbored, strict=True))
    )


def _unbored(whole: Body, split: Split, made_index: int) -> list[Mesh]:
    """The sections of the part without its holes: cut by the same planes, and of several bodies there the one that is the section."""
    meshes = []
    for piece in split.parts:
        solid = whole.solid
        for number, sign in piece.cuts:
            plane = split.cuts[number].plane
            upper, lower = solid.split_by_plane(tuple(plane.normal), plane.offset_mm)
            solid = upper if sign > 0 else lower
        body = max(parts_of(solid)[0], key=lambda body: float((body ^ piece.solid).volume()))
        meshes.append(whole.with_solid(body).mesh(made_index))
    return meshes


def join_sections(whole: Made, sections: Sequence[Made], carving: Carving) -> Made:
    """The route of a part in sections: their solids, tables, drawings and pictures under names that begin with the section's number."""
    size = " x ".join(f"{side:.0f}" for side in carving.stock.size_mm)
    message = (
        f"{carving.part.part_id}: the whole block of {size} mm does not fit the machine or the stock, so the part is carved in {len(sections)} "
        "sections with blocks of their own; glue them at their plane faces, which are nobody's bone."
    )
    glued = Finding(Severity.REVIEW, "carved-in-sections", message, len(sections), 1, "sections")
    kept = [finding for finding in whole.findings if finding.code in ("too-thin-for-coat", "bodies-lost-under-coat", "coat-does-not-restore")]
    numbered = [(f"s{k + 1}", f"Section {k + 1}: ", section) for k, section in enumerate(sections)]
    return Made(
        tuple(replace(solid, name=f"{short}-{solid.name}") for short, _, made in numbered for solid in made.solids),
        sections[0].sources,
        {
            "route": "cnc",
            "whole_block_mm": whole.facts["block_mm"],
            "coat_mm": whole.facts["coat_mm"],
            "within_tolerance_percent": whole.facts["within_tolerance_percent"],
            "sections": [dict(made.facts) for made in sections],
        },
        (glued, *kept, *(finding for made in sections for finding in made.findings)),
        tuple(replace(figure, label=long + figure.label) for _, long, made in numbered for figure in made.figures),
        tuple(replace(table, name=f"{short}-{table.name}", title=long + table.title) for short, long, made in numbered for table in made.tables),
        tuple(replace(drawing, name=f"{short}-{drawing.name}") for short, _, made in numbered for drawing in made.drawings),
        tuple(replace(view, title=long + view.title) for _, long, made in numbered for view in made.views),
    )
