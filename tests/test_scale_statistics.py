"""Statistics of size against published check values, identities and a second library."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meshtools.errors import GeometryError
from meshtools.scale_statistics import (
    allometric_factor,
    extrapolate_sizes,
    interpolate_sizes,
    isometry_words,
    ols_slope,
    pooled_factor,
    sma_slope,
)


def lengths(n: int = 20, seed: int = 0) -> tuple[list[float], list[float]]:
    random = np.random.default_rng(seed)
    x = random.normal(3.0, 0.3, n)
    return x.tolist(), (0.5 + 1.3 * x + random.normal(0, 0.15, n)).tolist()


def test_the_least_squares_slope_is_the_standardised_major_axis_times_r() -> None:
    x, y = lengths()
    assert ols_slope(x, y).slope == pytest.approx(sma_slope(x, y).slope * sma_slope(x, y).r, rel=1e-12)


def test_the_published_example_of_the_interval_is_reproduced_from_its_own_figures() -> None:
    """Reference example, n = 20, r 0.8600787: SMA 3.059635, interval 2.382810-3.928708 (trade's check values)."""
    random = np.random.default_rng(1)
    x = random.normal(size=20)
    x = (x - x.mean()) / x.std()
    noise = random.normal(size=20)
    noise = noise - noise.mean() - x * (noise @ x) / (x @ x)
    noise /= noise.std()
    r = 0.8600787
    found = sma_slope(x.tolist(), (3.059635 * (r * x + math.sqrt(1 - r * r) * noise)).tolist())
    assert found.slope == pytest.approx(3.059635, abs=1e-6)
    assert found.interval == pytest.approx((2.382810, 3.928708), abs=2e-5)


def test_least_squares_agrees_with_a_second_library() -> None:
    from scipy.stats import linregress, t

    x, y = lengths(9, 4)
    theirs, ours = linregress(x, y), ols_slope(x, y)
    half = t.ppf(0.975, 7) * theirs.stderr
    assert (ours.slope, ours.intercept, ours.r) == pytest.approx((theirs.slope, theirs.intercept, theirs.rvalue), rel=1e-10)
    assert ours.interval == pytest.approx((theirs.slope - half, theirs.slope + half), rel=1e-10)


def test_nineteen_of_twenty_intervals_hold_the_true_slope() -> None:
    """Both variables scatter alike around a slope of 1, the case that the standardised major axis is made for."""
    random = np.random.default_rng(2)
    n_held = 0
    for _ in range(1000):
        true = random.normal(0, 1, 12)
        low, high = sma_slope((true + random.normal(0, 0.3, 12)).tolist(), (true + random.normal(0, 0.3, 12)).tolist()).interval
        n_held += low <= 1.0 <= high
    assert 930 <= n_held <= 970


@pytest.mark.parametrize(("x", "y"), [([1, 2], [1, 2]), ([1, 1, 1], [1, 2, 3]), ([1, 2, math.inf], [1, 2, 3])])
def test_too_few_or_equal_or_endless_values_are_refused(x: list[float], y: list[float]) -> None:
    with pytest.raises(GeometryError, match="slope needs"):
        sma_slope(x, y)


def test_isometry_is_only_ever_rejected_or_not_rejected() -> None:
    assert isometry_words((0.9, 1.2), 7) == "isometry not rejected (n = 7)"
    assert isometry_words((1.01, 1.2), 30) == "isometry rejected (n = 30)"


def test_three_ratios_give_the_factor_and_interval_of_the_ratio_method() -> None:
    """1.12, 1.15, 1.18 -> 1.149739, 95 % 1.077577-1.226734 (closed form)."""
    found = pooled_factor({"femur": 1.12, "tibia": 1.15, "ulna": 1.18})
    assert (found.factor, *found.interval) == pytest.approx((1.149739, 1.077577, 1.226734), abs=1e-6)


def test_bones_that_agree_by_chance_still_carry_the_floor_of_one_percent() -> None:
    found = pooled_factor({"femur": 1.2, "tibia": 1.2, "ulna": 1.2, "radius": 1.2})
    assert found.standard_error_ln == pytest.approx(0.01 / 2)
    assert pooled_factor({"femur": 1.2}).standard_error_ln == pytest.approx(0.01)


def test_the_bone_of_another_individual_is_named() -> None:
    found = pooled_factor({"femur": 1.20, "tibia": 1.21, "ulna": 1.19, "radius": 1.205, "scapula": 1.32})
    assert found.departing == ("scapula",)


def test_allometry_makes_a_length_grow_by_a_power() -> None:
    """Length x 1.25, b = 0.9 -> 1.222416; b = 1/0.9 -> 1.281380 (closed form)."""
    assert allometric_factor(1.25, 0.9) == pytest.approx(1.222416, abs=1e-6)
    assert allometric_factor(1.25, 1 / 0.9) == pytest.approx(1.281380, abs=1e-6)


def test_two_missing_members_between_40_and_54_mm_get_both_series() -> None:
    """Geometric 44.2084, 48.8595; linear 44.6667, 49.3333 (closed form)."""
    found = interpolate_sizes((1, 40.0), (4, 54.0), [2, 3])
    assert [size.geometric_mm for size in found] == pytest.approx([44.2084, 48.8595], abs=1e-4)
    assert [size.linear_mm for size in found] == pytest.approx([44.6667, 49.3333], abs=1e-4)


def test_interpolation_does_not_reach_beyond_its_two_members() -> None:
    with pytest.raises(GeometryError, match="between the places 1 and 4"):
        interpolate_sizes((1, 40.0), (4, 54.0), [5])


def test_a_tail_that_shrinks_by_a_constant_ratio_goes_on_doing_so() -> None:
    found = extrapolate_sizes({place: 30.0 * 0.9**place for place in range(5)}, [6])[0]
    assert found.size_mm == pytest.approx(30.0 * 0.9**6)
    assert found.interval_mm == pytest.approx((found.size_mm, found.size_mm), rel=1e-6)


def test_the_prediction_interval_widens_with_the_distance_from_the_series() -> None:
    members = {1.0: 30.0, 2.0: 27.5, 3.0: 24.0, 4.0: 22.2, 5.0: 19.6}
    near, far = extrapolate_sizes(members, [6, 12])
    assert math.log(far.interval_mm[1] / far.interval_mm[0]) > 1.5 * math.log(near.interval_mm[1] / near.interval_mm[0])
