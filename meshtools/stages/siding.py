"""Siding: does the shape of a find bear out the side and the element that its row states? Compared with other finds; a person decides."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from meshtools.errors import GeometryError
from meshtools.geometry.registration_evidence import IDENTITY_MARGIN, RESOLUTION_PERCENT, SIDE_MARGIN, Verdict, identity_evidence, side_evidence
from meshtools.geometry.transform import reflect
from meshtools.model import Finding, Mesh, Severity, Side

AS_STATED, MIRRORED = "as stated", "mirrored"
BELIEVED_PERCENT = 2.0
"""A row is only contradicted by what fits: individuals that differ by 2 % in shape leave 1.5 % (measured), other bones 2.5 % and more."""


@dataclass(frozen=True, eq=False)
class ComparedFind:
    """A find with what its row states and its clean surface."""

    find: str
    element: str
    side: Side
    is_whole: bool
    mesh: Mesh


@dataclass(frozen=True, eq=False)
class Comparison:
    """A find of the same element to compare with, and neighbours in the series of the same individual."""

    partner: ComparedFind
    neighbours: tuple[ComparedFind, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """What one comparison says: residuals in percent of length, and a verdict on the side and on the element."""

    partner: str
    as_stated_percent: float
    mirrored_percent: float | None
    neighbours_percent: tuple[tuple[str, str, float], ...]  # find, element, residual
    side: Verdict
    element: Verdict


def check_siding(find: ComparedFind, comparisons: Sequence[Comparison], settled: str = "") -> tuple[dict[str, Any], tuple[Finding, ...]]:
    """Compare a find with others, in their order, until they have settled it. Returns plain facts and findings.

    A finding of review where more comparisons contradict the row than bear it out. `settled` is a sentence about a decision of a person on
    this find: the finding is a note then. A surface that cannot be laid on another is left out and listed.
    """
    outcomes: list[Outcome] = []
    left_out: list[str] = []
    for comparison in comparisons:
        try:
            outcomes.append(_compared(find, comparison))
        except GeometryError as error:
            left_out.append(f"{comparison.partner.find}: {error}")
        sides: list[Verdict] = [o.side for o in outcomes if o.mirrored_percent is not None]
        elements: list[Verdict] = [o.element for o in outcomes if o.neighbours_percent]
        if outcomes and is_settled(sides) and is_settled(elements):
            break
    side = vote([o.side for o in outcomes if o.mirrored_percent is not None])
    element = vote([o.element for o in outcomes if o.neighbours_percent])
    findings = _findings(find, outcomes, side, element)
    if settled:
        findings = [replace(f, severity=Severity.NOTE, message=f"{f.message} It stays a note: {settled}") for f in findings]
    facts = {"find": find.find, "side": side, "element": element, "comparisons": [_row(outcome) for outcome in outcomes], "left_out": left_out}
    return facts, tuple(findings)


def is_settled(verdicts: Sequence[Verdict]) -> bool:
    """True once no further comparison is needed: one bears the row out, two say nothing against it, it is contradicted twice, or nothing is
    to be told."""
    lead = verdicts.count("agrees") - verdicts.count("contradicts")
    return lead > 0 or lead <= -2 or (len(verdicts) >= 2 and "contradicts" not in verdicts) or not verdicts


def vote(verdicts: Sequence[Verdict]) -> Verdict:
    """The verdict of the greater number; as many for as against cannot say. At least half of the comparisons must contradict to contradict."""
    n_against = verdicts.count("contradicts")
    lead = verdicts.count("agrees") - n_against
    return "agrees" if lead > 0 else "contradicts" if lead < 0 and 2 * n_against >= len(verdicts) else "cannot say"


def judge(as_stated: float, mirrored: float | None, best_neighbour: float | None) -> tuple[Verdict, Verdict]:
    """Verdicts on side and element from residuals in percent: on the partner as the row states it, on its mirror image, on the best neighbour.

    What fits best of the three is what is believed, where it fits clearly better than what the row states.
    """
    side: Verdict = "cannot say"
    element: Verdict = "cannot say"
    if mirrored is not None and (best_neighbour is None or mirrored < best_neighbour or as_stated < mirrored):
        side = _verdict(as_stated, mirrored, SIDE_MARGIN)
    if best_neighbour is not None and (mirrored is None or best_neighbour <= mirrored or as_stated < best_neighbour):
        element = _verdict(as_stated, best_neighbour, IDENTITY_MARGIN)
    return side, element


def _verdict(own: float, other: float, margin: float) -> Verdict:
    times = (own + RESOLUTION_PERCENT) / (other + RESOLUTION_PERCENT)
    if times > margin:
        return "contradicts" if other < BELIEVED_PERCENT else "cannot say"
    return "agrees" if times < 1 / margin else "cannot say"


def _compared(find: ComparedFind, comparison: Comparison) -> Outcome:
    partner, is_paired = comparison.partner, find.side is not Side.MEDIAN
    if not partner.is_whole:  # the smaller piece is laid on the whole bone
        same, other = ([find.mesh], []) if find.side is partner.side else ([], [find.mesh])
        evidence = side_evidence(partner.mesh, same, other)
        side, _ = judge(evidence.residual_as_is_percent, evidence.residual_reflected_percent, None)
        return Outcome(partner.find, evidence.residual_as_is_percent, evidence.residual_reflected_percent, (), side, "cannot say")
    turned = _turned(partner, find.side)
    candidates = {AS_STATED: turned} | ({MIRRORED: reflect(turned)} if is_paired else {})
    candidates |= {neighbour.find: _turned(neighbour, find.side) for neighbour in comparison.neighbours}
    residuals = dict(identity_evidence(find.mesh, AS_STATED, candidates).ranking)
    rows = tuple((n.find, n.element, residuals[n.find]) for n in comparison.neighbours)
    verdicts = judge(residuals[AS_STATED], residuals.get(MIRRORED), min((row[2] for row in rows), default=None))
    return Outcome(partner.find, residuals[AS_STATED], residuals.get(MIRRORED), rows, *verdicts)


def _turned(other: ComparedFind, side: Side) -> Mesh:
    """The other find's surface as it would be on this side."""
    return other.mesh if other.side is side else reflect(other.mesh)


