"""Own bones that are partly preserved are completed from their other half or counterpart, and what cannot be believed is asked."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import pytest
from dog_individuals import read_bone
from test_restore import ROWS, bumpy, cut_away

from meshtools.finding_codes import AS_DECIDED
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.completing import Completion, as_asked_for, complete_from_other_half
from meshtools.geometry.distance import compare
from meshtools.geometry.restore import Restoration, restore_across_plane
from meshtools.geometry.restore_findings import findings_of, restored_finding
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.weld import weld_scan
from meshtools.model import EvidenceClass, Finding, Mesh, Origin, Recipe, Severity, SourceEntry, StageResult
from meshtools.settings import RebuildSettings, RestoreSettings
from meshtools.stages.rebuild import rebuild_element

SCANNED = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED),)
PARTNER = (SourceEntry(EvidenceClass.OWN, "f-2", Origin.SCANNED),)
POSE = np.array([[0.36, 0.48, -0.8, 12.0], [-0.8, 0.6, 0.0, -7.0], [0.48, 0.64, 0.6, 30.0], [0, 0, 0, 1.0]])  # a rotation and a shift


def dog(name: str) -> Mesh:
    vertices, faces = read_bone(name)
    return weld_scan(vertices, faces, None).mesh


def without(mesh: Mesh, is_gone: Any) -> Mesh:
    """The open surface that is left when the faces whose middle is gone are cut away."""
    keep = ~is_gone(mesh.vertices[mesh.faces].mean(axis=1))
    return weld_scan(mesh.vertices, mesh.faces[keep], None).mesh


def completed(element: str, parts: list[Cleaned], **recipe: Any) -> StageResult:
    finds = tuple(part.find for part in parts)
    partner = finds[1] if len(finds) > 1 else ""
    plan = Recipe("mount", element, EvidenceClass.OWN_C, finds, False, 1.0, None, "own size", "", (), "planned", partner=partner, **recipe)
    return rebuild_element(plan, parts, RebuildSettings(), (), RestoreSettings())


def percent_off(result: StageResult, truth: Mesh) -> float:
    """Largest distance from the truth to the replica, in percent of the bone's diagonal."""
    diagonal_mm = float(np.linalg.norm(np.ptp(truth.vertices, axis=0)))
    return 100.0 * compare(truth, result.mesh).a_to_b.max_mm / diagonal_mm


@pytest.mark.slow
def test_a_vertebra_without_one_transverse_process_gets_it_back_from_the_other_side() -> None:
    """Truth: the dog's fourth cervical vertebra, whose mirror plane is y = 0 (tests/real_bones.py names the source)."""
    truth = apply_matrix(dog("C_4"), POSE)
    limit_mm = 0.25 * np.ptp(dog("C_4").vertices[:, 1])
    part = apply_matrix(without(dog("C_4"), lambda middle: middle[:, 1] > limit_mm), POSE)
    result = completed("cervical-04", [Cleaned("f-1", part, SCANNED, 1.0)], missing_percent=20.0)
    assert result.facts["deliverable"], [finding.message for finding in result.findings]
    assert percent_off(result, truth) < 0.5
    assert result.facts["restoration"]["original_skin_moved_max_mm"] == 0.0
    assert {"OWN", "OWN-C"} <= set(result.facts["evidence_share"])
    assert not [finding for finding in result.findings if finding.severity is not Severity.NOTE]


@pytest.mark.slow
def test_a_humerus_without_its_lower_end_gets_it_from_its_counterpart_of_another_scan() -> None:
    left, right = dog("humerus_L"), apply_matrix(dog("humerus_R"), POSE)
    along = int(np.argmax(np.ptp(left.vertices, axis=0)))
    cut_mm = left.vertices[:, along].min() + 0.3 * np.ptp(left.vertices[:, along])
    part = without(left, lambda middle: middle[:, along] < cut_mm)
    result = completed("humerus-left", [Cleaned("f-1", part, SCANNED, 1.0), Cleaned("f-2", right, PARTNER, 1.0)], missing_percent=30.0)
    assert result.facts["deliverable"], [finding.message for finding in result.findings]
    assert percent_off(result, left) < 0.5
    assert SourceEntry(EvidenceClass.OWN_C, "f-2", Origin.SCANNED) in result.sources


def test_a_large_step_between_the_halves_is_told_in_full_and_asks_for_a_look() -> None:
    """One half swollen by up to 6 mm, 2.5 mm at the cut: more than the 1 mm (1.5 %) up to which skin counts as the same skin."""
    whole = bumpy()
    swell = np.clip(whole.vertices[:, 1:2] / 18.0, 0.0, 1.0) * 6.4
    uneven = whole.replaced(vertices=whole.vertices + swell * whole.vertices / np.linalg.norm(whole.vertices, axis=1, keepdims=True))
    completion = complete_from_other_half("skull", cut_away(uneven)[0], (0.0, 1.0, 0.0, 0.0), ROWS, RestoreSettings())
    assert completion.facts["seam_step_max_mm"] > 1.5
    assert {"seam-step", "lost-on-both-sides"} <= {finding.code for finding in completion.findings if finding.severity is Severity.REVIEW}


