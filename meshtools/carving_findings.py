"""What a person must know before a part is carved: each as a finding with its figure and limit."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from meshtools.carving import Carving, sections_needed
from meshtools.carving_sections import TOO_LARGE, largest_block, limiting_settings
from meshtools.counted import counted
from meshtools.geometry import outlines
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.body import rod
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.stock import LEAST_BRIDGES, LIKELY_END_SHARE, fitting_flips
from meshtools.model import Finding, Severity

AGREEMENT_POINTS = 0.5  # the two ways of measuring the uncut share may differ by so many points of percent
RESTORED_PERCENT = 99.0  # of the skin lies within the tolerance once the coat is back (proposed)
RIGHT_FLIPS = ("as it lies", "turned over about x")


def find_faults(carving: Carving) -> tuple[Finding, ...]:
    """Every finding of a carving, gravest first."""
    found = [*_machine(carving), *_solid(carving), *_uncut(carving), *_coat(carving), *_slabs(carving), *_showing(carving), *_holding(carving)]
    order = (Severity.FAILED, Severity.REVIEW, Severity.NOTE)
    return tuple(sorted(found, key=lambda finding: order.index(finding.severity)))


def _machine(carving: Carving) -> Iterator[Finding]:
    settings, size, name = carving.settings, carving.stock.size_mm, carving.part.part_id
    limits, limiting = largest_block(settings), limiting_settings(settings)
    beside = 2.0 * (settings.channel_mm + settings.frame_mm + settings.dowel_mm)
    for k, axis in enumerate("xyz"):
        if size[k] <= limits[k]:
            continue
        n = sections_needed(float(size[k]), limits[k], beside if k < 2 else 0.0)
        larger = "glue or buy a larger block" if limiting[k].startswith("stock") else "take another machine"
        parts = f"carve it in {n} sections along {axis} and glue them" if n else larger
        message = f"{name}: the block is {size[k]:.0f} mm along {axis} but {limiting[k]} lets it be {limits[k]:.0f} mm; {parts}."
        yield Finding(Severity.FAILED, TOO_LARGE, message, round(float(size[k]), 1), round(limits[k], 1), "mm")


def laid_to_fit(carving: Carving) -> Finding:
    """A part that would be too deep as it is carved best, and is laid otherwise. carving: as it is carved best."""
    depth, uncut = carving.chosen.depth_mm, carving.uncut.all_percent
    message = (
        f"{carving.part.part_id}: along the direction that would leave the least uncut ({uncut:.1f} %) the part is {depth:.0f} mm deep and its block "
        "does not fit the machine or the stock; it is laid so that it fits."
    )
    return Finding(Severity.REVIEW, "laid-to-fit", message, round(float(carving.stock.size_mm[2]), 1), largest_block(carving.settings)[2], "mm")


def _solid(carving: Carving) -> Iterator[Finding]:
    name, carved = carving.part.part_id, carving.carved
    audit = audit_topology(carving.lying)
    if not audit.is_closed or not audit.is_outward:
        yield Finding(
            Severity.FAILED, "carving-not-closed", f"{name}: the solid to carve is not closed; repair the replica.", audit.n_open_edges, 0, "edges"
        )
    elif audit.n_pieces > 1:
        message = (
            f"{name}: the solid consists of {audit.n_pieces} bodies, and a body without bridges comes loose when cut free; "
            "join them by pins or carve each by itself."
        )
        yield Finding(Severity.REVIEW, "carving-in-pieces", message, audit.n_pieces, 1, "bodies")
    crossings = count_self_intersections(carving.lying).n_pairs
    if crossings:
        message = f"{name}: {counted(crossings, 'pair')} of faces of the solid to carve pass through each other; repair the replica."
        yield Finding(Severity.REVIEW, "carving-crosses-itself", message, crossings, 0, "pairs of faces")
    quarter = carving.settings.part_tolerance_mm / 4.0
    if carved.bound_mm > quarter:
        message = (
            f"{name}: with at most {carving.settings.most_triangles} triangles the facets stray up to {carved.bound_mm:.3f} mm; "
            "allow more triangles or a wider tolerance."
        )
        yield Finding(Severity.REVIEW, "facets-too-coarse", message, round(carved.bound_mm, 4), round(quarter, 4), "mm")


def _uncut(carving: Carving) -> Iterator[Finding]:
    name, uncut, settings = carving.part.part_id, carving.uncut, carving.settings
    if uncut.all_percent > settings.uncut_limit_percent:
        message = (
            f"{name}: after {len(carving.sides)} set-ups {uncut.all_percent:.1f} % of the skin keeps more than {settings.uncut_limit_mm:g} mm of "
            f"foam with the cutter '{carving.cutter.name}'; plan more set-ups, a smaller or longer cutter, handwork, or another route."
        )
        yield Finding(Severity.REVIEW, "left-uncut", message, round(uncut.all_percent, 2), settings.uncut_limit_percent, "%")
    elif carving.further:
        message = (
            f"{name}: two sides leave {uncut.two_sides_percent:.1f} % of the skin uncut, so the plan has "
            f"{counted(len(carving.further), 'further set-up')}; after all of them {uncut.all_percent:.1f} % stays."
        )
        yield Finding(Severity.REVIEW, "more-than-two-setups", message, round(uncut.two_sides_percent, 2), settings.uncut_limit_percent, "%")
    apart = abs(uncut.two_sides_percent - uncut.second_percent)
    if apart > AGREEMENT_POINTS:
        larger = max(uncut.two_sides_percent, uncut.second_percent)
        message = f"{name}: two ways of measuring the uncut share differ by {apart:.2f} points; take the larger, {larger:.1f} %."
        yield Finding(Severity.REVIEW, "uncut-share-unsure", message, round(apart, 2), AGREEMENT_POINTS, "points")


def _coat(carving: Carving) -> Iterator[Finding]:
    name, coat, settings, erosion = carving.part.part_id, carving.coat, carving.settings, carving.carved.erosion
    if erosion is None:
        return
    least = settings.thinnest_mm
    if coat.is_thin.any():
        message = (
            f"{name}: {coat.thin_percent:.1f} % of the skin lies over bone thinner than two coats and a core ({least:g} mm), where little or no foam "
            "is left; print or cast this part, or choose a thinner coat."
        )
        yield Finding(Severity.REVIEW, "too-thin-for-coat", message, round(coat.thin_percent, 2), 0.0, "%")
    if erosion.n_dropped:
        message = (
            f"{name}: left out, because they hang together with nothing under the coat: {counted(erosion.n_dropped, 'small body', 'small bodies')}; "
            "print or cast what is lost."
        )
        yield Finding(Severity.REVIEW, "bodies-lost-under-coat", message, erosion.n_dropped, 0, "bodies")
    if coat.within_percent < RESTORED_PERCENT:
        message = (
            f"{name}: with its coat of even thickness added back {coat.within_percent:.1f} % of the skin lies within "
            f"{settings.part_tolerance_mm:g} mm of the replica, the rest up to {coat.worst_mm:.1f} mm off "
            "at sharp ridges and thin places; build those up by hand."
        )
        yield Finding(Severity.REVIEW, "coat-does-not-restore", message, round(coat.within_percent, 2), RESTORED_PERCENT, "%")


def _slabs(carving: Carving) -> Iterator[Finding]:
    name, check, settings = carving.part.part_id, carving.stack_check, carving.settings
    if check.n_contained < check.n_slabs or carving.inside_share < 1.0:
        message = (
            f"{name}: only {check.n_contained} of {check.n_slabs} slabs hold all of the bone within them, and of points drawn on the bone "
            f"{100.0 * carving.inside_share:.3f} % lie in the stack; do not cut sheets to outline."
        )
        yield Finding(Severity.FAILED, "slab-too-small", message, check.n_contained, check.n_slabs, "slabs")
    if check.n_doweled < check.n_slabs or check.n_loose:
        n_slabs = check.n_slabs - check.n_doweled
        message = f"{name}: not held by two dowels: {counted(n_slabs, 'slab')} and {counted(check.n_loose, 'piece')} of slabs; place dowels by hand."
        yield Finding(Severity.REVIEW, "slab-without-dowels", message, check.n_doweled, check.n_slabs, "slabs")
    if len(carving.stack.slabs) > 1:
        message = (
            f"{name}: choose how the block is built. Of whole sheets it has a frame, in which S1, S2 and the bridges stand. Of slabs cut to their "
            "outlines it takes less foam but has no frame: the dowels between the slabs hold it together, and it is clamped or screwed down instead."
        )
        yield Finding(Severity.NOTE, "sheets-or-outlines", message, len(carving.stack.slabs), None, "slabs")
    sheet = sorted((settings.stock_x_mm, settings.stock_y_mm), reverse=True)  # a slab may be turned on its sheet
    sides = [max(sorted(slab.sheet_mm, reverse=True)[k] for slab in carving.stack.slabs) for k in (0, 1)]
    over = max((0, 1), key=lambda k: sides[k] - sheet[k])
    if sides[over] > sheet[over]:
        message = f"{name}: slabs of up to {sides[0]:.0f} x {sides[1]:.0f} mm are larger than the sheets; join sheets edge to edge."
        yield Finding(Severity.REVIEW, "slab-larger-than-sheet", message, round(sides[over], 1), sheet[over], "mm")


def _showing(carving: Carving) -> Iterator[Finding]:
    """Dowels between slabs that stand partly in the bone and partly out of it, in the cutter's way."""
    solid, radius = outlines.solid_of(carving.lying), carving.settings.dowel_mm / 2.0
    showing = []
    for k, dowel in enumerate(carving.stack.dowels):
        low, high = carving.stack.reach_of(dowel)
        pin = rod(np.array([dowel.x_mm, dowel.y_mm, low]), np.array([dowel.x_mm, dowel.y_mm, high]), radius)
        if 1e-4 < (pin ^ solid).volume() / pin.volume() < 1.0 - 1e-4:
            showing.append(k + 1)
    if showing:
        which = f"{_runs(showing)} {'comes' if len(showing) == 1 else 'come'}"
        message = (
            f"{carving.part.part_id}: {which} through the skin of the finished part: between the slabs take dowels that the cutter may cut "
            "(foam or wood, no metal), and fill what shows."
        )
        yield Finding(Severity.NOTE, "dowels-show", message, len(showing), 0, "dowels")


