"""What persons have decided about an element: read from decisions.csv, checked for sense, the most specific and latest one wins.

Only the kinds class, donor and factor steer the plan. Row numbers are never used, so reordering the table changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from meshtools.factor import FactorEstimate, stated_factor
from meshtools.model import Decision, Element, EvidenceClass, Find, Finding, Severity, Target
from meshtools.settings import PlanSettings

PLAN_KINDS = ("class", "donor", "factor")
SCANNED_CLASSES = (EvidenceClass.OWN, EvidenceClass.OWN_R, EvidenceClass.OWN_C, EvidenceClass.DON, EvidenceClass.DON_R)
SERIAL_CLASSES = (EvidenceClass.INT, EvidenceClass.EXT)
MODEL_SUFFIXES = (".stl", ".ply", ".obj")


@dataclass(frozen=True)
class Decided:
    """The decisions that bear on one element of one target. `evidence` and `model_file` come from the class decision."""

    class_decision: Decision | None = None
    evidence: EvidenceClass | None = None
    model_file: str = ""
    donor_decision: Decision | None = None
    factor_decisions: tuple[Decision, ...] = ()
    asks: tuple[Finding, ...] = ()

    @property
    def find(self) -> str:
        """The find that a class or donor decision names, empty where none does."""
        for decision in (self.donor_decision, self.class_decision):
            if decision and named_find(decision):
                return named_find(decision)
        return ""

    @property
    def source_decision(self) -> Decision | None:
        """The decision that settles doubts about the source: donor first, then class."""
        return self.donor_decision or self.class_decision

    def factor_decision(self, find: str) -> Decision | None:
        """The factor stated for this element when it is made from `find`."""
        fitting = [decision for decision in self.factor_decisions if decision.find in ("", find)]
        return max(fitting, key=lambda decision: (decision.find == find, *_rank(decision))) if fitting else None


def decided_for(decisions: Iterable[Decision], target: Target, element: Element, finds: Mapping[str, Find]) -> Decided:
    """Gather the decisions about one element. What cannot be carried out becomes a finding that asks, and is not used."""
    asks: list[Finding] = []
    usable: dict[str, list[Decision]] = {kind: [] for kind in PLAN_KINDS}
    for decision in sorted(decisions, key=_sort_key):
        if bears_on(decision, target, element, finds):
            problem = impossible(decision, finds)
            if problem:
                asks.append(impossible_finding(decision, problem))
            else:
                usable[decision.kind].append(decision)
    for kind in PLAN_KINDS:
        asks += _conflicts(usable[kind])
    class_decision = max(usable["class"], key=_rank, default=None)
    donor_decision = max(usable["donor"], key=_rank, default=None)
    evidence, model_file = class_value(class_decision) if class_decision else (None, "")
    return Decided(class_decision, evidence, model_file, donor_decision, tuple(usable["factor"]), tuple(asks))


def bears_on(decision: Decision, target: Target, element: Element, finds: Mapping[str, Find]) -> bool:
    """True where the decision is about this element of this target; an element may be written with or without its side."""
    if decision.kind not in PLAN_KINDS or decision.target not in ("", target.name):
        return False
    if decision.element:
        return decision.element in (element.slug, element.name)
    return decision.kind == "factor" and decision.find in finds and finds[decision.find].element == element.name


def idle_decisions(decisions: Iterable[Decision], targets: Iterable[Target], elements: Iterable[Element],
                   finds: Mapping[str, Find]) -> tuple[Finding, ...]:
    """A finding for each class, donor or factor decision that bears on no element of any target."""
    places = [(target, element) for target in targets for element in elements]
    findings = []
    for decision in sorted(decisions, key=_sort_key):
        if decision.kind in PLAN_KINDS and not any(bears_on(decision, *place, finds) for place in places):
            message = f"{describe(decision)} is about no element of any target: check its target, element and find."
            findings.append(Finding(Severity.REVIEW, "decision-without-effect", message))
    return tuple(findings)


def impossible(decision: Decision, finds: Mapping[str, Find]) -> str:
    """Why a decision cannot be carried out; empty where it can."""
    if not decision.by.strip():
        return "nobody has signed it"
    find = named_find(decision)
    if find and find not in finds:
        return f"there is no find '{find}'"
    if decision.kind == "donor" and not find:
        return "it names no find"
    if decision.kind == "factor" and not _is_factor(decision.value):
        return f"'{decision.value}' is not a factor above 0, alone or with both ends of its interval"
    return _class_problem(decision.value) if decision.kind == "class" else ""


def class_value(decision: Decision) -> tuple[EvidenceClass, str]:
    """Evidence class and hand-made file of a possible class decision: a code, a file, or `SCU:` and a file."""
    value = decision.value.strip()
    path = value[4:].strip() if value.upper().startswith("SCU:") else value
    if path.lower().endswith(MODEL_SUFFIXES):
        return EvidenceClass.SCU, path
    return EvidenceClass(value.upper()), ""


def named_find(decision: Decision) -> str:
    """The find that a decision names: in its find column, or as the value of a donor decision."""
    return decision.find or (decision.value.strip() if decision.kind == "donor" else "")


def describe(decision: Decision) -> str:
    """`Decision class NONE for femur-left, by A. Keeper on 2031-05-04`."""
    place = "/".join(part for part in (decision.target, decision.element, decision.find) if part)
    value = f" {decision.value}" if decision.value else ""
    return f"Decision {decision.kind}{value}" + (f" for {place}" if place else "") + (f", {signature(decision)}" if decision.by else "")


def signature(decision: Decision) -> str:
    """`by A. Keeper on 2031-05-04`."""
    return f"by {decision.by}" + (f" on {decision.date}" if decision.date else "")


def impossible_finding(decision: Decision, why: str) -> Finding:
    """The finding that a decision was not carried out."""
    return Finding(Severity.REVIEW, "impossible-decision", f"{describe(decision)} was not carried out: {why}.")


def _class_problem(value: str) -> str:
    text = value.strip()
    path = text[4:].strip() if text.upper().startswith("SCU:") else text
    if path.lower().endswith(MODEL_SUFFIXES):
        pure = PurePosixPath(path)
        is_outside = pure.is_absolute() or ".." in pure.parts or "\\" in path or ":" in path
        return f"'{path}' is not a path inside the batch, written with '/'" if is_outside else ""
    if text.upper() in (*SCANNED_CLASSES, *SERIAL_CLASSES, EvidenceClass.NONE):
        return ""
    if text.upper().startswith(EvidenceClass.SCU):
        return "class SCU needs the hand-made file as its value (.stl, .ply or .obj)"
    return f"'{value}' is not a class of a source (OWN, OWN-R, OWN-C, DON, DON-R, INT, EXT, NONE or a file made by hand)"


def factor_of(decision: Decision, settings: PlanSettings) -> FactorEstimate:
    """The factor that a possible factor decision states, with the interval that it states."""
    factor, *ends = (float(word) for word in decision.value.split())
    return stated_factor(factor, f"stated {signature(decision)}", settings, (ends[0], ends[1]) if ends else None)


def _is_factor(value: str) -> bool:
    """True for a factor above 0, alone or with the lower and the upper end of its interval."""
    try:
        numbers = [float(word) for word in value.split()]
    except ValueError:
        return False
    if len(numbers) not in (1, 3) or not all(math.isfinite(number) and number > 0 for number in numbers):
        return False
    return len(numbers) == 1 or numbers[1] <= numbers[0] <= numbers[2]


def _rank(decision: Decision) -> tuple[bool, int, str, tuple[str, ...]]:
    # a slug is longer than the name it is made of, so the longer text is about the narrower place
    return bool(decision.target), len(decision.element), decision.date, _sort_key(decision)


def _sort_key(decision: Decision) -> tuple[str, ...]:
    return (decision.target, decision.element, decision.find, decision.kind, decision.value, decision.date, decision.by, decision.reason)


def _conflicts(decisions: list[Decision]) -> list[Finding]:
    by_scope: dict[tuple[str, ...], list[Decision]] = {}
    for decision in decisions:
        find = decision.find if decision.kind == "factor" else ""
        by_scope.setdefault((decision.target, decision.element, find, decision.date), []).append(decision)
    findings = []
    for group in by_scope.values():
        if len({(decision.value, decision.find) for decision in group}) > 1:
            message = "; ".join(describe(decision) for decision in group) + ": these contradict each other, so one must go."
            findings.append(Finding(Severity.REVIEW, "conflicting-decisions", message))
    return findings
