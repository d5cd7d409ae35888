"""The mirror plane of a whole skeleton, from the mirror planes of all its median bones together.

One bone alone misplaces it (a skull by several percent of a femur's length on the far side), so two or more are asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.fitting import tangents, tukey_weight
from meshtools.geometry.transform import reflection_matrix
from meshtools.model import FloatArray

FLOOR_DEG = 0.5  # no bone's plane is better known than this in its place in the skeleton
POINT_PRIOR_RATIO, POINT_PRIOR_N = 0.005, 2.0  # before any evidence a plane's point is off by this share of the skeleton's reach, as if seen twice
TUKEY_WIDTH = 4.0  # in standard deviations of a bone's angle and place together
N_STEPS = 60

PlaneFit = tuple[Sequence[float], float, Sequence[float], float]
"""Normal (3,), offset_mm, a point of the bone's plane (3,) near the bone's middle, jk_deg: its change when parts of the bone are left out."""


@dataclass(frozen=True, eq=False)
class AssemblyPlane:
    """The plane normal . x = offset_mm of a skeleton.

    bound95_deg: the normal is within it with 95 % confidence (measured: 99 % of bounds hold when poses are off by 1 degree, 82-90 % at 3
    degrees). deviation_deg (k,) and deviation_mm (k,): each bone's own plane against it, the angle and how far its point lies beside it
    (signed, along the normal). weight (k,) 0 to 1: the share that each bone was given; 0 is a bone set aside.
    """

    normal: FloatArray
    offset_mm: float
    bound95_deg: float
    deviation_deg: FloatArray
    deviation_mm: FloatArray
    weight: FloatArray

    @property
    def matrix(self) -> FloatArray:
        """The reflection (4, 4) across the plane."""
        return reflection_matrix(tuple(self.normal), self.offset_mm)


@dataclass(frozen=True, eq=False)
class _Fits:
    normals: FloatArray
    points: FloatArray
    angle_sd_deg: FloatArray
    middle: FloatArray


def assembly_plane(fits: Sequence[PlaneFit]) -> AssemblyPlane:
    """Combine the planes of two or more median bones in their places in the skeleton.

    Each bone weighs 1 / (jk^2 + 0.5^2), in degrees, with its normal and with its point; how far points can be trusted is estimated from how
    far they lie beside the plane. One wrong bone among three or more is set aside by Tukey's weight. The larger component of the normal is
    positive. GeometryError for fewer than two fits or one that is no plane. Method: our own, iterated weighted least squares.
    """
    bones = _checked(fits)
    normal, offset = _start(bones)
    weight = np.ones(len(fits))
    point_sd = _point_sd(bones, normal, offset, weight)
    for step in range(N_STEPS):
        system, tilt = _step(bones, normal, point_sd, weight)
        normal = normal + tilt @ _tangent(normal)
        normal = normal / np.linalg.norm(normal)
        offset = float(np.average(bones.points @ normal, weights=(weight + 1e-12) * _share(bones)))
        weight = _robust_weight(_squared(bones, normal, offset, point_sd), is_early=step < N_STEPS // 2)
        point_sd = _point_sd(bones, normal, offset, weight)
    return _finished(bones, normal, offset, weight, system)


def _checked(fits: Sequence[PlaneFit]) -> _Fits:
    if len(fits) < 2:
        raise GeometryError("the plane of a skeleton needs the planes of two or more median bones; one bone alone misplaces it")
    normals = np.array([fit[0] for fit in fits], dtype=np.float64)
    points = np.array([fit[2] for fit in fits], dtype=np.float64)
    length = np.linalg.norm(normals, axis=1)
    jk = np.array([fit[3] for fit in fits], dtype=np.float64)
    if not (np.isfinite(normals).all() and np.isfinite(points).all() and (length > 0).all() and np.isfinite(jk).all()):
        raise GeometryError("a bone's plane needs a normal that is not zero, a finite point and a finite jk_deg")
    normals = normals / length[:, None]
    offsets = np.array([fit[1] for fit in fits], dtype=np.float64) / length
    points = points - ((points * normals).sum(axis=1) - offsets)[:, None] * normals  # the foot of the point on its own plane
    sd = np.sqrt(jk**2 + FLOOR_DEG**2)
    angles = np.degrees(np.arccos(np.abs(normals @ normals.T).clip(0, 1)))
    middle = normals[int((angles / sd).sum(axis=1).argmin())]  # the bone with the least sum of weighted angles to all others
    middle = middle * np.sign(middle[np.abs(middle).argmax()])
    return _Fits(normals * np.where(normals @ middle < 0, -1.0, 1.0)[:, None], points, sd, middle)


def _start(bones: _Fits) -> tuple[FloatArray, float]:
    """The middle bone's normal and the median offset."""
    return bones.middle, float(np.median(bones.points @ bones.middle))


