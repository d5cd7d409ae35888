"""The finds that could become an element of a target: what each would be, what speaks against it, and which comes first.

Order of candidates, the first difference decides:
1. the place of its class in the settings' order of classes; DON and DON-R share one place where they stand side by side there;
2. a donor that needs nobody's decision before one that does;
3. own bones by preserved share; donors by score = |ln factor| + half-width of ln factor's interval + 0.25 (1 - preserved share);
4. not reflected before reflected; 5. the find's slug.
A share that is not stated counts as the least that passes (`own_preserved_percent`), a ratio without interval as a half-width of 0.1,
a stated factor as 0, with its interval or without. That factor and interval come before side is common practice, without a published source;
the two weights are defaults proposed here.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from meshtools.factor import (
    OWN_SIZE,
    UNASSOCIATED,
    FactorEstimate,
    LengthRatio,
    Lengths,
    estimate_factor,
    greatest_lengths,
    homologue_keys,
    individual_of,
    lengths_by_individual,
    shared_ratios,
    stated_factor,
)
from meshtools.model import Attempt, Decision, Element, EvidenceClass, Find, Finding, Register, Severity, Side, Target
from meshtools.plan_allometry import with_exponent
from meshtools.plan_decisions import Decided, factor_of, named_find
from meshtools.register_finds import is_whole, primary_finds
from meshtools.settings import PlanSettings, Settings

PRESERVATION_WEIGHT = 0.25
HALF_WIDTH_WITHOUT_INTERVAL = 0.1
DONOR_CLASSES = (EvidenceClass.DON, EvidenceClass.DON_R)
PORTION_REMEDY = (
    "Name the bone that supplies the rest (missing-part in decisions.csv); or add its further pieces (part_of in bones.csv) and correct portion and "
    "preserved_percent of this row; or choose it as it is (class in decisions.csv)."
)
STUB_REMEDY = (
    "Name the bone that supplies the rest (kind missing-part in decisions.csv); or add its further pieces (part_of in bones.csv) and correct portion "
    "and preserved_percent of this row; or write that it shall stand so (kind missing-part, value none)."
)
COMPLETING_REMEDY = "Have it completed from its other half, or from the whole bone of the other side (kind class, value OWN-C in decisions.csv)."


@dataclass(frozen=True)
class PlanTables:
    """The register's rows, arranged for looking up, in an order that does not depend on the order of the rows."""

    settings: PlanSettings
    class_order: Mapping[str, tuple[str, ...]]
    decisions: tuple[Decision, ...]
    finds: Mapping[str, Find]
    finds_by_element: Mapping[str, tuple[Find, ...]]
    twins: Mapping[str, tuple[str, ...]]
    homologues: Mapping[str, str]
    groups: Mapping[str, tuple[str, ...]]
    lengths: Lengths
    taxa: Mapping[str, frozenset[str]]
    series: Mapping[tuple[str, Side], tuple[Element, ...]]
    greatest_lengths: Mapping[tuple[str, str, Side], float]
    parts: Mapping[str, tuple[str, ...]]  # further scans and pieces of a find
    replaced_by: Mapping[str, str]
    exponents: Mapping[str, float]  # group -> allometric exponent

    def ratios(self, target: Target, individual: str) -> tuple[LengthRatio, ...]:
        """Length ratios of the target's individual to a donor individual."""
        return shared_ratios(self.lengths.get(target.individual, {}), self.lengths.get(individual, {}), self.groups)


@dataclass(frozen=True)
class Candidate:
    """One find as the source of one element. `asks` are the doubts that only a person's decision settles."""

    evidence: EvidenceClass
    find: Find
    reflect: bool
    estimate: FactorEstimate
    is_stub: bool
    asks: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    score: float
    partner: Find | None = None  # of class OWN-C: the counterpart that supplies the missing part; of class INT: the neighbour behind
    fraction: float = 0.0  # of class INT: the share of the way from `find` to `partner`

    parts: tuple[str, ...] = ()  # further scans and pieces of the find

    @property
    def finds(self) -> tuple[str, ...]:
        """The find, its parts, and the partner where there is one."""
        return (self.find.find, *self.parts) if self.partner is None else (self.find.find, *self.parts, self.partner.find)


