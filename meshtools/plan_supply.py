"""Composites by decision: a row of kind `missing-part` names the find that supplies what the chosen source of an element lacks.

The find may be of any individual and of either side; it is brought to the size of the target by its own factor, reflected where it is of the
other side, and every face of it keeps its own class. With the value `none` it says that nothing supplies it: the replica stays a part.
"""

from __future__ import annotations

from dataclasses import replace

from meshtools.factor import UNASSOCIATED
from meshtools.model import Decision, Element, EvidenceClass, Find, Finding, Recipe, Severity, Side, Target
from meshtools.plan_candidates import PlanTables, animal_of, factor_for
from meshtools.plan_decisions import Decided, describe, factor_of, impossible_finding, signature

NOTHING = "none"
SUPPLIED_CLASSES = (EvidenceClass.OWN, EvidenceClass.OWN_R, EvidenceClass.OWN_C, EvidenceClass.DON, EvidenceClass.DON_R)


def supplied_recipe(recipe: Recipe, tables: PlanTables, target: Target, element: Element, decided: Decided) -> Recipe:
    """The recipe with the find that supplies its missing part, where a person named one; a row that cannot be followed asks."""
    decision = _decision(tables, target, element)
    if decision is None or recipe.evidence not in SUPPLIED_CLASSES:
        return recipe
    if decision.value == NOTHING:
        return _left_a_part(recipe, decision)
    if decision.find == recipe.partner:
        return recipe  # it is completed from that find as it is
    base, supplier = tables.finds[recipe.finds[0]], tables.finds.get(decision.find)
    factor, why = _factor(tables, target, element, supplier, decided)
    if supplier is None or factor is None or supplier.find in recipe.finds:
        finding = impossible_finding(decision, why or "the find is a part of it already")
        return replace(recipe, status="ask", findings=(*recipe.findings, finding))
    is_own = _is_own(supplier, target)
    is_other_side = element.side is not Side.MEDIAN and supplier.side is element.side.opposite
    evidence = EvidenceClass.OWN_C if is_own else EvidenceClass.DON_R if is_other_side else EvidenceClass.DON
    reflect = element.side is not Side.MEDIAN and supplier.side is base.side.opposite
    kept = tuple(find for find in recipe.finds if find != recipe.partner)
    words = f"{'reflected, ' if reflect else ''}{'at its own size' if is_own else f'scaled by {factor:.4g}'}"
    reason = f"{recipe.reason} Its missing part is taken from {supplier.find} of {animal_of(supplier)}, {words}, {signature(decision)}."
    missing = None if base.preserved_percent is None else 100.0 - base.preserved_percent
    findings = tuple(f for f in recipe.findings if f.code != "portion" and not (f.code == "stub" and f.severity is Severity.NOTE))
    return replace(
        recipe, finds=(*kept, supplier.find), partner=supplier.find, partner_reflect=reflect, partner_factor=factor / recipe.factor,
        partner_class=evidence, plane=None, missing_percent=missing, reason=reason, findings=findings,
    )  # fmt: skip


def _left_a_part(recipe: Recipe, decision: Decision) -> Recipe:
    """The recipe of which a person has said that its missing part stays missing; a note where bones.csv knows of none."""
    if recipe.evidence is EvidenceClass.OWN_C:
        why = "the bone is completed (class OWN-C); to leave it a part, add a row of kind class with the value OWN"
        return replace(recipe, status="ask", findings=(*recipe.findings, impossible_finding(decision, why)))
    if all(finding.code != "portion" for finding in recipe.findings):
        message = f"{describe(decision)} changes nothing: bones.csv does not say that a part of {recipe.finds[0]} is missing."
        return replace(recipe, findings=(*recipe.findings, Finding(Severity.NOTE, "decision-without-effect", message)))
    known = tuple(replace(f, severity=Severity.NOTE) if f.code == "portion" else f for f in recipe.findings)
    return replace(recipe, findings=known, reason=f"{recipe.reason} It stays a part of the bone {signature(decision)}.")


def _decision(tables: PlanTables, target: Target, element: Element) -> Decision | None:
    rows = [
        d for d in tables.decisions
        if d.kind == "missing-part" and d.target in ("", target.name) and d.element in (element.slug, element.name)
    ]  # fmt: skip
    return max(rows, key=lambda d: (d.target == target.name, d.element == element.slug, d.date, d.find), default=None)


def _is_own(find: Find, target: Target) -> bool:
    return find.organism_id == target.individual != UNASSOCIATED and target.is_individual


def _factor(tables: PlanTables, target: Target, element: Element, supplier: Find | None, decided: Decided) -> tuple[float | None, str]:
    """Factor from the supplier to the target, or why it cannot be used."""
    if supplier is None:
        return None, "there is no such find"
    if supplier.element != element.name:
        return None, f"{supplier.find} is a {supplier.element}"
    if element.side is not Side.MEDIAN and supplier.side is Side.UNKNOWN:
        return None, f"the side of {supplier.find} is unknown"
    if _is_own(supplier, target):
        return 1.0, ""
    stated = decided.factor_decision(supplier.find)
    estimate = factor_of(stated, tables.settings) if stated else factor_for(tables, target, element, supplier)
    if estimate is None:
        return None, f"{animal_of(supplier)} and {target.individual} share no length, and no factor is stated for {supplier.find}"
    return estimate.factor, ""