def _findings(find: ComparedFind, outcomes: Sequence[Outcome], side: Verdict, element: Verdict) -> list[Finding]:
    findings = []
    if element == "contradicts":
        against = [o for o in outcomes if o.element == "contradicts"]
        rival, name, _ = min(against[0].neighbours_percent, key=lambda row: (row[2], row[0]))
        best = [min(row[2] for row in o.neighbours_percent) for o in against]
        figures = "; ".join(f"{o.as_stated_percent:.2f} % on {o.partner}, {other:.2f} % there" for o, other in zip(against, best, strict=True))
        message = (
            f"{find.find}: the row says {find.element}, but its shape lies clearly better on {rival}, a {name} (residual {figures}). "
            f"Look whether it is a {name}, or whether the finds it was compared with are named wrongly, and correct bones.csv."
        )
        findings.append(Finding(Severity.REVIEW, "element-contradicted", message, find.find))
    if side == "contradicts":
        against = [o for o in outcomes if o.side == "contradicts"]
        names = " and ".join(o.partner for o in against)
        figures = "; ".join(f"{o.as_stated_percent:.2f} % as it is, {o.mirrored_percent:.2f} % reflected" for o in against)
        message = (
            f"{find.find}: the row says {find.side.value}, but its shape lies on {names} only as a {find.side.opposite.value} {find.element} would "
            f"(residual {figures}). Look which side it is from, or whether the other row is wrong, and correct bones.csv."
        )
        findings.append(Finding(Severity.REVIEW, "side-contradicted", message, find.find))
    return findings or _disputed(find, outcomes)


def _disputed(find: ComparedFind, outcomes: Sequence[Outcome]) -> list[Finding]:
    """A note where some finds bear the row out and as many contradict it: the fault may be theirs."""
    against = [o.partner for o in outcomes if "contradicts" in (o.side, o.element)]
    if not against:
        return []
    message = f"{find.find}: its side and element do not agree with those of {' and '.join(against)}; others bear its row out or cannot say."
    return [Finding(Severity.NOTE, "siding-disputed", message, find.find)]


def _row(outcome: Outcome) -> Mapping[str, Any]:
    neighbours = [{"find": name, "element": element, "residual_percent": _rounded(value)} for name, element, value in outcome.neighbours_percent]
    return {
        "partner": outcome.partner,
        "as_stated_percent": _rounded(outcome.as_stated_percent),
        "mirrored_percent": _rounded(outcome.mirrored_percent),
        "neighbours": neighbours,
        "side": outcome.side,
        "element": outcome.element,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 4)
