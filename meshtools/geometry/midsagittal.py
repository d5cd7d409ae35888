"""Find the midsagittal plane of one bone: the plane across which its surface is its own mirror image.

A bone that lost a side, that is warped or noisy, is expected: many planes are tried, each is fitted to the skin that finds a partner,
and the best is judged by what else would have fitted (mirror_candidates, mirror_fit, mirror_confidence). Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.directions import even_directions
from meshtools.geometry.distance import Surface
from meshtools.geometry.fitting import tangents
from meshtools.geometry.mirror_candidates import (
    N_SAMPLES,
    Skin,
    apart,
    keep_distinct,
    offsets_along,
    pair_planes,
    probe_scores,
    read_measured_skin,
    read_skin,
)
from meshtools.geometry.mirror_confidence import Evidence, Verdict, bound_angle, judge_plane, measure_facing, measure_jackknife
from meshtools.geometry.mirror_fit import EXACT, NARROW, SLIDE, WIDE, adapted_width, fine_score, fit_coarse, fit_fine, pair_by_tree, weigh
from meshtools.geometry.transform import move_points, reflection_matrix
from meshtools.model import FloatArray, Mesh

SEED = 20
N_DIRECTIONS = 300
N_HINT_DIRECTIONS = 4_000
N_STARTS, N_FINE = 64, 12
N_ROUGH_POINTS, N_SCORE_POINTS, N_POINTS = 1_000, 2_000, 8_000
HINT_ANGLE_DEG, HINT_OFFSET = 25.0, 0.08
OTHER_ANGLE_DEG, OTHER_OFFSET = 6.0, 0.03  # a plane farther away than this is another plane
N_RUNNERS_UP = 3
N_MEASURED_STEPS = 20


@dataclass(frozen=True, eq=False)
class PlaneHint:
    """What a person knows about the plane: three points on the midline (3, 3) in mm, or a rough left-right direction (3,).

    Only planes within 25 degrees of it are tried, and within 8 % of the diagonal of the points. Never both.
    """

    midline_points: FloatArray | None = None
    left_right: FloatArray | None = None


@dataclass(frozen=True)
class RivalPlane:
    """Another plane that was found: normal . x = offset_mm, and the share of the skin that it maps onto skin (`score`, 0 to 1)."""

    normal: tuple[float, float, float]
    offset_mm: float
    score: float


@dataclass(frozen=True, eq=False)
class PlaneFit:
    """A mirror plane normal . x = offset_mm and what speaks for it.

    normal (3,): unit, its largest component positive. residual_rms_mm, residual_p95_mm: exact distance to the surface of the reflections
    of even samples of the surface, over the matched skin, which is the samples whose reflection meets skin facing the same way (within 45
    degrees) within the fit's limit; what has no partner does not count. bound95_deg: the normal is expected within this angle of the
    true one in 95 of 100 cases (`bound_angle`). jk_deg: rms angle by which it turns when a quarter of the surface is left out. score: share of
    the skin mapped onto skin; ratio: the best other plane's score over this one's. extents_mm: how far the surface reaches from the plane
    against its normal and along it. matched_extent_mm: how far the matched skin reaches. breadth_ratio: breadth of the matched skin across
    the plane over its length along it. overlap_percent: share of the surface that is matched skin. facing_percent: share of
    the surface that faces other parts of the bone from near by (`measure_facing`).
    """

    normal: FloatArray
    offset_mm: float
    residual_rms_mm: float
    residual_p95_mm: float
    bound95_deg: float
    jk_deg: float
    score: float
    ratio: float
    extents_mm: tuple[float, float]
    matched_extent_mm: float
    breadth_ratio: float
    overlap_percent: float
    facing_percent: float
    verdict: Verdict
    reasons: tuple[str, ...]
    runners_up: tuple[RivalPlane, ...]


@dataclass(frozen=True)
class _Found:
    """What the search says of the best plane, before it is judged; is_midline: that the bone has a plane is known."""

    score: float
    ratio: float
    jk_deg: float
    rivals: tuple[RivalPlane, ...]
    is_midline: bool


def find_midsagittal_plane(mesh: Mesh, hint: PlaneHint | None = None, seed: int = SEED, is_midline: bool = False) -> PlaneFit:
    """Find the mirror plane of one bone in mm, whole or broken, in any pose. Same mesh, hint and seed: same plane.

    is_midline: the register says that the bone lies in the midline, so it has a plane; who gives a hint says so too. Otherwise a bone of
    simple shape is asked for (mirror_confidence). The plane is found and judged on even samples; its last digits come from samples where
    the scan was measured.

    Raises GeometryError where the mesh has no area, the hint is no plane, or nothing within the hint mirrors anything.
    """
    skin = read_skin(mesh, seed)
    allowed = _Allowed(skin, hint)
    planes, scores = _search(skin, allowed, seed)
    best = fit_fine(skin, planes[0], N_POINTS, 10)
    scores[0] = fine_score(skin, best, N_SCORE_POINTS)
    angle, gap = apart(planes, best)
    is_other = (angle > OTHER_ANGLE_DEG) | (gap > OTHER_OFFSET)
    others = np.flatnonzero(is_other)
    order = others[keep_distinct(planes[others], scores[others], N_RUNNERS_UP, OTHER_ANGLE_DEG, OTHER_OFFSET)]
    ratio = float(scores[order[0]] / scores[0]) if len(order) and scores[0] > 0 else 0.0
    pairs = pair_by_tree(skin, best, slice(0, N_POINTS))
    width = adapted_width(pairs)
    weights = weigh(pairs, width, SLIDE + width)
    jk_deg = measure_jackknife(skin, best, pairs, weights, seed)
    rivals = tuple(RivalPlane(_triple(n), d, float(scores[k])) for k in order for n, d in [_in_mm(skin, planes[k])])
    is_matched = weights[0] > 0
    if not is_matched.any():
        raise GeometryError("no part of the surface mirrors another; check that the scan shows the bone, or give another hint")
    found = _Found(float(scores[0]), ratio, jk_deg, rivals, is_midline or hint is not None)
    exact = fit_fine(read_measured_skin(skin, seed), best, N_SAMPLES, N_MEASURED_STEPS, EXACT)
    return _report(skin, exact, np.abs(pairs.height[0]), is_matched, found)


def _report(skin: Skin, plane: FloatArray, height: FloatArray, is_matched: NDArray[np.bool_], found: _Found) -> PlaneFit:
    """The plane (4,) in mm with its evidence; height (s,) is how far the samples lie from it, is_matched (s,) which of them have a partner."""
    surface = Surface(skin.mesh)
    normal, offset_mm = _in_mm(skin, plane)
    places = skin.places_mm[: len(is_matched)][is_matched]
    residual, _ = surface.distance(move_points(places, reflection_matrix(_triple(normal), offset_mm)))
    heights = np.einsum("ij,j->i", skin.places_mm, normal) - offset_mm
    extents = (max(0.0, float(-heights.min())), max(0.0, float(heights.max())))
    matched = float(np.quantile(height[is_matched], 0.99)) * skin.diagonal_mm
    breadth = 2 * matched / max(_length_along(places, normal), 1e-300)
    overlap = 100 * float(is_matched.mean())
    rms_mm = float(np.sqrt(np.mean(residual**2)))
    facing = measure_facing(skin, surface)
    bound = bound_angle(found.jk_deg, rms_mm / skin.diagonal_mm)
    verdict, reasons = judge_plane(Evidence(found.jk_deg, found.ratio, breadth, None if found.is_midline else facing))
    return PlaneFit(
        normal, offset_mm, rms_mm, float(np.quantile(residual, 0.95)), bound, found.jk_deg,
        found.score, found.ratio, extents, matched, breadth, overlap, facing, verdict, reasons, found.rivals,
    )  # fmt: skip


def _length_along(places: FloatArray, normal: FloatArray) -> float:
    """Largest of the extents of places (n, 3) along 36 directions in the plane."""
    first, second = tangents(normal)
    turns = np.arange(36) * np.pi / 36
    axes = np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * second
    return float(np.ptp(np.einsum("ij,kj->ik", places, axes), axis=0).max())


def _triple(normal: FloatArray) -> tuple[float, float, float]:
    return (float(normal[0]), float(normal[1]), float(normal[2]))


def _in_mm(skin: Skin, plane: FloatArray) -> tuple[FloatArray, float]:
    """Normal with its largest component positive, and offset in mm, of a plane (4,) in the skin's shares."""
    normal = plane[:3] * (1.0 if plane[np.abs(plane[:3]).argmax()] > 0 else -1.0)
    offset = float(plane[3]) * (1.0 if plane[np.abs(plane[:3]).argmax()] > 0 else -1.0)
    return normal, offset * skin.diagonal_mm + float((normal * skin.centre_mm).sum())


