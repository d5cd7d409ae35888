"""Fit a mirror plane to a skin: pair every point's reflection with the skin near it, move the plane, repeat.

Three parameters are free (two of the normal, the offset); the distance is to the plane between both normals of a pair, so that surfaces
may slide along each other; pairs that are far apart or face differently count less, down to nothing, and the limits tighten from
step to step (Tukey's weights). Lengths are shares of the bone's diagonal, as in mirror_candidates. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.fitting import tangents, tukey_weight, unit_vectors
from meshtools.geometry.mirror_candidates import Skin, features, reflected
from meshtools.model import FloatArray

WIDE = np.geomspace(0.10, 0.025, 14)
NARROW = np.geomspace(0.04, 0.015, 10)
FINE_WIDTHS = np.geomspace(0.03, 0.012, 6)
SCORE_WIDTH = 0.012
SLIDE = 0.02  # how far beside its image a partner may lie
RESTS = 1e-6
FARTHEST = 0.075  # of a pair in place and normal together: WIDEST + SLIDE in place, 45 degrees between the normals
NARROWEST, WIDEST = 0.004, 0.04
ROBUST_SPREAD = 3.0  # Tukey's limit in standard deviations of the gaps
MOST_TURN = 0.15  # radians a step


@dataclass(frozen=True)
class Limits:
    """Which pairs count: `spread` is Tukey's limit in standard deviations of the gaps, `slide` how far beside its image a partner may lie."""

    spread: float = ROBUST_SPREAD
    slide: float = SLIDE


ROBUST = Limits()
EXACT = Limits(2.0, 0.01)  # the last fit starts near; on thin noisy bones (a jaw) wrong pairs turn it more than what a tighter limit loses


@dataclass(frozen=True, eq=False)
class Pairs:
    """Reflections of s samples across k planes and what they met. All (k, s) or (k, s, 3).

    partner: the sample met, -1 where nothing is near (distance is infinite there); gap: to it, along the mean normal `between`; distance:
    in space; agree: cosine between the normals; height: of the sample that was reflected above the plane.
    """

    between: FloatArray
    gap: FloatArray
    distance: FloatArray
    agree: FloatArray
    height: FloatArray
    partner: NDArray[Any]


def pair_by_grid(skin: Skin, planes: FloatArray, chosen: slice) -> Pairs:
    """Pairs by the lookup grid: quick and coarse."""
    places, facing, height = reflected(skin.points[chosen], skin.normals[chosen], planes)
    return _pairs(skin, places, facing, height, skin.lookup(places))


def pair_by_tree(skin: Skin, plane: FloatArray, chosen: slice) -> Pairs:
    """Pairs by the nearest sample in place and normal, for one plane (4,); k is 1."""
    places, facing, height = reflected(skin.points[chosen], skin.normals[chosen], plane[None])
    _, found = skin.tree.query(features(places[0], facing[0]), distance_upper_bound=FARTHEST, workers=1)
    return _pairs(skin, places, facing, height, np.where(found < len(skin.points), found, -1)[None])


def _pairs(skin: Skin, places: FloatArray, facing: FloatArray, height: FloatArray, found: NDArray[Any]) -> Pairs:
    step = places - skin.points[found]
    other = skin.normals[found]
    between = unit_vectors(facing + other)
    distance = np.where(found < 0, np.inf, np.sqrt(np.einsum("ksi,ksi->ks", step, step)))
    agree = np.einsum("ksi,ksi->ks", facing, other)
    return Pairs(between, np.einsum("ksi,ksi->ks", step, between), distance, agree, height, found)


def weigh(pairs: Pairs, width: float | FloatArray, reach: float | FloatArray) -> FloatArray:
    """Weight (k, s) of every pair: Tukey's of the gap over `width`, nothing beyond `reach` or where normals are over 45 degrees apart."""
    facing = ((pairs.agree - 0.7) / 0.3).clip(0.0)
    return np.where(pairs.distance < reach, tukey_weight(pairs.gap**2, width) * facing, 0.0)


def improve(planes: FloatArray, points: FloatArray, pairs: Pairs, weights: FloatArray) -> FloatArray:
    """Move planes (k, 4) by one Gauss-Newton step towards zero gaps. points (s, 3) are the samples that were reflected."""
    normal = planes[:, :3]
    first, second = tangents(normal)
    facing = np.einsum("ksj,kj->ks", pairs.between, normal)
    columns = [
        -2 * (np.einsum("sj,kj->ks", points, axis) * facing + pairs.height * np.einsum("ksj,kj->ks", pairs.between, axis)) for axis in (first, second)
    ]
    jacobian = np.stack([*columns, 2 * facing], axis=-1)
    hessian = np.einsum("ks,ksi,ksj->kij", weights, jacobian, jacobian) + 1e-6 * np.eye(3)
    slope = np.einsum("ks,ksi,ks->ki", weights, jacobian, pairs.gap)
    step = np.linalg.solve(hessian, -slope[..., None])[..., 0]
    step = step * np.minimum(1.0, MOST_TURN / np.maximum(np.sqrt((step[:, :2] ** 2).sum(axis=1)), 1e-12))[:, None]
    turned = normal + step[:, :1] * first + step[:, 1:2] * second
    return np.concatenate([unit_vectors(turned), planes[:, 3:] + step[:, 2:]], axis=1)


def fit_coarse(skin: Skin, planes: FloatArray, widths: FloatArray, n_points: int = 600) -> FloatArray:
    """Fit many planes (k, 4) at once by the grid, at limits that tighten."""
    chosen = slice(0, n_points)
    for width in widths:
        pairs = pair_by_grid(skin, planes, chosen)
        planes = improve(planes, skin.points[chosen], pairs, weigh(pairs, width, 1.5 * width))
    return planes


def fit_fine(skin: Skin, plane: FloatArray, n_points: int, n_steps: int, limits: Limits | None = ROBUST) -> FloatArray:
    """Fit one plane (4,) by the tree until it rests: at limits that follow what the pairs show, or without `limits` at ever tighter ones."""
    chosen = slice(0, n_points)
    for step in range(n_steps):
        pairs = pair_by_tree(skin, plane, chosen)
        width = adapted_width(pairs, limits.spread) if limits else float(FINE_WIDTHS[min(step, len(FINE_WIDTHS) - 1)])
        before = plane
        plane = improve(plane[None], skin.points[chosen], pairs, weigh(pairs, width, (limits or ROBUST).slide + width))[0]
        if np.abs(plane - before).max() < RESTS:
            break
    return plane


def adapted_width(pairs: Pairs, spread: float = ROBUST_SPREAD) -> float:
    """Tukey's limit for the pairs of one plane: `spread` robust standard deviations of the gaps, within bounds."""
    is_near = (pairs.distance < SLIDE + WIDEST) & (pairs.agree > 0.7) & (np.abs(pairs.gap) < WIDEST)
    if not is_near.any():
        return WIDEST
    return float(np.clip(spread * 1.4826 * np.median(np.abs(pairs.gap[is_near])), NARROWEST, WIDEST))


def fine_score(skin: Skin, plane: FloatArray, n_points: int) -> float:
    """Share of the skin whose reflection lies on skin that faces the same way, near misses counted in part."""
    pairs = pair_by_tree(skin, plane, slice(0, n_points))
    return float(weigh(pairs, SCORE_WIDTH, SLIDE + SCORE_WIDTH).mean())