def test_what_the_seam_could_not_do_is_said_in_one_sentence_each() -> None:
    whole = bumpy(3)
    figures = asdict(restore_across_plane(whole, (0.0, 1.0, 0.0), 0.0, ROWS, RestoreSettings()))
    wrong = {"is_changed": True, "n_capped_rims": 1, "n_failed_seams": 1, "n_tangled_faces": 2, "skin_removed_percent": 0.6, "flat_percent": 0.2}
    wrong |= {"uncovered_percent": 3.0}
    codes = [finding.code for finding in findings_of("skull", whole, Restoration(**figures | wrong | {"mesh": whole}))]
    assert codes == ["restored", "lost-on-both-sides", "skin-removed", "taken-not-held", "rims-capped", "seam-failed", "seam-crosses"]


def completion_of(share_percent: float) -> Completion:
    facts = {"added_percent": share_percent, "seam_step_max_mm": 0.29, "seam_step_p95_mm": 0.25, "is_changed": True}
    return Completion(bumpy(1), facts, (restored_finding("femur-right", share_percent, 0.29, 0.25),))


def test_that_most_of_a_bone_is_taken_over_names_the_limit_and_what_to_do() -> None:
    (much,), (little,) = (completion_of(share).findings for share in (54.8, 20.0))
    assert (much.severity, little.severity) == (Severity.REVIEW, Severity.NOTE)
    assert "54.8 % of the area is taken over or seam, more than 50 %: most of the replica is not that bone" in much.message
    assert all(words in much.message for words in ("value OWN-C in decisions.csv", "sign it off", "another class"))
    assert little.message.endswith("before it was bent into place.")


@pytest.mark.parametrize(("missing", "is_decided", "severity"), [
    (50.0, True, Severity.NOTE), (50.0, False, Severity.REVIEW), (20.0, True, Severity.REVIEW), (None, True, Severity.REVIEW)])
def test_that_most_of_a_bone_is_taken_over_is_a_note_where_that_was_asked_for(missing: float | None, is_decided: bool, severity: Severity) -> None:
    """Who asks for the completed half knows that half is taken over, not that 55 % are where the register says that a fifth is missing."""
    note = Finding(Severity.NOTE, AS_DECIDED, "f-1 is completed (class OWN-C) as decided by A. Keeper on 2031-05-04: seen.")
    decided = (note,) if is_decided else ()
    recipe = Recipe("mount", "femur-right", EvidenceClass.OWN_C, ("f-1", "f-2"), False, 1.0, None, "", "", (), "planned", decided, "", None, missing)
    (found,) = as_asked_for(recipe, completion_of(54.8))
    assert found.severity is severity
    if severity is Severity.NOTE:
        assert found.message.endswith("as decided by A. Keeper on 2031-05-04: seen. bones.csv says that 50 % is missing.")
        assert (found.value, found.limit) == (54.8, 50.0)


def test_a_bone_that_another_one_supplies_is_not_told_to_be_completed_as_its_own() -> None:
    """It is a donor's, or a person named the bone that completes it: class OWN-C would be refused, or take that row's place."""
    recipe = Recipe("mount", "femur-right", EvidenceClass.DON, ("d-1", "e-1"), False, 1.0, None, "", "", (), "planned", partner="e-1")
    (found,) = as_asked_for(recipe, completion_of(54.8))
    assert (found.severity, "OWN-C" in found.message) == (Severity.REVIEW, False)
    assert found.message.endswith("name another bone to supply it (missing-part in decisions.csv) or choose another class there.")


@pytest.mark.slow
def test_what_was_filled_on_the_counterpart_is_a_fill_on_the_replica_too() -> None:
    """A patch of 8 mm on the counterpart's lower end, which the part has lost, was filled: by place, no face of it counts as bone."""
    left, right = dog("humerus_L"), dog("humerus_R")
    along = int(np.argmax(np.ptp(left.vertices, axis=0)))
    cut_mm = left.vertices[:, along].min() + 0.3 * np.ptp(left.vertices[:, along])
    part = without(left, lambda middle: middle[:, along] < cut_mm)
    place = left.vertices[left.vertices[:, along].argmin()]
    is_filled = np.linalg.norm(right.vertices[right.faces].mean(axis=1) * [1, -1, 1] - place, axis=1) < 8.0
    table = (*PARTNER, SourceEntry(EvidenceClass.FILL, "f-2", Origin.FILLED))
    other = apply_matrix(right.replaced(source=is_filled), POSE)
    result = completed("humerus-left", [Cleaned("f-1", part, SCANNED, 1.0), Cleaned("f-2", other, table, 1.0)])
    middle = result.mesh.vertices[result.mesh.faces].mean(axis=1)
    evidence = np.array([result.sources[row].evidence for row in result.mesh.source])
    away = np.linalg.norm(middle - place, axis=1)
    assert set(evidence[away < 7.0]) == {EvidenceClass.FILL}
    assert set(evidence[(away > 9.0) & (middle[:, along] < cut_mm - 8.0)]) == {EvidenceClass.OWN_C}
    assert result.facts["evidence_share"]["FILL"] > 0.01


