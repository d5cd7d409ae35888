"""Complete an own bone as its recipe says, and say what was done or why not: the plane, what was taken over, what a person must decide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from meshtools.counted import plane_cell
from meshtools.errors import GeometryError
from meshtools.finding_codes import AS_DECIDED
from meshtools.geometry.audit import count_edges
from meshtools.geometry.restore_body import Rows as Rows
from meshtools.geometry.restore_findings import ADDED_REMEDY, SUPPLIED_REMEDY, findings_of, restored_finding
from meshtools.geometry.transform import reflect
from meshtools.model import EvidenceClass, Finding, Mesh, Recipe, Severity
from meshtools.settings import RestoreSettings

if TYPE_CHECKING:
    from meshtools.geometry.midsagittal import PlaneFit
    from meshtools.geometry.restore import Restoration

MOST_SHARE_RESTORED = 1.25  # as the next one: more than this was not asked for
LEAST_SHARE_RESTORED = 0.25  # of the missing share, area against a person's estimate; proposed default
INFORMED_REVIEW = 0.5  # below this share the fragment did not decide the counterpart's pose


@dataclass(frozen=True, eq=False)
class Completion:
    """A bone after completing, or as it was where that could not be done. Facts are plain values for a record."""

    mesh: Mesh
    facts: dict[str, Any]
    findings: tuple[Finding, ...]


def complete_from_other_half(
    element: str, mesh: Mesh, plane: tuple[float, float, float, float] | None, rows: Rows, settings: RestoreSettings, is_midline: bool = False
) -> Completion:
    """Complete a median bone across its own plane: a person's (normal and offset in mm), else the one that is found, if it is sure.

    is_midline: the register says that the bone lies in the midline (see `find_midsagittal_plane`).
    """
    from meshtools.geometry.midsagittal import find_midsagittal_plane
    from meshtools.geometry.restore import restore_across_plane

    fit = None if plane is not None else find_midsagittal_plane(mesh, is_midline=is_midline)
    facts: dict[str, Any] = {"method": "own other half", "plane": plane_facts(fit) if fit else {"verdict": "decided", "decided": list(plane or ())}}
    if fit is not None and fit.verdict != "accept":
        return Completion(mesh, facts, (_plane_finding(element, fit),))
    normal, offset_mm = (fit.normal, fit.offset_mm) if fit else (np.array(plane[:3]), plane[3]) if plane else (np.zeros(3), 0.0)
    length = float(np.sqrt(np.sum(np.asarray(normal) ** 2)))
    try:
        restoration = restore_across_plane(mesh, tuple(np.asarray(normal) / length), offset_mm / length, rows, settings)
    except GeometryError as error:
        return Completion(mesh, facts, (_failed(element, str(error)),))
    return _completion(element, mesh, restoration, facts)


def complete_from_partner(
    element: str, mesh: Mesh, partner: Mesh, is_reflected: bool, rows: Rows, settings: RestoreSettings
) -> Completion:
    """Complete a broken bone from a partner at its size, given as it lies in its own scan: its counterpart of the other side (is_reflected), or
    a bone of the same side."""
    from meshtools.geometry.registration import register
    from meshtools.geometry.restore import restore_from_counterpart

    mirrored = reflect(partner) if is_reflected else partner
    placed = register(mesh, mirrored, "rigid")
    facts: dict[str, Any] = {
        "method": "counterpart" if is_reflected else "bone of the same side",
        "registration": {
            "residual_rms_percent": round(placed.residual_rms_percent, 6), "overlap_percent": round(placed.overlap_percent, 4),
            "is_trusted": placed.is_trusted,
        },
    }  # fmt: skip
    if contradicts_its_side(mesh, partner, is_reflected):
        ways = ("as it is", "reflected", "the same") if is_reflected else ("reflected", "as it is", "the other")
        message = (
            f"{element}: the bone that should supply the missing part lies on the preserved part better {ways[0]} than {ways[1]}, so it looks like a "
            f"bone of {ways[2]} side; nothing was taken over. Check the sides of both."
        )
        return Completion(mesh, facts, (Finding(Severity.REVIEW, "partner-of-wrong-side", message),))
    if not placed.is_trusted:
        message = (
            f"{element}: where the preserved part lies on its counterpart is not sure ({placed.reason}), so nothing was taken over and the "
            "replica is the part alone. Choose another class in decisions.csv, or scan the part again."
        )
        return Completion(mesh, facts, (Finding(Severity.REVIEW, "counterpart-unsure", message, round(placed.residual_rms_percent, 4), None, "%"),))
    try:
        pose = np.asarray(np.linalg.inv(placed.fixed_from_moving), dtype=np.float64)
        restoration = restore_from_counterpart(mesh, mirrored, pose, rows, settings)
    except GeometryError as error:
        return Completion(mesh, facts, (_failed(element, str(error)),))
    completion = _completion(element, mesh, restoration, facts)
    if restoration.pose_informed >= INFORMED_REVIEW:
        return completion
    message = (
        f"{element}: the preserved part decides only {100 * restoration.pose_informed:.0f} % of how its counterpart lies on it; "
        "look at the seam before you trust length and twist."
    )
    doubt = Finding(Severity.REVIEW, "pose-uninformed", message, round(restoration.pose_informed, 4), INFORMED_REVIEW)
    return Completion(completion.mesh, completion.facts, (*completion.findings, doubt))


def contradicts_its_side(mesh: Mesh, partner: Mesh, is_reflected: bool) -> bool:
    """True where the part lies on its partner clearly better the other way round: without reflecting, or with."""
    from meshtools.geometry.registration_evidence import side_evidence

    same, other = ((), (partner,)) if is_reflected else ((partner,), ())
    return side_evidence(mesh, same, other).verdict == "contradicts"


def still_missing(recipe: Recipe, completion: Completion) -> list[Finding]:
    """A finding where much less was taken over than the register says is missing."""
    added, missing = float(completion.facts.get("added_percent", 0.0)), recipe.missing_percent
    if missing is None or not completion.facts.get("is_changed") or added > LEAST_SHARE_RESTORED * missing:
        return []
    message = (
        f"{recipe.element}: the register says that {missing:g} % is missing, but only {added:.1f} % could be taken over; what is lost on both "
        "sides stays lost."
    )
    return [Finding(Severity.REVIEW, "still-missing", message, round(added, 4), missing, "%")]


def as_asked_for(recipe: Recipe, completion: Completion) -> tuple[Finding, ...]:
    """The findings of a completion; that most of the bone is taken over is a note where a person asked for class OWN-C and the register says that
    about so much is missing. Of a bone that another one supplies (missing-part) class OWN-C is no remedy, so it is not offered."""
    if recipe.partner and recipe.evidence is not EvidenceClass.OWN_C:
        return tuple(replace(found, message=found.message.replace(ADDED_REMEDY, SUPPLIED_REMEDY)) for found in completion.findings)
    facts, missing = completion.facts, recipe.missing_percent
    asked = next((finding for finding in recipe.findings if finding.code == AS_DECIDED), None)
    if asked is None or missing is None or facts.get("added_percent", 0.0) > MOST_SHARE_RESTORED * missing:
        return completion.findings
    expected = f"{asked.message} bones.csv says that {missing:g} % is missing."
    return tuple(
        restored_finding(recipe.element, facts["added_percent"], facts["seam_step_max_mm"], facts["seam_step_p95_mm"], expected)
        if finding.code == "restored" else finding for finding in completion.findings
    )  # fmt: skip


def plane_facts(fit: PlaneFit) -> dict[str, Any]:
    """A plane and its runners-up as plain values."""
    return {
        "verdict": fit.verdict, "normal": [float(x) for x in fit.normal], "offset_mm": float(fit.offset_mm),
        "residual_rms_mm": round(float(fit.residual_rms_mm), 6), "residual_p95_mm": round(float(fit.residual_p95_mm), 6),
        "bound95_deg": round(float(fit.bound95_deg), 4), "reasons": list(fit.reasons),
        "runners_up": [
            {"normal": [float(x) for x in plane.normal], "offset_mm": float(plane.offset_mm), "score": round(float(plane.score), 6)}
            for plane in fit.runners_up
        ],
    }  # fmt: skip


def plane_problem(element: str, facts: Mapping[str, Any]) -> str:
    """Why nothing was taken over across a plane of which these are the `plane_facts`: it is not sure, or none was found."""
    what = "its mirror plane is not sure" if facts["verdict"] == "ask" else "no mirror plane was found"
    why = " ".join(facts["reasons"]) or "it is not sure."
    return f"{element}: {what}, so nothing was taken over from its other half: {why}"


def _plane_finding(element: str, fit: PlaneFit) -> Finding:
    problem = plane_problem(element, plane_facts(fit))
    if fit.verdict == "ask":
        message = (
            f"{problem} Look at the planes on the page and add a row of kind plane to decisions.csv; the best one is "
            f"'{plane_cell(fit.normal, fit.offset_mm)}'."
        )
        return Finding(Severity.REVIEW, "plane-ask", message, round(float(fit.bound95_deg), 4), None, "deg")
    message = f"{problem} Give one in decisions.csv (kind plane), or choose another class."
    return Finding(Severity.REVIEW, "plane-refused", message, round(float(fit.bound95_deg), 4), None, "deg")


def _failed(element: str, why: str) -> Finding:
    message = f"{element}: its missing part could not be taken over ({why}); the replica is the preserved part alone."
    return Finding(Severity.REVIEW, "restoration-failed", message)


def _completion(element: str, before: Mesh, restoration: Restoration, facts: dict[str, Any]) -> Completion:
    _, n_crowded, n_inconsistent = count_edges(restoration.mesh.faces, len(restoration.mesh.vertices))
    if n_crowded or n_inconsistent:
        return Completion(before, facts, (_failed(element, f"the join leaves {n_crowded + n_inconsistent} edges that no solid has"),))
    figures = {
        name: (round(float(value), 6) if isinstance(value, float) else value)
        for name, value in asdict(restoration).items()
        if isinstance(value, (bool, int, float)) or value is None
    }
    return Completion(restoration.mesh, facts | figures, tuple(findings_of(element, before, restoration)))
