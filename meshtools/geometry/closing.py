"""Which rims of a scan are closed and which stay open: by their span, and by what a person said about an opening."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.counted import counted
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.rims import Closing, Rim
from meshtools.model import Find, Finding, Mesh, Opening, Severity

# a fill has a smooth shape of its own, whatever stood there
FILL_REMEDY = (
    "Look whether it will do. Where it will not, scan the place again, register a further scan of it (part_of in bones.csv), or let another "
    "bone supply it (missing-part in decisions.csv); else sign it off as it is."
)


@dataclass(frozen=True)
class RimChoice:
    """Rims to close and rims to leave, the openings of the register that fit no rim, and those rims of both kinds that none names."""

    close: tuple[Rim, ...]
    leave: tuple[Rim, ...]
    unmatched: tuple[Opening, ...]
    unnamed: tuple[Rim, ...]


def choose_rims(rims: Sequence[Rim], openings: Sequence[Opening], mm_per_unit: float, close_up_to_mm: float) -> RimChoice:
    """Close rims that span at most close_up_to_mm, never one that an opening keeps, always one that an opening closes.

    An opening (x, y, z in scan units) stands for the rim whose centre is nearest, if that is within its diameter.
    """
    action: dict[int, str] = {}
    unmatched = []
    centres = np.array([rim.centre_mm for rim in rims]).reshape(-1, 3)
    for opening in openings:
        distance = np.linalg.norm(centres - np.array([opening.x, opening.y, opening.z]) * mm_per_unit, axis=1)
        if len(distance) and distance.min() <= opening.diameter_mm:
            action[int(distance.argmin())] = opening.action
        else:
            unmatched.append(opening)
    is_closed = [action.get(place, "close" if rim.span_mm <= close_up_to_mm else "keep") == "close" for place, rim in enumerate(rims)]
    close = tuple(rim for rim, yes in zip(rims, is_closed, strict=True) if yes)
    leave = tuple(rim for rim, yes in zip(rims, is_closed, strict=True) if not yes)
    return RimChoice(close, leave, tuple(unmatched), tuple(rim for place, rim in enumerate(rims) if place not in action))


def rim_row(rim: Rim) -> dict[str, Any]:
    """A rim as plain numbers for a record."""
    return {
        "span_mm": round(rim.span_mm, 6), "length_mm": round(rim.length_mm, 6),
        "n_edges": len(rim.vertices), "centre_mm": [round(float(x), 6) for x in rim.centre_mm],
    }


def fill_rows(closing: Closing) -> list[dict[str, Any]]:
    """Every cap as plain numbers: the rim's span and centre, its area and number of faces."""
    areas = mesh_areas(closing.mesh)
    rows = []
    for rim, (first, end) in zip(closing.closed, closing.face_ranges, strict=True):
        rows.append({
            "rim_span_mm": round(rim.span_mm, 6), "area_mm2": round(float(areas[first:end].sum()), 6),
            "n_faces": end - first, "centre_mm": [round(float(x), 6) for x in rim.centre_mm],
        })
    return rows


def fill_findings(find: Find, rows: Sequence[dict[str, Any]], mesh: Mesh, limits: tuple[float, float]) -> list[Finding]:
    """Findings where the filled area (first limit, percent of the mesh's) or one fill's span (second, percent of its length) is large."""
    findings = []
    area_mm2 = float(mesh_areas(mesh).sum())
    share = 100.0 * sum(row["area_mm2"] for row in rows) / area_mm2 if area_mm2 > 0 else 0.0
    if share > limits[0]:
        message = f"{find.find}: {share:.1f} % of the surface is filled holes, more than {limits[0]:g} %. {FILL_REMEDY}"
        findings.append(Finding(Severity.REVIEW, "filled-area", message, round(share, 6), limits[0], "%"))
    widest = max((row["rim_span_mm"] for row in rows), default=0.0)
    if widest == 0.0 or 100.0 * widest <= limits[1] * float(np.ptp(mesh.vertices, axis=0).max()):  # its length is no less
        return findings
    length_mm = greatest_length(mesh.vertices)
    span = 100.0 * widest / length_mm if length_mm > 0 else 0.0
    if span > limits[1]:
        message = f"{find.find}: a filled hole spans {widest:.1f} mm, {span:.1f} % of the length, more than {limits[1]:g} %. {FILL_REMEDY}"
        findings.append(Finding(Severity.REVIEW, "fill-span", message, round(span, 6), limits[1], "%"))
    return findings


def rim_findings(find: Find, choice: RimChoice, refused: Sequence[Rim]) -> list[Finding]:
    """What a person should know about rims left open, caps that were not possible, and openings that name no rim."""
    findings = []
    if choice.leave:
        spans = ", ".join(f"{rim.span_mm:.1f}" for rim in choice.leave[:8]) + (" .." if len(choice.leave) > 8 else "")
        message = f"{find.find}: {counted(len(choice.leave), 'rim')} left open, spanning {spans} mm, for rebuilding to decide about."
        findings.append(Finding(Severity.NOTE, "open-rims", message, len(choice.leave), None))
    if refused:
        rims = counted(len(refused), "rim")
        message = f"{find.find}: {rims} left open for want of a valid cap, the widest of {refused[0].span_mm:.2f} mm."
        findings.append(Finding(Severity.NOTE, "unclosed-rims", message, len(refused), 0))
    for opening in choice.unmatched:
        place = ", ".join(f"{value:g}" for value in (opening.x, opening.y, opening.z))
        message = (f"{find.find}: openings.csv says '{opening.action}' for a {opening.kind} at {place}, but the scan has no rim within "
                   f"{opening.diameter_mm:g} mm of it, so nothing changed. `bonewright intake` lists the rims.")
        findings.append(Finding(Severity.REVIEW, "opening-unmatched", message))
    return findings


def spike_findings(find: Find, n_spikes: int) -> list[Finding]:
    """A note that spikes were laid back or cut out, their faces replaced by filled ones."""
    if n_spikes == 0:
        return []
    message = (
        f"{find.find}: {n_spikes} single points stand far off the surface around them; they were laid back among their neighbours, or cut out and "
        "spanned anew."
    )
    return [Finding(Severity.NOTE, "spikes", message, n_spikes, 0)]
