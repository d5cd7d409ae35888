"""From which direction a part is carved: the shallowest set-up from two opposite sides that leaves little enough uncut.

Directions over the half sphere are scored by what both sides together leave standing, without a parting surface, on a coarse grid; the best
ones are turned in ever smaller steps; the winners are scored again with their parting surface on a finer grid. Depth counts: seeing the
most of the part alone would stand a long bone on its end. Our own method.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.build_fit import smallest_box
from meshtools.geometry.directions import even_directions
from meshtools.geometry.measure import hull_points
from meshtools.geometry.milled_parting import lay_parting
from meshtools.geometry.milled_reach import Approach, Sight, approach_from_above, approach_from_below, fitting_pitch, frame_along, look_along
from meshtools.geometry.sample import sample_surface
from meshtools.model import FloatArray, Mesh
from meshtools.settings_cnc import Cutter

FINE_PITCHES = 24.0  # nodes in a cutter's diameter, where the grid may have so many
N_DIRECTIONS = 150  # about 12 degrees apart; refined afterwards
N_STARTS = 6
N_FURTHER_STARTS = 3  # pairs of sides that further sides are tried with
STARTS_APART_DEG = 12.0
STEPS_DEG = (6.0, 3.0, 1.5, 0.75)
SEARCH_NODES, SEARCH_SAMPLES, SEARCH_FACES = 40_000, 2_500, 20_000
TRIAL_NODES, TRIAL_SAMPLES = 500_000, 8_000
POLISH_STEPS_DEG = (2.0, 1.0)
WORTH_POLISHING = 6.0  # times the limit: more than that uncut no small turn mends
SAFETY = 0.75  # share of the limit that a set-up may use on the samples it was chosen with
SEED_SEARCH, SEED_TRIAL, SEED_CHOICE = 101, 102, 104
FINE_NODES = 3_000_000
MOST_CHOICES, CHOICE_SAFETY = 3, 0.97
DEPTH_WEIGHT = 1.0  # doubling the depth weighs as much as this many points of surface uncut beyond the limit
TOO_DEEP, FAR_TOO_DEEP = 4.0, 1000.0  # added to the cost where the stock does not fit the machine, and where it must


@dataclass(frozen=True)
class ReachLimits:
    """What counts as uncut, how much of it is accepted, how far past the parting surface is cut, and the depth the machine takes; must_fit: a
    set-up that is deeper is taken only where there is no other, else it is weighed against what it leaves uncut."""

    uncut_mm: float
    uncut_percent: float
    overrun_mm: float
    most_depth_mm: float
    must_fit: bool = False


@dataclass(frozen=True, eq=False)
class Trial:
    """A direction (3,) from the part to the cutter, the depth of the part along it, what stays uncut from both sides, and the cost."""

    direction: FloatArray
    depth_mm: float
    uncut_percent: float
    cost: float


@dataclass(frozen=True, eq=False)
class TwoSides:
    """The part seen along a direction, its parting surface over the sight's grid, and the cutter from above and from below."""

    sight: Sight
    parting: FloatArray
    sides: tuple[Approach, Approach]

    def left_over(self, points: FloatArray, most_mm: float) -> FloatArray:
        """What both sides together leave above each point (n, 3)."""
        return np.minimum(*(side.left_over(points, most_mm) for side in self.sides))


def look_from_two_sides(mesh: Mesh, direction: FloatArray, cutter: Cutter, overrun_mm: float, most_nodes: int) -> TwoSides:
    """Lay the parting surface along a direction and bring the cutter from both sides, on a grid of at most about so many nodes."""
    frame = frame_along(direction, mesh.vertices)
    pitch = fitting_pitch(mesh, frame, cutter.diameter_mm / FINE_PITCHES, most_nodes)
    sight = look_along(mesh, frame, pitch, cutter.diameter_mm + 4.0)
    parting = lay_parting(sight)
    sides = approach_from_above(sight, cutter, parting, overrun_mm), approach_from_below(sight, cutter, parting, overrun_mm)
    return TwoSides(sight, parting, sides)


def choose_setup(mesh: Mesh, trials: tuple[Trial, ...], cutter: Cutter, limits: ReachLimits) -> tuple[Trial, TwoSides]:
    """The cheapest trial that keeps the limit on the part itself, on a fine grid and on samples that the search did not see; else the cheapest."""
    points, _ = sample_surface(mesh, 2 * TRIAL_SAMPLES, SEED_CHOICE)
    first: tuple[Trial, TwoSides] | None = None
    for trial in trials[:MOST_CHOICES]:
        both = look_from_two_sides(mesh, trial.direction, cutter, limits.overrun_mm, FINE_NODES)
        first = first or (trial, both)
        share = 100.0 * float(np.mean(both.left_over(points, 1.2 * limits.uncut_mm) > limits.uncut_mm))
        if share <= CHOICE_SAFETY * limits.uncut_percent:
            return trial, both
        if share > WORTH_POLISHING * limits.uncut_percent:
            break
    if first is None:
        raise GeometryError("no direction was found to carve from; check the replica")
    return first


