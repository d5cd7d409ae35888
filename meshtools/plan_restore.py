"""Own bones that are only partly preserved: which of them are completed, and from what (class OWN-C).

A median bone is completed from its own other half, a paired one from its whole counterpart. Where such a completed bone is possible it
comes before the same bone left incomplete; preserved at least `own_preserved_percent` it stands in the place of OWN, a smaller rest at
the place of OWN-C in the order of classes (a stub does not beat a whole counterpart: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from meshtools.model import Decision, Element, EvidenceClass, Find, Finding, Recipe, Severity, Side, Target
from meshtools.plan_candidates import Candidate, decision_row, has_pathology, is_partial
from meshtools.plan_decisions import describe, signature
from meshtools.settings import PlanSettings


def restored_candidates(candidates: Sequence[Candidate], element: Element, settings: PlanSettings, is_decided: bool) -> list[Candidate]:
    """A candidate of class OWN-C for every own bone of which a part is missing; for every own bone where a person decided for OWN-C."""
    own = [c for c in candidates if c.evidence is EvidenceClass.OWN and (is_decided or is_partial(c.find, settings))]
    if element.side is Side.MEDIAN:
        return [_with_pathology(_restored(candidate, None), is_decided) for candidate in own]
    partners = [
        c for c in candidates
        if c.evidence is EvidenceClass.OWN_R and not c.asks and not c.is_stub and not is_partial(c.find, settings)
    ]  # fmt: skip
    partner = min(partners, key=lambda c: (c.score, c.find.find), default=None)
    return [_restored(candidate, partner.find) for candidate in own] if partner else []


def stub_question(element: Element, ordered: Sequence[Candidate], stub: Candidate, whole: Candidate, settings: PlanSettings) -> Finding:
    """Which of the ways to use a stub, or the whole bone that is planned instead, a person decides for: completed first, where nothing else is
    asked of that, and last as the part that it is. Each is told as the row that settles it."""
    find = stub.find
    completed = [c for c in ordered if c.evidence is EvidenceClass.OWN_C and c.find is find and {ask.code for ask in c.asks} <= {"stub"}]
    ways = [(c, f" (its missing part rebuilt from {f'{c.partner.find}, reflected' if c.partner else 'its own other half'})") for c in completed[:1]]
    ways.append((whole, ""))
    if stub.evidence is not EvidenceClass.OWN_C:
        ways.append((stub, " (the replica is then that part of the bone alone)"))
    rows = ", or ".join(f"value {way.evidence} and find {way.find.find}{words}" for way, words in ways)
    message = (
        f"Of {find.find} ({stub.evidence}) only {find.preserved_percent:g} % is preserved; {whole.find.find} ({whole.evidence}) is planned instead "
        f"until a person decides: a row of decisions.csv of element {element.slug}, kind class, {rows}."
    )
    return Finding(Severity.REVIEW, "stub", message, find.preserved_percent, settings.own_preserved_percent, "%")


def _restored(candidate: Candidate, partner: Find | None) -> Candidate:
    findings = tuple(finding for finding in candidate.findings if finding.code != "portion")
    if candidate.find.deformation.strip():
        message = f"{candidate.find.find} is deformed: what is taken over from its other side is deformed too, or does not fit."
        findings = (*findings, Finding(Severity.REVIEW, "restored-deformed", message, candidate.find.deformation))
    as_own, as_completed = (decision_row(evidence, candidate.find.find) for evidence in (candidate.evidence, EvidenceClass.OWN_C))
    asks = tuple(replace(ask, message=ask.message.replace(as_own, as_completed)) for ask in candidate.asks)
    return replace(candidate, evidence=EvidenceClass.OWN_C, partner=partner, asks=asks, findings=findings)


def _with_pathology(candidate: Candidate, is_decided: bool) -> Candidate:
    """A median bone with a pathology asks before that is reflected onto its other half."""
    find = candidate.find
    if is_decided or not has_pathology(find):
        return candidate
    message = f"{find.find} has a pathology ({find.pathology}) that completing it from its other half may copy to the missing side."
    return replace(candidate, asks=(*candidate.asks, Finding(Severity.REVIEW, "pathology-reflected", message, find.pathology)))


def completed_recipe(recipe: Recipe, decisions: Iterable[Decision], target: Target, element: Element, candidate: Candidate) -> Recipe:
    """The recipe with what completing needs to know, where it is of class OWN-C."""
    if recipe.evidence is not EvidenceClass.OWN_C:
        return recipe
    partner = recipe.finds[-1] if candidate.partner is not None else ""
    find = candidate.find
    missing = None if find.preserved_percent is None else 100.0 - find.preserved_percent
    decision = None if partner else _plane_decision(decisions, target, element, find)
    if decision is None:
        return replace(recipe, missing_percent=missing, partner=partner)
    x, y, z, offset_mm = (float(word) for word in decision.value.split())
    reason = f"{recipe.reason} Its mirror plane was given {signature(decision)}."
    return replace(recipe, plane=(x, y, z, offset_mm), missing_percent=missing, reason=reason)


def idle_planes(decisions: Iterable[Decision], recipes: Iterable[Recipe]) -> tuple[Finding, ...]:
    """A finding for each plane decision that no recipe follows: only a bone that is completed from its own other half has use for one."""
    users = [recipe for recipe in recipes if recipe.evidence is EvidenceClass.OWN_C and not recipe.partner]
    findings = []
    for decision in sorted(decisions, key=lambda d: (d.target, d.element, d.find, d.date, d.value)):
        is_used = any(
            decision.target in ("", recipe.target) and decision.find in ("", recipe.finds[0])
            and decision.element in ("", recipe.element, recipe.element.removesuffix("-left").removesuffix("-right"))
            for recipe in users
        )  # fmt: skip
        if decision.kind == "plane" and not is_used:
            message = f"{describe(decision)} changes nothing: no bone that is completed from its own other half is meant by it."
            findings.append(Finding(Severity.REVIEW, "decision-without-effect", message))
    return tuple(findings)


def _plane_decision(decisions: Iterable[Decision], target: Target, element: Element, find: Find) -> Decision | None:
    """The row of decisions.csv with the plane of this find: the most specific one, then the latest."""
    rows = [
        d for d in decisions
        if d.kind == "plane" and d.target in ("", target.name)
        and d.find in ("", find.find) and d.element in ("", element.slug, element.name) and (d.find or d.element)
    ]  # fmt: skip
    return max(rows, key=lambda d: (d.find == find.find, d.target == target.name, d.date, d.value), default=None)
