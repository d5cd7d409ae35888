"""What the record and the job sheet say of a mould: facts, findings and figures."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.counted import counted
from meshtools.geometry.core_prints import N_PRINTS, HeldCore
from meshtools.geometry.jacket import THIN_MM, FlexibleMould
from meshtools.geometry.mould_fittings import LEAST_MISFIT_MM, N_KEYS, Key, Port, wrong_way_misfit
from meshtools.geometry.mould_keying import PLUG_MM3, large_strays
from meshtools.geometry.mould_pieces import MouldPiece, RigidMould
from meshtools.geometry.mould_proof import Rejoined, WayOut
from meshtools.geometry.mould_tables import mass_figures
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.seat_ribs import RIB_DRAFT_DEG, SeatRib
from meshtools.geometry.side_pieces import SLIDE_DEG
from meshtools.geometry.undercuts import SHALLOW_MM, Undercuts
from meshtools.model import Finding, FloatArray, Severity
from meshtools.model_ready import Figure
from meshtools.settings_mould import MouldSettings

REJOIN_VOLUME = 1e-4  # share of the volume within which the cavity is the bone's
REJOIN_MM = 0.05  # and the distance of the surfaces
WIDE_POUR = 0.5  # of the bone's middle size in the mould (our default)
LEAST_NEEDLE_MM = 3.0  # what reaches through a hole of the bone breaks off below this width (common practice, no source)
MOST_POUR = 0.6  # of the breadth: with more, most of a face of the bone is lost (our default)
LEAST_TURNED_MM3 = 8.0  # of a side piece put in turned lie in its neighbours: a cube of 2 mm (our default)
SEEN_MM3 = 0.01  # what is left out and smaller than this, a grain of a fifth of a millimetre, nobody sees on the casting (our default)


@dataclasses.dataclass(frozen=True, eq=False)
class Fittings:
    """What was fitted to a mould, and what came of the proofs: keys, pour and vents, the half on top while pouring (1 or -1), how each rigid piece
    came out, the cavity against the bone; ribs of side pieces, keys of large stray bodies by the names of these, and how much of
    each side piece, by its name, would lie in its neighbours if it were put in turned."""

    keys: tuple[Key, ...]
    ports: tuple[Port, ...]
    way: float
    ways: tuple[WayOut, ...]
    check: Rejoined
    ribs: tuple[SeatRib, ...] = ()
    stray_keys: Mapping[str, tuple[Key, ...]] = dataclasses.field(default_factory=dict)
    turned_mm3: Mapping[str, float] = dataclasses.field(default_factory=dict)

    @property
    def n_vents(self) -> int:
        """Ports that are vents."""
        return sum(port.kind == "vent" for port in self.ports)


def fitting_facts(fitted: Fittings) -> dict[str, Any]:
    """Facts of keys, vents and proofs."""
    return {
        "ways_out": [dataclasses.asdict(out) for out in fitted.ways],
        "rejoin": dataclasses.asdict(fitted.check),
        "n_keys": len(fitted.keys),
        "key_misfit_mm": wrong_way_misfit(fitted.keys) if len(fitted.keys) > 2 else None,
        "n_vents": fitted.n_vents,
        "seat_ribs": [[rib.piece, rib.place.tolist(), rib.diameter_mm] for rib in fitted.ribs],
        "turned_mm3": dict(fitted.turned_mm3),
        "stray_keys": {name: len(keys) for name, keys in fitted.stray_keys.items()},
    }


def undercut_facts(cuts: Undercuts) -> dict[str, float]:
    """Facts of the bone's undercuts."""
    return {"undercut_deepest_mm": cuts.deepest_mm, "undercut_mm2": cuts.area_mm2, "undercut_mm3": cuts.volume_mm3}


