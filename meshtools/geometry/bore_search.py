"""Move the corners of a line until it keeps as far from the skin as it can, and prove how far it keeps along its whole length."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.model import FloatArray

PROVEN_MM = 0.02  # how far the proven least distance may lie below the one that was found
FIRST_STEPS_MM = 4.0  # the line is looked at this often first; halved wherever the bound does not yet hold
LEAST_GAIN_MM, LEAST_STEP_MM = 1e-3, 0.01
MOST_STEPS = 40


@dataclass(frozen=True, eq=False)
class Looks:
    """Points (n, 3) of a line that depends on corners: each is (1 - share) of corner `first` and share of corner `second`, share being any number.

    distance (n,): to the skin that counts; away (n, 3): unit, from that skin to the point.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    share: FloatArray
    distance: FloatArray
    away: FloatArray

    @property
    def least_mm(self) -> float:
        """The least of the distances."""
        return float(self.distance.min())


@dataclass(frozen=True)
class LeastDistance:
    """The least distance of a line to skin: found_mm at place_mm along the line; no point of the line is nearer than proven_mm."""

    found_mm: float
    proven_mm: float
    place_mm: float


def look(points: FloatArray, corners: tuple[int, int], share: FloatArray, skin: Surface) -> Looks:
    """Look from points (n, 3) of one run between two corners at the skin."""
    distance, _, nearest = skin.project(points)
    away = (points - nearest) / np.maximum(distance, 1e-12)[:, None]
    n = len(points)
    return Looks(np.full(n, corners[0]), np.full(n, corners[1]), share, distance, away)


def joined(parts: list[Looks]) -> Looks:
    """The looks of several runs together."""
    first, second, share, distance, away = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("first", "second", "share", "distance", "away")
    )
    return Looks(first, second, share, distance, away)


def widen(corners: FloatArray, is_free: NDArray[np.bool_], see: Callable[[FloatArray], Looks | None]) -> tuple[FloatArray, float]:
    """Move the free corners (k, 3) of a line sideways so that its least distance grows; returns them and that distance (0 where nothing is seen).

    Sequential linear programming: the distance from a point is taken to change with the direction away from its nearest skin, the largest least
    distance within a step is a linear program, and a step is kept where the true distance grows, else halved. A local optimum.
    """
    best = see(corners)
    if best is None:
        return corners, 0.0
    step = max(0.5 * best.least_mm, 1.0)
    for _ in range(MOST_STEPS):
        trial = corners + _best_move(corners, is_free, best, step)
        seen = see(trial)
        if seen is not None and seen.least_mm > best.least_mm + LEAST_GAIN_MM:
            corners, best = trial, seen
            step = min(1.5 * step, max(0.5 * best.least_mm, 1.0))
        else:
            step /= 2
        if step < LEAST_STEP_MM:
            break
    return corners, best.least_mm


def _best_move(corners: FloatArray, is_free: NDArray[np.bool_], seen: Looks, step: float) -> FloatArray:
    from scipy.optimize import linprog

    sideways = np.stack([_sideways(corners, k) for k in range(len(corners))])  # (k, 2, 3)
    n, k = len(seen.distance), len(corners)
    rows = np.zeros((n, 2 * k + 1))
    for corner, weight in ((seen.first, 1.0 - seen.share), (seen.second, seen.share)):
        for axis in range(2):
            rows[np.arange(n), 2 * corner + axis] -= weight * (seen.away * sideways[corner, axis]).sum(axis=1)
    rows[:, -1] = 1.0
    limits = [(-step * free, step * free) for free in np.repeat(is_free, 2).astype(float)] + [(None, None)]
    costs = np.zeros(2 * k + 1)
    costs[-1] = -1.0
    solved = linprog(costs, A_ub=rows, b_ub=seen.distance, bounds=limits, method="highs")
    if solved.x is None:
        return np.zeros_like(corners)
    return np.asarray(np.einsum("ka,kax->kx", np.asarray(solved.x[:-1]).reshape(k, 2), sideways))


def _sideways(corners: FloatArray, k: int) -> FloatArray:
    """Two unit directions (2, 3) square to the line at a corner."""
    along = corners[min(k + 1, len(corners) - 1)] - corners[max(k - 1, 0)]
    return square_to(along)


def square_to(direction: FloatArray) -> FloatArray:
    """Two unit directions (2, 3) square to a direction and to each other; the three are right-handed in the order first, second, direction."""
    along = direction / np.sqrt(np.sum(direction**2))
    first = np.eye(3)[int(np.argmin(np.abs(along)))]
    first = first - (first @ along) * along
    first /= np.sqrt(np.sum(first**2))
    return np.stack([first, np.cross(along, first)])


def prove_least(skin: Surface, point_at: Callable[[FloatArray], FloatArray], start_mm: float, end_mm: float) -> LeastDistance:
    """The least distance of a stretch of a line to skin, with proof.

    point_at: points (n, 3) at lengths (n,) along the line. A distance changes by no more than the way that is gone (it is 1-Lipschitz), so on an
    interval it is at least that of its middle less half the interval's length. Intervals on which this is not enough are halved.
    """
    n_first = max(int(np.ceil((end_mm - start_mm) / FIRST_STEPS_MM)), 1)
    half = (end_mm - start_mm) / n_first / 2
    middle = np.asarray(start_mm + half * (2.0 * np.arange(n_first) + 1.0), dtype=np.float64)
    found, place = np.inf, start_mm
    while len(middle):
        distance, _ = skin.distance(point_at(middle))
        nearest = int(distance.argmin())
        if distance[nearest] < found:
            found, place = float(distance[nearest]), float(middle[nearest])
        is_open = distance - half < found - PROVEN_MM
        half /= 2
        middle = np.concatenate([middle[is_open] - half, middle[is_open] + half])
        middle.sort()
    return LeastDistance(found, max(found - PROVEN_MM, 0.0), place)
