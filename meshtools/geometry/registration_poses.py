"""Poses for registration: evenly spread rotations, the closed-form similarity between point pairs, how far two poses differ."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from meshtools.errors import GeometryError
from meshtools.model import FloatArray

PHI, PSI = 2.0**0.5, 1.533751168755204288118041


@dataclass(frozen=True, eq=False)
class Poses:
    """k poses x -> scale * rotation @ x + shift: rotation (k, 3, 3) with determinant +1, shift (k, 3), scale (k,)."""

    rotation: FloatArray
    shift: FloatArray
    scale: FloatArray

    def __len__(self) -> int:
        return len(self.scale)

    def pick(self, which: object) -> Poses:
        """Some of the poses, by index array or mask; an index gives a set of one."""
        index = np.atleast_1d(np.asarray(which))
        return replace(self, rotation=self.rotation[index], shift=self.shift[index], scale=self.scale[index])

    def apply(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) under every pose, (k, n, 3)."""
        placed = self.turn(points)
        placed *= self.scale[:, None, None]
        placed += self.shift[:, None, :]
        return placed

    def turn(self, directions: FloatArray) -> FloatArray:
        """Directions (n, 3) under every pose, (k, n, 3)."""
        return np.asarray(np.matmul(directions[None], self.rotation.transpose(0, 2, 1)))

    def moved(self, step: FloatArray) -> Poses:
        """The poses after a small further motion (k, 7): rotation vector, shift, change of ln scale."""
        turn, growth = rotations_from_vectors(step[:, :3]), np.exp(step[:, 6])
        shift = np.einsum("kij,kj->ki", turn, self.shift) * growth[:, None] + step[:, 3:6]
        return Poses(turn @ self.rotation, shift, self.scale * growth)

    def matrix(self, place: int = 0) -> FloatArray:
        """One pose as a matrix (4, 4)."""
        matrix = np.eye(4)
        matrix[:3, :3], matrix[:3, 3] = self.rotation[place] * self.scale[place], self.shift[place]
        return matrix


def join_poses(*parts: Poses) -> Poses:
    """All poses of several sets, in order."""
    return Poses(*(np.concatenate([getattr(part, name) for part in parts]) for name in ("rotation", "shift", "scale")))


def rotations_from_vectors(vectors: FloatArray) -> FloatArray:
    """Rotation matrices (k, 3, 3) from rotation vectors (k, 3) in radians (Rodrigues' formula)."""
    angle = np.linalg.norm(vectors, axis=1)
    x, y, z = (vectors / np.maximum(angle, 1e-300)[:, None]).T
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)
    sine, cosine = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + (1.0 - cosine) * (cross @ cross))


def spread_rotations(n: int) -> FloatArray:
    """Rotations (n, 3, 3) spread evenly over all orientations, the same ones each time.

    Method: super-Fibonacci spirals (Alexa 2022, IEEE/CVF CVPR, "Super-Fibonacci Spirals: Fast, Low-Discrepancy Sampling of SO(3)").
    """
    place = np.arange(n) + 0.5
    inner, outer = np.sqrt(place / n), np.sqrt(1.0 - place / n)
    alpha, beta = 2.0 * np.pi * place / PHI, 2.0 * np.pi * place / PSI
    x, y, z, w = inner * np.sin(alpha), inner * np.cos(alpha), outer * np.sin(beta), outer * np.cos(beta)
    rows = [
        1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w),
        2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w),
        2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y),
    ]  # fmt: skip
    return np.stack(rows, axis=1).reshape(-1, 3, 3)


def axis_rotations(fixed_axes: FloatArray, moving_axes: FloatArray) -> FloatArray:
    """The 24 rotations (24, 3, 3) that lay the principal axes (columns) of one bone on those of another, in any order and sense."""
    found = []
    for order in ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)):
        for signs in np.ndindex(2, 2, 2):
            rotation = fixed_axes @ (np.eye(3)[list(order)] * (1.0 - 2.0 * np.array(signs))) @ moving_axes.T
            if np.linalg.det(rotation) > 0:
                found.append(rotation)
    return np.stack(found)


def principal_axes(points: FloatArray) -> FloatArray:
    """Principal axes (3, 3) of points (n, 3), one a column, the longest first."""
    centred = points - points.mean(axis=0)
    return np.asarray(np.linalg.eigh(centred.T @ centred)[1][:, ::-1])


def closed_form_similarity(moving: FloatArray, fixed: FloatArray, has_scale: bool = True, weights: FloatArray | None = None) -> FloatArray:
    """The matrix (4, 4) that lays points `moving` (n, 3) on their partners `fixed` (n, 3) with least squares; never a reflection.

    Source: Umeyama 1991, IEEE Transactions on Pattern Analysis and Machine Intelligence 13(4), 376-380. GeometryError for fewer than
    three pairs.
    """
    if len(moving) < 3 or moving.shape != fixed.shape:
        raise GeometryError("two bones are laid on each other by three or more pairs of points; give the same number for both")
    share = np.full(len(moving), 1.0 / len(moving)) if weights is None else weights / weights.sum()
    middle_m, middle_f = share @ moving, share @ fixed
    local_m, local_f = moving - middle_m, fixed - middle_f
    left, values, right = np.linalg.svd((local_f * share[:, None]).T @ local_m)
    signs = np.array([1.0, 1.0, np.sign(np.linalg.det(left) * np.linalg.det(right))])
    rotation = left * signs @ right
    scale = float((values * signs).sum() / (share @ (local_m**2).sum(axis=1))) if has_scale else 1.0
    if not np.linalg.det(rotation) > 0 or not scale > 0:
        raise GeometryError("the pairs of points fix no pose; they lie on one spot or in one line")
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = scale * rotation, middle_f - scale * rotation @ middle_m
    return matrix


def pose_gap(poses: Poses, other: Poses, probes: FloatArray) -> FloatArray:
    """How far each pose carries the probe points (n, 3) from where one other pose carries them: rms distance (k,)."""
    gap = poses.apply(probes) - other.apply(probes)
    return np.asarray(np.sqrt(np.einsum("knj,knj->k", gap, gap) / len(probes)))


def distinct_poses(poses: Poses, scores: FloatArray, probes: FloatArray, apart: float, n: int) -> list[int]:
    """Places of the best-scored poses that lie at least `apart` from each better one, best first, at most n."""
    where = poses.apply(probes).reshape(len(poses), -1)
    is_open = np.ones(len(poses), dtype=bool)
    chosen: list[int] = []
    for place in np.argsort(-scores, kind="stable"):
        if not is_open[place]:
            continue
        chosen.append(int(place))
        if len(chosen) == n:
            break
        gap = where - where[place]
        is_open &= np.sqrt(np.einsum("kj,kj->k", gap, gap) / len(probes)) >= apart
    return chosen