def fitting_findings(fitted: Fittings, fattest_allowed_mm: float) -> list[Finding]:
    """Findings of keys, withdrawal and the cavity. fattest_allowed_mm: how far its wall may lie from the bone for stated reasons."""
    found = []
    for out in fitted.ways:
        if not out.is_free:
            said = f"Piece {out.name} meets what is still in place on its way out ({out.n_hits} of {out.n_rays} rays stopped); take another mould."
            found.append(Finding(Severity.FAILED, "mould-stuck", said, round(out.overlap_mm3, 4), 0.0, "mm³"))
    ratio, off = fitted.check.volume_ratio, max(fitted.check.off_mm, fitted.check.fattest_mm - fattest_allowed_mm)
    if abs(ratio) > REJOIN_VOLUME:
        said = "The volume of the assembled mould's cavity differs from the bone's beyond the stated undercuts; look at the pieces."
        found.append(Finding(Severity.REVIEW, "mould-rejoin-volume", said, f"{ratio:.2e}", REJOIN_VOLUME))
    if off > REJOIN_MM:
        said = "The wall of the assembled mould's cavity lies off the bone beyond the stated undercuts; look at the pieces."
        found.append(Finding(Severity.REVIEW, "mould-rejoin-surface", said, round(off, 4), REJOIN_MM, "mm"))
    keys = fitted.keys
    if len(keys) < N_KEYS:
        said = "The flange has no room for all keys; widen it (flange_mm), or take smaller ones (key_diameter_mm)."
        found.append(Finding(Severity.REVIEW, "mould-keys", said, len(keys), N_KEYS))
    elif (misfit := wrong_way_misfit(keys)) is not None and misfit < LEAST_MISFIT_MM:
        said = "The keys nearly fit in a wrong position; mark the right one on both halves."
        found.append(Finding(Severity.REVIEW, "mould-keys", said, round(misfit, 2), LEAST_MISFIT_MM, "mm"))
    return found


def pour_findings(bone: FloatArray, pour_mm: float) -> list[Finding]:
    """A note where the pour is wide for the bone, a question where it takes most of its breadth. bone: points (n, 3) in the frame of the mould."""
    breadth = float(np.sort(np.ptp(bone, axis=0))[1])
    if pour_mm <= WIDE_POUR * breadth:
        return []
    is_most = pour_mm > MOST_POUR * breadth
    said = (f"The pour of {pour_mm:g} mm {'takes most of the breadth of' if is_most else 'is wide for'} a bone of {breadth:.1f} mm: the skin below "
            "it is lost and is dressed by hand; set pour_diameter_mm lower where the casting material runs well.")
    severity, share = (Severity.REVIEW, MOST_POUR) if is_most else (Severity.NOTE, WIDE_POUR)
    return [Finding(severity, "mould-pour-wide", said, pour_mm, round(share * breadth, 1), "mm")]


def rigid_findings(mould: RigidMould, fitted: Fittings, settings: MouldSettings) -> tuple[Finding, ...]:
    """Findings of a rigid mould."""
    deepest, limit = mould.undercuts.deepest_mm, settings.undercut_limit_mm
    found = fitting_findings(fitted, max(deepest, limit)) + pour_findings(mould.bone.mesh.vertices, settings.pour_diameter_mm)
    if deepest > limit:
        said = (f"No rigid mould of at most {settings.most_pieces} pieces reaches all of the bone: the casting gets up to {deepest:.2f} mm fatter "
                "in its undercuts; take a flexible mould (kind: flexible), more pieces, or accept it.")
        found.append(Finding(Severity.REVIEW, "mould-undercut", said, round(deepest, 3), limit, "mm"))
    found += stray_findings(mould.pieces, fitted) + seat_findings(mould.pieces, fitted)
    if len(mould.pieces) > settings.most_pieces:
        said = f"The mould has {len(mould.pieces)} pieces, more than mould.most_pieces = {settings.most_pieces}: raise it, or take a flexible mould."
        found.append(Finding(Severity.REVIEW, "mould-pieces", said, len(mould.pieces), settings.most_pieces, "pieces"))
    sides = [piece.solid.hull() for piece in mould.pieces if piece.name.startswith("side")]
    crossing = sum(any((port.body ^ side).volume() > 0.0 for side in sides) for port in fitted.ports)
    if crossing:
        said = "A pour or vent may run through a side piece: the casting's stub there is broken before the piece comes out."
        found.append(Finding(Severity.NOTE, "mould-vent-side", said, crossing))
    return (*found, *needle_findings(mould.block.bone_outline), *crumb_findings(mould.crumbs))


def crumb_findings(crumbs: Sequence[Any]) -> tuple[Finding, ...]:
    """A note on bodies of a mould that are left out, because they are too small to be made; none where nobody will see them on the casting."""
    left_out_mm3 = float(sum(crumb.volume() for crumb in crumbs))
    if left_out_mm3 < SEEN_MM3:
        return ()
    said = f"Bodies too small to be pieces ({len(crumbs)}) are left out of the mould: the casting fills their place; cut it off."
    return (Finding(Severity.NOTE, "mould-crumbs", said, round(left_out_mm3, 3), 0.0, "mm³"),)


