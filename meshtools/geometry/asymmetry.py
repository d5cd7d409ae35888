"""Carry the difference that was measured where both bones are there over to where only one is, so that the seam has no step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.model import FloatArray

NOISE_RATIO = 0.05  # of the typical difference: what is taken for scatter, not shape
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
    Williams 2006, Gaussian Processes for Machine Learning, section 2.2; the use for bones is our own). Nothing seen: no displacement.
    """
    if len(seen.heights_mm) == 0 or not np.any(seen.heights_mm):
        return np.zeros_like(points)
    size = float(np.sqrt(np.mean(seen.heights_mm**2)))
    own = _kernel(seen.places, seen.places, reach_mm) * np.einsum("ik,jk->ij", seen.normals, seen.normals)
    own[np.diag_indices(len(own))] += NOISE_RATIO**2 + 1e-9
    from scipy.linalg import cho_factor, cho_solve

    weights = cho_solve(cho_factor(own, lower=True), seen.heights_mm / size) * size
    moved = [_kernel(part, seen.places, reach_mm) @ (weights[:, None] * seen.normals) for part in np.array_split(points, len(points) // 4000 + 1)]
    return np.concatenate(moved)


def _kernel(a: FloatArray, b: FloatArray, reach_mm: tuple[float, float]) -> FloatArray:
    squared = np.maximum((a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1)[None, :] - 2.0 * a @ b.T, 0.0)
    long, short = (np.exp(-squared / (2.0 * reach**2)) for reach in reach_mm)
    return np.asarray(long + SHORT_SHARE**2 * short)
