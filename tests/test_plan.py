"""The plan fills every element from the best evidence, says why, and asks where a person must decide. All animals are invented."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshtools.completeness import as_ranges, missing_positions, percent
from meshtools.factor import review_range
from meshtools.model import Decision, Element, EvidenceClass, Find, Measurement, Plan, Recipe, Register, Severity, Side, Target, Unit, plain
from meshtools.plan import finds_used, largest_factor_by_find, make_plan, next_best
from meshtools.settings import Settings

L, R, M = Side.LEFT, Side.RIGHT, Side.MEDIAN
GROUPS = {"femur": "hindlimb", "tibia": "hindlimb", "fibula": "hindlimb", "humerus": "forelimb", "ulna": "forelimb", "skull": "head"}


def pair(name: str) -> tuple[Element, Element]:
    return Element(name, L, group=GROUPS.get(name, "")), Element(name, R, group=GROUPS.get(name, ""))


def find(slug: str, element: str, side: Side, organism: str = "ind-a", **more: Any) -> Find:
    return Find(1, slug, element, side, organism, f"scans/{slug}.ply", Unit.MM, **more)


def lengths(organism: str, **values: float) -> tuple[Measurement, ...]:
    return tuple(Measurement(1, organism, element, L, "greatest length", value) for element, value in values.items())


def decide(kind: str, value: str = "", element: str = "femur-left", find: str = "", **more: str) -> Decision:
    by, date = more.get("by", "A. Keeper"), more.get("date", "2031-05-04")
    return Decision(1, more.get("target", ""), element, find, kind, value, by, date, "seen at the bench")


def register(finds: list[Find], measurements: tuple[Measurement, ...] = (), decisions: tuple[Decision, ...] = (), **more: Any) -> Register:
    elements = more.pop("elements", pair("femur"))
    targets = more.pop("targets", (Target("mount", "ind-a"),))
    return Register(targets, elements, tuple(finds), measurements, decisions, (), more.pop("settings", Settings()), **more)


def recipe(plan: Plan, element: str = "femur-left", target: str = "mount") -> Recipe:
    (found,) = [r for r in plan.recipes if (r.target, r.element) == (target, element)]
    return found


def codes(found: Recipe) -> set[str]:
    return {finding.code for finding in found.findings}


# ind-a is larger than ind-b by 1.12, 1.15, 1.18 on the hindlimb and forelimb below
BIG = lengths("ind-a", tibia=112.0, fibula=115.0, humerus=118.0)
SMALL = lengths("ind-b", tibia=100.0, fibula=100.0, humerus=100.0)


def test_one_own_femur_fills_its_side_and_reflected_the_other() -> None:
    plan = make_plan(register([find("f1", "femur", L)]))
    left, right = recipe(plan), recipe(plan, "femur-right")
    assert (left.evidence, left.reflect, left.factor, left.factor_basis, left.status) == ("OWN", False, 1.0, "own size", "planned")
    assert (right.evidence, right.reflect, right.finds, right.status) == ("OWN-R", True, ("f1",), "planned")
    assert [(a.evidence, a.find) for a in right.tried] == [("OWN", "")]
    assert finds_used(plan) == ("f1",)


def test_a_donor_is_scaled_by_the_ratio_method() -> None:
    """1.12, 1.15, 1.18 -> 1.149739, 1.077577-1.226734 (closed form)."""
    elements = pair("femur") + pair("tibia") + pair("fibula") + pair("humerus")
    plan = make_plan(register([find("f2", "femur", L, "ind-b")], BIG + SMALL, elements=elements))
    left = recipe(plan)
    assert left.evidence is EvidenceClass.DON
    assert left.factor == pytest.approx(1.149739, abs=5e-7)
    assert left.factor_interval == pytest.approx((1.077577, 1.226734), abs=5e-7)
    assert left.factor_basis == "ratio method, pooled over all elements: 3 lengths on fibula, humerus, tibia"
    assert "isometry doubtful" not in left.reason
    assert "95 % interval 1.078 to 1.227, isometry not rejected (n = 3)" in left.reason
    assert next_best(left.tried) is None
    assert recipe(plan, "femur-right").evidence is EvidenceClass.DON_R
    assert largest_factor_by_find(plan) == {"f2": left.factor}


def test_an_opposite_side_donor_near_in_size_beats_a_same_side_juvenile() -> None:
    """Reflecting is exact, scaling is a hypothesis: 1.05 reflected before 1.6 of the same side (common practice, no source)."""
    finds = [find("young", "femur", L, "ind-c", life_stage="juvenile"), find("near", "femur", R, "ind-d")]
    rows = lengths("ind-a", tibia=105.0, fibula=105.0, humerus=105.0) + lengths("ind-d", tibia=100.0, fibula=100.0, humerus=100.0)
    rows += lengths("ind-c", tibia=65.6, fibula=65.6, humerus=65.6)
    left = recipe(make_plan(register(finds, rows)))
    assert (left.evidence, left.finds, left.status) == (EvidenceClass.DON_R, ("near",), "planned")
    assert [attempt.find for attempt in left.tried if attempt.evidence is EvidenceClass.DON] == ["young"]


def test_a_group_with_an_allometric_exponent_grows_by_the_factor_raised_to_it() -> None:
    """1.25 with b = 0.9 -> 1.222416 (closed form); lengths of the group itself have the exponent in them."""
    finds, settings = [find("f2", "femur", L, "ind-b")], replace(Settings(), allometry=(("hindlimb", 0.9),))
    large, small = lengths("ind-a", humerus=125.0, ulna=126.25, skull=123.7624), lengths("ind-b", humerus=100.0, ulna=101.0, skull=99.00992)
    elements = pair("femur") + pair("tibia") + pair("humerus") + pair("ulna")
    left = recipe(make_plan(register(finds, large + small, elements=elements, settings=settings)))
    assert left.factor == pytest.approx(1.222416, abs=1e-5)
    assert left.factor_interval == pytest.approx((1.222416, 1.222416), abs=1e-4)
    assert left.factor_basis.endswith("raised to the allometric exponent 0.9 of group hindlimb")
    assert "with the allometric exponent 0.9 that config.yaml states (n = 3)" in left.reason
    assert "isometry" not in left.reason
    more = lengths("ind-a", tibia=125.0) + lengths("ind-b", tibia=100.0)
    own = recipe(make_plan(register(finds, more, elements=elements, settings=settings)))
    assert (own.factor, "in these lengths already" in own.factor_basis) == (pytest.approx(1.25), True)
    sized = register(finds, large + small, elements=elements, settings=settings, targets=(Target("mount", "ind-a", 0.5),))
    assert recipe(make_plan(sized)).factor == pytest.approx(1.222416 / 2, abs=1e-5)


def test_between_equal_donors_the_same_side_comes_first() -> None:
    finds = [find("a-right", "femur", R, "ind-b"), find("b-left", "femur", L, "ind-b")]
    left = recipe(make_plan(register(finds, BIG + SMALL)))
    assert left.finds == ("b-left",)
    (why,) = [attempt.why for attempt in left.tried if attempt.find == "a-right"]
    assert why.endswith("DON and DON-R share a place, and of equal donors the one that need not be reflected comes first")


def test_a_page_says_why_a_donor_of_the_same_side_ranks_after_one_of_the_other() -> None:
    """DON stands before DON-R in the order, but the two share a place, where the change of size decides: that is not to be guessed."""
    finds = [find("b-left", "femur", L, "ind-b"), find("c-right", "femur", R, "ind-c", preserved_percent=90.0)]
    rows = tuple(decide("factor", factor, element="", find=name) for name, factor in (("b-left", "1.085"), ("c-right", "0.9237")))
    left = recipe(make_plan(register(finds, decisions=rows)))
    assert (left.evidence, left.finds) == (EvidenceClass.DON_R, ("c-right",))
    (why,) = [attempt.why for attempt in left.tried if attempt.find == "b-left"]
    assert why.startswith("usable, ranks after c-right: DON and DON-R share a place, and the donor comes first whose change of size")
    assert why.endswith("in sum (0.1044 against 0.1816, factor 0.9237 against 1.085, missing share 0.1 against 0.4)")
    apart = replace(Settings(), class_order=(("default", ("OWN", "DON", "INT", "DON-R")),))
    first = recipe(make_plan(register(finds, decisions=rows, settings=apart)))
    assert (first.finds, [attempt.why for attempt in first.tried if attempt.find == "c-right"]) == (("b-left",), ["usable, ranks after b-left"])


def test_the_order_of_classes_of_a_group_is_obeyed() -> None:
    order = (("default", ("OWN", "OWN-R", "DON", "DON-R")), ("hindlimb", ("OWN", "DON", "OWN-R")))
    finds = [find("own", "femur", R), find("donor", "femur", L, "ind-b")]
    plan = make_plan(register(finds, BIG + SMALL, settings=replace(Settings(), class_order=order)))
    assert recipe(plan).finds == ("donor",)
    assert recipe(plan, "femur-right").finds == ("own",)


def test_a_stub_of_its_own_does_not_beat_a_whole_counterpart_unasked() -> None:
    finds = [find("stub", "femur", L, preserved_percent=35.0), find("whole", "femur", R, preserved_percent=95.0)]
    left = recipe(make_plan(register(finds)))
    assert (left.evidence, left.finds, left.status) == (EvidenceClass.OWN_R, ("whole",), "ask")
    assert "35 %" in left.reason
    alone = recipe(make_plan(register(finds[:1])))
    assert (alone.evidence, alone.finds, alone.status) == (EvidenceClass.OWN, ("stub",), "ask")
    decided = recipe(make_plan(register(finds, decisions=(decide("class", "OWN"),))))
    assert (decided.finds, decided.status) == (("stub",), "planned")
    assert "by A. Keeper on 2031-05-04: seen at the bench." in decided.reason


def test_a_partly_preserved_median_bone_is_completed_from_its_own_other_half() -> None:
    elements = (Element("skull", M),)
    part, whole = (make_plan(register([find("s1", "skull", M, preserved_percent=share)], elements=elements)) for share in (80.0, 97.0))
    skull = recipe(part, "skull")
    assert (skull.evidence, skull.finds, skull.status) == (EvidenceClass.OWN_C, ("s1",), "planned")
    assert "its missing part rebuilt from its own other half" in skull.reason
    assert recipe(whole, "skull").evidence is EvidenceClass.OWN


def test_a_partly_preserved_paired_bone_is_completed_from_its_whole_counterpart() -> None:
    finds = [find("part", "femur", L, preserved_percent=80.0), find("whole", "femur", R)]
    left = recipe(make_plan(register(finds)))
    assert (left.evidence, left.finds, left.reflect, left.status) == (EvidenceClass.OWN_C, ("part", "whole"), False, "planned")
    assert ("OWN", "part", "its missing part would stay missing") in [(a.evidence, a.find, a.why) for a in left.tried]
    assert recipe(make_plan(register(finds[:1]))).evidence is EvidenceClass.OWN
    both_broken = [finds[0], find("whole", "femur", R, preserved_percent=80.0)]
    assert recipe(make_plan(register(both_broken))).evidence is EvidenceClass.OWN


def test_a_pathology_is_never_reflected_onto_the_other_half_unasked() -> None:
    elements = (Element("skull", M),)
    finds = [find("s1", "skull", M, preserved_percent=80.0, pathology="healed fracture")]
    skull = recipe(make_plan(register(finds, elements=elements)), "skull")
    assert (skull.evidence, skull.status) == (EvidenceClass.OWN_C, "ask")
    decided = make_plan(register(finds, elements=elements, decisions=(decide("class", "OWN-C", element="skull"),)))
    assert recipe(decided, "skull").status == "planned"


def test_a_plane_that_no_bone_has_use_for_is_told() -> None:
    finds = [find("part", "femur", L, preserved_percent=80.0), find("whole", "femur", R)]
    plan = make_plan(register(finds, decisions=(decide("plane", "1 0 0 0"),)))
    assert recipe(plan).plane is None
    assert "decision-without-effect" in {finding.code for finding in plan.findings}


def test_a_person_may_have_a_stub_completed_and_choose_its_plane() -> None:
    elements = (Element("skull", M),)
    rows = (decide("class", "OWN-C", element="skull"), decide("plane", "0 1 0 2.5", element="skull"))
    skull = recipe(make_plan(register([find("s1", "skull", M, preserved_percent=30.0)], elements=elements, decisions=rows)), "skull")
    assert (skull.evidence, skull.plane, skull.status) == (EvidenceClass.OWN_C, (0.0, 1.0, 0.0, 2.5), "planned")


@pytest.mark.parametrize("doubt", [{"identification_qualifier": "cf."}, {"side": Side.UNKNOWN}])
def test_an_uncertain_find_is_used_only_when_a_decision_names_it(doubt: dict[str, Any]) -> None:
    finds = [replace(find("f1", "femur", L), **doubt)]
    open_plan = make_plan(register(finds))
    left = recipe(open_plan)
    assert (left.status, left.evidence, [a.find for a in left.tried if a.find]) == ("gap", "NONE", ["f1"])
    assert any(step.action == "decide" and "f1" in step.message for step in open_plan.next_steps)
    named = recipe(make_plan(register(finds, decisions=(decide("donor", find="f1"),))))
    assert (named.status, named.evidence, named.finds) == ("planned", "OWN", ("f1",))


@pytest.mark.parametrize(("trait", "code"), [
    ({"scientific_name": "Invented alter"}, "other-taxon"),
    ({"life_stage": "Juvenile"}, "immature-enlarged"),
    ({"pathology": "healed fracture", "side": R}, "pathology-reflected"),
])
def test_a_doubtful_donor_asks_until_a_person_decides(trait: dict[str, Any], code: str) -> None:
    donor, skull = find("f2", "femur", L, "ind-b", scientific_name="Invented primus"), find("s1", "skull", M, scientific_name="Invented primus")
    finds = [replace(donor, **trait), skull]
    asked = recipe(make_plan(register(finds, BIG + SMALL)))
    assert (asked.status, asked.finds) == ("ask", ("f2",))
    assert code in codes(asked)
    for decision in (decide("donor", find="f2"), decide("class", asked.evidence.value)):
        assert recipe(make_plan(register(finds, BIG + SMALL, (decision,)))).status == "planned"


def test_a_donor_that_needs_no_decision_comes_before_one_that_does() -> None:
    finds = [find("alter", "femur", L, "ind-b", scientific_name="Invented alter", preserved_percent=100.0),
             find("same", "femur", R, "ind-c", scientific_name="Invented primus", preserved_percent=70.0),
             find("s1", "skull", M, scientific_name="Invented primus")]
    left = recipe(make_plan(register(finds, BIG + SMALL + lengths("ind-c", tibia=90.0, fibula=91.0, humerus=92.0))))
    assert (left.finds, left.status) == (("same",), "planned")


def test_a_donor_without_shared_lengths_is_refused_and_the_measurement_named() -> None:
    elements = pair("femur") + pair("tibia") + pair("fibula")
    finds = [find("f2", "femur", L, "ind-b"), find("t2", "tibia", L, "ind-b"), find("t1", "tibia", R), find("p2", "fibula", L, "ind-b")]
    plan = make_plan(register(finds, lengths("ind-a", tibia=120.0), elements=elements))
    assert recipe(plan).status == "gap"
    assert "share no homologous length" in recipe(plan).reason
    assert plan.next_steps[0].message == "measure the greatest length of the tibia of ind-b: 4 elements get a factor"
    assert plan.next_steps[0].elements == ("mount/femur-left", "mount/femur-right", "mount/fibula-left", "mount/fibula-right")


def test_a_factor_on_few_lengths_names_the_length_that_would_found_it_better() -> None:
    elements = pair("femur") + pair("tibia") + pair("humerus")
    finds = [find("f2", "femur", L, "ind-b"), find("h1", "humerus", L), find("h2", "humerus", R, "ind-b")]
    plan = make_plan(register(finds, lengths("ind-a", tibia=120.0) + lengths("ind-b", tibia=110.0), elements=elements))
    assert codes(recipe(plan)) >= {"few-lengths"}
    assert [step.message for step in plan.next_steps if step.action == "measure"] == [
        "measure the greatest length of the humerus of ind-a and of ind-b: 2 elements get a better founded factor"]


def test_scans_do_not_crowd_decisions_out_of_the_next_steps() -> None:
    elements = (*(element for i in range(9) for element in pair(f"rib-{i}")), Element("skull", M))
    steps = make_plan(register([find("s1", "skull", M, preserved_percent=20.0)], elements=elements)).next_steps
    assert [step.action for step in steps] == ["scan"] * 7 + ["decide", "more"]


def test_a_stated_factor_is_used_with_its_author_and_needs_no_lengths() -> None:
    finds = [find("f2", "femur", L, "ind-b")]
    places = ({}, {"element": "", "find": "f2"}, {"element": "femur", "target": "mount"})
    for decision in (decide("factor", "1.3", **place) for place in places):
        left = recipe(make_plan(register(finds, decisions=(decision,))))
        assert (left.factor, left.factor_interval, left.factor_basis) == (1.3, None, "stated by A. Keeper on 2031-05-04")
        assert "factor-range" in codes(left)


def test_a_factor_that_is_stated_with_its_interval_keeps_it() -> None:
    """What `bonewright size` has measured is not lost on the way through decisions.csv."""
    left = recipe(make_plan(register([find("f2", "femur", L, "ind-b")], decisions=(decide("factor", "0.9237 0.9116 0.9360"),))))
    assert (left.factor, left.factor_interval, left.status) == (0.9237, (0.9116, 0.936), "planned")
    assert "(stated by A. Keeper on 2031-05-04; 95 % interval 0.9116 to 0.936)" in left.reason
    for wrong in ("0.9237 0.9116", "0.9 0.95 1.0", "0.9 -0.8 1.0", "0.9 to 1.0"):
        assert "impossible-decision" in codes(recipe(make_plan(register([find("f1", "femur", L)], decisions=(decide("factor", wrong),)))))


def test_an_unassociated_find_is_never_own() -> None:
    finds = [find("f0", "femur", L, "unassociated")]
    left = recipe(make_plan(register(finds, decisions=(decide("factor", "1.0"),), targets=(Target("mount", "unassociated"),))))
    assert left.evidence is EvidenceClass.DON


def test_a_target_of_stated_size_has_donors_only_and_scales_the_interval_with_it() -> None:
    targets = (Target("mount", "ind-a"), Target("small", "ind-a", 0.5))
    finds = [find("f1", "femur", L), find("h2", "humerus", L, "ind-b")]
    plan = make_plan(register(finds, BIG + SMALL, elements=pair("femur") + pair("humerus"), targets=targets))
    small = recipe(plan, target="small")
    assert (small.evidence, small.factor, small.factor_basis) == ("DON", 0.5, "stated: 0.5 times ind-a (target small)")
    life, half = recipe(plan, "humerus-left"), recipe(plan, "humerus-left", "small")
    assert half.factor == life.factor * 0.5
    assert half.factor_interval == tuple(bound * 0.5 for bound in life.factor_interval or ())
    assert largest_factor_by_find(plan)["f1"] == 1.0


def test_a_person_leaves_an_element_out_or_has_it_modelled_by_hand() -> None:
    finds = [find("f1", "femur", L)]
    left_out = recipe(make_plan(register(finds, decisions=(decide("class", "NONE"),))))
    assert (left_out.status, left_out.evidence, left_out.finds) == ("planned", "NONE", ())
    assert "A. Keeper on 2031-05-04" in left_out.reason
    for value in ("models/femur.stl", "SCU:models/femur.stl"):
        model = recipe(make_plan(register(finds, decisions=(decide("class", value),))))
        assert (model.status, model.evidence, model.model_file) == ("planned", "SCU", "models/femur.stl")


@pytest.mark.parametrize("decision", [
    decide("class", "SCU"), decide("class", "OWNED"), decide("class", "INT"), decide("class", "/abs/femur.stl"), decide("class", "DON"),
    decide("donor", find="no-such"), decide("donor"), decide("factor", "-1"), decide("factor", "nan"), decide("class", "NONE", by=""),
])
def test_an_impossible_decision_is_a_finding_and_asks(decision: Decision) -> None:
    left = recipe(make_plan(register([find("f1", "femur", L)], decisions=(decision,))))
    assert (left.status, left.finds, codes(left)) == ("ask", ("f1",), {"impossible-decision"})


def test_the_later_decision_wins_and_two_of_one_day_ask() -> None:
    finds = [find("f1", "femur", L)]
    first, later = decide("class", "NONE", date="2031-01-01"), decide("class", "OWN", date="2031-02-01")
    assert recipe(make_plan(register(finds, decisions=(later, first)))).evidence is EvidenceClass.OWN
    assert recipe(make_plan(register(finds, decisions=(replace(first, date=later.date), later)))).status == "ask"


def test_a_decision_about_nothing_is_reported() -> None:
    plan = make_plan(register([find("f1", "femur", L)], decisions=(decide("class", "NONE", element="wing-left"),)))
    assert [finding.code for finding in plan.findings] == ["decision-without-effect"]


def test_two_finds_of_one_bone_take_the_better_preserved_and_ask() -> None:
    finds = [find("a", "femur", L, preserved_percent=70.0), find("b", "femur", L, preserved_percent=90.0)]
    left = recipe(make_plan(register(finds)))
    assert (left.finds, left.status, codes(left)) == (("b",), "ask", {"duplicate-element", "portion"})


@pytest.mark.parametrize("known", [{"portion": "distal half"}, {"portion": "proximal", "preserved_percent": 80.0}, {"preserved_percent": 80.0}])
def test_a_bone_of_which_a_part_is_missing_asks_until_a_person_chooses_it(known: dict[str, Any]) -> None:
    finds = [find("f1", "femur", L, **known)]
    left, chosen = (recipe(make_plan(register(finds, decisions=rows))) for rows in ((), (decide("class", "OWN", find="f1"),)))
    assert [(f.severity, f.code) for f in left.findings] == [(Severity.REVIEW, "portion")]
    assert [(f.severity, f.code) for f in chosen.findings] == [(Severity.NOTE, "portion")]


def test_half_a_bone_that_is_chosen_as_it_is_still_asks_until_a_person_writes_that_it_stays_half() -> None:
    """That half a bone is used does not say that its replica shall stay half; completed, nothing of it is left to ask."""
    finds = [find("half", "femur", L, portion="proximal half", preserved_percent=50.0), find("whole", "femur", R)]
    chosen, stays = decide("class", "OWN", find="half"), decide("missing-part", "none")
    asked, settled = (recipe(make_plan(register(finds, decisions=rows))) for rows in ((chosen,), (chosen, stays)))
    (told,) = [finding for finding in asked.findings if finding.code == "portion"]
    assert (told.severity, "value OWN-C" in told.message, "value none" in told.message) == (Severity.REVIEW, True, True)
    assert {finding.severity for finding in settled.findings} == {Severity.NOTE}
    assert settled.reason.endswith("It stays a part of the bone by A. Keeper on 2031-05-04.")
    completed = recipe(make_plan(register(finds, decisions=(decide("class", "OWN-C", find="half"),))))
    assert (completed.status, codes(completed) & {"portion", "completed-as-decided"}) == ("planned", {"completed-as-decided"})
    both = recipe(make_plan(register(finds, decisions=(decide("class", "OWN-C", find="half"), stays))))
    assert (both.status, codes(both) & {"impossible-decision"}) == ("ask", {"impossible-decision"})


def test_a_whole_bone_is_not_said_to_stay_a_part_by_a_row_for_half_of_it() -> None:
    """A row from before the whole bone was scanned, or one for both sides of which one is whole."""
    whole = recipe(make_plan(register([find("whole", "femur", L)], decisions=(decide("missing-part", "none"),))))
    (told,) = [finding for finding in whole.findings if finding.code == "decision-without-effect"]
    assert (told.severity, "stays a part" in whole.reason) == (Severity.NOTE, False)
    assert told.message.endswith("changes nothing: bones.csv does not say that a part of whole is missing.")


def test_the_row_that_a_completed_stub_is_offered_by_has_it_completed() -> None:
    """The way that the table of ways names for class OWN-C is of class OWN-C."""
    finds = [find("stub", "femur", L, preserved_percent=35.0), find("whole", "femur", R)]
    (why,) = [attempt.why for attempt in recipe(make_plan(register(finds))).tried if attempt.evidence is EvidenceClass.OWN_C]
    assert why.endswith("kind class, value OWN-C, find stub")


def test_a_bone_whose_missing_part_a_person_has_named_is_no_longer_said_to_be_a_part() -> None:
    finds = [find("f1", "femur", L, portion="proximal", preserved_percent=80.0), find("f2", "femur", L, "ind-b")]
    left = recipe(make_plan(register(finds, BIG + SMALL, decisions=(decide("missing-part", "", find="f2"),))))
    assert (left.partner, codes(left) & {"portion"}) == ("f2", set())


def test_naming_the_counterpart_that_completes_a_bone_anyway_is_no_contradiction() -> None:
    finds = [find("own", "femur", L, preserved_percent=70.0), find("other", "femur", R)]
    left = recipe(make_plan(register(finds, BIG + SMALL, decisions=(decide("missing-part", "", find="other"),))))
    assert (left.evidence, left.partner, codes(left) & {"impossible-decision"}) == (EvidenceClass.OWN_C, "other", set())


def test_a_stub_whose_missing_part_a_person_has_named_is_no_longer_said_to_be_one() -> None:
    finds = [find("f1", "femur", L, preserved_percent=40.0), find("f2", "femur", L, "ind-b")]
    rows = (decide("class", "OWN"), decide("missing-part", "", find="f2"))
    assert "stub" in codes(recipe(make_plan(register(finds, BIG + SMALL, decisions=rows[:1]))))
    left = recipe(make_plan(register(finds, BIG + SMALL, decisions=rows)))
    assert (left.partner, left.status, codes(left) & {"stub"}) == ("f2", "planned", set())


def test_the_next_best_way_is_the_first_that_needs_nobody() -> None:
    finds = [find("own", "femur", L), find("ill", "femur", R, pathology="callus"), find("donor", "femur", L, "ind-b")]
    assert [(a.find, a.why[:8]) for a in recipe(make_plan(register(finds, BIG + SMALL))).tried] == [("ill", "needs a "), ("donor", "usable, ")]
    left_out = recipe(make_plan(register(finds, BIG + SMALL, (decide("class", "NONE"),))))
    best = next_best(left_out.tried)
    assert best is not None
    assert best.find == "own"


def test_a_gap_says_what_was_tried_and_a_scan_is_named() -> None:
    plan = make_plan(register([]))
    left = recipe(plan)
    assert (left.status, left.evidence) == ("gap", EvidenceClass.NONE)
    assert [attempt.evidence for attempt in left.tried] == ["OWN", "OWN-R", "OWN-C", "DON", "DON-R"]
    assert [step.message for step in plan.next_steps] == ["scan the femur of this or another animal: 2 elements have no source"]


def test_an_element_that_only_the_settings_leave_out_asks_for_a_signature() -> None:
    order = (("default", ("OWN", "NONE")),)
    left = recipe(make_plan(register([], settings=replace(Settings(), class_order=order))))
    assert (left.status, codes(left)) == ("ask", {"left-out-unsigned"})


def test_completeness_gives_each_share_with_its_basis() -> None:
    """116/256 = 45.3 %, 115/196 = 58.7 %, 100/142 = 70.4 %: published counts of one skeleton; shares from the closed form."""
    elements = tuple(e for i in range(114) for e in pair(f"paired-{i:03}")) + tuple(Element(f"median-{i:02}", M) for i in range(28))
    present = [f for i in range(16) for f in (find(f"l{i}", f"paired-{i:03}", L), find(f"r{i}", f"paired-{i:03}", R))]
    present += [find(f"s{i}", f"paired-{i:03}", L) for i in range(16, 100)]
    figures = make_plan(register(present, elements=elements)).completeness["mount"]
    assert (figures["by_count"]["n_own_bone"], figures["by_count"]["n_elements"], figures["by_count"]["own_bone_percent"]) == (116, 256, 45.3)
    pooled = figures["sides_pooled"]
    assert (pooled["n_own_bone"], pooled["n_elements"], pooled["own_bone_percent"]) == (100, 142, 70.4)
    assert figures["by_count"]["n_filled"] == 200
    assert percent(115, 196) == 58.7


def test_the_gaps_of_a_tail_are_listed_by_position() -> None:
    """Grillo & Azevedo 2011 (An. Acad. Bras. Cienc. 83) give the positions; 32 present and 15 missing follow."""
    present = [*range(1, 4), 5, 7, *range(14, 20), 24, 25, *range(29, 48)]
    elements = tuple(Element(f"caudal-{i:02}", M, series="caudal", position=i) for i in range(1, 48))
    plan = make_plan(register([find(f"c{i}", f"caudal-{i:02}", M) for i in present], elements=elements))
    gaps = plan.completeness["mount"]["series"]["caudal"]
    assert (gaps["n_present"], gaps["n_positions"], gaps["missing"]) == (32, 47, "4, 6, 8-13, 20-23, 26-28")
    assert len(missing_positions(range(1, 48), present)) == 15
    assert as_ranges([]) == ""
    assert plan.next_steps[0].message == "scan caudal 4, 6, 8-13, 20-23, 26-28 of this or another animal: 15 elements are conjecture"


NAMES = st.sampled_from(["femur", "tibia", "humerus"])
ANIMALS = st.sampled_from(["ind-a", "ind-b", "ind-c", "unassociated"])
SIDES = st.sampled_from([L, R, Side.UNKNOWN])
FINDS = st.lists(st.builds(
    lambda name, side, animal, preserved, stage, taxon, doubt: find("x", name, side, animal, preserved_percent=preserved, life_stage=stage,
                                                                    scientific_name=taxon, identification_qualifier=doubt),
    NAMES, SIDES, ANIMALS, st.sampled_from([None, 30.0, 80.0]), st.sampled_from(["", "juvenile"]), st.sampled_from(["", "A b", "A c"]),
    st.sampled_from(["", "", "cf."])), max_size=8).map(lambda rows: [replace(row, find=f"f{i}") for i, row in enumerate(rows)])
ROWS = st.lists(st.builds(lambda name, side, animal, kind, value: Measurement(1, animal, name, side, kind, value),
                          NAMES, SIDES, ANIMALS, st.sampled_from(["length", "breadth"]), st.floats(50.0, 200.0)), max_size=12)
DECISIONS = st.lists(st.builds(lambda kind, value, element, slug, date: decide(kind, value, element, slug, date=date),
                               st.sampled_from(["class", "donor", "factor"]), st.sampled_from(["OWN", "DON-R", "NONE", "1.2", "m.stl", ""]),
                               st.sampled_from(["femur", "femur-left", "tibia-right", ""]), st.sampled_from(["", "f0", "f1"]),
                               st.sampled_from(["2031-01-01", "2031-01-02"])), max_size=4)


@settings(max_examples=120, deadline=None)
@given(FINDS, ROWS, DECISIONS, st.integers(0, 99))
def test_any_register_gives_one_plan_whatever_the_order_of_its_rows(
    finds: list[Find], rows: list[Measurement], decisions: list[Decision], seed: int
) -> None:
    elements = pair("femur") + pair("tibia") + pair("humerus") + (Element("skull", M),)
    targets = (Target("large", "ind-a"), Target("small", "ind-b", 0.9))
    given_order = register(finds, tuple(rows), tuple(decisions), elements=elements, targets=targets)
    shuffle = random.Random(seed)
    columns = {name: tuple(shuffle.sample(getattr(given_order, name), len(getattr(given_order, name))))
               for name in ("targets", "elements", "finds", "measurements", "decisions")}
    plan = make_plan(given_order)
    assert make_plan(replace(given_order, **columns)) == plan
    assert json.dumps(plain(plan))
    assert len(plan.recipes) == 14
    assert len([step for step in plan.next_steps if step.action != "more"]) <= 8
    for made in plan.recipes:
        assert type(made.factor) is float
        assert made.reason
        assert (made.status == "gap") <= (made.evidence is EvidenceClass.NONE and not made.finds)
        assert made.evidence not in ("OWN", "OWN-R") or (made.factor == 1.0 and made.target == "large")


def test_a_person_may_let_another_animal_supply_the_missing_part_at_the_size_of_the_target() -> None:
    finds = [find("part", "femur", L, preserved_percent=70.0), find("whole", "femur", R, "ind-b")]
    left = recipe(make_plan(register(finds, BIG + SMALL, decisions=(decide("missing-part", find="whole"),))))
    assert (left.evidence, left.finds, left.partner, left.partner_reflect) == (EvidenceClass.OWN, ("part", "whole"), "whole", True)
    donor = recipe(make_plan(register(finds[1:], BIG + SMALL)))
    assert (left.factor, left.partner_class, left.partner_factor) == (1.0, EvidenceClass.DON_R, pytest.approx(donor.factor))
    assert "Its missing part is taken from whole of ind-b, reflected, scaled by" in left.reason
    unknown = recipe(make_plan(register(finds, decisions=(decide("missing-part", find="whole"),))))
    assert (unknown.status, "impossible-decision" in {finding.code for finding in unknown.findings}) == ("ask", True)


def test_a_stub_a_doubt_and_an_unusual_factor_say_which_row_decides() -> None:
    """The row that each names settles it."""
    finds = [find("stub", "femur", L, preserved_percent=35.0), find("whole", "femur", R, preserved_percent=95.0)]
    left = recipe(make_plan(register(finds)))
    told = next(finding.message for finding in left.findings if finding.code == "stub")
    assert "element femur-left, kind class, value OWN-C and find stub (its missing part rebuilt from whole, reflected), or value OWN-R" in told
    assert "or value OWN-R and find whole, or value OWN and find stub (the replica is then that part of the bone alone)." in told
    for evidence, name in (("OWN-C", "stub"), ("OWN", "stub"), ("OWN-R", "whole")):
        assert recipe(make_plan(register(finds, decisions=(decide("class", evidence, find=name),)))).status == "planned"
    donor = find("f2", "femur", L, "ind-b", life_stage="Juvenile")
    asked = recipe(make_plan(register([donor], BIG + SMALL)))
    messages = {finding.code: finding.message for finding in asked.findings}
    assert messages["immature-enlarged"].endswith(f"add a row for this element to decisions.csv: kind class, value {asked.evidence}, find f2.")
    settled = recipe(make_plan(register([donor], BIG + SMALL, (decide("class", str(asked.evidence), find="f2"),))))
    assert "immature-enlarged" not in {finding.code for finding in settled.findings if finding.severity is Severity.REVIEW}
    ranged = review_range(0.7653, Settings().plan, Severity.REVIEW)[0].message
    assert ranged.endswith("Choose another one (kind donor in decisions.csv) or state a factor there (kind factor); else sign it off as it is.")
    assert review_range(0.7653, Settings().plan, Severity.NOTE)[0].message.endswith("is the donor a fair one?")


def test_a_list_of_steps_that_is_cut_says_how_many_more_there_are() -> None:
    elements = tuple(Element(f"bone-{letter}", M) for letter in "abcdefghijk")
    steps = make_plan(register([], elements=elements)).next_steps
    assert [step.action for step in steps] == ["scan"] * 8 + ["more"]
    assert steps[-1].message == "and 3 more, which come up as these are done"
    assert [step.action for step in make_plan(register([], elements=elements[:8])).next_steps] == ["scan"] * 8