def _runs(numbers: list[int]) -> str:
    """Ascending numbers of dowels as words: `D1 to D5, D7, D9 and D10`."""
    starts = [k for k in range(len(numbers)) if not k or numbers[k] > numbers[k - 1] + 1]
    words: list[str] = []
    for start, end in zip(starts, [*starts[1:], len(numbers)], strict=True):
        run = numbers[start:end]
        words += [f"D{run[0]} to D{run[-1]}"] if len(run) > 2 else [f"D{number}" for number in run]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _holding(carving: Carving) -> Iterator[Finding]:
    name, stock = carving.part.part_id, carving.stock
    flips = fitting_flips(stock.dowels, stock.size_mm, carving.settings.dowel_mm / 4.0)
    if flips != RIGHT_FLIPS:
        yield Finding(
            Severity.FAILED, "dowels-fit-wrongly", f"{name}: the block fits its dowels {', '.join(flips)}; move a dowel.", len(flips), 2, "ways"
        )
    n_bridges = len(carving.bridges)
    if n_bridges < LEAST_BRIDGES:
        message = (
            f"{name}: there is room for {f'only {n_bridges}' if n_bridges else 'no'} holding bridge{'' if n_bridges == 1 else 's'} off the joint "
            "surfaces and holes that are known; hold the part otherwise before it is cut free."
        )
        yield Finding(Severity.REVIEW, "too-few-bridges", message, n_bridges, LEAST_BRIDGES, "bridges")
    if not carving.part.has_joints:
        message = (
            f"{name}: no articular ends are known. Of a long bone the outermost {100 * LIKELY_END_SHARE:g} % at both ends are kept clear of bridges "
            "where there is room for three; else one may stand on a joint surface. Look at the drawing of the set-up."
        )
        yield Finding(Severity.NOTE, "joints-unknown", message, 0, 1, "points")