def arrange_tables(register: Register) -> PlanTables:
    """Arrange a register for planning. Lengths of finds with an uncertain identification count only when a decision names the find."""
    finds = {find.find: find for find in sorted(register.finds, key=lambda find: find.find)}
    by_element: dict[str, list[Find]] = {}
    for find in finds.values():
        if not find.part_of:
            by_element.setdefault(find.element, []).append(find)
    homologues = homologue_keys(sorted(register.elements, key=lambda element: element.slug))
    groups: dict[str, set[str]] = {}
    for element in register.elements:
        groups.setdefault(homologues[element.name], set()).update({element.group} - {""})
    named = {named_find(decision) for decision in register.decisions if decision.kind in ("class", "donor")}
    certain = {slug: find for slug, find in finds.items() if not find.identification_qualifier.strip() or slug in named}
    settings = register.settings.plan
    taxa: dict[str, set[str]] = {}
    for find in finds.values():
        taxa.setdefault(individual_of(find), set()).update({_words(find.scientific_name)} - {""})
    return PlanTables(
        settings=settings,
        class_order=dict(Settings().class_order) | dict(register.settings.class_order),
        decisions=register.decisions,
        finds=finds,
        finds_by_element={name: tuple(group) for name, group in by_element.items()},
        twins=_twins({find.find: find for find in primary_finds(finds.values())}),
        homologues=homologues,
        groups={key: tuple(sorted(names)) for key, names in groups.items()},
        lengths=lengths_by_individual(register.measurements, certain, homologues, settings.own_preserved_percent),
        taxa={individual: frozenset(names) for individual, names in taxa.items()},
        series=_members_of_series(register.elements),
        greatest_lengths=greatest_lengths(register.measurements, certain),
        parts=_parts(finds),
        replaced_by={find.replaces: find.find for find in finds.values() if find.replaces},
        exponents=dict(register.settings.allometry),
    )


def gather_candidates(tables: PlanTables, target: Target, element: Element, decided: Decided) -> tuple[tuple[Candidate, ...], tuple[Attempt, ...]]:
    """Every usable find of the element's name with its parts, and an attempt for each one that cannot be used."""
    results = [_candidate(tables, target, element, find, decided) for find in tables.finds_by_element.get(element.name, ())]
    return tuple(result for result in results if isinstance(result, Candidate)), tuple(result for result in results if isinstance(result, Attempt))


