"""The ratio method gives the figures of its closed form and asks for review where its limits say so."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshtools.errors import GeometryError
from meshtools.factor import (
    LengthRatio,
    estimate_factor,
    lengths_by_individual,
    ratio_factor,
    review_range,
    shared_ratios,
    student_t,
)
from meshtools.model import Find, Measurement, Severity, Side, Unit
from meshtools.settings import PlanSettings

SETTINGS = PlanSettings()


def measured(organism: str, element: str, side: Side, value: float, **more: str) -> Measurement:
    return Measurement(0, organism, element, side, more.pop("kind", "greatest length"), value, **more)


def ratios(*values: float, group: str = "hindlimb") -> tuple[LengthRatio, ...]:
    return tuple(LengthRatio((f"bone-{group}-{i}", "greatest-length"), value, (f"bone-{group}-{i}",), (group,)) for i, value in enumerate(values))


def codes(estimate: object) -> set[str]:
    return {finding.code for finding in estimate.findings}  # type: ignore[attr-defined]


def test_three_ratios_give_the_factor_and_interval_of_the_closed_form() -> None:
    """1.12, 1.15, 1.18 -> 1.149739, 1.077577-1.226734 with t = 4.302653 (closed form)."""
    result = ratio_factor([1.12, 1.15, 1.18])
    assert result.factor == pytest.approx(1.149739, abs=5e-7)
    assert result.interval == pytest.approx((1.077577, 1.226734), abs=5e-7)
    assert student_t(2) == pytest.approx(2 * 0.475 * math.sqrt(2 / (4 * 0.975 * 0.025)), rel=1e-9)


def test_one_ratio_is_the_factor_and_has_no_interval() -> None:
    result = ratio_factor([1.126])  # 134 / 119 cm, Janensch, as quoted by svpow.com
    assert result.factor == pytest.approx(1.126, abs=1e-12)
    assert result.interval is None


@pytest.mark.parametrize("values", [[], [1.0, 0.0], [float("nan")]])
def test_ratios_that_give_no_factor_are_an_error(values: list[float]) -> None:
    with pytest.raises(GeometryError, match=r"measurements\.csv"):
        ratio_factor(values)


@given(st.lists(st.floats(0.1, 10.0), min_size=2, max_size=8), st.randoms())
def test_the_order_of_ratios_changes_no_bit(values: list[float], random: object) -> None:
    shuffled = list(values)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    result = ratio_factor(values)
    assert ratio_factor(shuffled) == result
    assert type(result.factor) is float
    assert result.interval is not None
    assert result.interval[0] <= result.factor * (1 + 1e-12) <= result.interval[1] * (1 + 1e-11)


@pytest.mark.parametrize(("factor", "asked"), [(0.8, True), (0.800001, False), (1.249999, False), (1.25, True)])
def test_factors_on_the_bounds_ask_for_review(factor: float, asked: bool) -> None:
    assert bool(review_range(factor, SETTINGS, Severity.REVIEW)) is asked


def test_few_wide_and_scattered_ratios_each_have_their_finding() -> None:
    assert codes(estimate_factor(ratios(1.1), "hindlimb", SETTINGS)) == {"few-lengths"}
    assert codes(estimate_factor(ratios(1.12, 1.15, 1.18), "hindlimb", SETTINGS)) == {"ratio-interval"}
    assert codes(estimate_factor(ratios(1.0, 1.1, 1.2), "hindlimb", SETTINGS)) == {"ratio-interval", "ratio-spread"}
    assert codes(estimate_factor(ratios(1.10, 1.11, 1.10), "hindlimb", SETTINGS)) == set()


def test_the_same_group_carries_the_factor_when_it_has_enough_lengths() -> None:
    mixed = (*ratios(1.1, 1.1, 1.1), *ratios(1.4, 1.4, group="forelimb"))
    hind, fore = estimate_factor(mixed, "hindlimb", SETTINGS), estimate_factor(mixed, "forelimb", SETTINGS)
    assert hind is not None
    assert fore is not None
    assert hind.factor == pytest.approx(1.1)
    assert hind.basis == "ratio method: 3 lengths on bone-hindlimb-0, bone-hindlimb-1, bone-hindlimb-2 (same group hindlimb)"
    assert fore.factor == pytest.approx(math.exp((3 * math.log(1.1) + 2 * math.log(1.4)) / 5))
    assert fore.basis.startswith("ratio method, pooled over all elements: 5 lengths on ")


def test_a_stated_size_multiplies_factor_and_interval() -> None:
    plain, sized = (estimate_factor(ratios(1.12, 1.15, 1.18), "hindlimb", SETTINGS, size) for size in (1.0, 0.5))
    assert plain is not None
    assert sized is not None
    assert sized.factor == plain.factor * 0.5
    assert sized.interval == tuple(bound * 0.5 for bound in plain.interval or ())


def test_left_and_right_are_averaged_before_individuals_are_compared() -> None:
    rows = [measured("a", "femur", Side.LEFT, 100.0), measured("a", "femur", Side.LEFT, 121.0), measured("a", "femur", Side.RIGHT, 110.0),
            measured("b", "thigh", Side.LEFT, 55.0, kind="Greatest_Length")]
    lengths = lengths_by_individual(rows, {}, {"thigh": "femur"}, 60.0)
    (ratio,) = shared_ratios(lengths["a"], lengths["b"], {"femur": ("hindlimb",)})
    assert ratio.ratio == pytest.approx(2.0, rel=1e-12)
    assert ratio.groups == ("hindlimb",)


def test_a_length_of_a_broken_bone_is_reported() -> None:
    stub = Find(1, "f1", "femur", Side.LEFT, "a", "f1.ply", Unit.MM, preserved_percent=40.0)
    rows = [measured("a", "femur", Side.LEFT, 50.0, find="f1"), measured("b", "femur", Side.LEFT, 50.0)]
    lengths = lengths_by_individual(rows, {"f1": stub}, {}, 60.0)
    estimate = estimate_factor(shared_ratios(lengths["a"], lengths["b"], {}), "", SETTINGS)
    assert estimate is not None
    assert "broken-length" in codes(estimate)