@pytest.mark.slow
def test_a_bone_without_a_mirror_plane_is_left_as_it_is_and_a_person_is_asked() -> None:
    result = completed("skull", [Cleaned("f-1", dog("Ulna_L"), SCANNED, 1.0)], missing_percent=20.0)
    finding = next(finding for finding in result.findings if finding.code in ("plane-ask", "plane-refused"))
    assert finding.severity is Severity.REVIEW
    assert set(result.facts["evidence_share"]) == {"OWN"}
    rivals = [row["normal"] for row in result.facts["restoration"]["plane"]["runners_up"]]
    assert rivals
    assert len({tuple(np.round(normal, 1)) for normal in rivals}) == len(rivals)  # planes that can be told apart on a picture


@pytest.mark.slow
def test_a_plane_that_a_person_gave_is_used_without_a_search() -> None:
    """A vertebra that has lost a process, and its plane y = 0 in the frame of the dog, moved by 5 mm: normal of length 2, offset doubled."""
    whole = dog("C_6")
    limit_mm = 0.3 * np.ptp(whole.vertices[:, 1])
    shift = np.array([0.0, 5.0, 0.0])
    part = without(whole, lambda middle: middle[:, 1] > limit_mm)
    result = completed("cervical-06", [Cleaned("f-1", part.replaced(vertices=part.vertices + shift), SCANNED, 1.0)], plane=(0.0, 2.0, 0.0, 10.0))
    assert result.facts["restoration"]["plane"]["verdict"] == "decided"
    assert percent_off(result, whole.replaced(vertices=whole.vertices + shift)) < 0.5
    is_new = (result.mesh.vertices[result.mesh.faces].mean(axis=1) - shift)[:, 1] > limit_mm + 2.0
    assert {result.sources[row].evidence for row in result.mesh.source[is_new]} == {EvidenceClass.OWN_C}


@pytest.mark.slow
def test_a_counterpart_of_the_same_side_is_not_reflected_onto_the_bone() -> None:
    left = dog("Ulna_L")
    along = int(np.argmax(np.ptp(left.vertices, axis=0)))
    cut_mm = left.vertices[:, along].min() + 0.3 * np.ptp(left.vertices[:, along])
    part = without(left, lambda middle: middle[:, along] < cut_mm)
    result = completed("ulna-left", [Cleaned("f-1", part, SCANNED, 1.0), Cleaned("f-2", apply_matrix(left, POSE), PARTNER, 1.0)])
    assert "partner-of-wrong-side" in {finding.code for finding in result.findings}
    assert "OWN-C" not in result.facts["evidence_share"]


@pytest.mark.slow
def test_a_bone_of_another_animal_supplies_a_missing_end_at_the_size_of_the_kept_part() -> None:
    """The partner is the same side's bone at 0.8 of the size, elsewhere; a quarter is lost. Every face keeps the class of its own source."""
    left = dog("humerus_L")
    along = int(np.argmax(np.ptp(left.vertices, axis=0)))
    cut_mm = left.vertices[:, along].min() + 0.25 * np.ptp(left.vertices[:, along])
    part = without(left, lambda middle: middle[:, along] < cut_mm)
    other = apply_matrix(left.replaced(vertices=0.8 * left.vertices), POSE)
    recipe = Recipe("mount", "humerus-left", EvidenceClass.OWN, ("f-1", "f-2"), False, 1.0, None, "own size", "", (), "planned",
                    partner="f-2", partner_reflect=False, partner_factor=1.25, partner_class=EvidenceClass.DON)  # fmt: skip
    parts = [Cleaned("f-1", part, SCANNED, 1.0), Cleaned("f-2", other, PARTNER, 1.0)]
    result = rebuild_element(recipe, parts, RebuildSettings(), (), RestoreSettings())
    assert result.facts["deliverable"], [finding.message for finding in result.findings]
    assert percent_off(result, left) < 0.5
    is_new = result.mesh.vertices[result.mesh.faces].mean(axis=1)[:, along] < cut_mm - 12.0
    assert {result.sources[row].evidence for row in result.mesh.source[is_new]} == {EvidenceClass.DON}