def rank_candidates(tables: PlanTables, element: Element, candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The candidates, best first."""
    order = places_in_order(class_order_of(tables, element))
    completed = {candidate.find.find for candidate in candidates if candidate.evidence is EvidenceClass.OWN_C and candidate.evidence in order}
    return tuple(sorted(candidates, key=lambda candidate: _sort_key(candidate, order, completed)))


def class_order_of(tables: PlanTables, element: Element) -> tuple[str, ...]:
    """The order of classes for the element's group."""
    return tables.class_order.get(element.group, tables.class_order["default"])


def places_in_order(class_order: tuple[str, ...]) -> dict[str, int]:
    """Class code -> place; DON and DON-R share a place where they stand side by side."""
    places: dict[str, int] = {}
    for index, code in enumerate(class_order):
        is_joint = index > 0 and {code, class_order[index - 1]} == {*DONOR_CLASSES}
        places.setdefault(code, places[class_order[index - 1]] if is_joint else index)
    return places


def factor_for(tables: PlanTables, target: Target, element: Element, find: Find) -> FactorEstimate | None:
    """The factor that brings a donor's bone to the target without a decision; None where no length is shared."""
    if find.organism_id == target.individual and find.organism_id != UNASSOCIATED:
        return stated_factor(target.size_factor, f"stated: {target.size_factor:g} times {target.individual} (target {target.name})", tables.settings)
    estimate = estimate_factor(tables.ratios(target, individual_of(find)), element.group, tables.settings, target.size_factor)
    exponent = tables.exponents.get(element.group)
    return estimate if estimate is None or exponent is None else with_exponent(estimate, exponent, element.group, target.size_factor, tables.settings)


def is_immature(find: Find, settings: PlanSettings) -> bool:
    """True where the find's life stage is one of the settings' immature stages."""
    return _words(find.life_stage) in {_words(stage) for stage in settings.immature_stages}


def has_pathology(find: Find) -> bool:
    """True where the register states a pathology."""
    return _words(find.pathology) not in ("", "none")


def is_uncertain(find: Find) -> bool:
    """True where a person must say what the find is before it is used."""
    return bool(find.identification_qualifier.strip()) or find.side is Side.UNKNOWN


def is_partial(find: Find, settings: PlanSettings) -> bool:
    """True where the register says that a part of the bone is missing that is worth rebuilding."""
    if find.preserved_percent is not None:
        return find.preserved_percent < settings.restore_below_percent
    return not is_whole(find)


def _candidate(tables: PlanTables, target: Target, element: Element, find: Find, decided: Decided) -> Candidate | Attempt:
    is_named = decided.find == find.find
    is_own = find.organism_id == target.individual != UNASSOCIATED and target.is_individual
    reflect = find.side is element.side.opposite and element.side is not Side.MEDIAN
    if find.side is Side.UNKNOWN and is_named:
        reflect = decided.evidence in (EvidenceClass.OWN_R, EvidenceClass.DON_R) and element.side is not Side.MEDIAN
    evidence = _evidence(is_own, reflect)
    if find.find in tables.replaced_by and not is_named:
        return Attempt(evidence, find.find, f"replaced by {tables.replaced_by[find.find]}, as bones.csv says")
    if is_uncertain(find) and not is_named:
        doubt = f"identified as '{find.identification_qualifier}'" if find.identification_qualifier.strip() else "its side is unknown"
        return Attempt(evidence, find.find, f"{doubt}: not used before a decision names this find for {element.slug}")
    if find.side not in (element.side, element.side.opposite, Side.UNKNOWN):
        return Attempt(evidence, find.find, f"its side '{find.side.value}' does not fit {element.slug}")
    factor_decision = decided.factor_decision(find.find)
    estimate: FactorEstimate | None = OWN_SIZE
    if not is_own and factor_decision:
        estimate = factor_of(factor_decision, tables.settings)
    elif not is_own:
        estimate = factor_for(tables, target, element, find)
    if estimate is None:
        why = f"{animal_of(find)} and {target.individual} share no homologous length, and no factor is stated"
        return Attempt(evidence, find.find, why)
    return _weighed(tables, target, _bare(tables, evidence, find, reflect, estimate), decided)


def _bare(tables: PlanTables, evidence: EvidenceClass, find: Find, reflect: bool, estimate: FactorEstimate) -> Candidate:
    """A candidate before its doubts are looked for."""
    return Candidate(evidence, find, reflect, estimate, _is_stub(find, tables.settings), (), (), 0.0, parts=tables.parts.get(find.find, ()))


def _weighed(tables: PlanTables, target: Target, bare: Candidate, decided: Decided) -> Candidate:
    doubts = _doubts(tables, target, bare)
    settles = (None, bare.evidence, EvidenceClass.OWN_C if bare.evidence is EvidenceClass.OWN else None)  # an own bone may be completed
    is_settled = bool(decided.source_decision) and decided.find in ("", bare.find.find) and decided.evidence in settles
    if is_settled:
        # a decision for a class does not say which of two finds is meant
        is_open = {"duplicate-element"} if not decided.find else set()
        doubts = [doubt if doubt.code in is_open else replace(doubt, severity=Severity.NOTE) for doubt in doubts]
    asks = tuple(_with_remedy(doubt, bare) for doubt in doubts if doubt.severity is Severity.REVIEW)
    notes = tuple(doubt for doubt in doubts if doubt.severity is Severity.NOTE)
    findings = (*bare.estimate.findings, *notes, *_remarks(tables, target, bare))
    return replace(bare, asks=asks, findings=findings, score=_score(bare, tables.settings))


def _with_remedy(doubt: Finding, candidate: Candidate) -> Finding:
    """The doubt with the row that settles it."""
    row = decision_row(candidate.evidence, candidate.find.find)
    return replace(doubt, message=f"{doubt.message} To use it, add a row for this element to decisions.csv: {row}.")


def decision_row(evidence: EvidenceClass, find: str) -> str:
    """The cells of the row that decides for a find as a class, in words."""
    return f"kind class, value {evidence}, find {find}"


def _doubts(tables: PlanTables, target: Target, candidate: Candidate) -> list[Finding]:
    """What needs a person's decision before this candidate is used."""
    find, factor, doubts = candidate.find, candidate.estimate.factor, []
    target_taxa = tables.taxa.get(target.individual, frozenset())
    if find.scientific_name and target_taxa and _words(find.scientific_name) not in target_taxa:
        message = f"The donor {find.find} is {find.scientific_name}, another taxon than {target.individual}."
        doubts.append(Finding(Severity.REVIEW, "other-taxon", message, find.scientific_name))
    if is_immature(find, tables.settings) and factor > 1.0:
        message = f"{find.find} is from a {find.life_stage} animal and would be enlarged by {factor:.4g}: young bones have other proportions."
        doubts.append(Finding(Severity.REVIEW, "immature-enlarged", message, round(factor, 6), 1.0))
    if candidate.reflect and has_pathology(find):
        message = f"{find.find} has a pathology ({find.pathology}) that reflecting would copy to the other side."
        doubts.append(Finding(Severity.REVIEW, "pathology-reflected", message, find.pathology))
    if find.find in tables.twins:
        others = ", ".join(tables.twins[find.find])
        question = "which one is it?" if is_whole(find) else "which one is it, or are they pieces of one bone?"
        message = f"{animal_of(find)} has {len(tables.twins[find.find])} finds of this {find.side.value} {find.element} ({others}): {question}"
        doubts.append(Finding(Severity.REVIEW, "duplicate-element", message, others))
    if candidate.is_stub:
        message = f"Of {find.find} only {find.preserved_percent:g} % is preserved."
        doubts.append(Finding(Severity.REVIEW, "stub", message, find.preserved_percent, tables.settings.own_preserved_percent, "%"))
    return doubts


def _remarks(tables: PlanTables, target: Target, candidate: Candidate) -> tuple[Finding, ...]:
    """What a person should know of the chosen find, without a decision being needed."""
    find, remarks = candidate.find, []
    if not is_whole(find) or is_partial(find, tables.settings):
        share = "how much of the bone is not stated" if find.preserved_percent is None else f"{find.preserved_percent:g} % preserved"
        message = f"{find.find} is only a part of the bone ({', '.join(word for word in (find.portion, share) if word)}), and so is the replica."
        if is_partial(find, tables.settings):
            message += f" {_stub_remedy(candidate) if candidate.is_stub else PORTION_REMEDY}"
        severity = Severity.REVIEW if is_partial(find, tables.settings) else Severity.NOTE
        remarks.append(Finding(severity, "portion", message, find.preserved_percent, tables.settings.restore_below_percent, "%"))
    if _words(find.deformation) not in ("", "none"):
        message = f"{find.find} is deformed ({find.deformation}); the replica keeps the deformation."
        remarks.append(Finding(Severity.REVIEW, "deformed", message, find.deformation))
    if has_pathology(find) and not candidate.reflect:
        severity = Severity.REVIEW if candidate.evidence in DONOR_CLASSES else Severity.NOTE
        remarks.append(Finding(severity, "pathology", f"{find.find} has a pathology ({find.pathology}), which the replica shows.", find.pathology))
    is_taxon_stated = bool(find.scientific_name) and bool(tables.taxa.get(target.individual))
    if candidate.evidence in DONOR_CLASSES and not is_taxon_stated and individual_of(find) != target.individual:
        message = f"Whether {find.find} and {target.individual} are of one taxon is not stated in bones.csv."
        remarks.append(Finding(Severity.NOTE, "taxon-not-stated", message))
    return tuple(remarks)


def as_decided(finding: Finding, candidate: Candidate) -> Finding:
    """The remark about a find that a person has chosen by name: that it is a part of the bone only is known then. Of a stub it still asks: that it
    is used does not say that its replica shall stay a stub."""
    return replace(finding, severity=Severity.NOTE) if finding.code == "portion" and not candidate.is_stub else finding


def _stub_remedy(candidate: Candidate) -> str:
    return f"{COMPLETING_REMEDY} Or: {STUB_REMEDY[0].lower()}{STUB_REMEDY[1:]}" if candidate.evidence is EvidenceClass.OWN else STUB_REMEDY


def _sort_key(candidate: Candidate, order: Mapping[str, int], completed: Collection[str]) -> tuple[int, bool, float, bool, bool, str]:
    needs_decision = candidate.evidence in DONOR_CLASSES and bool(candidate.asks)
    place = order.get(candidate.evidence, len(order))
    is_left_incomplete = candidate.evidence is EvidenceClass.OWN and candidate.find.find in completed
    if candidate.evidence is EvidenceClass.OWN_C and not candidate.is_stub:
        place = min(place, order.get(EvidenceClass.OWN, place))
    if is_left_incomplete and candidate.is_stub:
        place = max(place, order[EvidenceClass.OWN_C])
    return place, needs_decision, candidate.score, is_left_incomplete, candidate.reflect, candidate.find.find


def _score(candidate: Candidate, settings: PlanSettings) -> float:
    if candidate.evidence not in DONOR_CLASSES:
        return round(_missing_share(candidate, settings), 9)
    return round(sum(score_terms(candidate, settings)), 9)


def score_terms(donor: Candidate, settings: PlanSettings) -> tuple[float, float, float]:
    """What a donor's score is the sum of: |ln factor|, half-width of its interval on logs, and the weighted missing share."""
    half_width = 0.0
    if donor.estimate.ratio is not None:
        stated = donor.estimate.ratio.half_width_ln
        half_width = HALF_WIDTH_WITHOUT_INTERVAL if stated is None else stated
    return abs(math.log(donor.estimate.factor)), half_width, PRESERVATION_WEIGHT * _missing_share(donor, settings)


def _missing_share(candidate: Candidate, settings: PlanSettings) -> float:
    preserved = candidate.find.preserved_percent
    return 1.0 - (settings.own_preserved_percent if preserved is None else preserved) / 100.0


def _evidence(is_own: bool, reflect: bool) -> EvidenceClass:
    if is_own:
        return EvidenceClass.OWN_R if reflect else EvidenceClass.OWN
    return EvidenceClass.DON_R if reflect else EvidenceClass.DON


def _is_stub(find: Find, settings: PlanSettings) -> bool:
    return find.preserved_percent is not None and find.preserved_percent < settings.own_preserved_percent


def _twins(finds: Mapping[str, Find]) -> dict[str, tuple[str, ...]]:
    groups: dict[tuple[str, str, Side], list[str]] = {}
    for slug, find in finds.items():
        if not is_uncertain(find):
            groups.setdefault((individual_of(find), find.element, find.side), []).append(slug)
    return {slug: tuple(group) for group in groups.values() if len(group) > 1 for slug in group}


def _parts(finds: Mapping[str, Find]) -> dict[str, tuple[str, ...]]:
    """Base find -> its further scans and pieces that nothing replaces, in the order of their names."""
    groups: dict[str, list[str]] = {}
    replaced = {find.replaces for find in finds.values()}
    for slug, find in finds.items():
        if find.part_of and slug not in replaced:
            groups.setdefault(find.part_of, []).append(slug)
    return {base: tuple(group) for base, group in groups.items()}


def _members_of_series(elements: Sequence[Element]) -> dict[tuple[str, Side], tuple[Element, ...]]:
    """The elements of each series and side, by position."""
    members: dict[tuple[str, Side], list[Element]] = {}
    for element in sorted(elements, key=lambda element: (element.position or 0, element.slug)):
        if element.series and element.position is not None:
            members.setdefault((element.series, element.side), []).append(element)
    return {place: tuple(group) for place, group in members.items()}


def animal_of(find: Find) -> str:
    """The animal of a find in words."""
    return f"the unassociated find {find.find}" if find.organism_id in ("", UNASSOCIATED) else find.organism_id


def _words(text: str) -> str:
    return " ".join(text.casefold().split())
