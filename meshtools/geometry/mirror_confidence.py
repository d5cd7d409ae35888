"""How far a mirror plane can be trusted: what it would be with a part of the skin left out, and how near the next best plane comes.

How much of the skin finds a partner does not tell right from wrong: a humerus, which has no mirror plane, gives 96 %. What tells is
`jk`, the angle by which the plane turns when a quarter of the surface is left out, and `ratio`, the next best plane's score over the
best's. Limits and figures: benchmarks/plane_trials.py. Our own method.

Neither can tell a phalanx, which really is nearly its own mirror image, from a bone of the midline. Shape can: what lies in the midline as
one bone surrounds or straddles something (brain, tongue, spinal cord, gut) and carries processes to both sides, so parts of its skin face
each other, while a bone of a limb is a rod or a block that faces only outwards. `facing` is the share of the skin that faces other skin: 0 to
6 % for the dog's limb bones, 9 to 45 % for its skull, jaw, pelvis and vertebrae. A bone below the limit is asked for unless it is known to
lie in the midline, from the register or by a person's hint; the price is a look at simple bones of the midline, like those of breastbone and tail.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.mirror_candidates import Skin, apart
from meshtools.geometry.mirror_fit import Pairs, improve
from meshtools.model import FloatArray

Verdict = Literal["accept", "ask", "refuse"]
VERDICTS: tuple[Verdict, ...] = ("accept", "ask", "refuse")

N_FOLDS = 32
FOLD_SHARE = 0.25
JK_ACCEPT_DEG, JK_ASK_DEG = 0.20, 0.75
RATIO_ACCEPT, RATIO_ASK = 0.93, 0.97
BOUND_PER_JK, BOUND_PER_RESIDUAL, LEAST_BOUND_DEG = 3.0, 1.5, 0.4
THINNEST, BROADEST = 0.22, 2.0
LEAST_FACING_PERCENT = 7.0
N_LOOKS, FARTHEST_LOOK, LIFT = 4_000, 0.3, 0.03  # how many samples look, how far and from how high, as shares of the diagonal


@dataclass(frozen=True)
class Evidence:
    """What speaks for a plane: jk_deg and ratio as above; breadth_ratio: breadth of the matched skin across the plane over its length along
    it; facing_percent: share of the skin that faces other skin, None where the bone is known to have a plane.
    """

    jk_deg: float
    ratio: float
    breadth_ratio: float
    facing_percent: float | None = None


def judge_plane(evidence: Evidence) -> tuple[Verdict, tuple[str, ...]]:
    """Accept a plane, ask a person, or refuse it; with the reasons in sentences (none for a plane accepted)."""
    grades, reasons = [0], []
    if evidence.jk_deg >= JK_ACCEPT_DEG:
        grades.append(1 if evidence.jk_deg < JK_ASK_DEG else 2)
        reasons.append(f"The plane turns by {evidence.jk_deg:.2f} degrees when a quarter of the surface is left out.")
    if evidence.ratio >= RATIO_ACCEPT:
        grades.append(1 if evidence.ratio < RATIO_ASK else 2)
        reasons.append(f"Another plane fits {100 * evidence.ratio:.0f} % as well.")
    if evidence.breadth_ratio < THINNEST:
        grades.append(1)
        reasons.append("What mirrors itself is thin across the plane, like a shaft, a plate or one half of the bone.")
    if evidence.breadth_ratio > BROADEST:
        grades.append(1)
        reasons.append("The plane cuts across the length of what mirrors itself, as it does where the two ends of a shaft look alike.")
    if evidence.facing_percent is not None and evidence.facing_percent < LEAST_FACING_PERCENT:
        grades.append(1)
        reasons.append("It is a rod or a block, as bones of the limbs are: such a bone may mirror itself although it belongs to one side.")
    return VERDICTS[max(grades)], tuple(reasons)


def measure_facing(skin: Skin, surface: Surface) -> float:
    """Percent of the skin from which a look straight out meets the same bone within 30 % of the diagonal. surface: of the skin's mesh.

    The look starts 3 % of the diagonal above the skin, so that roughness does not count. A scan that is inside out gives the same.
    """
    out = skin.normals[:N_LOOKS]
    lift = LIFT * skin.diagonal_mm
    looks = (surface.first_hit(skin.places_mm[:N_LOOKS] + sign * lift * out, sign * out) for sign in (1.0, -1.0))
    return min(100 * float((hit < FARTHEST_LOOK * skin.diagonal_mm).mean()) for hit in looks)


def bound_angle(jk_deg: float, residual: float) -> float:
    """Angle in degrees within which the true normal is expected in 95 of 100 cases; residual is its rms as a share of the diagonal.

    A smooth natural asymmetry turns the plane without showing in jk, hence the other two terms. The three factors were set on 108 of the
    trials that were not refused: 98 % lay within, 100 % without asymmetry, 83 % with a warp of 1 %.
    """
    return float(np.sqrt((BOUND_PER_JK * jk_deg) ** 2 + (BOUND_PER_RESIDUAL * np.degrees(residual)) ** 2 + LEAST_BOUND_DEG**2))


def measure_jackknife(skin: Skin, plane: FloatArray, pairs: Pairs, weights: FloatArray, seed: int) -> float:
    """Rms angle in degrees by which a plane (4,) turns when the quarter of the skin around a random place is left out, over 32 places.

    pairs and weights (1, s) are those of the fit; they are kept, and a pair is left out with either of its ends.
    """
    random = np.random.default_rng(seed)
    n_points = weights.shape[1]
    angles = []
    for middle in skin.points[random.choice(len(skin.points), N_FOLDS, replace=False)]:
        distance = ((skin.points - middle) ** 2).sum(axis=1)
        is_left = distance > np.quantile(distance, FOLD_SHARE)
        left = weights * (is_left[:n_points] & is_left[pairs.partner])
        moved = improve(plane[None], skin.points[:n_points], pairs, left)
        angles.append(float(apart(moved, plane)[0][0]))
    return float(np.sqrt(np.mean(np.square(angles))))