def needle_findings(outline: Any) -> tuple[Finding, ...]:
    """A note where the pieces of a mould reach each other through holes of the bone's outline (shapely area) in needles that break or tear off."""
    import shapely

    holes = [shapely.Polygon(ring) for part in polygons_of(outline) for ring in part.interiors]
    across = [shapely.maximum_inscribed_circle(hole) for hole in holes if hole.area > 0.0]
    thin = sorted((2.0 * float(radius.length), radius.coords[0]) for radius in across if 2.0 * radius.length < LEAST_NEEDLE_MM)
    if not thin:
        return ()
    (least, (x, y)), places = thin[0], counted(len(thin), "hole")
    said = (f"The halves of the mould reach each other through {places} of the bone less than {LEAST_NEEDLE_MM:g} mm wide: needles, the thinnest "
            f"{least:.2f} mm thick at x, y = {x:.1f}, {y:.1f} mm of the mould. Needles break off in the casting: stop such holes with wax before the "
            "mould is made and open them in the casting, or close them by openings.csv.")
    return (Finding(Severity.NOTE, "mould-needles", said, round(least, 3), LEAST_NEEDLE_MM, "mm"),)


def stray_findings(pieces: Sequence[MouldPiece], fitted: Fittings) -> list[Finding]:
    """Findings of bodies that side pieces cut off and no other piece can take along: small ones, and those too large for a plug."""
    found, large = [], large_strays(pieces)
    small = [piece for piece in pieces if piece.is_stray and all(piece is not other for other in large)]
    if small:
        sizes = ", ".join(f"{piece.name} ({piece.solid.volume() / 1000:.2f} cm³)" for piece in small)
        said = (f"Side pieces cut {sizes} off the bodies they are named after, and they come out with no other piece. They are made as pieces of "
                "their own, with the way out of that body, and no key holds them: number them, make small ones of soft rubber or leave them out and "
                "cut off what the casting fills there, or take a flexible mould.")
        found.append(Finding(Severity.REVIEW, "mould-bodies", said, len(small), 0, "pieces"))
    for piece in large:
        n_ribs = sum(rib.piece == piece.name for rib in fitted.ribs)
        n_keys = len(fitted.stray_keys.get(piece.name, ()))
        holds = f"{n_keys} keys of its own set it" if n_keys else f"{n_ribs} ribs of its own set it" if n_ribs else "nothing sets it"
        way = ", ".join(f"{x + 0.0:.2f}" for x in piece.direction)
        place = next(k for k, other in enumerate(pieces) if other is piece) + 1
        said = (f"Side pieces cut {piece.name}, {piece.solid.volume() / 1000:.0f} cm³, off the body it is named after. It is a piece like the "
                f"others, no plug: make it of the same material, number it, take it off as number {place} along x, y, z = {way} of the mould; {holds}"
                + ("." if n_keys or n_ribs else ", so drill two dowels between it and its neighbours, or take another mould."))
        found.append(Finding(Severity.REVIEW, "mould-body-large", said, round(piece.solid.volume() / 1000), PLUG_MM3 / 1000, "cm³"))
    return found


def seat_findings(pieces: Sequence[MouldPiece], fitted: Fittings) -> list[Finding]:
    """What sets the side pieces in their seats: a note where each has a rib, a question where one has none or goes in turned."""
    found, sides = [], [piece.name for piece in pieces if piece.name.startswith("side-") and not piece.is_stray]
    bare = [name for name in sides if all(rib.piece != name for rib in fitted.ribs)]
    if bare:
        said = (f"No rib fits into the seats of {', '.join(bare)}: the taper of the seat alone sets them. Mark which way in they go, or widen "
                "flange_mm or wall_mm.")
        found.append(Finding(Severity.REVIEW, "mould-side-bare", said, len(bare), 0, "pieces"))
    for name, turned in fitted.turned_mm3.items():
        if turned < LEAST_TURNED_MM3:
            said = f"{name} nearly goes into its seat turned; mark which way in it goes."
            found.append(Finding(Severity.REVIEW, "mould-side-turned", said, round(turned, 1), LEAST_TURNED_MM3, "mm³"))
    if sides:
        said = (f"Loose side pieces ({', '.join(sides)}) are set by the taper and the ribs of their seats; nothing holds them down: strap them to "
                "the mould while it is poured.")
        found.append(Finding(Severity.NOTE, "mould-side-seats", said, len(sides)))
    return found


