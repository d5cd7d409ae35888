"""Which set-ups a part takes together: two opposite sides, and where these leave too much uncut, further single sides after them.

A third side may make good what a shallow pair leaves, so pairs are weighed with the sides that follow them before one is taken for its own sake.
Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.milled_reach import Approach, approach_from_above, fitting_pitch, frame_along, look_along
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.setups import (
    FINE_NODES,
    SEARCH_NODES,
    SEED_TRIAL,
    STEPS_DEG,
    TRIAL_NODES,
    TRIAL_SAMPLES,
    SetUpSearch,
    Trial,
    TwoSides,
    choose_setup,
    look_from_two_sides,
    neighbours,
)
from meshtools.model import FloatArray, Mesh
from meshtools.settings_cnc import Cutter

N_LIKELY = 24  # single sides that take most on the coarse grid, looked at closer
LEAST_GAIN = 0.1  # of what is left: a side that takes less is not worth turning the part


@dataclass(frozen=True, eq=False)
class FurtherSetUp:
    """One more side: the direction (3,) to the cutter, the cutter along it, and the uncut share before and after."""

    approach: Approach
    before_percent: float
    after_percent: float


@dataclass(frozen=True, eq=False)
class SetUps:
    """The pair of sides taken, the cutter from both, the sides that follow, and what all of them leave on the samples they were chosen with."""

    chosen: Trial
    both: TwoSides
    further: tuple[FurtherSetUp, ...]
    left_percent: float


def choose_setups(search: SetUpSearch, mesh: Mesh, most_further: int) -> SetUps:
    """The cheapest pair of sides that keeps the limit by itself; where none does, the pair that with the fewest further sides keeps it at the least
    depth; where none does either, the one that leaves least for its depth."""
    limit = search.limits.uncut_percent
    plans = [followed(search, mesh, *choose_setup(mesh, search.find(), search.cutter, search.limits), most_further)]
    if most_further < 1 or (not plans[0].further and plans[0].left_percent <= limit):
        return plans[0]
    for trial in search.find_with_further(most_further):
        both = look_from_two_sides(mesh, trial.direction, search.cutter, search.limits.overrun_mm, FINE_NODES)
        plans.append(followed(search, mesh, trial, both, most_further))

    def rank(plan: SetUps) -> tuple[bool, int, float]:
        is_over = plan.left_percent > limit
        return is_over, 0 if is_over else len(plan.further), search.weighed(plan.chosen.direction, plan.left_percent).cost

    return min(plans, key=rank)


def followed(search: SetUpSearch, mesh: Mesh, chosen: Trial, both: TwoSides, most_further: int) -> SetUps:
    """A pair with further single sides, each the one that takes most of what is left, until the limit is met or a side gains nothing to speak of.

    By then the waste beside the part is gone, so the part alone stands in the way.
    """
    limits = search.limits
    points, _ = sample_surface(mesh, 2 * TRIAL_SAMPLES, SEED_TRIAL + 1)
    left, coarse = (both.left_over(places, 2.0 * limits.uncut_mm) for places in (points, search.samples))
    found: list[FurtherSetUp] = []
    share = 100.0 * float(np.mean(left > limits.uncut_mm))
    while len(found) < most_further and share > limits.uncut_percent:
        open_ = left > limits.uncut_mm
        likely = search.likely_sides(coarse > limits.uncut_mm, N_LIKELY)
        approach = _most_gaining(search, likely, points[open_])
        left[open_] = np.minimum(left[open_], approach.left_over(points[open_], 2.0 * limits.uncut_mm))
        coarse = np.minimum(coarse, approach.left_over(search.samples, 2.0 * limits.uncut_mm))
        before, share = share, 100.0 * float(np.mean(left > limits.uncut_mm))
        if before - share < LEAST_GAIN * before:
            return SetUps(chosen, both, tuple(found), before)
        found.append(FurtherSetUp(approach, before, share))
    return SetUps(chosen, both, tuple(found), share)


def _most_gaining(search: SetUpSearch, likely: FloatArray, points: FloatArray) -> Approach:
    """The side that leaves fewest of the points (n, 3): the best of likely directions (k, 3), turned in small steps."""
    some = points[:: max(1, len(points) // 400)]

    def left(direction: FloatArray) -> tuple[float, FloatArray]:
        approach = _side(search.mesh, direction, search.cutter, SEARCH_NODES)
        most = search.limits.uncut_mm + approach.pitch_mm / 2.0
        return float(np.mean(approach.left_over(some, 1.01 * most) > most)), direction

    best = min((left(direction) for direction in likely), key=lambda scored: scored[0])
    for step_deg in STEPS_DEG:
        best = min([best, *(left(turned) for turned in neighbours(best[1], step_deg))], key=lambda scored: scored[0])
    return _side(search.mesh, best[1], search.cutter, TRIAL_NODES)


def _side(mesh: Mesh, direction: FloatArray, cutter: Cutter, most_nodes: int) -> Approach:
    frame = frame_along(direction, mesh.vertices[:: max(1, len(mesh.vertices) // 500)])
    pitch = fitting_pitch(mesh, frame, cutter.diameter_mm / 12.0, most_nodes)
    return approach_from_above(look_along(mesh, frame, pitch, cutter.diameter_mm + 4.0), cutter)
