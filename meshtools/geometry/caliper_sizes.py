"""Three lengths of a part that a caliper finds again, however the part was held before: what the job sheet asks for."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from meshtools.geometry.caliper_frame import CaliperFrame, caliper_frame
from meshtools.geometry.measure import greatest_pair, hull_points
from meshtools.model import FloatArray

N_WAYS = 3200  # directions over half a sphere, 2.5 degrees apart; for the turns every tenth
N_STARTS = 24  # of the best of them, each followed to the least near it
N_TURNS = 60  # looks at a part that is turned about a line, 3 degrees apart
N_AROUND = 12  # tries around a direction
MOST_STEPS, LEAST_GAIN = 100, 0.02  # a try that gains less, for the angle of its step, is none
LEAST_STEP_RAD = 2e-5  # 0.02 mm at the end of a metre
GOLDEN_RAD = np.pi * (3.0 - np.sqrt(5.0))


def measured_frame(points: FloatArray) -> CaliperFrame:
    """The lengths of points (n, 3) between flat, parallel jaws, and the box of `caliper_frame`, along whose axes a sheet draws the part.

    Greatest length: the two points farthest apart. Depth: the least that the jaws close to, whichever way the part lies between them. Greatest
    breadth: of all lines the part may be turned about, the one where the greatest reading during the turn is least. Each is a greatest or least of
    widths, so a surface that is off by h changes it by no more than 2 h, however many lines are nearly the longest: breadths across the greatest
    length itself differ by millimetres between such lines, and so may the box from these lengths. Our own method.
    """
    box = caliper_frame(points)
    corners = hull_points(points)
    if box.box_mm[0] == 0.0 or np.linalg.matrix_rank(corners - corners.mean(axis=0), tol=1e-9 * box.box_mm[0]) < 3:
        return box
    ways = _half_sphere(N_WAYS)
    _, depth_mm = _least(lambda some: np.ptp(some @ corners.T, axis=1), ways)
    line, _ = _least(lambda some: _greatest_across(corners, some), ways[::10])
    breadth_mm = greatest_pair(corners @ np.linalg.svd(line[None])[2][1:].T)[0]
    return CaliperFrame(box.axes, np.array([box.box_mm[0], breadth_mm, depth_mm]), box.centre, box.box_mm)


def _half_sphere(n: int) -> FloatArray:
    """Directions (n, 3) spread evenly over half a sphere, on a spiral (Fibonacci lattice)."""
    k = np.arange(n)
    z = (k + 0.5) / n
    r = np.sqrt(1.0 - z**2)
    return np.stack([r * np.cos(k * GOLDEN_RAD), r * np.sin(k * GOLDEN_RAD), z], axis=1)


def _squares(ways: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two directions (n, 3) square to each of the directions (n, 3) and to each other."""
    aside = np.cross(ways, np.eye(3)[np.abs(ways).argmin(axis=1)])
    aside /= np.linalg.norm(aside, axis=1)[:, None]
    return aside, np.cross(ways, aside)


def _greatest_across(corners: FloatArray, lines: FloatArray) -> FloatArray:
    """Greatest width (n,) of the corners (m, 3) square to each line (n, 3), to a third of a thousandth."""
    turns = np.arange(N_TURNS) * np.pi / N_TURNS
    one, other = _squares(lines)
    looks = np.cos(turns)[None, :, None] * one[:, None] + np.sin(turns)[None, :, None] * other[:, None]
    blocks = np.array_split(looks, max(1, len(looks) * len(corners) // 20_000))
    return np.concatenate([np.ptp(block @ corners.T, axis=2).max(axis=1) for block in blocks])


def _least(width_of: Callable[[FloatArray], FloatArray], ways: FloatArray) -> tuple[FloatArray, float]:
    """The direction with the least width: from the best of `ways`, by ever smaller steps around each."""
    widths = width_of(ways)
    rows = np.argsort(widths, kind="stable")[:N_STARTS]
    best, found, step = ways[rows], widths[rows], np.full(len(rows), np.pi / 36)
    angles = np.arange(N_AROUND) * 2.0 * np.pi / N_AROUND
    for _ in range(MOST_STEPS):
        if step.max() <= LEAST_STEP_RAD:
            break
        one, other = _squares(best)
        around = np.cos(angles)[None, :, None] * one[:, None] + np.sin(angles)[None, :, None] * other[:, None]
        tried = best[:, None] + step[:, None, None] * around
        tried /= np.linalg.norm(tried, axis=2)[:, :, None]
        widths = width_of(tried.reshape(-1, 3)).reshape(len(best), -1)
        place = widths.argmin(axis=1)
        is_less = widths[np.arange(len(best)), place] < found * (1.0 - LEAST_GAIN * step)
        best = np.where(is_less[:, None], tried[np.arange(len(best)), place], best)
        found = np.where(is_less, widths.min(axis=1), found)
        step = np.where(is_less, step, step * 0.6)
    row = int(found.argmin())
    return best[row], float(found[row])
