"""How far a mirror plane can be trusted: what it would be with a part of the skin left out, and how near the next best plane comes.

How much of the skin finds a partner does not tell right from wrong: a humerus, which has no mirror plane, gives 96 %. What tells is
`jk`, the angle by which the plane turns when a quarter of the surface is left out, and `ratio`, the next best plane's score over the
best's. Limits and figures: benchmarks/plane_trials.py. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.mirror_candidates import Skin, apart
from meshtools.geometry.mirror_fit import SLIDE, Pairs, adapted_width, improve, pair_by_tree, weigh
from meshtools.model import FloatArray

Verdict = Literal["accept", "ask", "refuse"]

N_FOLDS = 16
FOLD_SHARE = 0.25
FOLD_STEPS = 2
JK_ACCEPT_DEG, JK_ASK_DEG = 0.35, 1.0
RATIO_ACCEPT, RATIO_ASK = 0.93, 0.97
BOUND_PER_JK = 2.6
THINNEST = 0.15


@dataclass(frozen=True)
class Evidence:
    """What speaks for a plane. jk_deg and ratio as above; breadth_ratio: breadth of the matched skin across the plane over its length along it.

    overlap_percent: share of the skin that has a partner. extents_mm: how far the skin reaches on the side against the normal and along it.
    """

    jk_deg: float
    ratio: float
    breadth_ratio: float
    overlap_percent: float
    extents_mm: tuple[float, float]


def judge_plane(evidence: Evidence) -> tuple[Verdict, tuple[str, ...]]:
    """Accept a plane, ask a person, or refuse it; with the reasons in sentences (none for a plane accepted)."""
    reasons = []
    grade = 0
    if evidence.jk_deg >= JK_ACCEPT_DEG:
        grade = max(grade, 1 if evidence.jk_deg < JK_ASK_DEG else 2)
        reasons.append(f"The plane turns by {evidence.jk_deg:.2f} degrees when a quarter of the surface is left out.")
    if evidence.ratio >= RATIO_ACCEPT:
        grade = max(grade, 1 if evidence.ratio < RATIO_ASK else 2)
        reasons.append(f"Another plane fits {100 * evidence.ratio:.0f} % as well.")
    if evidence.breadth_ratio < THINNEST:
        grade = max(grade, 1)
        reasons.append("The skin that mirrors itself is a thin plate along the plane; it may be one half of the bone.")
    return ("accept", "ask", "refuse")[grade], tuple(reasons)


def measure_jackknife(skin: Skin, plane: FloatArray, seed: int, n_points: int) -> float:
    """Rms angle in degrees by which a plane (4,) turns when the quarter of the skin around a random place is left out, over sixteen places."""
    random = np.random.default_rng(seed)
    chosen = slice(0, n_points)
    angles = []
    for middle in skin.points[random.choice(len(skin.points), N_FOLDS, replace=False)]:
        distance = ((skin.points - middle) ** 2).sum(axis=1)
        is_left = distance > np.quantile(distance, FOLD_SHARE)
        moved = plane
        for _ in range(FOLD_STEPS):
            pairs = pair_by_tree(skin, moved, chosen)
            moved = _improved(skin, moved, pairs, is_left, chosen)
        angles.append(float(apart(moved[None], plane)[0][0]))
    return float(np.sqrt(np.mean(np.square(angles))))


def _improved(skin: Skin, plane: FloatArray, pairs: Pairs, is_left: NDArray[np.bool_], chosen: slice) -> FloatArray:
    width = adapted_width(pairs)
    weights = weigh(pairs, width, SLIDE + width) * (is_left[chosen] & is_left[pairs.partner])
    return np.asarray(improve(plane[None], skin.points[chosen], pairs, weights)[0])
