"""A skin that is too fat or too thin everywhere is told from size. Checks: closed forms, bones of stated size and offset, and the command."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from dog_individuals import read_bone, warp
from scanned_individuals import fattened, moved, scanned, turn, write_batch
from six_bones import bonewright
from solid_shapes import ball

from meshtools.commands_size import _bone_lines, _bone_row
from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.registration import register
from meshtools.geometry.registration_offset import change_with_offset, fit_offset, fit_with_offset
from meshtools.geometry.registration_search import similarity_columns
from meshtools.geometry.registration_smooth import OWN_SHARE, fit_smoothly, likeness
from meshtools.model import Element, Find, Mesh, Severity, Side, Unit
from meshtools.scale_statistics import BROKEN_SHIFT_RATIO, SHIFT_RATIO, is_beyond, pooled_factor
from meshtools.size_findings import size_findings
from meshtools.size_pairs import BonePair
from meshtools.sizing import BoneRatio, measure_pair, pool_ratios

SIZE = 1.18
STEP = np.array([0.01, -0.02, 0.015, 0.004, -0.003, 0.002, 0.012])


def ellipsoid(half: tuple[float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """200 points on an ellipsoid and its normals."""
    directions = unit_vectors(np.random.default_rng(4).normal(size=(200, 3)))
    return directions * half, unit_vectors(directions / half)


def test_a_similarity_and_an_offset_together_are_given_back_exactly() -> None:
    """gap along the normal = columns of the similarity times STEP + 0.007 -> both again, and no displacement (closed form)."""
    points, normals = ellipsoid((0.12, 0.15, 0.5))
    gap = normals * (similarity_columns(points, normals) @ STEP + 0.007)[:, None]
    step, _, displacement = fit_with_offset(points, gap, normals, np.linspace(0.1, 1.0, 200))
    assert np.allclose(step, [*STEP, 0.007], atol=1e-9)
    assert np.abs(displacement.at(points)).max() < 1e-9


def test_with_the_offset_held_the_size_is_that_of_a_fit_without_it_as_an_unknown() -> None:
    """The free fit, carried to the offset 0.004 by its covariance, against seven unknowns and gaps less 0.004 (closed form)."""
    points, normals = ellipsoid((0.12, 0.15, 0.5))
    weight = np.linspace(0.1, 1.0, 200)
    gap = normals * (similarity_columns(points, normals) @ STEP + np.random.default_rng(7).normal(0.007, 0.002, 200))[:, None]
    free, covariance, _ = fit_with_offset(points, gap, normals, weight)
    held, _ = fit_smoothly(points, gap - 0.004 * normals, normals, weight)
    assert free[6] + change_with_offset(covariance) * (0.004 - free[7]) == pytest.approx(held[6], abs=1e-9)
    assert abs(held[6] - free[6]) > 1e-3


def test_the_rounder_a_bone_the_less_is_size_told_from_offset() -> None:
    errors = []
    for half in ((0.12, 0.15, 0.5), (0.4, 0.45, 0.5), (0.49, 0.495, 0.5)):
        points, normals = ellipsoid(half)
        gap = normals * np.random.default_rng(5).normal(0, 0.002, size=(200, 1))
        errors.append(fit_with_offset(points, gap, normals, np.ones(200))[1][0, 0])
    assert errors[0] < errors[1] < errors[2]
    assert errors[2] > 100 * errors[0]


def test_the_standard_error_is_the_spread_of_size_over_draws_of_what_is_assumed() -> None:
    """300 draws of smooth differences and of those of single pairs, a pair of a twentieth of the weight with twenty times the variance of its own."""
    random = np.random.default_rng(6)
    points, normals = ellipsoid((0.12, 0.15, 0.5))
    weight = np.where(np.arange(200) % 2, 1.0, 0.05)
    own = np.diag(OWN_SHARE / weight)
    spread = 0.003 * np.linalg.cholesky(likeness(points, points) * (normals @ normals.T) + own)
    draws = (normals * (spread @ random.normal(size=200))[:, None] for _ in range(300))
    fits = [fit_with_offset(points, gap, normals, weight)[:2] for gap in draws]
    assert np.std([step[6] for step, _ in fits]) == pytest.approx(np.sqrt(np.mean([covariance[0, 0] for _, covariance in fits])), rel=0.1)


@pytest.mark.parametrize("half", [(1.0, 1.0, 1.0), (1.0, 0.97, 0.94)])
def test_a_body_that_is_all_but_a_ball_cannot_tell_an_offset_from_size(half: tuple[float, float, float]) -> None:
    """The second is 1.05 times the first, with ripples of 0.4 % on it: what an offset explains, size explains as well."""
    body = ball(10.0, n_splits=4)
    ripples = 1 + 0.004 * np.sin(body.vertices[:, :1]) * np.cos(body.vertices[:, 1:2] * 0.7)
    small, large = (body.replaced(vertices=body.vertices * half * size) for size in (1.0, 1.05 * ripples))
    assert fit_offset(small, large, register(small, large, "similarity")) is None


@pytest.mark.slow
def test_a_size_that_does_not_come_to_rest_tells_no_offset(monkeypatch: pytest.MonkeyPatch) -> None:
    """A vertebra half a millimetre too thin rests after more than three rounds: allowed only three it tells nothing, instead of that size."""
    vertices, faces = read_bone("C_4")
    small, large = Mesh.create(vertices, faces), Mesh.create(*fattened((warp(vertices, 0.4, 3) * SIZE, faces), -0.5))
    found = register(small, large, "similarity")
    assert fit_offset(small, large, found) is not None
    monkeypatch.setattr("meshtools.geometry.registration_offset.MAX_ROUNDS", 3)
    assert fit_offset(small, large, found) is None


def find(name: str) -> Find:
    return Find(1, name, "ulna", Side.LEFT, name, f"scans/{name}.stl", Unit.MM, preserved_percent=98.0)


def laid(bone: str, offset_mm: float, is_target_fat: bool, is_donor_laid: bool) -> BoneRatio:
    """One bone against its like of another individual, 0.6 % apart in shape and 1.18 times as large; one of the two is fat."""
    vertices, faces = read_bone(bone)
    target, donor = (warp(vertices, 0.4, 3) * SIZE, faces), (moved(warp(vertices, 0.4, 4), turn(5)), faces)
    target, donor = (fattened(target, offset_mm), donor) if is_target_fat else (target, fattened(donor, offset_mm))
    pair = BonePair("ulna", find("a"), find("b"), False, is_donor_laid)
    return measure_pair(pair, Mesh.create(*target), Mesh.create(*donor))


@pytest.mark.slow
@pytest.mark.parametrize(("is_target_fat", "is_donor_laid"), [(True, True), (False, True), (True, False), (False, False)])
def test_half_a_millimetre_of_fat_skin_is_named_and_taken_out_whichever_bone_has_it(is_target_fat: bool, is_donor_laid: bool) -> None:
    """The offset is that of the target's surface at its size: +0.5 mm where it is fat itself, -0.5 * 1.18 mm where the donor is."""
    bone = laid("Ulna_L", 0.5, is_target_fat, is_donor_laid)
    assert bone.is_trusted
    assert abs(math.log(bone.ratio / SIZE)) > 0.03
    assert bone.offset_ratio == pytest.approx(SIZE, rel=0.01)
    assert bone.offset_mm == pytest.approx(0.5 if is_target_fat else -0.5 * SIZE, abs=0.1)
    assert bone.lengths_offset_ratio == pytest.approx(SIZE, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_pairs_are_weighed_by_what_the_offset_leaves(seed: int) -> None:
    """A kneecap half a millimetre too thin is 10 % too small: weighed by their whole gap, pairs that lie close by chance would hide half of it."""
    vertices, faces = read_bone("Patella_L")
    while len(faces) < 4000:
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    target = Mesh.create(*fattened((warp(vertices, 0.5, 100 + seed) * SIZE, faces), -0.5))
    donor = Mesh.create(moved(warp(vertices, 0.5, 150 + seed), turn(seed)), faces)
    fit = fit_offset(donor, target, register(donor, target, "similarity"))
    assert fit is not None
    assert fit.scale == pytest.approx(SIZE, rel=0.02)
    assert fit.offset_mm == pytest.approx(-0.5, abs=0.1)


@pytest.mark.slow
@pytest.mark.parametrize("bone", ["Ulna_L", "Tibial_tarsal_L", "C_4"])
def test_two_sound_scans_of_different_shape_show_no_offset(bone: str) -> None:
    found = laid(bone, 0.0, True, True)
    assert (found.is_trusted, is_beyond([found.shift_ln])) == (True, False)
    assert pool_ratios([found], []).pooled == pooled_factor({"ulna": found.ratio})


@pytest.mark.slow
def test_the_greatest_length_of_a_broken_bone_is_held_against_nothing() -> None:
    """A quarter of the donor is lost, so that its length is no length of the bone: no ratio of lengths, and no word on one."""
    target, donor = (Mesh.create(*scanned("Tibia_L", seed, size, lost=lost)) for seed, size, lost in ((5, SIZE, 0.0), (13, 1.0, 0.25)))
    bone = measure_pair(BonePair("tibia", find("a"), find("b"), False, True), target, donor)
    assert (bone.is_trusted, bone.has_offset, math.isnan(bone.lengths_ratio)) == (True, True, True)
    assert size_findings(pool_ratios([bone], []), {}) == ()


def ratio(element: str, value: float, shift_ln: float = 0.0, **more: Any) -> BoneRatio:
    bone = BoneRatio(element, "t", "d", False, value, 0.5, 100.0, True, "", value * math.exp(shift_ln), -40 * shift_ln)
    return replace(bone, scans=(f"scans/{element}-t.stl", f"scans/{element}-d.stl"), **more)


def test_what_moves_no_bone_beyond_the_limit_leaves_the_factor_as_registered() -> None:
    bones = [ratio("femur", 1.18, 0.014), ratio("tibia", 1.19, -0.014), ratio("humerus", 1.17, 0.002)]
    estimate = pool_ratios(bones, [Element(bone.element, Side.LEFT, group="limb") for bone in bones])
    expected = pooled_factor({bone.element: bone.ratio for bone in bones})
    assert (estimate.pooled, estimate.groups, estimate.is_offset_out) == (expected, {"limb": expected}, False)
    assert size_findings(estimate, {}) == ()


def test_one_bone_beyond_the_limit_takes_the_offset_out_of_all() -> None:
    bones = [ratio("femur", 1.18, -0.016), ratio("tibia", 1.19, -0.004)]
    estimate = pool_ratios(bones, [])
    assert estimate.is_offset_out
    assert estimate.pooled == pooled_factor({bone.element: bone.offset_ratio for bone in bones})


@pytest.mark.parametrize(("is_whole", "shift", "is_out"), [(True, 0.016, True), (False, 0.048, False), (False, -0.052, True)])
def test_what_tells_of_an_offset_on_a_whole_bone_tells_nothing_on_a_broken_one(is_whole: bool, shift: float, is_out: bool) -> None:
    """Half a radius is shaft, and its size moves by up to 4.7 % where two sound individuals differ in shape (measured)."""
    estimate = pool_ratios([ratio("radius", 1.18, shift, is_whole=is_whole), ratio("tibia", 1.19)], [])
    assert estimate.is_offset_out is is_out
    findings = size_findings(estimate, {})
    limit = math.copysign(SHIFT_RATIO if is_whole else BROKEN_SHIFT_RATIO, shift)
    expected = [(round(100 * math.expm1(shift), 2), round(abs(100 * math.expm1(limit)), 2))]
    assert [(finding.value, finding.limit) for finding in findings] == (expected if is_out else [])


@pytest.mark.slow
def test_half_a_bone_of_another_shape_changes_no_factor() -> None:
    """A radius that is half broken off: the offset that explains its shape moves its size by over 3 %, away from the truth."""
    target, donor = (Mesh.create(*scanned("Radius_L", *more)) for more in ((201, SIZE, 0.5), (251, 1.0, 0.5, 0.4)))
    bone = measure_pair(BonePair("radius", find("a"), find("b"), False, True), target, donor)
    assert (bone.is_trusted, bone.is_whole, abs(bone.shift_ln) > 2 * SHIFT_RATIO) == (True, False, True)
    assert pool_ratios([bone], []).pooled == pooled_factor({"radius": bone.ratio})


@pytest.mark.slow
def test_the_offset_of_the_whole_bones_is_taken_out_of_a_broken_one() -> None:
    """The same radius, target 0.4 mm too fat: 5 % too large as registered, 2.5 % too small without the offset that suits it best by itself."""
    target, donor = fattened(scanned("Radius_L", 201, SIZE, 0.5), 0.4), scanned("Radius_L", 251, 1.0, 0.5, 0.4)
    broken = measure_pair(BonePair("radius", find("a"), find("b"), False, True), Mesh.create(*target), Mesh.create(*donor))
    whole = laid("Ulna_L", 0.4, True, True)
    assert (whole.is_whole, broken.is_whole, abs(math.log(broken.offset_ratio / SIZE)) > 0.02) == (True, False, True)
    estimate = pool_ratios([whole, broken], [])
    held = estimate.bones[1]
    assert estimate.ratio_of(held) == pytest.approx(SIZE, rel=0.01)
    turned = measure_pair(BonePair("radius", find("b"), find("a"), False, False), Mesh.create(*donor), Mesh.create(*target))
    assert turned.held_at(-held.offset_mm / held.offset_ratio).offset_ratio == pytest.approx(1 / held.offset_ratio, rel=3e-3), "seen from the other"


def test_broken_bones_without_the_offset_of_the_whole_ones_are_named() -> None:
    """Whole bones tell of 1.8 mm and 2.0 mm, the broken one of 2.5: ln 1.2 - 0.0625 and 0.025 more for each of the 0.6 mm less (closed form)."""
    whole = ratio("femur", 1.235, -0.045, ln_per_mm=-0.025), ratio("tibia", 1.24, -0.05, ln_per_mm=-0.025)
    broken = ratio("radius", 1.2, -0.0625, is_whole=False, ln_per_mm=-0.025)
    estimate = pool_ratios([*whole, broken], [])
    held = estimate.bones[2]
    assert (held.offset_mm, held.is_held, estimate.common_mm) == (pytest.approx(1.9), True, pytest.approx(1.9))
    assert math.log(held.offset_ratio) == pytest.approx(math.log(1.2) - 0.0625 + 0.6 * 0.025)
    assert estimate.bones[:2] == whole
    pooled = pooled_factor({bone.element: bone.offset_ratio for bone in (*whole, held)})
    assert estimate.pooled is not None
    assert estimate.pooled.factor == pytest.approx(pooled.factor)
    (finding,) = size_findings(estimate, {})
    assert "Of what is broken or nearly round (radius) not its own distance is taken out but that of the others, 1.9 mm outside." in finding.message


@pytest.mark.parametrize(("scale_error", "is_firm"), [(0.0039, True), (0.0041, False)])
def test_a_whole_bone_whose_size_is_unsure_beside_an_offset_tells_as_little_as_a_broken_one(scale_error: float, is_firm: bool) -> None:
    """A kneecap out of voxels of 0.8 mm: a sound one moved by up to 3.7 %, so alone it tells of none, and with others theirs is taken out."""
    patella = ratio("patella", 1.2, -0.037, scale_error=scale_error, ln_per_mm=-0.025)
    assert pool_ratios([patella, ratio("tibia", 1.19)], []).is_offset_out is is_firm
    estimate = pool_ratios([patella, ratio("femur", 1.235, -0.045, ln_per_mm=-0.025)], [])
    assert estimate.bones[0] == (patella if is_firm else patella.held_at(estimate.common_mm))
    assert ("nearly round (patella) not its own distance" in size_findings(estimate, {})[0].message) is not is_firm


@pytest.mark.parametrize(("own_mm", "tibia_mm", "why"), [(4.3, 1.8, "of 1.8 mm outside, so far from it"), (2.0, 0.4, "of no common one")])
def test_a_broken_bone_far_from_the_whole_ones_or_beside_whole_ones_that_differ_keeps_its_own_and_is_named(
    own_mm: float, tibia_mm: float, why: str
) -> None:
    """2.5 mm apart is 6.2 % of size, more than half a bone of another shape is off; of 1.8 and 0.4 mm neither bone keeps its size with the median."""
    whole = ratio("femur", 1.235, -0.045, ln_per_mm=-0.025), ratio("tibia", 1.24, -tibia_mm / 40, ln_per_mm=-0.025)
    broken = ratio("radius", 1.2, -own_mm / 40, is_whole=False, ln_per_mm=-0.025)
    estimate = pool_ratios([*whole, broken], [])
    assert estimate.bones[2] == broken
    (finding,) = size_findings(estimate, {})
    assert f"Of what is broken or nearly round (radius) its own distance is taken out, which is less sure: the others tell {why}." in finding.message


@pytest.mark.parametrize(("share", "is_out"), [(0.98, False), (1.02, True)])
def test_four_bones_that_move_alike_tell_of_half_as_much_as_one(share: float, is_out: bool) -> None:
    """The limit of n bones is that of one over sqrt(n) (closed form)."""
    shift = SHIFT_RATIO / 2 * share
    assert pool_ratios([ratio(name, 1.2, -shift) for name in ("femur", "tibia", "ulna", "radius")], []).is_offset_out is is_out


def test_a_group_that_moves_alike_tells_even_where_the_other_bones_do_not() -> None:
    bones = [*(ratio(name, 1.2, -0.01) for name in ("femur", "tibia", "ulna")), *(ratio(f"rib-{n}", 1.2) for n in range(9))]
    elements = [Element(bone.element, Side.LEFT, group="rib" if "rib" in bone.element else "limb") for bone in bones]
    assert pool_ratios(bones, elements).is_offset_out
    assert not pool_ratios(bones, []).is_offset_out


def test_what_bones_tell_only_together_is_told_with_their_mean_and_the_limit_of_as_many() -> None:
    """Four bones by 0.008 to 0.014: the mean is 0.011 and the limit 0.0075 (closed form), not the worst bone's 0.014 beside the limit of one."""
    shifts = {"femur": -0.014, "tibia": -0.008, "ulna": -0.012, "radius": -0.01}
    bones = [*(ratio(name, 1.2, shift) for name, shift in shifts.items()), *(ratio(f"rib-{n}", 1.2) for n in range(40))]
    elements = [Element(bone.element, Side.LEFT, group="rib" if "rib" in bone.element else "limb") for bone in bones]
    estimate = pool_ratios(bones, elements)
    assert estimate.told is not None
    assert (estimate.told.elements, estimate.told.group) == (("femur", "tibia", "ulna", "radius"), "limb")
    (finding,) = size_findings(estimate, {})
    assert (finding.value, finding.limit) == (round(100 * math.expm1(-0.011), 2), round(-100 * math.expm1(-0.0075), 2))
    assert "No bone tells of it alone, but the 4 bones of the group limb together do" in finding.message
    assert "change by -1.09 % in the mean, and differences of shape by no more than 0.75 %" in finding.message
    (of_all,) = size_findings(pool_ratios(bones[:4], []), {})
    assert (of_all.value, of_all.limit) == (finding.value, finding.limit)
    assert "No bone tells of it alone, but all 4 bones together do" in of_all.message
    assert "broken" not in of_all.message


def test_a_broken_bone_counts_less_among_several_and_that_is_said() -> None:
    """Three whole bones by 0.008, 0.006 and 0.006 tell nothing (0.0067 of 0.0087); with 0.3 of 0.04 they do (0.008 of 0.0075; closed form)."""
    whole = [ratio("femur", 1.2, -0.008), ratio("tibia", 1.2, -0.006), ratio("ulna", 1.2, -0.006)]
    assert pool_ratios(whole, []).told is None
    estimate = pool_ratios([*whole, ratio("humerus", 1.2, -0.04, is_whole=False)], [])
    assert estimate.told is not None
    assert (estimate.told.shift_ln, estimate.told.limit_ln) == (pytest.approx(-0.008), pytest.approx(0.0075))
    assert "in the mean (broken or nearly round ones count by 0.3 of theirs), and" in size_findings(estimate, {})[0].message


def test_the_finding_names_files_element_distance_and_both_factors() -> None:
    """ln shift -0.045: 1.235 -> 1.1807; greatest lengths 121.7 and 100 mm."""
    estimate = pool_ratios([ratio("femur", 1.235, -0.045, lengths_mm=(121.7, 100.0)), ratio("tibia", 1.18)], [])
    (finding,) = size_findings(estimate, {})
    assert (finding.severity, finding.code, finding.value) == (Severity.REVIEW, "size-offset", round(100 * math.expm1(-0.045), 2))
    words = ("femur", "scans/femur-t.stl lies 1.8 mm outside that of scans/femur-d.stl", "1.2350", "1.1807", "1.2170", "threshold", "caliper_mm")
    assert [word for word in words if word not in finding.message] == []
    assert "tibia" not in finding.message


def test_a_bone_whose_offset_is_not_told_from_size_goes_in_as_registered_and_is_named() -> None:
    """A kneecap, nearly a ball: its ratio 1.22 may hold an offset still, and nobody is told that it has none of it."""
    patella = BoneRatio("patella", "t", "d", False, 1.22, 0.5, 100.0, True, "")
    estimate = pool_ratios([femur := ratio("femur", 1.235, -0.045), patella], [])
    assert estimate.pooled == pooled_factor({"femur": femur.offset_ratio, "patella": 1.22})
    (finding,) = size_findings(estimate, {})
    assert "All factors here are without it, but for patella, where it cannot be told from size" in finding.message
    assert _bone_row(patella, None)["offset_mm"] is None
    lines = _bone_lines([_bone_row(bone, None) for bone in estimate.bones], estimate)
    assert [line.split()[4:6] for line in lines[1:]] == [["+1.80", "1.1807"], ["-", "-"]]
    (plain,) = size_findings(pool_ratios([femur], []), {})
    assert "but for" not in plain.message


def test_where_no_bone_can_tell_of_an_offset_that_is_said_and_one_that_can_speaks_for_all() -> None:
    patella = BoneRatio("patella", "t", "d", False, 1.22, 0.5, 100.0, True, "")
    (note,) = size_findings(pool_ratios([patella], []), {})
    assert (note.severity, note.code) == (Severity.NOTE, "size-offset")
    assert "cannot be told from size by patella: nearly a ball, or no size comes to rest" in note.message
    assert size_findings(pool_ratios([patella, ratio("femur", 1.2)], []), {}) == ()
    assert size_findings(pool_ratios([replace(patella, is_trusted=False)], []), {}) == ()


def test_greatest_lengths_that_contradict_the_surfaces_are_a_note_and_measured_ones_a_question() -> None:
    """1.18 against 1.21 (2.5 %); with 1.20 (1.7 %) there is nothing to say."""
    estimate = pool_ratios([ratio("femur", 1.18, lengths_mm=(121.0, 100.0))], [])
    (note,) = size_findings(estimate, {})
    (question,) = size_findings(estimate, {"femur": 1.22})
    assert (note.severity, note.code, question.severity, question.code) == (Severity.NOTE, "size-lengths", Severity.REVIEW, "size-lengths")
    assert "scans/femur-t.stl" in note.message
    assert "1.2200" in question.message
    assert size_findings(estimate, {"femur": 1.20}) == ()


def test_lengths_are_held_against_surfaces_without_the_offset_at_both_ends() -> None:
    """Lengths 122 and 100 mm, offset 2 mm: (122 - 2 * 2) / 100 = 1.18, which is the ratio without the offset (closed form)."""
    bone = ratio("femur", 1.18 * math.exp(0.05), -0.05, lengths_mm=(122.0, 100.0))
    assert bone.lengths_offset_ratio == pytest.approx(1.18)
    assert [finding.code for finding in size_findings(pool_ratios([bone], []), {})] == ["size-offset"]


FAT = ("humerus", "humerus_L"), ("ulna", "Ulna_L"), ("talus", "Tibial_tarsal_L")


@pytest.mark.slow
def test_a_fat_donor_gives_the_true_factor_with_a_question_and_exit_code_1(tmp_path: Path) -> None:
    """Without it the registrations say 2 to 5 % less than the truth."""
    rows = [f"{one}-{element},{element},left,ind-{one},Fictotherium exemplum,98" for one in "ab" for element, _ in FAT]
    scans = {f"a-{element}": scanned(bone, 3 * n, SIZE) for n, (element, bone) in enumerate(FAT)}
    scans |= {f"b-{element}": fattened(scanned(bone, 3 * n + 40), 0.4) for n, (element, bone) in enumerate(FAT)}
    batch = write_batch(tmp_path / "batch", rows, [f"{element},paired,limb" for element, _ in FAT], scans)
    done = bonewright("size", "mount", "ind-b", "--batch", batch, "--json")
    facts = json.loads(done.stdout)
    low, high = facts["pooled"]["interval"]
    assert (done.returncode, facts["is_offset_out"], facts["findings"][0]["code"]) == (1, True, "size-offset")
    assert facts["pooled"]["factor"] == pytest.approx(SIZE, rel=0.01)
    assert low < SIZE < high
    assert all(bone["ratio"] < SIZE * 0.985 for bone in facts["bones"])
    assert all(bone["lengths_ratio"] == pytest.approx(SIZE, rel=0.05) for bone in facts["bones"]), "without the floaters"
    assert all("without an offset of the surfaces" in row for row in facts["decisions"])
