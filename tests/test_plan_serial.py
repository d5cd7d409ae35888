"""Elements of a series without a scan are interpolated or extrapolated, called conjecture, and a person may choose. All animals are invented."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from test_plan import M, codes, decide, find, recipe, register

from meshtools.model import Caliper, Element, EvidenceClass, Find, Finding, Measurement, Plan, Recipe, Register, Severity, Side, Target, plain
from meshtools.plain import from_plain
from meshtools.plan import make_plan, next_best
from meshtools.settings import Settings


def tail(n: int = 6, side: Side = M, **more: Any) -> tuple[Element, ...]:
    """Positions 1 to n of one series."""
    return tuple(Element(f"caudal-{i}", side, series="caudal", position=i, **more) for i in range(1, n + 1))


def finds(*positions: int, side: Side = M) -> list[Find]:
    return [find(f"c{i}", f"caudal-{i}", side) for i in positions]


def sizes(**values: float) -> tuple[Measurement, ...]:
    """Greatest lengths of finds, `c2=40.0`."""
    return tuple(Measurement(1, "", "", Side.UNKNOWN, "Greatest length", value, slug) for slug, value in values.items())


def planned(register_: Register, element: str = "caudal-3") -> Recipe:
    return recipe(make_plan(register_), element)


def conjecture(made: Recipe) -> Finding:
    (finding,) = [finding for finding in made.findings if finding.code == "conjecture"]
    return finding


def test_a_bone_between_two_own_neighbours_is_interpolated_at_its_share_of_the_way_and_a_person_is_asked() -> None:
    made = planned(register(finds(2, 5), elements=tail()))
    assert (made.evidence, made.finds, made.fraction, made.factor, made.status) == ("INT", ("c2", "c5"), 1 / 3, 1.0, "planned")
    assert conjecture(made).severity is Severity.REVIEW
    assert made.reason.startswith("Conjecture: interpolated between c2 and c5")
    assert from_plain(Recipe, plain(made)) == made


def test_a_decision_for_the_class_turns_the_question_into_a_note() -> None:
    made = planned(register(finds(2, 5), decisions=(decide("class", "INT", "caudal-3"),), elements=tail()))
    assert (made.evidence, made.fraction, made.status, conjecture(made).severity) == ("INT", 1 / 3, "planned", Severity.NOTE)
    assert "by A. Keeper" in made.reason


def test_any_scanned_source_comes_before_the_series_and_the_series_before_a_gap() -> None:
    donor = find("d3", "caudal-3", M, "ind-b")
    rows = sizes(c2=40.0) + (Measurement(1, "ind-b", "caudal-2", M, "greatest length", 50.0),)
    assert planned(register([*finds(2, 5), donor], rows, elements=tail())).evidence is EvidenceClass.DON
    assert planned(register([*finds(2, 5), donor], elements=tail())).evidence is EvidenceClass.INT  # a donor without a factor is no source
    order = replace(Settings(), class_order=(("default", ("OWN", "OWN-R", "DON", "DON-R")),))
    assert planned(register(finds(2, 5), elements=tail(), settings=order)).status == "gap"


def test_the_scaled_neighbours_stand_beside_it_and_one_is_taken_when_a_decision_names_it() -> None:
    """Two missing between 40 and 54 mm -> 44.2084, 48.8595 (closed form)."""
    batch = register(finds(2, 5), sizes(c2=40.0, c5=54.0), elements=tail())
    made = planned(batch)
    assert [(a.evidence, a.find, a.why[:24]) for a in made.tried if a.find] == [("INT", name, "usable, conjecture too: ") for name in ("c2", "c5")]
    best = next_best(made.tried)
    assert best
    assert best.find == "c2"
    for element, named, size, own in (("caudal-3", "c2", 44.2084, 40.0), ("caudal-3", "c5", 44.2084, 54.0), ("caudal-4", "c5", 48.8595, 54.0)):
        taken = planned(replace(batch, decisions=(decide("class", "INT", element, named),)), element)
        assert (taken.evidence, taken.finds, taken.fraction, taken.status) == ("INT", (named,), 0.0, "planned")
        assert taken.factor == pytest.approx(size / own, abs=1e-6)
        assert conjecture(taken).severity is Severity.NOTE


def test_a_donor_decision_that_names_a_neighbour_means_that_one_scaled() -> None:
    batch = register(finds(2, 5), sizes(c2=40.0, c5=54.0), (decide("donor", find="c2", element="caudal-3"),), elements=tail())
    made = planned(batch)
    assert (made.evidence, made.finds, made.fraction, made.status, conjecture(made).severity) == ("INT", ("c2",), 0.0, "planned", Severity.NOTE)


def test_a_scaled_neighbour_without_lengths_needs_them_or_a_stated_factor() -> None:
    named = decide("class", "INT", "caudal-3", "c2")
    batch = register(finds(2, 5), decisions=(named,), elements=tail())
    assert "greatest length of c2 and c5" in planned(batch).reason
    stated = planned(replace(batch, decisions=(named, decide("factor", "1.1", "caudal-3", "c2"))))
    assert (stated.finds, stated.factor, stated.status) == (("c2",), 1.1, "planned")
    assert "Factor stated by A. Keeper" in stated.reason


@pytest.mark.parametrize("trait", [
    {"preserved_percent": 80.0}, {"portion": "arch"}, {"deformation": "crushed"}, {"identification_qualifier": "cf."}, {"pathology": "callus"},
    {"organism_id": "ind-b"}, {"organism_id": "unassociated"},
])  # fmt: skip
def test_a_doubtful_bone_is_no_neighbour(trait: dict[str, Any]) -> None:
    first, last = finds(2, 5)
    whole = find("c1", "caudal-1", M)
    made = planned(register([whole, replace(first, **trait), last], elements=tail()))
    assert (made.finds, made.fraction) == (("c1", "c5"), 0.5)


def test_a_bone_of_the_other_side_is_no_neighbour() -> None:
    elements = tail(side=Side.LEFT) + tail(side=Side.RIGHT)
    batch = register([*finds(2, side=Side.LEFT), *finds(4, side=Side.RIGHT)], elements=elements)
    assert planned(batch, "caudal-3-left").status == "gap"


def test_the_border_of_a_region_is_crossed_only_by_decision() -> None:
    elements = (*tail(3, region="neck"), *(replace(element, region="chest") for element in tail()[3:]))
    batch = register(finds(2, 4), elements=elements)
    alone = planned(batch)
    assert alone.status == "gap"
    assert any("region neck" in attempt.why for attempt in alone.tried)
    decided = planned(replace(batch, decisions=(decide("class", "INT", "caudal-3"),)))
    assert (decided.finds, decided.status) == (("c2", "c4"), "planned")
    assert "regional-border" in codes(decided)


def test_beyond_the_end_the_nearest_bone_is_scaled_by_a_line_through_the_logarithms_of_the_sizes() -> None:
    """Referee: numpy's polynomial fit, and scipy's t for the prediction interval of one new value."""
    from scipy.stats import t

    lengths_mm = {1: 60.0, 2: 52.0, 3: 46.5, 4: 40.0}
    made = planned(register(finds(1, 2, 3, 4), sizes(**{f"c{i}": x for i, x in lengths_mm.items()}), elements=tail()), "caudal-6")
    x, y = np.array(list(lengths_mm)), np.log(list(lengths_mm.values()))
    line = np.polynomial.Polynomial.fit(x, y, 1)
    spread = np.sqrt(((y - line(x)) ** 2).sum() / 2 * (1 + 1 / 4 + (6 - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum()))
    expected = np.exp(line(6) + np.array([0.0, -1.0, 1.0]) * t.ppf(0.975, 2) * spread) / 40.0
    assert (made.evidence, made.finds, made.status) == ("EXT", ("c4",), "planned")
    assert made.factor_interval
    assert [made.factor, *made.factor_interval] == pytest.approx(list(expected), rel=1e-9)
    assert conjecture(made).severity is Severity.REVIEW
    assert "beyond the end of its series" in made.reason
    decision = decide("class", "EXT", "caudal-6")
    decided = planned(register(finds(1, 2, 3, 4), sizes(c1=60.0, c2=52.0, c4=40.0), (decision,), elements=tail()), "caudal-6")
    assert (decided.evidence, conjecture(decided).severity) == ("EXT", Severity.NOTE)


def test_two_lengths_are_too_few_to_extrapolate_and_calipers_count() -> None:
    some = finds(1, 2, 3)
    few = planned(register(some, sizes(c2=52.0, c3=46.5), elements=tail()), "caudal-4")
    assert few.status == "gap"
    assert any("two more bones of its series" in attempt.why for attempt in few.tried)
    some[0] = replace(some[0], caliper=Caliper(60.0, "greatest-length"))
    assert planned(register(some, sizes(c2=52.0, c3=46.5), elements=tail()), "caudal-4").evidence is EvidenceClass.EXT


def test_a_decision_that_the_series_cannot_carry_out_says_why_and_asks() -> None:
    for value, why in (("INT", "behind it"), ("EXT", "two more bones")):
        made = planned(register(finds(1, 2), decisions=(decide("class", value, "caudal-3"),), elements=tail()))
        assert "impossible-decision" in codes(made)
        assert any(why in finding.message for finding in made.findings)


def test_a_target_of_stated_size_scales_what_its_individual_s_series_gives() -> None:
    batch = register(finds(1, 2, 3, 5), sizes(c1=60.0, c2=52.0, c3=46.5), elements=tail(), targets=(Target("mount", "ind-a", 0.5),))
    between, beyond = planned(batch, "caudal-4"), planned(batch, "caudal-6")
    assert (between.evidence, between.factor) == ("INT", 0.5)
    assert beyond.status == "gap"  # the nearest bone, c5, is not measured


def test_conjecture_never_counts_as_bone_and_a_scan_of_its_place_is_still_wanted() -> None:
    plan: Plan = make_plan(register(finds(2, 5), elements=tail(5)))
    share = plan.completeness["mount"]["by_count"]
    assert (share["n_own_bone"], share["n_own_animal"]) == (2, 2)
    assert plan.completeness["mount"]["series"]["caudal"]["missing"] == "1, 3-4"
    assert plan.next_steps[0].message.startswith("scan caudal 1, 3-4 of this or another animal:")
