"""Lay a mirrored or borrowed bone on what is left of the original, with a prior that holds it where the fragment says nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.facing import FacingSurface
from meshtools.geometry.fitting import tukey_weight
from meshtools.geometry.transform import move_points
from meshtools.model import FloatArray

TUKEY = 4.685  # 95 % efficiency at the normal distribution (Holland and Welsch 1977)
N_ROUNDS = 25


@dataclass(frozen=True)
class PosePrior:
    """Where the partner is believed to lie before looking: it turns and shifts by about these standard deviations, about `centre_mm`.

    patch_mm: differences between two bones are alike within such a distance, so skin counts as one observation per square of it.
    least_difference_mm: no observation is taken to be more exact than this, however well a small fragment happens to fit.
    """

    centre_mm: tuple[float, float, float]
    rotation_sd_rad: float
    shift_sd_mm: float
    patch_mm: float
    least_difference_mm: float


@dataclass(frozen=True, eq=False)
class PosedPartner:
    """original_from_partner (4, 4); rms_mm of the pairs that counted; informed: share of the pose that the fragment decided (0 none, 1 all),
    least informed direction; n_pairs."""

    original_from_partner: FloatArray
    rms_mm: float
    informed: float
    n_pairs: int


@dataclass(frozen=True, eq=False)
class SkinSample:
    """Points (n, 3) on the original's skin, their normals (n, 3), and the skin's area."""

    points: FloatArray
    normals: FloatArray
    area_mm2: float


def fit_pose(skin: SkinSample, partner: FacingSurface, prior: PosePrior, reach_mm: tuple[float, float]) -> PosedPartner:
    """The most probable rigid pose of the partner, given the original's skin and the prior (maximum a posteriori).

    Point-to-plane residuals with Tukey's weights; pairs farther than reach_mm (from the first value down to the second) or on the
    partner's rim do not count. A fragment that fixes only some directions moves the partner along those only. Our own combination.
    """
    centre = np.array(prior.centre_mm)
    pose = np.zeros(6)  # of the skin towards the partner, about the centre: rotation vector, shift
    sd = np.repeat([prior.rotation_sd_rad, prior.shift_sd_mm], 3)
    information, rms, n_pairs = np.zeros((6, 6)), 0.0, 0
    for number in range(N_ROUNDS):
        reach = reach_mm[1] + (reach_mm[0] - reach_mm[1]) * 0.6**number
        matrix = _matrix(pose, centre)
        points, normals = move_points(skin.points, matrix), skin.normals @ matrix[:3, :3].T
        found = partner.nearest(points, normals)
        is_pair = (found.distance_mm < reach) & ~found.is_on_rim
        if is_pair.sum() < 12:
            break
        planes = partner.normals[found.face[is_pair]]
        residual = ((points[is_pair] - found.point[is_pair]) * planes).sum(axis=1)
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6 * prior.patch_mm)
        weights = tukey_weight(residual**2, TUKEY * spread)
        rows = np.concatenate([np.cross(points[is_pair] - centre - pose[3:], planes), planes], axis=1)
        n_seen = skin.area_mm2 * float(weights.sum()) / len(skin.points) / prior.patch_mm**2
        scale = n_seen / float(weights.sum()) / max(spread, prior.least_difference_mm) ** 2
        information = scale * np.einsum("i,ij,ik->jk", weights, rows, rows)
        gradient = scale * np.einsum("i,ij,i->j", weights, rows, residual) + pose / sd**2
        step = np.linalg.solve(information + np.diag(1.0 / sd**2), -gradient)
        pose = pose + step
        rms, n_pairs = float(np.sqrt((weights * residual**2).sum() / weights.sum())), int(is_pair.sum())
        if number > 8 and np.abs(step / sd).max() < 1e-6:
            break
    weighed = information * np.outer(sd, sd)
    least = float(np.linalg.eigvalsh(weighed)[0])
    original_from_partner: FloatArray = np.linalg.inv(_matrix(pose, centre)).astype(np.float64)
    return PosedPartner(original_from_partner, rms, max(least, 0.0) / (1.0 + max(least, 0.0)), n_pairs)


def _matrix(pose: FloatArray, centre: FloatArray) -> FloatArray:
    """Rotation by the vector pose[:3] (Rodrigues) about the centre, then a shift by pose[3:]."""
    from meshtools.geometry.registration_poses import rotations_from_vectors

    matrix = np.eye(4)
    matrix[:3, :3] = rotations_from_vectors(pose[None, :3])[0]
    matrix[:3, 3] = centre - matrix[:3, :3] @ centre + pose[3:]
    return matrix
