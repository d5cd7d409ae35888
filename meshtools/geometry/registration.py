"""Lay one bone on another: find the pose, and the size, in which their surfaces agree best, and say whether it can be believed.

A residual is only believed when the search was wide: small compact bones (phalanges, sesamoids) have several poses that look alike, and a
search from a few starts stops in one of them with a residual that looks like natural asymmetry.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.registration_poses import Poses, pose_gap
from meshtools.geometry.registration_refine import Firmness, Pairs, Refiner, fitting_width, measure_firmness, score_pair
from meshtools.geometry.registration_search import PARTIAL_SCALES, Sampled, SearchPlan, sample_bone, search_poses
from meshtools.geometry.registration_smooth import smooth_pose
from meshtools.geometry.transform import reflect, reflection_matrix
from meshtools.model import FloatArray, Mesh

Kind = Literal["rigid", "similarity"]

N_FINE = 5
N_EXACT, N_LAID = 1500, 3  # points of the exact alignment, and its steps once the size is known
SCORE_WIDTH = 0.02
APART = 0.04  # two poses are different ones when they carry the bone's points farther apart than this share of its length
COMPLETE_RATIO = 0.97  # both bones cover each other at least so far: neither is broken
OVERLAP_TOLERANCE, MISFIT_CAP = 0.03, 0.05
MAX_RESIDUAL_PERCENT = 3.0  # individuals that differ by 2 % in shape leave 1.5 % (measured)
MAX_RATIO, MIN_OVERLAP_PERCENT, MAX_ANGLE_DEG, MAX_SHIFT_PERCENT = 0.93, 35.0, 2.5, 1.5


@dataclass(frozen=True, eq=False)
class Registration:
    """One bone laid on another.

    fixed_from_moving (4, 4), determinant above zero unless is_reflected; scale: its factor of length. Residuals, and all that speaks for the pose,
    are those of the closest pose, whose size differs by some tenths of a percent where the size is free (registration_smooth). Residuals in
    percent of the fixed bone's greatest length: all of both surfaces where both are complete, otherwise only what overlaps. distances_percent
    (n,): how far even samples of the moving bone lie off, sorted; whole_misfit_percent: rms distance both ways, none counted above 5 %.
    overlap_percent: share of the moving bone that lies on the fixed one. ratio: score of the best other pose over the score of this one (1: as
    good). firmness: change of the pose when a quarter of the surface is left out. `reason` says why the pose is trusted or not.
    """

    fixed_from_moving: FloatArray
    scale: float
    residual_rms_percent: float
    residual_p95_percent: float
    distances_percent: FloatArray
    whole_misfit_percent: float
    overlap_percent: float
    ratio: float
    firmness: Firmness
    is_complete: bool
    is_reflected: bool
    score: float
    is_trusted: bool
    reason: str

    def misfit_percent(self, share: float) -> float:
        """Rms distance of the nearest share (0 to 1) of the moving bone, none counted above 5 %: compares two partners of one broken find."""
        nearest = self.distances_percent[: max(1, int(share * len(self.distances_percent)))]
        return _misfit_percent((nearest / 100) ** 2)


def register(moving: Mesh, fixed: Mesh, kind: Kind = "rigid", may_reflect: bool = False) -> Registration:
    """Lay `moving` on `fixed`; `similarity` finds the size too. The moving bone may be a part of the fixed one.

    With may_reflect the mirror image of the moving bone is tried as well and the better one wins. The same input gives the same answer.
    Raises GeometryError for a mesh without surface or an unknown kind. Method: our own; starts from 724 rotations and several shifts and sizes,
    improved together on a coarse sampling, the best five then exactly (point to plane, Tukey's weights, both ways). The size, where it is free,
    comes last, from gaps that smooth differences of shape explain (registration_smooth).
    """
    if kind not in ("rigid", "similarity"):
        raise GeometryError(f"'{kind}' is not a kind of registration; choose rigid or similarity")
    target = sample_bone(fixed)
    own = _register(sample_bone(moving, 1), target, kind == "similarity")
    if not may_reflect:
        return own
    mirror = reflection_matrix()
    other = _register(sample_bone(reflect(moving), 1), target, kind == "similarity")
    other = replace(other, fixed_from_moving=other.fixed_from_moving @ mirror, is_reflected=True)
    best, second = (own, other) if own.score >= other.score else (other, own)
    return _judged(replace(best, ratio=max(best.ratio, second.score / best.score)))


def _register(moving: Sampled, fixed: Sampled, has_scale: bool) -> Registration:
    refiner = Refiner(fixed, moving, has_scale)
    found, _ = search_poses(fixed, moving, SearchPlan(PARTIAL_SCALES if has_scale else ()))
    if not len(found):
        raise GeometryError("the two bones could not be laid on each other in any way; look whether both are scans of this kind of bone")
    fine = [refiner.refine(found.pick(place), 400, 20) for place in range(min(N_FINE, len(found)))]
    scores = [score_pair(refiner.pairs(pose, 1000), SCORE_WIDTH) for pose in fine]
    best = refiner.refine(fine[int(np.argmax(scores))], N_EXACT, 30)
    pairs = refiner.pairs(best, len(moving.points))
    width = max(0.006, fitting_width(pairs) / 2)
    others = [*fine, *(found.pick(place) for place in range(len(fine), len(found)))]
    ratio = _runner_up(refiner, best, others, width)
    laid = _result(pairs, best, refiner, ratio)
    return _sized(laid, refiner, best) if has_scale and laid.residual_rms_percent <= MAX_RESIDUAL_PERCENT else laid


def _sized(found: Registration, refiner: Refiner, closest: Poses) -> Registration:
    """The registration at the size that smooth differences of shape allow, laid on again at that size; what speaks for it stays."""
    pose = smooth_pose(refiner, closest)
    width = fitting_width(refiner.pairs(pose, N_EXACT))
    matrix = refiner.matrix_mm(refiner.with_size_kept().refine(pose, N_EXACT, N_LAID, width))
    return replace(found, fixed_from_moving=matrix, scale=float(np.cbrt(np.linalg.det(matrix[:3, :3]))))


def _runner_up(refiner: Refiner, best: Poses, others: list[Poses], width: float) -> float:
    """Score of the best other pose over that of the best pose."""
    probes = refiner.moving.points[:50]
    top = score_pair(refiner.pairs(best, 600), width)
    far = [pose for pose in others if pose_gap(pose, best, probes)[0] >= APART]
    return max((score_pair(refiner.pairs(pose, 600), width) for pose in far), default=0.0) / max(top, 1e-12)


def _result(pairs: Pairs, pose: Poses, refiner: Refiner, ratio: float) -> Registration:
    reach = max(OVERLAP_TOLERANCE, fitting_width(pairs))
    is_near = (pairs.squared < reach**2) & pairs.agrees
    covered = is_near[: pairs.n_moving].mean(), is_near[pairs.n_moving :].mean()
    is_complete = bool(min((np.sqrt(pairs.squared[part]) < reach).mean() for part in _ways(pairs)) >= COMPLETE_RATIO)
    squared = pairs.squared if is_complete else pairs.squared[: pairs.n_moving][is_near[: pairs.n_moving]]
    if not len(squared):
        squared = pairs.squared
    matrix = refiner.matrix_mm(pose)
    return _judged(Registration(
        fixed_from_moving=matrix,
        scale=float(np.cbrt(np.linalg.det(matrix[:3, :3]))) if refiner.has_scale else 1.0,
        residual_rms_percent=100 * float(np.sqrt(squared.mean())),
        residual_p95_percent=100 * float(np.sqrt(np.quantile(squared, 0.95))),
        distances_percent=100 * np.sqrt(np.sort(pairs.squared[: pairs.n_moving])),
        whole_misfit_percent=_misfit_percent(pairs.squared),
        overlap_percent=100 * float(covered[0]),
        ratio=ratio,
        firmness=measure_firmness(pairs, refiner.has_scale),
        is_complete=is_complete,
        is_reflected=False,
        score=score_pair(pairs, SCORE_WIDTH),
        is_trusted=False,
        reason="",
    ))


def _misfit_percent(squared: FloatArray) -> float:
    return 100 * float(np.sqrt(np.minimum(squared, MISFIT_CAP**2).mean()))


def _ways(pairs: Pairs) -> tuple[slice, slice]:
    return slice(0, pairs.n_moving), slice(pairs.n_moving, None)


def _judged(found: Registration) -> Registration:
    """The registration with its verdict and the reason for it."""
    doubts = []
    if found.ratio > MAX_RATIO:
        doubts.append(f"another pose fits almost as well (ratio {found.ratio:.2f})")
    if found.overlap_percent < MIN_OVERLAP_PERCENT:
        doubts.append(f"only {found.overlap_percent:.0f} % of the bone lies on the other")
    if found.residual_rms_percent > MAX_RESIDUAL_PERCENT:
        doubts.append(f"the shapes differ by {found.residual_rms_percent:.1f} % of the length: is it the same bone?")
    if found.firmness.angle_deg > MAX_ANGLE_DEG or found.firmness.shift_percent > MAX_SHIFT_PERCENT:
        doubts.append(f"the pose changes by {found.firmness.angle_deg:.1f} deg when a quarter of the surface is left out")
    reason = "; ".join(doubts) or f"one pose stands out (next best ratio {found.ratio:.2f}), {found.overlap_percent:.0f} % overlap"
    return replace(found, is_trusted=not doubts, reason=reason)
