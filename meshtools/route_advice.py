"""Which route suits a bone, and why: from its size, thickness, undercuts and mass, and from what the machines of config.yaml hold.

An aid to a decision that a person writes into `routes`; nothing is chosen by it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

SUITS, POSSIBLE, UNSUITED = ORDER = "suits", "possible", "unsuited"
MANY_PARTS = 12  # proposed: beyond so many printed parts another route is quicker
HIDDEN_PERCENT = 3.0  # proposed: less than this is filled by hand; more needs further set-ups or mould pieces
MUCH_HIDDEN_PERCENT = 15.0  # proposed: a rigid mould or a two-sided carving loses too much of the form
SMALL_FOR_FOAM_MM = 150.0  # proposed: below it foam carving shows its cutter
HEAVY_KG = 10.0  # proposed: a filled print or casting above it asks for a hollow or a foam core

USED: Mapping[str, tuple[str, ...]] = {
    "print": ("build_x_mm", "build_y_mm", "build_z_mm", "density_kg_m3", "least_wall_mm"),
    "cnc": ("travel_x_mm", "travel_y_mm", "travel_z_mm", "thinnest_mm"),
    "mould": ("kind", "casting_density_kg_m3"),
}
"""What the advice looks at in the settings of each route; a page depends on these alone, so that another setting makes no page again."""


@dataclass(frozen=True)
class Advice:
    """One route: how it suits, and the reasons in words."""

    route: str
    verdict: str
    reasons: tuple[str, ...]
    machine: str = ""


def advise(figures: Mapping[str, Any], machines: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> tuple[Advice, ...]:
    """Advice on every route, the best first, each on the machine that suits best.

    figures: sizes_mm (length, breadth, depth), volume_mm3, thin_mm, hidden_percent (geometry.making_figures); machines: route -> name of a
    machine, or empty for the route's own settings -> settings.
    """
    judges = {"print": _print, "cnc": _cnc, "mould": _mould}
    found = []
    for route, judge in judges.items():
        on_each = [replace(judge(figures, settings), machine=name) for name, settings in sorted(machines[route].items())]
        found.append(min(on_each, key=lambda advice: (ORDER.index(advice.verdict), len(advice.reasons))))
    return tuple(sorted(found, key=lambda advice: ORDER.index(advice.verdict)))


def _judged(route: str, against: Sequence[tuple[str, str]], for_it: Sequence[str]) -> Advice:
    """The worst of what speaks against a route, with all reasons; what speaks for it where nothing does."""
    verdicts = {verdict for verdict, _ in against}
    verdict = UNSUITED if UNSUITED in verdicts else POSSIBLE if POSSIBLE in verdicts else SUITS
    return Advice(route, verdict, tuple(reason for _, reason in against) or tuple(for_it))


def _print(figures: Mapping[str, Any], settings: Mapping[str, Any]) -> Advice:
    room = sorted((settings[f"build_{axis}_mm"] for axis in "xyz"), reverse=True)
    n_parts = math.prod(max(1, math.ceil(size / space)) for size, space in zip(sorted(figures["sizes_mm"], reverse=True), room, strict=True))
    mass_kg = figures["volume_mm3"] * 1e-9 * settings["density_kg_m3"]
    least_mm = settings["least_wall_mm"]
    against = []
    if figures["thin_mm"] < least_mm:
        why = f"a twentieth of its surface is backed by less than {figures['thin_mm']:.1f} mm; the process makes {least_mm:g} mm"
        against.append((UNSUITED, why))
    if n_parts > MANY_PARTS:
        against.append((POSSIBLE, f"it takes about {n_parts} parts on this machine"))
    if mass_kg > HEAVY_KG:
        against.append((POSSIBLE, f"printed solid it weighs {mass_kg:.1f} kg: hollow it, or carve a foam core"))
    return _judged("print", against, [f"about {n_parts} part{'s' if n_parts > 1 else ''}, undercuts do not matter, {mass_kg:.2f} kg printed solid"])


def _cnc(figures: Mapping[str, Any], settings: Mapping[str, Any]) -> Advice:
    least_mm = settings["thinnest_mm"]
    travel = sorted((settings[f"travel_{axis}_mm"] for axis in "xyz"), reverse=True)
    against = []
    if figures["thin_mm"] < least_mm:
        why = f"a twentieth of its surface is backed by less than {figures['thin_mm']:.1f} mm, and foam with its coat needs {least_mm:g} mm"
        against.append((UNSUITED, why))
    if figures["hidden_percent"] > MUCH_HIDDEN_PERCENT:
        against.append((UNSUITED, f"{figures['hidden_percent']:.0f} % of its surface is hidden from both sides"))
    elif figures["hidden_percent"] > HIDDEN_PERCENT:
        against.append((POSSIBLE, f"{figures['hidden_percent']:.0f} % of its surface is hidden from both sides: further set-ups, or finish by hand"))
    if figures["sizes_mm"][0] < SMALL_FOR_FOAM_MM:
        against.append((POSSIBLE, f"it is only {figures['sizes_mm'][0]:.0f} mm long: foam shows the cutter at that size"))
    if any(size > space for size, space in zip(sorted(figures["sizes_mm"], reverse=True), travel, strict=True)):
        against.append((POSSIBLE, "it is larger than the machine's travel: several blocks, glued"))
    return _judged("cnc", against, [f"two sides show {100 - figures['hidden_percent']:.0f} % of it, and it is large and thick enough for foam"])


def _mould(figures: Mapping[str, Any], settings: Mapping[str, Any]) -> Advice:
    mass_kg = figures["volume_mm3"] * 1e-9 * settings["casting_density_kg_m3"]
    against = []
    if settings["kind"] == "rigid" and figures["hidden_percent"] > MUCH_HIDDEN_PERCENT:
        why = f"{figures['hidden_percent']:.0f} % of its surface is undercut for a rigid mould of two pieces: take rubber in a jacket"
        against.append((UNSUITED, why))
    elif settings["kind"] == "rigid" and figures["hidden_percent"] > HIDDEN_PERCENT:
        against.append((POSSIBLE, f"{figures['hidden_percent']:.0f} % of its surface is undercut: more than two pieces, or rubber in a jacket"))
    if mass_kg > HEAVY_KG:
        against.append((POSSIBLE, f"cast solid it weighs {mass_kg:.1f} kg, and a thick pour overheats: cast it hollow"))
    against.append((POSSIBLE, "worth its mould only for several casts"))
    return _judged("mould", against, [])