def _tangent(normal: FloatArray) -> FloatArray:
    """Two directions (2, 3) square to the normal and to each other."""
    return np.stack(tangents(normal))


def _step(bones: _Fits, normal: FloatArray, point_sd: float, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Normal equations (3, 3) of tilt along two tangents in radians and offset in mm, and the tilt (2,)."""
    tangent = _tangent(normal)
    rows = [np.tile(row, (len(weight), 1)) for row in ([1.0, 0.0, 0.0], [0.0, 1.0, 0.0])]
    across = bones.points @ tangent.T
    rows.append(np.column_stack([across, -np.ones(len(weight))]))
    right = [bones.normals @ tangent[0], bones.normals @ tangent[1], -(bones.points @ normal)]
    of_angle = weight / np.radians(bones.angle_sd_deg) ** 2
    of_point = weight * _share(bones) / point_sd**2
    system, side = np.zeros((3, 3)), np.zeros(3)
    for row, value, share in zip(rows, right, (of_angle, of_angle, of_point), strict=True):
        system += (row * share[:, None]).T @ row
        side += (row * share[:, None]).T @ value
    return system, np.asarray(np.linalg.solve(system, side)[:2], dtype=np.float64)


def _share(bones: _Fits) -> FloatArray:
    """Each bone's weight against the best-known one, 0 to 1; the point takes the same weight as the angle."""
    return np.asarray((bones.angle_sd_deg.min() / bones.angle_sd_deg) ** 2)


def _point_sd(bones: _Fits, normal: FloatArray, offset: float, weight: FloatArray) -> float:
    beside = bones.points @ normal - offset
    share = weight * _share(bones)
    reach = float(np.linalg.norm(bones.points - bones.points.mean(axis=0), axis=1).max())
    prior = max(POINT_PRIOR_RATIO * reach, 1e-6)
    free = max(float(share.sum()) - 1.0, 0.0)
    return float(np.sqrt((float(share @ beside**2) + POINT_PRIOR_N * prior**2) / (free + POINT_PRIOR_N)))


def _squared(bones: _Fits, normal: FloatArray, offset: float, point_sd: float) -> FloatArray:
    angle = _angles(bones, normal) / bones.angle_sd_deg
    beside = (bones.points @ normal - offset) * np.sqrt(_share(bones)) / point_sd
    return np.asarray(angle**2 + beside**2)


def _angles(bones: _Fits, normal: FloatArray) -> FloatArray:
    across = np.linalg.norm(np.cross(bones.normals, normal), axis=1)
    return np.asarray(np.degrees(np.arctan2(across, np.abs(bones.normals @ normal))))


def _robust_weight(squared: FloatArray, is_early: bool) -> NDArray[np.float64]:
    """Weights from squared deviations: first the inverse of the deviation (least absolute values), then Tukey's; two bones weigh alike."""
    if len(squared) < 3:
        return np.ones(len(squared))
    if is_early:
        return np.asarray(1.0 / np.sqrt(np.maximum(squared, 0.25)))
    spread = max(1.0, float(np.sqrt(np.median(squared) / 1.79)))  # 1.79: median of a sum of three squares less the part that the fit takes
    return tukey_weight(squared, TUKEY_WIDTH * spread)


def _finished(bones: _Fits, normal: FloatArray, offset: float, weight: FloatArray, system: FloatArray) -> AssemblyPlane:
    from scipy.special import fdtri

    sign = float(np.sign(normal[np.abs(normal).argmax()]))
    angles, beside = _angles(bones, normal), (bones.points @ normal - offset) * sign
    free = max(3.0 * float(weight.sum()) - 3.0, 1.0)
    inflation = max(1.0, float(weight @ _squared(bones, normal, offset, _point_sd(bones, normal, offset, weight))) / free)
    worst = float(np.linalg.eigvalsh(np.linalg.inv(system)[:2, :2])[-1])
    bound = float(np.degrees(np.sqrt(2.0 * fdtri(2.0, free, 0.95) * worst * inflation)))
    return AssemblyPlane(normal * sign, offset * sign, bound, angles, beside, weight)
