"""The plan: for every element of every target one recipe that says where its replica comes from, and why. Pure: tables in, recipes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from meshtools.completeness import OWN_CLASSES, measure_completeness
from meshtools.factor import UNASSOCIATED
from meshtools.finding_codes import AS_DECIDED
from meshtools.model import Attempt, Decision, Element, EvidenceClass, Finding, Plan, Recipe, Register, Severity, Side, Target
from meshtools.plan_candidates import (
    DONOR_CLASSES,
    Candidate,
    PlanTables,
    animal_of,
    arrange_tables,
    as_decided,
    class_order_of,
    gather_candidates,
    places_in_order,
    rank_candidates,
)
from meshtools.plan_decisions import SCANNED_CLASSES, SERIAL_CLASSES, Decided, decided_for, idle_decisions, impossible_finding, signature
from meshtools.plan_next import missing_scan_steps, next_steps
from meshtools.plan_rank import rank_words
from meshtools.plan_restore import completed_recipe, idle_planes, restored_candidates, stub_question
from meshtools.plan_serial import is_scaled, neighbour_words, serial_candidates, serial_words
from meshtools.plan_supply import supplied_recipe
from meshtools.same_scans import with_shared_scans
from meshtools.settings import PlanSettings
from meshtools.usable import USABLE, is_usable

REFLECTED_CLASSES = (EvidenceClass.OWN_R, EvidenceClass.DON_R)


def make_plan(register: Register) -> Plan:
    """Decide for every element of every target where its replica comes from.

    Pure and independent of the order of the register's rows. Recipes are sorted by target, then element. A recipe's status is `planned`,
    `ask` (a person's decision is needed before it can be trusted) or `gap` (nothing fills the element, and nobody has decided to leave it out).
    """
    tables = arrange_tables(register)
    targets = sorted(register.targets, key=lambda target: target.name)
    elements = sorted(register.elements, key=lambda element: element.slug)
    recipes = tuple(with_shared_scans(plan_element(tables, target, element), register.findings) for target in targets for element in elements)
    findings = {*register.findings, *idle_decisions(register.decisions, targets, elements, tables.finds), *idle_planes(register.decisions, recipes)}
    return Plan(
        recipes,
        {target.name: measure_completeness(target, elements, recipes) for target in targets},
        tuple(sorted(findings, key=lambda finding: (finding.code, finding.message, str(finding)))),
        (*missing_scan_steps(register.findings, recipes), *next_steps(tables, targets, elements, recipes)),
    )


def plan_element(tables: PlanTables, target: Target, element: Element) -> Recipe:
    """The recipe of one element: a person's decision first, else the best candidate in the order of classes."""
    decided = decided_for(tables.decisions, target, element, tables.finds)
    scanned, rejected = gather_candidates(tables, target, element, decided)
    restored = restored_candidates(scanned, element, tables.settings, decided.evidence is EvidenceClass.OWN_C)
    serial, unfit = serial_candidates(tables, target, element, [*scanned, *restored], decided)
    candidates, rejected = rank_candidates(tables, element, [*scanned, *restored, *serial]), (*rejected, *unfit)
    if decided.class_decision and decided.evidence in (EvidenceClass.NONE, EvidenceClass.SCU):
        return _recipe_by_hand(target, element, decided, _tried(tables, _Look(target, element, candidates, rejected, None, True)))
    choice = _choose(tables, element, candidates, decided, unfit)
    look = _Look(target, element, candidates, rejected, choice.candidate, choice.is_forced)
    tried = _tried(tables, look)
    if choice.candidate is None:
        return _empty_recipe(tables, look, tried, choice.asks)
    recipe = _recipe_from(look, choice.candidate, decided, choice.asks, tried)
    recipe = completed_recipe(recipe, tables.decisions, target, element, choice.candidate)
    return supplied_recipe(recipe, tables, target, element, decided)


def largest_factor_by_find(plan: Plan) -> dict[str, float]:
    """The largest factor planned for each find that is used, for its share of the tolerance. Sorted by find."""
    largest: dict[str, float] = {}
    for recipe in plan.recipes:
        for find in recipe.finds:
            largest[find] = max(recipe.factor * (recipe.partner_factor if find == recipe.partner else 1.0), largest.get(find, 0.0))
    return dict(sorted(largest.items()))


def finds_used(plan: Plan) -> tuple[str, ...]:
    """The slugs of all finds that some recipe uses, sorted."""
    return tuple(largest_factor_by_find(plan))


def next_best(tried: Sequence[Attempt]) -> Attempt | None:
    """The way to take when the chosen scan cannot be read, if a person so decides; None where nothing else can be used unasked."""
    return next((attempt for attempt in tried if is_usable(attempt.find, attempt.why)), None)


@dataclass(frozen=True)
class _Choice:
    candidate: Candidate | None
    is_forced: bool
    asks: tuple[Finding, ...]


@dataclass(frozen=True)
class _Look:
    """Everything that was looked at for one element."""

    target: Target
    element: Element
    candidates: tuple[Candidate, ...]
    rejected: tuple[Attempt, ...]
    chosen: Candidate | None
    is_forced: bool


def _choose(tables: PlanTables, element: Element, candidates: Sequence[Candidate], decided: Decided, unfit: Sequence[Attempt]) -> _Choice:
    asks = list(decided.asks)
    if decided.source_decision:
        fitting = [c for c in candidates if decided.find in ("", c.find.find) and decided.evidence in (None, c.evidence)]
        if fitting:
            return _Choice(fitting[0], True, (*asks, *fitting[0].asks))
        reasons = [attempt.why for attempt in unfit if attempt.evidence is decided.evidence and attempt.find in ("", decided.find)]
        asks.append(impossible_finding(decided.source_decision, "; ".join(reasons) or f"no such find can be used for {element.slug}"))
    order = _open_classes(tables, element)
    ordered = [candidate for candidate in candidates if candidate.evidence in order]
    if not ordered:
        return _Choice(None, False, tuple(asks))
    first = ordered[0]
    whole = next((candidate for candidate in ordered if not candidate.is_stub and not candidate.asks), None)
    stub = _stub_of_its_own(ordered)
    if stub and whole:
        return _Choice(whole, False, (*asks, stub_question(element, ordered, stub, whole, tables.settings)))
    return _Choice(first, False, (*asks, *first.asks))


def _stub_of_its_own(ordered: Sequence[Candidate]) -> Candidate | None:
    """The stub that a whole candidate is taken instead of: the first candidate, or an own bone where none is preserved well enough."""
    own = [candidate for candidate in ordered if candidate.evidence in (EvidenceClass.OWN, EvidenceClass.OWN_C)]
    if ordered[0].is_stub:
        return ordered[0]
    return own[-1] if own and all(candidate.is_stub for candidate in own) else None


def _open_classes(tables: PlanTables, element: Element) -> tuple[str, ...]:
    """The classes that may be used unasked: the order up to NONE."""
    order = class_order_of(tables, element)
    return order[: order.index(EvidenceClass.NONE)] if EvidenceClass.NONE in order else order


def _tried(tables: PlanTables, look: _Look) -> tuple[Attempt, ...]:
    order = _open_classes(tables, look.element)
    places = places_in_order(order)
    chosen_place = places[look.chosen.evidence] if look.chosen and not look.is_forced else len(order)
    seen = {attempt.evidence for attempt in look.rejected} | {candidate.evidence for candidate in look.candidates}
    empty = [
        Attempt(EvidenceClass(code), "", _why_class_is_empty(code, look.target, look.element))
        for code in order
        if not look.is_forced and places[code] < chosen_place and code not in seen
        and not (look.element.side is Side.MEDIAN and code in REFLECTED_CLASSES)
        and code not in SERIAL_CLASSES  # these say themselves why they are empty
    ]
    others = [Attempt(c.evidence, c.find.find, _why_not(c, look, order, tables.settings)) for c in look.candidates if c is not look.chosen]
    attempts = [*empty, *look.rejected, *others]
    rank = {candidate.find.find: index for index, candidate in reversed(list(enumerate(look.candidates)))}
    return tuple(sorted(attempts, key=lambda a: (places.get(a.evidence, len(order)), rank.get(a.find, len(rank)), a.evidence, a.find)))


def _why_class_is_empty(code: str, target: Target, element: Element) -> str:
    if code in OWN_CLASSES and not target.is_individual:
        return f"the target is {target.size_factor:g} times {target.individual}, so no bone has its own size"
    if code == EvidenceClass.OWN_C:
        partner = "" if element.side is Side.MEDIAN else " with a whole counterpart"
        return f"{target.individual} has no partly preserved {_place(element, element.side)}{partner} among the finds"
    if code in OWN_CLASSES:
        place = element.side if code == EvidenceClass.OWN else element.side.opposite
        return f"{target.individual} has no {_place(element, place)} among the finds"
    if code in DONOR_CLASSES:
        place = element.side if code == EvidenceClass.DON else element.side.opposite
        whose = "another individual" if target.is_individual else "any individual"
        return f"there is no {_place(element, place)} of {whose} among the finds"
    if code == EvidenceClass.SCU:
        return "no file made by hand is named in decisions.csv"
    return "this class cannot be made from a plan yet"


def _why_not(candidate: Candidate, look: _Look, order: tuple[str, ...], settings: PlanSettings) -> str:
    if candidate.evidence not in order and not look.is_forced:
        return f"class {candidate.evidence} is not in the order of classes for group '{look.element.group or 'default'}'"
    if look.chosen and look.chosen.find is candidate.find and look.chosen.evidence is EvidenceClass.OWN_C:
        return "its missing part would stay missing"
    if candidate.evidence in SERIAL_CLASSES and not look.is_forced:
        return USABLE + neighbour_words(candidate)
    if candidate.asks:
        return " ".join(["needs a decision:", *(ask.message for ask in candidate.asks)]).rstrip(".?")
    if look.is_forced or look.chosen is None:
        return f"{USABLE}but a person decided otherwise"
    return f"{USABLE}ranks after {look.chosen.find.find}{rank_words(candidate, look.chosen, places_in_order(order), settings)}"


def _recipe_by_hand(target: Target, element: Element, decided: Decided, tried: tuple[Attempt, ...]) -> Recipe:
    """The recipe of an element that is left out or modelled by hand, by decision."""
    evidence, decision = decided.evidence or EvidenceClass.NONE, decided.class_decision
    is_model = evidence is EvidenceClass.SCU
    what = f"Modelled by hand ({decided.model_file})" if is_model else "Left out"
    return Recipe(
        target.name, element.slug, evidence, (), False, 1.0, None, "made at the target's size" if is_model else "",
        f"{what}, {_signed(decision)}", tried, "ask" if decided.asks else "planned", decided.asks, decided.model_file,
    )


def _empty_recipe(tables: PlanTables, look: _Look, tried: tuple[Attempt, ...], asks: tuple[Finding, ...]) -> Recipe:
    target, element = look.target, look.element
    failures = "; ".join(_failure(attempt) for attempt in tried)
    if EvidenceClass.NONE in class_order_of(tables, element):
        message = f"The order of classes leaves {element.slug} out, but nobody has signed that: add a decision of kind class, value NONE."
        asks = (*asks, Finding(Severity.REVIEW, "left-out-unsigned", message))
        reason, status = f"Left out by the order of classes. {failures}.", "ask"
    else:
        has_finds = any(attempt.find for attempt in tried)
        serial = [_failure(attempt) for attempt in tried if attempt.evidence in (EvidenceClass.INT, EvidenceClass.EXT)]
        where = "; ".join([f"there is no {element.name} of any animal among the finds", *serial]) if tried else "no class is allowed"
        reason, status = f"No source: {failures if has_finds else where}.", "gap"
    return Recipe(target.name, element.slug, EvidenceClass.NONE, (), False, 1.0, None, "", reason, tried, status, asks)


def _recipe_from(look: _Look, candidate: Candidate, decided: Decided, asks: tuple[Finding, ...], tried: tuple[Attempt, ...]) -> Recipe:
    estimate = candidate.estimate
    findings = (*asks, *(as_decided(finding, candidate) if look.is_forced else finding for finding in candidate.findings))
    if decided.factor_decision(candidate.find.find) and not is_scaled(candidate):
        is_between = candidate.evidence is EvidenceClass.INT
        why = "it takes its size from both neighbours" if is_between else f"{candidate.find.find} is the animal's own bone and keeps its size"
        message = f"A factor is stated for {look.element.slug}, but {why}."
        findings = (*findings, Finding(Severity.REVIEW, "factor-not-used", message))
    if look.is_forced and candidate.evidence is decided.evidence is EvidenceClass.OWN_C:
        message = f"{candidate.find.find} is completed (class OWN-C) as decided {_signed(decided.class_decision)}"
        findings = (*findings, Finding(Severity.NOTE, AS_DECIDED, message))
    return Recipe(
        look.target.name, look.element.slug, candidate.evidence, candidate.finds, candidate.reflect, estimate.factor, estimate.interval,
        estimate.basis, _reason(look, candidate, decided, asks, tried), tried, "ask" if asks else "planned", findings,
        fraction=candidate.fraction,
    )


def _reason(look: _Look, candidate: Candidate, decided: Decided, asks: tuple[Finding, ...], tried: tuple[Attempt, ...]) -> str:
    """The recipe in words: the source, who decided, why the better classes failed, what a person is asked and the next best."""
    parts = [_source_words(candidate)]
    if candidate.parts:
        parts.append(f"Put together with {', '.join(candidate.parts)}.")
    if look.is_forced:
        parts.append(f"Chosen {_signed(decided.source_decision)}")
    if is_scaled(candidate) and decided.factor_decision(candidate.find.find):
        parts.append(f"Factor stated {_signed(decided.factor_decision(candidate.find.find))}")
    better = [attempt for attempt in tried if not attempt.find and attempt.evidence in SCANNED_CLASSES]
    parts += ["; ".join(_failure(attempt) for attempt in better) + "."] if better else []
    if asks:
        parts.append("A person is needed: " + " ".join(ask.message for ask in asks))
        usable = next_best(tried)
        parts += [f"The next best is {usable.find} ({usable.evidence})."] if usable else []
    return " ".join(parts)


def _source_words(candidate: Candidate) -> str:
    find = candidate.find
    if candidate.evidence is EvidenceClass.OWN:
        return f"Own bone {find.find} of {find.organism_id}."
    if candidate.evidence is EvidenceClass.OWN_C:
        source = "its own other half" if candidate.partner is None else f"its counterpart {candidate.partner.find} ({candidate.partner.side.value})"
        share = "" if find.preserved_percent is None else f" ({find.preserved_percent:g} % preserved)"
        return f"Own bone {find.find} of {find.organism_id}{share}, its missing part rebuilt from {source}, reflected."
    if candidate.evidence in SERIAL_CLASSES:
        return serial_words(candidate)
    if candidate.evidence is EvidenceClass.OWN_R:
        return f"Own counterpart {find.find} ({find.side.value}) of {find.organism_id}, reflected."
    owner = "an unassociated animal" if find.organism_id in ("", UNASSOCIATED) else animal_of(find)
    return (f"Bone {find.find} ({find.side.value}) of {owner}, {'reflected and ' if candidate.reflect else ''}scaled by "
            f"{candidate.estimate.factor:.4g}{_isometry_words(candidate)}.")


def _isometry_words(candidate: Candidate) -> str:
    ratio, interval = candidate.estimate.ratio, candidate.estimate.interval
    if ratio is None:
        stated = f"; 95 % interval {interval[0]:.4g} to {interval[1]:.4g}" if interval else ""
        return f" ({candidate.estimate.basis}{stated})"
    if candidate.estimate.exponent != 1.0:
        ends = "without interval" if interval is None else f"95 % interval {interval[0]:.4g} to {interval[1]:.4g}"
        return f", {ends}, with the allometric exponent {candidate.estimate.exponent:g} that config.yaml states (n = {ratio.n})"
    if interval is None:
        return ", without interval, isometry assumed (n = 1)"
    is_doubtful = any(finding.code == "ratio-spread" for finding in candidate.estimate.findings)
    verdict = "isometry doubtful, as the ratios spread" if is_doubtful else "isometry not rejected"
    return f", 95 % interval {interval[0]:.4g} to {interval[1]:.4g}, {verdict} (n = {ratio.n})"


def _signed(decision: Decision | None) -> str:
    if decision is None:
        return ""
    return signature(decision) + (f": {decision.reason.rstrip('.')}." if decision.reason.strip() else ".")


def _failure(attempt: Attempt) -> str:
    return f"{attempt.evidence}{f' {attempt.find}' if attempt.find else ''}: {attempt.why}"


def _place(element: Element, side: Side) -> str:
    return element.name if side is Side.MEDIAN else f"{side.value} {element.name}"
