"""What the job sheet and the record say of a part that is carved: figures, tables, pictures and plain facts."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.carving import Carving
from meshtools.geometry.carved_solid import longest_edge_mm
from meshtools.geometry.scallops import scallop_height_mm
from meshtools.geometry.uncut import uncut_faces
from meshtools.model_ready import Figure, RouteTable, RouteView

LIGHT, MIDDLE, DARK = (235, 235, 235), (170, 170, 170), (30, 30, 30)
MM3_PER_LITRE = 1e6
DOWEL_PLACES = {"bone": "in the bone", "allowance": "not wholly in the bone", "pad": "in a pad beside the bone"}
"""Where a dowel stands at its joint, by the area that it was placed in (`slabs`)."""


def carving_figures(carving: Carving) -> tuple[Figure, ...]:
    """The lines of the job sheet."""
    return (*_block_figures(carving), *_skin_figures(carving), *_facet_figures(carving), *_foam_figures(carving), *_coat_figures(carving))


def _block_figures(carving: Carving) -> list[Figure]:
    size, uncut = carving.stock.size_mm, carving.uncut
    d = carving.chosen.direction
    return [
        Figure(
            "Block, length x width x height", f"{size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f}", "mm", "allowances, channel and frame of the settings"
        ),
        Figure("Datum", "lower corner, least x, y and z of the block", "", "x along the long side, z up to the cutter of set-up 1"),
        Figure("Turned over about", "the long middle axis (x)", "", "the dowels fit this turn only"),
        Figure("Depth of the part", round(carving.chosen.depth_mm, 1), "mm", "along the set-up direction"),
        Figure("Set-up direction in the replica's coordinates", f"{d[0]:.4f} {d[1]:.4f} {d[2]:.4f}", "", "from the part to the cutter of set-up 1"),
        Figure("Set-ups", len(carving.sides), "", "two opposite sides, and further ones where they gain"),
        Figure(
            "Uncut after two sides",
            round(uncut.two_sides_percent, 2),
            "% of skin",
            f"more than {carving.settings.uncut_limit_mm:g} mm left, by height maps",
        ),
        Figure(
            "The same by contact",
            round(uncut.second_percent, 2),
            "% of skin",
            "exact distances and rays to part and parting surface, same fresh samples",
        ),
        Figure(
            "Uncut after all set-ups", round(uncut.all_percent, 2), "% of skin", f"with cutter {carving.cutter.name}; under bridges is not counted"
        ),
    ]


def _skin_figures(carving: Carving) -> list[Figure]:
    radii, cutter, settings = carving.radii, carving.cutter, carving.settings
    step_over = min(settings.step_over_mm, cutter.diameter_mm)
    basis = "no skin in these figures: drill the holes by their templates, not in these set-ups"
    drilled = [Figure("Walls of the armature's holes", round(carving.drilled_mm2 / 100.0, 1), "cm²", basis)] if carving.is_drilled.any() else []
    return [
        *drilled,
        Figure("Smallest inside radius found", round(radii.smallest_mm, 2), "mm", "largest ball that touches from outside, at samples"),
        Figure("Inside radius that 1 % of the skin falls below", round(radii.percent_1_mm, 2), "mm", "largest balls that touch from outside"),
        Figure("Skin tighter than the finishing ball", round(radii.tighter_percent, 2), "%", f"radius {cutter.diameter_mm / 2:g} mm"),
        Figure(
            "Scallop on a flat", round(scallop_height_mm(cutter.diameter_mm / 2.0, step_over), 4), "mm", f"closed form, step-over {step_over:g} mm"
        ),
        Figure("Allowance roughing / finishing", f"{settings.roughing_mm:g} / {settings.finishing_mm:g}", "mm per side", "settings"),
        Figure("Cut past the parting surface", settings.overrun_mm, "mm", "beyond the cutter's radius, from either side"),
    ]


def _facet_figures(carving: Carving) -> list[Figure]:
    carved, quarter = carving.carved, carving.settings.part_tolerance_mm / 4.0
    return [
        Figure("Triangles of the solid", len(carved.facets.faces), "", f"at most {carving.settings.most_triangles}"),
        Figure("Size of facets governed by", carved.governed_by, "", "chord error, step-over or triangle count"),
        Figure("Facets stray by at most", round(carved.bound_mm, 4), "mm", f"proven; limit {quarter:g} mm; 0 where they are the replica's own"),
        Figure("Longest facet edge", round(longest_edge_mm(carved.facets), 2), "mm", "measured"),
    ]


def _foam_figures(carving: Carving) -> list[Figure]:
    solid, density = carving.solid_mm3 / MM3_PER_LITRE, carving.settings.foam_kg_m3
    block, sheets = carving.block_mm3 / MM3_PER_LITRE, carving.sheets_mm3 / MM3_PER_LITRE
    outlines = sum(slab.volume_mm3 for slab in carving.stack.slabs) / MM3_PER_LITRE
    return [
        Figure("Slabs", len(carving.stack.slabs), f"of {carving.settings.slab_mm:g} mm", "ceil((depth + 2 allowance) / thickness)"),
        Figure("Foam in the block", round(block, 2), "l", f"{block * density / 1000:.2f} kg at {density:g} kg/m³"),
        Figure("Foam bought when slabs are cut to outline", round(sheets, 2), "l", "upright rectangles around the outlines"),
        Figure("Foam in the stack of outlines", round(outlines, 2), "l", "outlines x thickness"),
        Figure("Solid to carve", round(solid, 2), "l", f"{solid * density / 1000:.3f} kg at {density:g} kg/m³"),
        Figure("Cut away from the block", round(block - solid, 2), "l", "block less solid"),
        Figure("Cut away when slabs are cut to outline", round(sheets - solid, 2), "l", "sheets less solid"),
        Figure(
            "Slabs that hold all their bone",
            f"{carving.stack_check.n_contained} of {carving.stack_check.n_slabs}",
            "",
            "edges and sections of the part within the outline, without the kernel that drew it",
        ),
        Figure(
            "Slabs with two or more dowels inside",
            f"{carving.stack_check.n_doweled} of {carving.stack_check.n_slabs}",
            "",
            "with the margin around them",
        ),
        Figure("Least cover around the bone in a slab", round(carving.stack_check.least_cover_mm, 2), "mm", "measured"),
    ]


def _coat_figures(carving: Carving) -> list[Figure]:
    coat, settings = carving.coat, carving.settings
    within = Figure(
        "Skin within tolerance, coat added back", round(coat.within_percent, 2), "%", f"of {settings.part_tolerance_mm:g} mm, fresh samples"
    )
    if settings.coat_mm <= 0.0:
        return [Figure("Hard coat", "none", "", "settings"), within]
    return [
        Figure("Hard coat", settings.coat_mm, "mm", "the solid lies so far below the replica's skin"),
        Figure("Largest error of that depth", round(coat.depth_error_mm, 3), "mm", "at the solid's corners, exact distance"),
        within,
        Figure("Skin over bone too thin for coat and core", round(coat.thin_percent, 2), "%", "thickness straight below the skin"),
    ]


def carving_tables(carving: Carving) -> tuple[RouteTable, ...]:
    """Set-ups, cutters, dowels, bridges and slabs."""
    return _setup_table(carving), _cutter_table(carving), _dowel_table(carving), _bridge_table(carving), _slab_table(carving)


def _setup_table(carving: Carving) -> RouteTable:
    left: tuple[float | str, ...] = ("", carving.uncut.two_sides_percent, *carving.uncut.after_further_percent)
    rows: list[tuple[str | int | float, ...]] = []
    for number, side in enumerate(carving.sides):
        inner, outer = carving.direction_in_stock(side), side.frame[2]
        how = ("as it lies", "turned over about x")[number] if number < 2 else "clamped anew"
        vectors = tuple(round(float(value), 4) + 0.0 for value in (*outer, *inner))
        after = left[number]
        rows.append((number + 1, how, *vectors, after if isinstance(after, str) else round(after, 2)))
    header = ("set-up", "how", "x replica", "y replica", "z replica", "x stock", "y stock", "z stock", "uncut afterwards %")
    return RouteTable("set-ups", "Set-ups and directions from the part to the cutter", header, tuple(rows))


def _cutter_table(carving: Carving) -> RouteTable:
    depth = float(carving.stock.size_mm[2])
    rows = tuple(
        (
            r.cutter.name, r.cutter.kind, r.cutter.diameter_mm, r.cutter.flute_mm, r.cutter.stick_out_mm, r.cutter.holder_diameter_mm,
            int(np.ceil(depth / r.cutter.flute_mm)), round(r.uncut_percent, 2), round(r.uncut_area_mm2 / 100.0, 1),
        )
        for r in carving.reach
    )  # fmt: skip
    header = ("cutter", "kind", "diameter mm", "flute mm", "stick-out mm", "holder mm", "levels at least", "uncut alone %", "uncut alone cm²")
    return RouteTable("cutters", "Cutters, and what each alone leaves from two sides", header, rows)


def _dowel_table(carving: Carving) -> RouteTable:
    height, diameter = float(carving.stock.size_mm[2]), carving.settings.dowel_mm
    rows: list[tuple[str | int | float, ...]] = [
        (f"S{k + 1}", "set-up, in the frame", round(float(x), 2), round(float(y), 2), 0.0, height, diameter)
        for k, (x, y) in enumerate(carving.stock.dowels)
    ]
    for k, dowel in enumerate(carving.stack.dowels):
        use = f"slabs {dowel.joint + 1}-{dowel.joint + 2}, {DOWEL_PLACES[dowel.kind]}"
        low, high = carving.stack.reach_of(dowel)
        heights = round(low, 2), round(high, 2)
        rows.append((f"D{k + 1}", use, round(dowel.x_mm, 2), round(dowel.y_mm, 2), *heights, diameter))
    return RouteTable("dowels", "Dowels in stock coordinates", ("dowel", "use", "x mm", "y mm", "from z mm", "to z mm", "diameter mm"), tuple(rows))


def _bridge_table(carving: Carving) -> RouteTable:
    rows: tuple[tuple[str | int | float, ...], ...] = tuple(
        (f"B{k + 1}", *(round(float(value), 1) for value in (*bridge.start, *bridge.end)), bridge.width_mm)
        for k, bridge in enumerate(carving.bridges)
    )
    header = ("bridge", "x part mm", "y part mm", "z part mm", "x frame mm", "y frame mm", "z frame mm", "width and height mm")
    return RouteTable("bridges", "Holding bridges on the parting surface, in stock coordinates", header, rows)


def _slab_table(carving: Carving) -> RouteTable:
    rows = tuple(
        (
            k + 1, round(slab.low_mm, 2), round(slab.high_mm, 2), round(slab.sheet_mm[0], 1), round(slab.sheet_mm[1], 1),
            round(slab.volume_mm3 / MM3_PER_LITRE, 3), len(carving.stack.dowels_in(k)), "first" if k == 0 else f"onto slab {k}",
        )
        for k, slab in enumerate(carving.stack.slabs)
    )  # fmt: skip
    header = ("slab", "from z mm", "to z mm", "sheet x mm", "sheet y mm", "outline l", "dowels", "glue")
    return RouteTable("slabs", "Slabs from the lowest up, in the order of gluing", header, rows)


def carving_views(carving: Carving) -> tuple[RouteView, ...]:
    """A picture per set-up seen along it: light what it cuts, middle grey what another set-up cuts, dark what stays uncut, and walls of holes that
    are drilled; and the thin places."""
    limit, drilled = carving.settings.uncut_limit_mm, carving.is_drilled
    masks = [uncut_faces(carving.carved.solid, (side,), limit) for side in carving.sides]
    never = np.logical_and.reduce(masks)
    words = "dark stays uncut, middle grey is cut in another set-up" + (", hatched are walls of holes: drill them" if drilled.any() else "")
    views = []
    for number, (side, mask) in enumerate(zip(carving.sides, masks, strict=True)):
        colours = np.full((len(mask), 3), LIGHT, np.uint8)
        colours[mask], colours[never] = MIDDLE, DARK
        up = np.array([0.0, (1.0, -1.0)[number], 0.0]) if number < 2 else carving.stock.stock_from_replica[:3, :3] @ side.frame[1]
        title = f"Set-up {number + 1}, seen along it: {words}"
        views.append(RouteView(title, carving.lying, colours, -carving.direction_in_stock(side), up, drilled))
    if carving.coat.is_thin.any():
        colours = np.full((len(carving.coat.is_thin), 3), LIGHT, np.uint8)
        colours[carving.coat.is_thin] = DARK
        frame = carving.both.sight.frame
        views.append(RouteView("Dark: too thin for coat and core", carving.part.skin, colours, -frame[2], frame[1]))
    return tuple(views)


def carving_facts(carving: Carving) -> dict[str, Any]:
    """Plain values for the record."""
    return {
        "route": "cnc",
        "block_mm": [round(float(side), 3) for side in carving.stock.size_mm],
        "depth_mm": round(carving.chosen.depth_mm, 3),
        "directions": [[round(float(value), 6) + 0.0 for value in side.frame[2]] for side in carving.sides],
        "uncut_two_sides_percent": round(carving.uncut.two_sides_percent, 3),
        "uncut_by_contact_percent": round(carving.uncut.second_percent, 3),
        "uncut_percent": round(carving.uncut.all_percent, 3),
        "uncut_limit_mm": carving.settings.uncut_limit_mm,
        "facets_governed_by": carving.carved.governed_by,
        "facets_bound_mm": round(carving.carved.bound_mm, 5),
        "n_triangles": len(carving.carved.facets.faces),
        "smallest_inside_radius_mm": round(carving.radii.smallest_mm, 3),
        "n_slabs": len(carving.stack.slabs),
        "n_slabs_holding_bone": carving.stack_check.n_contained,
        "n_slabs_doweled": carving.stack_check.n_doweled,
        "n_bridges": len(carving.bridges),
        "inside_stack_percent": round(100.0 * carving.inside_share, 3),
        "drilled_mm2": round(carving.drilled_mm2, 1),
        "coat_mm": carving.settings.coat_mm,
        "within_tolerance_percent": round(carving.coat.within_percent, 3),
        "solid_mm3": round(carving.solid_mm3, 3),
        "block_mm3": round(carving.block_mm3, 3),
    }