class _Allowed:
    """Which planes a hint allows; without a hint, all."""

    def __init__(self, skin: Skin, hint: PlaneHint | None) -> None:
        self.normal: FloatArray | None = None
        self.offset: float | None = None
        if hint is not None and hint.left_right is not None and hint.midline_points is not None:
            raise GeometryError("give three midline points or a left-right direction as the hint for a plane, not both")
        if hint is not None and hint.left_right is not None:
            self.normal = _direction(np.asarray(hint.left_right, dtype=np.float64))
        if hint is not None and hint.midline_points is not None:
            points = (np.asarray(hint.midline_points, dtype=np.float64).reshape(-1, 3) - skin.centre_mm) / skin.diagonal_mm
            self.normal = _normal_of(points)
            self.offset = float((points.mean(axis=0) * self.normal).sum())

    def mask(self, planes: FloatArray, slack: float = 1.0) -> NDArray[np.bool_]:
        """Which of the planes (k, 4) lie within `slack` times the limits."""
        if self.normal is None:
            return np.ones(len(planes), dtype=bool)
        angle, gap = apart(planes, np.append(self.normal, self.offset or 0.0))
        is_near = angle <= HINT_ANGLE_DEG * slack
        return is_near if self.offset is None else is_near & (gap <= HINT_OFFSET * slack)


