"""The last part of registration where the size is free: pose and size when two bones differ by a smooth change of shape.

Two individuals differ smoothly: where one point of a bone lies off its partner, its neighbours lie off in the same way. Least squares takes
every pair of points for a witness of its own, so a bulge at one end that a thousand pairs tell of changes the size. Here the gap of a pair is
the similarity sought, plus a smooth displacement, plus what belongs to that pair alone, and the similarity is the best linear unbiased one
(generalised least squares, Aitken 1935, Proceedings of the Royal Society of Edinburgh 55; in geostatistics: kriging with a drift). Only gaps along
the normal are seen, as in point to plane. The displacement that comes with it carries the points towards their true partners, which are then
sought again. Our own combination.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.fitting import tukey_weight
from meshtools.geometry.registration_poses import Poses
from meshtools.geometry.registration_refine import Pairs, Refiner
from meshtools.geometry.registration_search import similarity_columns
from meshtools.model import FloatArray

N_POINTS = 400  # of each bone; 800 give the same size to 0.01 % in the median (measured)
N_ROUNDS = 4
RANGE = 0.3  # of the length, over which neighbours differ alike; 0.15 to 0.6 and other covariances change the median error by a tenth (measured)
OWN_SHARE = 0.1  # variance of what belongs to one pair alone, over that of the smooth displacement; 0.01 to 0.1 give like errors (measured)
SPREAD = 3.0  # Tukey's limit in robust standard deviations of what the displacement leaves
NARROWEST, WIDEST = 0.002, 0.05
MIN_COSINE, MIN_WEIGHT, MIN_PAIRS = 0.5, 0.05, 60


@dataclass(frozen=True, eq=False)
class Displacement:
    """A smooth displacement: what known gaps along normals (n, 3) at places (n, 3) say about every other place."""

    places: FloatArray
    pulls: FloatArray

    def at(self, points: FloatArray) -> FloatArray:
        """Displacement (m, 3) of points (m, 3)."""
        return np.asarray(likeness(points, self.places) @ self.pulls)


NO_DISPLACEMENT = Displacement(np.zeros((0, 3)), np.zeros((0, 3)))


def likeness(points: FloatArray, others: FloatArray) -> FloatArray:
    """Correlation (m, n) of the displacements of points (m, 3) and others (n, 3): Matern's with 3/2 (Rasmussen & Williams 2006, equation 4.17)."""
    from scipy.spatial.distance import cdist

    far = cdist(points, others)
    far /= RANGE
    faded = np.negative(far)
    np.exp(faded, out=faded)
    far += 1.0
    far *= faded
    return np.asarray(far)


def smooth_pose(refiner: Refiner, pose: Poses) -> Poses:
    """The similarity between two bones whose shapes differ smoothly, from a pose that is right but for that difference.

    Fewer than 60 pairs that agree say too little: the pose stays as it is.
    """
    displacement = NO_DISPLACEMENT
    for _ in range(N_ROUNDS):
        pairs, left = _displaced_pairs(refiner, pose, displacement)
        weight = weigh(left, pairs.agrees)
        is_used = weight > MIN_WEIGHT
        if is_used.sum() < MIN_PAIRS:
            return pose
        step, displacement = fit_smoothly(pairs.placed[is_used], pairs.gap[is_used], pairs.normals[is_used], weight[is_used])
        pose = pose.moved(step[None])
    return pose


def fit_smoothly(placed: FloatArray, gap: FloatArray, normals: FloatArray, weight: FloatArray) -> tuple[FloatArray, Displacement]:
    """The step (7,) of a similarity that explains gaps (n, 3) along normals (n, 3), and the smooth displacement of the rest.

    weight (n,), above 0 to 1: a pair of half the weight has twice the variance of its own.
    """
    step, _, displacement = explain_gaps(similarity_columns(placed, normals), (placed, gap, normals), weight)
    return step, displacement


def explain_gaps(
    columns: FloatArray, pairs: tuple[FloatArray, FloatArray, FloatArray], weight: FloatArray
) -> tuple[FloatArray, FloatArray, Displacement]:
    """The unknowns (k,) whose columns (n, k) best explain gaps along normals, their covariance (k, k), and the smooth displacement of the rest.

    pairs: places, gaps and normals (n, 3) each; weight: see `fit_smoothly`.
    """
    from scipy.linalg import cho_factor, cho_solve

    placed, gap, normals = pairs
    covariance = likeness(placed, placed) * (normals @ normals.T)
    covariance[np.diag_indices(len(placed))] += OWN_SHARE / weight
    factor = cho_factor(covariance, lower=True)
    distance = np.einsum("nj,nj->n", gap, normals)
    solved = cho_solve(factor, columns)
    system = columns.T @ solved
    step = np.linalg.solve(system, solved.T @ distance)
    rest = distance - columns @ step
    pulls = cho_solve(factor, rest)
    variance = float(rest @ pulls) / max(len(placed) - len(step), 1)
    return step, variance * np.linalg.inv(system), Displacement(placed, pulls[:, None] * normals)


def _displaced_pairs(refiner: Refiner, pose: Poses, displacement: Displacement) -> tuple[Pairs, FloatArray]:
    """Partners sought after the displacement, with gaps as if without it; and how far (n,) they lie apart after it."""
    pairs = refiner.pairs(pose, N_POINTS, displacement.at)
    left = pairs.gap - displacement.at(pairs.placed)
    return pairs, np.asarray(np.sqrt(np.einsum("nj,nj->n", left, left)))


def weigh(left: FloatArray, agrees: NDArray[np.bool_]) -> FloatArray:
    """Tukey's weight (n,) of pairs that lie so far (n,) apart after the displacement, nothing where normals disagree."""
    near = left[agrees & (left < WIDEST)]
    width = float(np.clip(SPREAD * 1.4826 * np.median(near), NARROWEST, WIDEST)) if len(near) else WIDEST
    return tukey_weight(left**2, width) * agrees
