"""The size between two bones where one surface may lie too far outside the other everywhere, as when a volume was segmented with a low threshold.

Such a surface stands off along its normals by one distance: the offset. A slender bone is mostly shaft, so a registration takes an offset for
size. Here the gap of a pair is what `registration_smooth` says, plus an offset that is the same for all pairs: one column of ones more beside the
seven of the similarity, so that a bone that is too large and a skin that is too fat are told apart. A ball does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.registration import Registration
from meshtools.geometry.registration_poses import Poses
from meshtools.geometry.registration_refine import Refiner
from meshtools.geometry.registration_search import Sampled, sample_bone, similarity_columns
from meshtools.geometry.registration_smooth import MIN_PAIRS, MIN_WEIGHT, N_POINTS, NO_DISPLACEMENT, Displacement, explain_gaps, weigh
from meshtools.model import FloatArray, Mesh

MAX_ROUNDS, STILL = 48, 1e-4
"""The rounds end when the size changes by less than the second, as a share: after 3 to 12 in most bones, 39 at most in 346 of 347 (measured)."""
MAX_ERROR = 0.01  # beyond it size and offset are not told apart, as on a ball; real bones with smooth changes of shape have 0.004 or less (measured)


@dataclass(frozen=True)
class OffsetFit:
    """Size and offset found together.

    scale: factor of length from the moving bone to the fixed one. offset_mm: how far the fixed bone's surface lies outside the moving one's at that
    size (below zero: inside), in mm of the fixed bone. scale_error: the standard error of the scale, as a share, if all else is as assumed.
    lengths_mm: greatest lengths of the moving and of the fixed bone, without floaters. ln_scale_per_mm: how the logarithm of the best scale changes
    with the offset, where one is held that other bones tell.
    """

    scale: float
    offset_mm: float
    scale_error: float
    lengths_mm: tuple[float, float]
    ln_scale_per_mm: float


def fit_offset(moving: Mesh, fixed: Mesh, laid: Registration) -> OffsetFit | None:
    """Size and offset between two bones that a registration of free size has laid on each other.

    None where that cannot be told: too few points agree, the shape is that of a ball, or the size does not come to rest.
    """
    refiner = Refiner(sample_bone(fixed), sample_bone(moving, 1), True)
    pose = _local_pose(laid.fixed_from_moving, refiner.moving, refiner.fixed)
    displacement, offset, spread = NO_DISPLACEMENT, 0.0, np.diag([np.inf, np.inf])
    for _ in range(MAX_ROUNDS):
        pairs = refiner.pairs(pose, N_POINTS, displacement.at)
        left = pairs.gap - displacement.at(pairs.placed) - offset * pairs.normals
        weight = weigh(np.sqrt(np.einsum("nj,nj->n", left, left)), pairs.agrees)
        is_used = weight > MIN_WEIGHT
        if is_used.sum() < MIN_PAIRS:
            return None
        try:
            step, spread, displacement = fit_with_offset(pairs.placed[is_used], pairs.gap[is_used], pairs.normals[is_used], weight[is_used])
        except np.linalg.LinAlgError:  # a ball to the last digit: any turn and any share of size and offset explains the gaps alike
            return None
        pose, offset = pose.moved(step[None, :7]), float(step[7])
        if abs(step[6]) < STILL:
            break
    else:
        return None
    error = float(np.sqrt(spread[0, 0]))
    if not error < MAX_ERROR:
        return None
    lengths_mm = refiner.moving.length_mm, refiner.fixed.length_mm
    scale = float(pose.scale[0]) * lengths_mm[1] / lengths_mm[0]
    return OffsetFit(scale, offset * lengths_mm[1], error, lengths_mm, change_with_offset(spread) / lengths_mm[1])


def fit_with_offset(placed: FloatArray, gap: FloatArray, normals: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, Displacement]:
    """The step (8,) of a similarity and an offset that explain gaps (n, 3) along normals (n, 3), the covariance (2, 2) of its change of ln scale
    and the offset, and the smooth displacement of the rest. weight: see `fit_smoothly`."""
    columns = np.column_stack([similarity_columns(placed, normals), np.ones(len(placed))])
    step, covariance, displacement = explain_gaps(columns, (placed, gap, normals), weight)
    return step, covariance[6:, 6:], displacement


def change_with_offset(spread: FloatArray) -> float:
    """How much the best change of ln scale moves where the offset is held one unit higher, from their covariance (2, 2): the regression of the one
    on the other, which is what least squares give with the offset held."""
    return float(spread[0, 1] / spread[1, 1])


def _local_pose(fixed_from_moving: FloatArray, moving: Sampled, fixed: Sampled) -> Poses:
    """A matrix (4, 4) in mm as a pose between the bones' own frames of length one."""
    scale = float(np.cbrt(np.linalg.det(fixed_from_moving[:3, :3])))
    shift = fixed_from_moving[:3, :3] @ moving.centre_mm + fixed_from_moving[:3, 3] - fixed.centre_mm
    return Poses(
        fixed_from_moving[None, :3, :3] / scale, shift[None] / fixed.length_mm, np.array([scale * moving.length_mm / fixed.length_mm]))  # fmt: skip