def _direction(arrow: FloatArray) -> FloatArray:
    length = float(np.sqrt((arrow**2).sum())) if arrow.shape == (3,) else 0.0
    if not np.isfinite(length) or length == 0.0:
        raise GeometryError("the left-right direction is no direction; give three numbers that are not all zero")
    return arrow / length


def _normal_of(points: FloatArray) -> FloatArray:
    if points.shape != (3, 3) or not np.isfinite(points).all():
        raise GeometryError("the midline needs three points of three coordinates each")
    across = np.cross(points[1] - points[0], points[2] - points[0])
    sides = points - np.roll(points, 1, axis=0)
    longest = float(np.sqrt((sides**2).sum(axis=1)).max())
    if float(np.sqrt((across**2).sum())) < 0.05 * longest * max(longest, 1e-300) or longest < 0.02:
        raise GeometryError("the three midline points lie almost on one line; choose one of them farther off")
    return _direction(across)


def _search(skin: Skin, allowed: _Allowed, seed: int) -> tuple[FloatArray, FloatArray]:
    """Fitted planes (k, 4), best first, and their scores (k,)."""
    directions = even_directions(N_DIRECTIONS if allowed.normal is None else N_HINT_DIRECTIONS)
    directions = directions[allowed.mask(np.append(directions, np.zeros((len(directions), 1)), axis=1))] if allowed.offset is None else directions
    planes = np.concatenate([offsets_along(skin, directions), pair_planes(skin, seed)])
    planes = planes[allowed.mask(planes)]
    starts = planes[keep_distinct(planes, probe_scores(skin, planes), N_STARTS, 8.0, 0.04)]
    fitted = np.concatenate([fit_coarse(skin, starts, WIDE), fit_coarse(skin, starts, NARROW)])
    fitted = fitted[allowed.mask(fitted, 1.2)]
    if not len(fitted):
        raise GeometryError("no plane near the hint mirrors the surface; check the hint, or search without one")
    scores = probe_scores(skin, fitted, N_ROUGH_POINTS, 0.03)
    fitted = fitted[keep_distinct(fitted, scores, N_FINE, 3.0, 0.015)]
    fine = np.array([fit_fine(skin, plane, N_ROUGH_POINTS, 6, limits=None) for plane in fitted])
    fine = fine[allowed.mask(fine, 1.2)] if allowed.mask(fine, 1.2).any() else fine
    scores = np.array([fine_score(skin, plane, N_SCORE_POINTS) for plane in fine])
    order = np.argsort(-scores, kind="stable")
    return fine[order], scores[order]
