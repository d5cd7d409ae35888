"""The last part of registration: exact robust point-to-plane alignment of two surfaces, both ways, and how firmly the pose stands."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.fitting import tukey_weight, unit_vectors
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.registration_poses import Poses, spread_rotations
from meshtools.geometry.registration_search import MIN_COSINE, Sampled, gauss_newton_steps, normal_equations
from meshtools.model import FloatArray

STILL_RATIO = 1e-3  # a step below this share of Tukey's width ends the alignment
WIDEST, NARROWEST = 0.08, 0.004  # limits of Tukey's width, as a share of the length
TUKEY = 4.685 * 1.4826  # of the median distance: 95 % efficiency for normal errors (Huber & Ronchetti 2009, Robust Statistics)


Displacer = Callable[[FloatArray], FloatArray]
"""How far points (n, 3) in the fixed bone's frame are carried, (n, 3)."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """Partner points of two bones under one pose, in the fixed bone's frame.

    placed (n, 3) on the moving bone, gap (n, 3) from there to the partner, normals (n, 3) of the projected surface, agrees (n,): the normals
    of both surfaces point the same way. The first n_moving were drawn on the moving bone, the rest on the fixed one.
    """

    placed: FloatArray
    gap: FloatArray
    normals: FloatArray
    agrees: NDArray[np.bool_]
    n_moving: int

    @property
    def squared(self) -> FloatArray:
        """Squared distance (n,) of the partners."""
        return np.asarray((self.gap**2).sum(axis=1))


class Refiner:
    """Two bones ready for exact alignment."""

    def __init__(self, fixed: Sampled, moving: Sampled, has_scale: bool) -> None:
        self.fixed, self.moving, self.has_scale = fixed, moving, has_scale
        self._on_fixed, self._on_moving = Surface(fixed.mesh), Surface(moving.mesh)
        self._fixed_normals, self._moving_normals = _face_normals(fixed), _face_normals(moving)

    def pairs(self, pose: Poses, n: int, displacement: Displacer | None = None) -> Pairs:
        """Partners of the first n samples of each bone; those that lie nearest after a displacement, where one is given."""
        rotation, scale, shift = pose.rotation[0], float(pose.scale[0]), pose.shift[0]
        placed, target = self.moving.points[:n] @ rotation.T * scale + shift, self.fixed.points[:n]
        ahead, behind = (displacement(placed), displacement(target)) if displacement else (0.0, 0.0)
        _, faces, partner = self._on_fixed.project(placed + ahead)
        normals = self._fixed_normals[faces]
        agrees = (normals * (self.moving.normals[:n] @ rotation.T)).sum(axis=1) > MIN_COSINE
        _, faces, local = self._on_moving.project((target - behind - shift) @ rotation / scale)
        back = local @ rotation.T * scale + shift
        back_normals = self._moving_normals[faces] @ rotation.T
        back_agrees = (back_normals * self.fixed.normals[:n]).sum(axis=1) > MIN_COSINE
        return Pairs(
            np.concatenate([placed, back]), np.concatenate([partner - placed, target - back]),
            np.concatenate([normals, back_normals]), np.concatenate([agrees, back_agrees]), len(placed))  # fmt: skip

    def refine(self, pose: Poses, n: int, n_steps: int, first_width: float = WIDEST) -> Poses:
        """Align until the pose stands still, at most n_steps, with a width that narrows to what the two shapes allow."""
        cap = first_width
        for _ in range(n_steps):
            pairs = self.pairs(pose, n)
            fitting = min(fitting_width(pairs), first_width)
            width = max(cap, fitting)
            weight = tukey_weight(pairs.squared, width) * pairs.agrees
            step = gauss_newton_steps(pairs.placed[None], pairs.gap[None], pairs.normals[None], weight[None], self.has_scale)
            pose = pose.moved(step)
            if np.abs(step).max() < STILL_RATIO * width:
                break
            cap *= 0.7
        return pose

    def with_size_kept(self) -> Refiner:
        """The same two bones for alignment at the size that a pose has."""
        other = copy(self)
        other.has_scale = False
        return other

    def refine_through(self, pose: Poses, n: int, widths: FloatArray) -> Poses:
        """Align with one step for each of the given widths: for surfaces of one and the same bone that share only a part."""
        for width in widths:
            pairs = self.pairs(pose, n)
            weight = tukey_weight(pairs.squared, width) * pairs.agrees
            step = gauss_newton_steps(pairs.placed[None], pairs.gap[None], pairs.normals[None], weight[None], self.has_scale)
            pose = pose.moved(step)
        return pose

    def matrix_mm(self, pose: Poses) -> FloatArray:
        """The pose as a matrix (4, 4) from the moving bone's own coordinates to the fixed one's, in mm; its determinant is above zero."""
        scale = float(pose.scale[0]) * self.fixed.length_mm / self.moving.length_mm
        matrix = np.eye(4)
        matrix[:3, :3] = scale * pose.rotation[0]
        matrix[:3, 3] = self.fixed.centre_mm + self.fixed.length_mm * pose.shift[0] - matrix[:3, :3] @ self.moving.centre_mm
        if not np.linalg.det(matrix[:3, :3]) > 0:
            raise GeometryError("the alignment turned a bone inside out; report the two scans")
        return matrix


def fitting_width(pairs: Pairs) -> float:
    """Tukey's width that suits the distances of the pairs that agree."""
    squared = pairs.squared[pairs.agrees]
    near = squared[squared < WIDEST**2]
    return float(np.clip(TUKEY * np.sqrt(np.median(near)), NARROWEST, WIDEST)) if len(near) else WIDEST


def score_pair(pairs: Pairs, width: float) -> float:
    """How well two bones cover each other, 0 to 1: the mean of both ways of exp(-(d / width)^2), nothing where normals disagree."""
    near = np.exp(-pairs.squared / width**2) * pairs.agrees
    return float((near[: pairs.n_moving].mean() + near[pairs.n_moving :].mean()) / 2)


@dataclass(frozen=True)
class Firmness:
    """How much a pose changes when a quarter of the surface is left out: rms over twelve quarters."""

    angle_deg: float
    shift_percent: float
    scale_percent: float


def measure_firmness(pairs: Pairs, has_scale: bool) -> Firmness:
    """Leave out the quarter of the pairs that lies farthest along each of twelve directions and solve again (one linear step)."""
    weight = tukey_weight(pairs.squared, fitting_width(pairs)) * pairs.agrees
    n_free = 7 if has_scale else 6
    steps = []
    for direction in spread_rotations(12)[:, 0]:
        along = pairs.placed @ direction
        kept = weight * (along < np.quantile(along, 0.75))
        system, right = normal_equations(pairs.placed[None], pairs.gap[None], pairs.normals[None], kept[None])
        a, b = system[0, :n_free, :n_free], right[0, :n_free]
        steps.append(np.pad(np.linalg.solve(a + 1e-9 * (np.trace(a) + 1e-9) * np.eye(n_free), b), (0, 7 - n_free)))
    change = np.stack(steps)
    angle, shift, scale = (float(np.sqrt((change[:, part] ** 2).sum(axis=1).mean())) for part in (slice(0, 3), slice(3, 6), slice(6, 7)))
    return Firmness(float(np.degrees(angle)), 100 * shift, 100 * scale)


def _face_normals(bone: Sampled) -> FloatArray:
    return unit_vectors(area_vectors(bone.mesh.vertices, bone.mesh.faces))
