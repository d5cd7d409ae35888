"""Can a ball-end cutter come near a point of the skin? Asked by exact distances and rays, without a grid: the second opinion on `milled_reach`.

A cutter that may stand somewhere may also stand anywhere higher along the direction it came from. So a point has no more than `limit` left
above it exactly when the cutter may stand at some place of the upper half ball of radius r + limit around the point. Those places are tried
one by one: the ball is free where its centre is at least r away from the surface, shank and holder are free where rays upwards along their
outlines meet nothing. Our own method; it tries a finite number of places, so it calls a few points uncut that are not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.model import FloatArray
from meshtools.settings_cnc import Cutter

N_PLACES = 96
PLACES_AT_ONCE = 12
TOUCH_MM = 0.03  # a ball may sink this far into facets
GOLDEN_ANGLE = np.pi * (3.0 - np.sqrt(5.0))
ON_ROUND = 0.97  # rays run along this share of a round's radius


@dataclass(frozen=True, eq=False)
class ContactQuery:
    """How a ball comes: frame (3, 3) with the direction towards the cutter last, and the lowest height of its tip at places (n, 3) of the frame."""

    surface: Surface
    frame: FloatArray
    cutter: Cutter
    least_tip: Callable[[FloatArray], FloatArray] | None = None


def is_uncut(query: ContactQuery, points: FloatArray, normals: FloatArray, limit_mm: float) -> NDArray[np.bool_]:
    """(n,) True where more than `limit_mm` stays above a point (n, 3) of the skin with outward unit normal (n, 3)."""
    reach = query.cutter.diameter_mm / 2.0 + limit_mm
    open_ = np.ones(len(points), bool)
    leaning = normals @ query.frame.T
    flat = np.sqrt((leaning[:, :2] ** 2).sum(axis=1))
    over = leaning[:, :2] / np.maximum(flat, np.where(leaning[:, 2] >= 0.0, 1e-12, flat + 1e-12))[:, None]
    first = np.where(leaning[:, 2:] >= 0.0, leaning[:, :2], over)  # straight off the skin, or level where it faces away
    open_[_may_stand(query, points, first * reach * 0.9999, reach)] = False
    offsets = _disc(N_PLACES) * reach
    for start in range(0, N_PLACES, PLACES_AT_ONCE):
        rows = np.flatnonzero(open_)
        some = offsets[start : start + PLACES_AT_ONCE]
        stands = _may_stand(query, np.repeat(points[rows], len(some), axis=0), np.tile(some, (len(rows), 1)), reach)
        open_[rows[stands.reshape(-1, len(some)).any(axis=1)]] = False
    return open_


def _disc(n: int) -> FloatArray:
    """Places (n, 2) spread evenly over a disc of radius 1 (sunflower spiral), in an order that covers it coarsely first."""
    number = np.arange(n)
    radius = np.sqrt((number + 0.5) / n)
    order = np.argsort((number * 0.6180339887498949) % 1.0, kind="stable")
    places: FloatArray = np.stack([radius * np.cos(GOLDEN_ANGLE * number), radius * np.sin(GOLDEN_ANGLE * number)], axis=1)[order]
    return places


def _may_stand(query: ContactQuery, points: FloatArray, aside: FloatArray, reach_mm: float) -> NDArray[np.bool_]:
    """(n,) whether the cutter may stand with its ball's centre on the upper half ball around each point, so far aside (n, 2)."""
    radius = query.cutter.diameter_mm / 2.0
    local = points @ query.frame.T
    local[:, :2] += aside
    local[:, 2] += np.sqrt(np.maximum(reach_mm**2 - (aside**2).sum(axis=1), 0.0))
    free = _above_parting(query, local, radius)
    rows = np.flatnonzero(free)
    distances, _ = query.surface.distance(local[rows] @ query.frame)
    free[rows] = distances >= radius - TOUCH_MM
    _keep_clear(query, local, free, ((0.0, 1), (0.6 * radius, 6), (ON_ROUND * radius, 12)), 0.0)
    holder = query.cutter.holder_diameter_mm / 2.0
    _keep_clear(query, local, free, ((0.5 * holder, 8), (ON_ROUND * holder, 24)), query.cutter.stick_out_mm - radius)
    return free


def _above_parting(query: ContactQuery, local: FloatArray, radius: float) -> NDArray[np.bool_]:
    if query.least_tip is None:
        return np.ones(len(local), bool)
    free = np.ones(len(local), bool)
    for share, n_round in ((0.0, 1), (0.7, 8)):
        for angle in 2.0 * np.pi * np.arange(n_round) / n_round:
            rows = np.flatnonzero(free)
            place = local[rows] + share * radius * np.array([np.cos(angle), np.sin(angle), 0.0])
            free[rows] = place[:, 2] - radius * np.sqrt(1.0 - share**2) >= query.least_tip(place)
    return free


def _keep_clear(query: ContactQuery, local: FloatArray, free: NDArray[np.bool_], rings: tuple[tuple[float, int], ...], lift_mm: float) -> None:
    """Clear the mark of places from which a ray upwards along one of these rings (radius, number), lifted so far, meets the part."""
    for ring_mm, n_round in rings:
        rows = np.flatnonzero(free)
        if not len(rows):
            return
        angles = 2.0 * np.pi * np.arange(n_round) / n_round
        ring = np.stack([ring_mm * np.cos(angles), ring_mm * np.sin(angles), np.full(n_round, lift_mm)], axis=1)
        starts = (local[rows][:, None] + ring[None]).reshape(-1, 3) @ query.frame
        hits = query.surface.first_hit(starts, np.broadcast_to(query.frame[2], starts.shape).copy())
        free[rows[np.isfinite(hits).reshape(-1, n_round).any(axis=1)]] = False
