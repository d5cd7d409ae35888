"""A bent tube through a row of vertebrae in their pose: where it goes in each replica, and the table it is bent by. Surfaces in, facts out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.bore_rows import RowAsked, RowLaid, Stretch, lay_row
from meshtools.geometry.hole_sizes import hole_mm_of, wall_mm_of
from meshtools.geometry.transform import apply_matrix, move_points
from meshtools.model import Finding, FloatArray, Mesh, Severity, plain
from meshtools.model_fixings import Fixing, RowStretch
from meshtools.settings_fixings import FixingSettings


def lay_bone_row(
    slugs: Sequence[str], replicas: Mapping[str, Mesh], places: Mapping[str, FloatArray], fixing: Fixing, settings: FixingSettings
) -> tuple[dict[str, Any], tuple[Finding, ...]]:
    """Lay the tube of one row of fixings.csv through replicas; places (4, 4): pose from replica, for every slug that stands in the pose.

    The facts have the corners of the centre line and the bend table in the frame of the pose, and for each bone its stretch in the coordinates of
    its replica.ply. The tube passes the place of a bone that has no replica or no place in the pose; a finding says so.
    """
    there = [slug for slug in slugs if slug in replicas and slug in places]
    nothing: dict[str, Any] = {"corners_mm": [], "bends": [], "stretches": {}}
    told = [] if len(there) == len(slugs) else [_incomplete(fixing, [slug for slug in slugs if slug not in there])]
    hole, wall = hole_mm_of(fixing, settings), wall_mm_of(fixing, settings)
    bend_radius = fixing.bend_radius_mm if fixing.bend_radius_mm is not None else settings.bend_radius_diameters * fixing.diameter_mm
    bones = [apply_matrix(replicas[slug], places[slug]) for slug in there]
    try:
        laid = lay_row(bones, RowAsked(hole / 2, wall, bend_radius))
    except GeometryError as error:
        message = f"No tube is laid through {fixing.name}: {error}."
        return nothing, (*told, Finding(Severity.REVIEW, "row-refused", message))
    stretches = {slug: _stretch(stretch, places[slug], fixing, (hole, wall)) for slug, stretch in zip(there, laid.stretches, strict=True)}
    facts = {
        "corners_mm": (laid.corners.round(4) + 0.0).tolist(), "bends": plain(laid.path.rows), "length_mm": round(laid.path.length_mm, 3),
        "tube_mm": fixing.diameter_mm, "hole_mm": hole, "wall_mm": wall, "stretches": plain(stretches),
    }  # fmt: skip
    return facts, (*told, *_findings(there, laid, stretches, fixing, hole - fixing.diameter_mm))


def _incomplete(fixing: Fixing, missing: Sequence[str]) -> Finding:
    message = f"The tube through {fixing.name} passes the place of {', '.join(missing)}, of which there is no replica or no place in the pose."
    return Finding(Severity.REVIEW, "row-incomplete", message)


def _stretch(stretch: Stretch, place: FloatArray, fixing: Fixing, sizes: tuple[float, float]) -> RowStretch:
    back = np.linalg.inv(place).astype(np.float64)
    points = tuple(tuple(float(x) for x in point) for point in move_points(stretch.points, back).round(6))
    thinnest = tuple(float(x) for x in move_points(stretch.thinnest[None], back)[0].round(6))
    hole, wall = sizes
    keeps = stretch.proven_wall_mm >= wall
    return RowStretch(fixing.name, points, fixing.diameter_mm, hole, stretch.proven_wall_mm, wall, thinnest, keeps)  # type: ignore[arg-type]


def _findings(
    slugs: Sequence[str], laid: RowLaid, stretches: Mapping[str, RowStretch], fixing: Fixing, clearance_mm: float
) -> tuple[Finding, ...]:
    findings = []
    usual = [slug for slug in slugs if not stretches[slug].keeps_wall]
    if usual:
        worst = min(usual, key=lambda slug: stretches[slug].wall_mm)
        message = (f"The tube of {fixing.diameter_mm:g} mm through {fixing.name} does not keep its wall of {stretches[worst].wall_asked_mm:g} mm in "
                   f"{', '.join(usual)}, which are not bored; take a thinner tube.")  # fmt: skip
        findings.append(Finding(Severity.REVIEW, "row-wall", message, round(stretches[worst].wall_mm, 3), stretches[worst].wall_asked_mm, "mm"))
    bends = [row for row in laid.path.rows if row.bend_deg > 0]
    bent = [slug for slug, stretch in zip(slugs, laid.stretches, strict=True) if stretch.bent_mm > 0]
    longest = max(stretch.length_mm for stretch in laid.stretches)
    if bends and longest**2 / (8.0 * bends[0].radius_mm) > clearance_mm:  # the height of an arc over a chord as long as the bore
        inside = f" It bends inside {', '.join(bent)}." if bent else ""
        message = (f"Bones of {fixing.name} do not slide over a finished bend of {bends[0].radius_mm:g} mm.{inside} Thread them on before bending, "
                   "or make the tube in lengths that are joined between bones.")  # fmt: skip
        findings.append(Finding(Severity.NOTE, "row-threading", message))
    return tuple(findings)