def flexible_findings(mould: FlexibleMould, fitted: Fittings, settings: MouldSettings) -> tuple[Finding, ...]:
    """Findings of a flexible mould."""
    found = fitting_findings(fitted, 0.0) + pour_findings(mould.bone.mesh.vertices, settings.pour_diameter_mm)
    if mould.thinnest_mm < settings.rubber_mm - THIN_MM:
        said = "The rubber is thinner than wished somewhere; build it up there by hand (a higher rubber_mm raises the wish, too)."
        found.append(Finding(Severity.REVIEW, "mould-rubber-thin", said, round(mould.thinnest_mm, 2), settings.rubber_mm, "mm"))
    if mould.thickest_mm > settings.rubber_most_mm:
        said = "The rubber fills an undercut so deep that it gets thick there and may not bend out of it; part it there, or make loose jacket pieces."
        found.append(Finding(Severity.REVIEW, "mould-rubber-thick", said, round(mould.thickest_mm, 1), settings.rubber_most_mm, "mm"))
    return (*found, *crumb_findings(mould.crumbs))


def fitting_figures(fitted: Fittings, membrane_deg: Any, settings: MouldSettings) -> tuple[Figure, ...]:
    """Figures of pour, vents, keys, parting surface and the check of the cavity."""
    check = fitted.check
    fatter = f"no part of the cavity's wall is farther from the bone than {check.fattest_mm:.3f} mm"
    return (
        Figure("half on top while pouring", "upper" if fitted.way > 0 else "lower", "", "the one with fewer high points"),
        Figure("vents", fitted.n_vents, "", f"at each high point of over {settings.vent_prominence_mm:g} mm"),
        Figure("keys", len(fitted.keys), "", f"one large, so that a wrong way does not fit; {_misfit_words(fitted.keys)}"),
        Figure("parting surface, steepest", round(float(np.percentile(membrane_deg, 99)), 1), "deg", "99 of 100 places are flatter"),
        Figure("cavity against bone, volume", f"{check.volume_ratio:.1e}", "", f"without pour, vents and filled undercuts; limit {REJOIN_VOLUME:g}"),
        Figure("cavity against bone, surface", round(check.off_mm, 4), "mm", f"off what is stated; limit {REJOIN_MM:g} mm; {fatter}"),
    )


def _misfit_words(keys: Sequence[Key]) -> str:
    """What the keys do in a wrong position of the upper half."""
    if len(keys) < 3:
        return "too few to say how far a wrong way is off"
    misfit = wrong_way_misfit(keys)
    return "no turn brings one to another's socket" if misfit is None else f"in the nearest wrong position one stands off by {misfit:.1f} mm"


def seat_figures(pieces: Sequence[MouldPiece], fitted: Fittings, settings: MouldSettings) -> tuple[Figure, ...]:
    """Figures of the seats of side pieces; none where there are no side pieces."""
    if not any(piece.name.startswith("side") for piece in pieces):
        return ()
    slide = 100 * np.tan(np.radians(SLIDE_DEG))
    turned = min(fitted.turned_mm3.values(), default=0.0)
    return (
        Figure("side pieces, draft of their seats", settings.flange_draft_deg, "deg",
               f"{SLIDE_DEG:g} where a wall stands on the bone's outline: {slide:.3f} mm clear after 100 mm; seated, joints are closed: no fin"),
        Figure("ribs on side pieces", len(fitted.ribs), "", f"cones of {RIB_DRAFT_DEG:g} degrees draft along the way out, the second thinner"),
        Figure("ribs, clearance in their sockets", settings.key_clearance_mm, "mm", "as set for keys"),
        Figure("side pieces put in turned, least overlap", round(turned, 1), "mm³", "of the piece that most nearly fits, by steps of 60 degrees"),
    )  # fmt: skip


