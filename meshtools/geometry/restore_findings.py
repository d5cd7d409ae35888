"""What a person should know about a completed bone: each figure that may matter, in a sentence that says what to do."""

from __future__ import annotations

from meshtools.counted import counted
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.restore_figures import Restoration
from meshtools.model import Finding, Mesh, Severity

STEP_REVIEW_PERCENT = 1.0  # of the bone's diagonal; proposed default
ADDED_REVIEW_PERCENT = 50.0  # more than half of a bone is no longer that bone; proposed default
ADDED_REMEDY = (
    "Look along the seam. Where it shall be so, ask for it (kind class, value OWN-C in decisions.csv, with preserved_percent in bones.csv) or sign "
    "it off; else choose another class there."
)
SUPPLIED_REMEDY = (
    "Look along the seam. Where it shall be so, sign it off; else name another bone to supply it (missing-part in decisions.csv) or choose another "
    "class there."
)
SKIN_REMOVED_REVIEW_PERCENT = 0.5  # of the area; proposed default
UNCOVERED_REVIEW_PERCENT = 1.0  # of the other side's skin; proposed default
FLAT_NOTE_PERCENT, FLAT_REVIEW_PERCENT = 0.01, 0.1  # of the area; proposed default


def findings_of(element: str, before: Mesh, restoration: Restoration) -> list[Finding]:
    """The findings of a restoration. before: the bone as it was, for its size."""
    if not restoration.is_changed:
        message = f"{element}: the bone was to be completed, but nothing was found that the other side has and this one lacks."
        return [Finding(Severity.REVIEW, "nothing-to-restore", message), *_unfinished(element, restoration)]
    restored = restored_finding(element, restoration.added_percent, restoration.seam_step_max_mm, restoration.seam_step_p95_mm)
    return [
        restored, *_step(element, before, restoration), *_pieces(element, restoration), *_lost_on_both_sides(element, restoration),
        *_removed_skin(element, restoration), *_unfinished(element, restoration),
    ]  # fmt: skip


def restored_finding(element: str, added_percent: float, step_max_mm: float, step_p95_mm: float, expected: str = "") -> Finding:
    """How much of a completed bone is taken over, with the step at the seam. expected: who asked for so much, in words; then it is a note."""
    is_much = added_percent > ADDED_REVIEW_PERCENT
    share = f"{element}: {added_percent:.1f} % of the area is taken over or seam"
    limit = f", more than {ADDED_REVIEW_PERCENT:g} %: most of the replica is not that bone" if is_much else ""
    step = f"the step at the seam was at most {step_max_mm:.2f} mm (95 %: {step_p95_mm:.2f}) before it was bent into place."
    severity = Severity.REVIEW if is_much and not expected else Severity.NOTE
    remedy = f" {expected or ADDED_REMEDY}" if is_much else ""
    return Finding(severity, "restored", f"{share}{limit}; {step}{remedy}", round(added_percent, 4), ADDED_REVIEW_PERCENT, "%")


def _step(element: str, before: Mesh, restoration: Restoration) -> list[Finding]:
    step_percent = 100.0 * restoration.seam_step_p95_mm / diagonal_mm(before.vertices)
    if step_percent <= STEP_REVIEW_PERCENT:
        return []
    step = f"{restoration.seam_step_p95_mm:.2f} mm at the seam, {step_percent:.1f} % of the bone"
    message = (
        f"{element}: the two sides differ by {step}; look whether one of them is deformed or grown over, or the plane or the counterpart is wrong."
    )
    return [Finding(Severity.REVIEW, "seam-step", message, round(step_percent, 4), STEP_REVIEW_PERCENT, "%")]


def _pieces(element: str, restoration: Restoration) -> list[Finding]:
    if restoration.n_pieces_after <= restoration.n_pieces_before:
        return []
    message = f"{element}: {restoration.n_pieces_before} pieces became {restoration.n_pieces_after}; look for crumbs."
    return [Finding(Severity.REVIEW, "pieces-added", message, restoration.n_pieces_after, restoration.n_pieces_before, "pieces")]


def _lost_on_both_sides(element: str, restoration: Restoration) -> list[Finding]:
    if restoration.flat_percent < FLAT_NOTE_PERCENT:
        return []
    message = (
        f"{element}: lost on both sides: about {restoration.flat_percent:.2g} % of the area is closed flat or left as broken, because neither side "
        "has bone there. The replica is too small by what stood there, which this bone cannot tell; add it by hand or leave it, and say so."
    )
    severity = Severity.REVIEW if restoration.flat_percent > FLAT_REVIEW_PERCENT else Severity.NOTE
    return [Finding(severity, "lost-on-both-sides", message, round(restoration.flat_percent, 4), FLAT_REVIEW_PERCENT, "%")]


def _removed_skin(element: str, restoration: Restoration) -> list[Finding]:
    if restoration.skin_removed_percent <= SKIN_REMOVED_REVIEW_PERCENT:
        return []
    message = (
        f"{element}: {restoration.skin_removed_mm2:.1f} mm² of scanned bone ({restoration.skin_removed_percent:.2f} % of the area) had to go "
        "because the seam crossed it. Compare the replica with the clean surface along the seam; if it matters, close the break by hand."
    )
    return [Finding(Severity.REVIEW, "skin-removed", message, round(restoration.skin_removed_percent, 4), SKIN_REMOVED_REVIEW_PERCENT, "%")]


def _unfinished(element: str, restoration: Restoration) -> list[Finding]:
    """What the seam left: skin that did not hold, rims that were closed flat or not at all, and faces that cross."""
    findings = []
    if (share := restoration.uncovered_percent) > UNCOVERED_REVIEW_PERCENT:
        message = (
            f"{element}: {share:.1f} % of the other side's skin has nothing near it in the replica, because what was taken over there did not hold. "
            "The loss stays; trim splinters off the scan along the break and try again, or complete it by hand."
        )
        findings.append(Finding(Severity.REVIEW, "taken-not-held", message, round(share, 4), UNCOVERED_REVIEW_PERCENT, "%"))
    if n := restoration.n_capped_rims:
        message = f"{element}: closed flat at the break: {counted(n, 'hole')}, because nothing was taken over that fits; look there for lost bone."
        findings.append(Finding(Severity.REVIEW, "rims-capped", message, n, 0, "holes"))
    if n := restoration.n_failed_seams:
        message = (
            f"{element}: {counted(n, 'edge')} of the break could not be joined to the other side, so the break stays there. Look at the replica; "
            "trim splinters off the scan along the break and try again, or complete it by hand."
        )
        findings.append(Finding(Severity.REVIEW, "seam-failed", message, n, 0, "edges"))
    if n := restoration.n_tangled_faces:
        message = (
            f"{element}: at the seam {counted(n, 'face passes', 'faces pass')} through others. A printer may fill or hollow the replica wrongly "
            "there; mend the seam by hand before it is made."
        )
        findings.append(Finding(Severity.REVIEW, "seam-crosses", message, n, 0, "faces"))
    return findings