def light_version(mesh: Mesh) -> Mesh:
    """The part with few enough faces for a search; nothing is proven of it, so what is found is measured on the part itself."""
    from meshtools.geometry.simplify import simplify_around

    if len(mesh.faces) <= SEARCH_FACES:
        return mesh
    return simplify_around(mesh, np.zeros(len(mesh.faces), bool), SEARCH_FACES) or mesh


class SetUpSearch:
    """Scores directions for one part, one cutter and one set of limits."""

    def __init__(self, mesh: Mesh, cutter: Cutter, limits: ReachLimits) -> None:
        self.mesh, self.cutter, self.limits = light_version(mesh), cutter, limits
        self.samples, _ = sample_surface(self.mesh, SEARCH_SAMPLES, SEED_SEARCH)
        self._finer_samples, _ = sample_surface(self.mesh, TRIAL_SAMPLES, SEED_TRIAL)
        _, axes = np.linalg.eigh(np.cov(self.samples.T))
        self._axes = np.asarray(axes.T)

    def find(self) -> tuple[Trial, ...]:
        """The best set-ups, lowest cost first, each scored with its parting surface."""
        first, sides = self.coarse_sides
        seen = [self._scored(direction, np.logical_and(*open_)) for direction, open_ in zip(first, sides, strict=True)]
        coarse = self._fitting(sorted(seen, key=lambda trial: trial.cost))
        refined = [self._turned_in_steps(start, STEPS_DEG, self.trial) for start in _apart(coarse, N_STARTS)]
        final = [self.full_trial(trial.direction) for trial in _apart(sorted(refined, key=lambda trial: trial.cost), N_STARTS, 1.0)]
        final.sort(key=lambda trial: trial.cost)
        if SAFETY * self.limits.uncut_percent < final[0].uncut_percent <= WORTH_POLISHING * self.limits.uncut_percent:
            final.insert(0, self._turned_in_steps(final[0], POLISH_STEPS_DEG, self.full_trial))
        return tuple(self._fitting(sorted(final, key=lambda trial: trial.cost)))

    @cached_property
    def _first_directions(self) -> FloatArray:
        """Directions (k, 3) over the half sphere that the search begins with."""
        own = [smallest_box(hull_points(self.mesh.vertices))] if self.limits.must_fit else []  # few directions may be shallow enough
        return np.concatenate([self._axes, *own, even_directions(N_DIRECTIONS)])

    @cached_property
    def least_depth_mm(self) -> float:
        """The least depth along these directions, which the depth of every trial is weighed against."""
        return max(min(self.depth_mm(direction) for direction in self._first_directions), 1e-9)

    @cached_property
    def coarse_sides(self) -> tuple[FloatArray, NDArray[np.bool_]]:
        """The first directions (k, 3), and which samples stay uncut from above and from below along each (k, 2, n)."""
        return self._first_directions, np.array([self._open_sides(direction) for direction in self._first_directions])

    def find_with_further(self, n_further: int) -> tuple[Trial, ...]:
        """The best pairs of sides, lowest cost first, where so many single sides may follow: each scored by what all of them leave on the coarse
        grid. Sides are added one by one, each the one that takes most; the pair is turned in small steps under those it was chosen with."""
        first, sides = self.coarse_sides
        singles, ranked = sides.reshape(-1, sides.shape[-1]), list[tuple[Trial, NDArray[np.bool_]]]()
        for direction, open_ in zip(first, sides, strict=True):
            by_pair = np.logical_and(*open_)
            others = self._open_after(by_pair, singles, n_further)
            ranked.append((self._scored(direction, by_pair & others), others))
        ranked.sort(key=lambda pair: pair[0].cost)
        left_by_others = dict(ranked)  # a trial is its own key: no two are equal
        starts = _apart(self._fitting(list(left_by_others)), N_FURTHER_STARTS)
        turned = [self._turned_in_steps(start, STEPS_DEG, partial(self.trial, others=left_by_others[start])) for start in starts]
        return tuple(sorted(turned, key=lambda trial: trial.cost))

    def likely_sides(self, open_: NDArray[np.bool_], n: int) -> FloatArray:
        """Those directions (n, 3) of a single side that leave fewest of the open samples (n,) on the coarse grid, best first."""
        first, sides = self.coarse_sides
        left = sides[:, :, open_].sum(axis=2).T.ravel()
        return np.concatenate([first, -first])[np.argsort(left, kind="stable")[:n]]

    def _open_after(self, open_: NDArray[np.bool_], singles: NDArray[np.bool_], n_further: int) -> NDArray[np.bool_]:
        """(n,) samples that the sides chosen to follow a pair leave uncut. open_ (n,): what the pair leaves."""
        others = np.ones_like(open_)
        for _ in range(n_further):
            rows = np.flatnonzero(open_ & others)
            if 100.0 * len(rows) <= SAFETY * self.limits.uncut_percent * len(open_):
                break
            others &= singles[int(np.argmin(singles[:, rows].sum(axis=1)))]
        return others

    def _fitting(self, trials: list[Trial]) -> list[Trial]:
        """Those that are not too deep, where they must not be and there are any."""
        fitting = [trial for trial in trials if trial.depth_mm <= self.limits.most_depth_mm]
        return fitting if fitting and self.limits.must_fit else trials

    def depth_mm(self, direction: FloatArray) -> float:
        """Extent of the part along a direction."""
        along = self.mesh.vertices @ direction
        return float(along.max() - along.min())

    def trial(self, direction: FloatArray, others: NDArray[np.bool_] | None = None) -> Trial:
        """Score by what is seen from either side, on a coarse grid. others (n,): of the samples, those that further sides leave uncut."""
        open_ = np.logical_and(*self._open_sides(direction))
        return self._scored(direction, open_ if others is None else open_ & others)

    def _open_sides(self, direction: FloatArray) -> NDArray[np.bool_]:
        """(2, n) samples uncut from above and from below; the limit is widened by what the grid blurs."""
        frame = self._plain_frame(direction)
        pitch = fitting_pitch(self.mesh, frame, self.cutter.diameter_mm / 3.0, SEARCH_NODES)
        sight = look_along(self.mesh, frame, pitch, self.cutter.diameter_mm + 2.0 * pitch)
        most = self.limits.uncut_mm + pitch / 2.0
        left = [approach(sight, self.cutter).left_over(self.samples, 1.01 * most) for approach in (approach_from_above, approach_from_below)]
        return np.array(left) > most

    def full_trial(self, direction: FloatArray) -> Trial:
        """Score with the parting surface on a finer grid."""
        both = look_from_two_sides(self.mesh, direction, self.cutter, self.limits.overrun_mm, TRIAL_NODES)
        return self._scored(direction, both.left_over(self._finer_samples, 2.0 * self.limits.uncut_mm) > self.limits.uncut_mm)

    def _scored(self, direction: FloatArray, open_: NDArray[np.bool_]) -> Trial:
        return self.weighed(direction, 100.0 * float(np.mean(open_)))

    def weighed(self, direction: FloatArray, uncut_percent: float) -> Trial:
        """A trial with its cost: its depth, and what it leaves beyond the limit."""
        depth = self.depth_mm(direction)
        excess = max(0.0, uncut_percent - SAFETY * self.limits.uncut_percent)
        too_deep = FAR_TOO_DEEP if self.limits.must_fit else TOO_DEEP
        cost = DEPTH_WEIGHT * depth / self.least_depth_mm + excess + too_deep * (depth > self.limits.most_depth_mm)
        return Trial(direction, depth, uncut_percent, cost)

    def _plain_frame(self, direction: FloatArray) -> FloatArray:
        axis = self._axes[2] if abs(float(direction @ self._axes[2])) < 0.9 else self._axes[1]
        x = axis - direction * float(direction @ axis)
        x /= np.sqrt(np.sum(x**2))
        return np.stack([x, np.cross(direction, x), direction])

    def _turned_in_steps(self, trial: Trial, steps_deg: tuple[float, ...], score: Callable[[FloatArray], Trial]) -> Trial:
        for step_deg in steps_deg:
            for _ in range(3):
                around = [score(turned) for turned in neighbours(trial.direction, step_deg)]
                best = min(around, key=lambda candidate: candidate.cost)
                if best.cost >= trial.cost - 1e-9:
                    break
                trial = best
                if steps_deg is POLISH_STEPS_DEG and trial.uncut_percent <= SAFETY * self.limits.uncut_percent:
                    return trial
        return trial


def neighbours(direction: FloatArray, step_deg: float) -> list[FloatArray]:
    """Six directions that lean from the given one by this angle."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    x = np.cross(helper, direction)
    x /= np.sqrt(np.sum(x**2))
    y = np.cross(direction, x)
    lean = np.radians(step_deg)
    return [np.cos(lean) * direction + np.sin(lean) * (np.cos(a) * x + np.sin(a) * y) for a in np.arange(6) * np.pi / 3.0]


def _apart(trials: list[Trial], most: int, degrees: float = STARTS_APART_DEG) -> list[Trial]:
    """The first trials, in their order, whose axes differ by at least this angle."""
    kept: list[Trial] = []
    for trial in trials:
        if len(kept) < most and all(abs(float(trial.direction @ other.direction)) < np.cos(np.radians(degrees)) for other in kept):
            kept.append(trial)
    return kept
