"""Carry the difference that was measured where both bones are there over to where only one is, so that the seam has no step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.model import FloatArray

NOISE_RATIOS = (0.03, 0.1, 0.3, 1.0, 3.0)  # scatter beside the smooth part; the likeliest is chosen
N_FOR_CHOICE = 400
N_CLEANINGS = 3
MOST_SURPRISE = 5.0
SHORT_SHARE = 0.5  # size of the short-range part beside the long-range part


@dataclass(frozen=True, eq=False)
class Differences:
    """Where the original's skin lies above (positive) the partner's: places (n, 3) mm on the partner, normals (n, 3), heights (n,) mm."""

    places: FloatArray
    normals: FloatArray
    heights_mm: FloatArray


def spread_differences(seen: Differences, points: FloatArray, reach_mm: tuple[float, float]) -> FloatArray:
    """Displacement (k, 3) of points (k, 3) of the partner that follows the seen differences and fades to nothing away from them.

    A smooth random vector field of which only the part along the normals was observed: Gaussian-process regression with the sum of two
    squared-exponential kernels (reach_mm, the long one and the short one) whose sizes come from the observed differences (Rasmussen and
    Williams 2006, Gaussian Processes for Machine Learning, section 2.2; the use for bones is our own). Observations that their
    neighbours contradict, by what they predict without them (same book, section 5.4.2), are left out. Nothing seen: no displacement.
    """
    if len(seen.heights_mm) == 0 or not np.any(seen.heights_mm):
        return np.zeros_like(points)
    from scipy.linalg import cho_factor, cho_solve

    noise = _likeliest_noise(seen, reach_mm)
    for left in range(N_CLEANINGS, -1, -1):
        factor = cho_factor(_covariance(seen, reach_mm, noise), lower=True)
        weights = cho_solve(factor, seen.heights_mm)
        if not left:
            break
        surprise = np.abs(weights / _inverse_diagonal(factor[0]))
        is_kept = surprise <= MOST_SURPRISE * 1.4826 * float(np.median(surprise)) + 1e-12
        if is_kept.all():
            break
        seen = Differences(seen.places[is_kept], seen.normals[is_kept], seen.heights_mm[is_kept])
    parts = np.array_split(points, len(points) // 4000 + 1)
    return np.concatenate([_kernel(part, seen.places, reach_mm) @ (weights[:, None] * seen.normals) for part in parts])


def _inverse_diagonal(root: FloatArray) -> FloatArray:
    """The diagonal of the inverse of a matrix, given its lower Cholesky factor: sums of squares down the inverse of the factor."""
    from scipy.linalg.lapack import dtrtri

    inverse, _ = dtrtri(root, lower=1)
    return np.asarray((np.tril(inverse) ** 2).sum(axis=0))


def _likeliest_noise(seen: Differences, reach_mm: tuple[float, float]) -> float:
    """The ratio of scatter to smooth differences that makes the seen heights most probable (marginal likelihood, same book, section 5.4.1)."""
    step = max(len(seen.heights_mm) // N_FOR_CHOICE, 1)
    middle = float(np.median(np.abs(seen.heights_mm)))
    part = np.flatnonzero(np.abs(seen.heights_mm) <= MOST_SURPRISE * 1.4826 * middle + 1e-12)[::step]
    some = Differences(seen.places[part], seen.normals[part], seen.heights_mm[part])
    if not np.any(some.heights_mm):
        return NOISE_RATIOS[0]
    from scipy.linalg import cholesky, solve_triangular

    chances, plain = [], _covariance(some, reach_mm, 0.0)
    for noise in NOISE_RATIOS:
        root = cholesky(plain + noise**2 * np.eye(len(part)), lower=True)
        white = solve_triangular(root, some.heights_mm, lower=True)
        chances.append(-0.5 * len(part) * np.log(float((white**2).mean())) - float(np.log(np.diag(root)).sum()))
    return NOISE_RATIOS[int(np.argmax(chances))]


def _covariance(seen: Differences, reach_mm: tuple[float, float], noise: float) -> FloatArray:
    own = _kernel(seen.places, seen.places, reach_mm) * np.einsum("ik,jk->ij", seen.normals, seen.normals)
    own[np.diag_indices(len(own))] += noise**2
    return np.asarray(own)


def _kernel(a: FloatArray, b: FloatArray, reach_mm: tuple[float, float]) -> FloatArray:
    squared = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1)[None, :]  # in place: as much time goes into memory as into the exponentials
    squared -= 2.0 * a @ b.T
    np.maximum(squared, 0.0, out=squared)
    long, short = (squared / (-2.0 * reach**2) for reach in reach_mm)
    np.exp(long, out=long)
    np.exp(short, out=short)
    short *= SHORT_SHARE**2
    long += short
    return np.asarray(long)