def rigid_figures(mould: RigidMould, fitted: Fittings, settings: MouldSettings) -> tuple[Figure, ...]:
    """Figures of the pieces and of what stays filled."""
    cuts, pieces = mould.undercuts, float(sum(piece.solid.volume() for piece in mould.pieces))
    return (
        Figure("pieces", len(mould.pieces), "", "typical: phalanx 2, long bone 2, scapula 2, vertebra 3-6 (common practice, no source)"),
        Figure("deepest undercut that stays filled", round(cuts.deepest_mm, 3), "mm", f"limit {settings.undercut_limit_mm:g} mm"),
        Figure("undercuts that stay filled, area", round(cuts.area_mm2, 1), "mm²", f"casting fatter by over {SHALLOW_MM:g} mm"),
        Figure("undercuts that stay filled, volume", round(cuts.volume_mm3, 2), "mm³", "cavity of the halves less bone and side pieces"),
        *seat_figures(mould.pieces, fitted, settings),
        *mass_figures("mould pieces", pieces, settings.mould_density_kg_m3, "mould density as set"),
    )


def flexible_figures(mould: FlexibleMould, cuts: Undercuts, draft_deg: float, settings: MouldSettings) -> tuple[Figure, ...]:
    """Figures of rubber and jacket."""
    rubber = float(sum(piece.solid.volume() for piece in mould.rubber))
    jacket = float(sum(piece.solid.volume() for piece in mould.jacket))
    return (
        Figure("rubber, thickness", round(settings.rubber_mm, 2), "mm", "6-12 (common practice, no source)"),
        Figure("rubber, least and most", f"{mould.thinnest_mm:.2f} to {mould.thickest_mm:.2f}", "mm",
               f"bone to jacket, face to face; {mould.sampled_mm:.2f} mm from points all over the bone; may be {THIN_MM:g} mm thinner"),
        Figure("undercut of the bone under the rubber", round(cuts.deepest_mm, 2), "mm", "depth for two halves; the rubber bends, so not judged"),
        Figure("undercuts of the bone, area", round(cuts.area_mm2, 1), "mm²", f"deeper than {SHALLOW_MM:g} mm"),
        Figure("undercuts of the rubber's plain outside", round(mould.filled_mm3 / 1000, 2), "cm³", "filled with rubber: the jacket comes off"),
        Figure("jacket, least draft", round(draft_deg, 2), "deg", f"wished {settings.jacket_draft_deg:g}; 3-5 (common practice, no source)"),
        *mass_figures("rubber", rubber, settings.rubber_density_kg_m3, "rubber density as set"),
        *mass_figures("jacket", jacket, settings.mould_density_kg_m3, "mould density as set"),
    )


def core_findings(core: HeldCore, settings: MouldSettings) -> tuple[Finding, ...]:
    """Findings of the core of a hollow casting: a note on how it is held, or a question where it is not."""
    if settings.form == "pattern":
        said = "A pattern has no seats for its core: hold the core on pins set by hand, clear of the articular ends."
        return (Finding(Severity.NOTE, "mould-core-held", said, round(core.least_wall_mm, 3), settings.core_wall_mm, "mm"),)
    if len(core.prints) < N_PRINTS:
        said = "The flange has no room for both prints of the core; widen flange_mm, lower core_print_mm, or hold the core on pins set by hand."
        return (Finding(Severity.REVIEW, "mould-core-prints", said, len(core.prints), N_PRINTS, "prints"),)
    said = "The core lies on its two prints between the halves; they leave holes in the casting, to be closed by hand."
    return (Finding(Severity.NOTE, "mould-core-held", said, round(core.least_wall_mm, 3), settings.core_wall_mm, "mm"),)


def core_figures(core: HeldCore) -> tuple[Figure, ...]:
    """Figures of the core."""
    wall = Figure("core, least wall of the casting", round(core.least_wall_mm, 3), "mm", "measured face to face, away from its prints")
    if not core.prints:
        return (wall,)
    return (
        wall,
        Figure("core prints", len(core.prints), "", f"square, {core.prints[0].width_mm:g} mm from edge to edge, level in the parting surface"),
        Figure("core prints, clearance in their seats", core.clearance_mm, "mm", "as set for keys; in both halves"),
    )


def casting_figures(replica_mm3: float, hollow_mm3: float | None, settings: MouldSettings) -> tuple[Figure, ...]:
    """Volume and mass of the casting, solid and, where there is a core, hollow."""
    basis = "casting density as set, at the bone's size"
    solid = mass_figures("casting, solid", replica_mm3, settings.casting_density_kg_m3, basis)
    if hollow_mm3 is None:
        return solid
    return (*solid, *mass_figures("casting, hollow", hollow_mm3, settings.casting_density_kg_m3, f"{basis}, around the core"))
