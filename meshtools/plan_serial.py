"""Elements of a series that no scan fills: interpolated between two neighbours (class INT) or extrapolated beyond them (class EXT).

Only whole, certain, undeformed and healthy bones of the target's own individual count as neighbours, of the same series and side, and of the
same region: a series changes its shape at a regional border, so only a person's class decision reaches across it. An interpolated bone does
no better than the best scaled neighbour in most trials, so that one is offered beside it: a class decision INT that names its find. Its size
goes by greatest lengths, which follow the processes: on lumbar vertebrae the size that the surfaces themselves suggest, given on the
interpolated bone's page, came nearer (benchmarks/serial_trials.py), and a person may state it as the factor. Both are conjecture, and so
is EXT, which rests on a straight line through the logarithms of the sizes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from meshtools.errors import GeometryError
from meshtools.factor import GREATEST_LENGTH, UNASSOCIATED, FactorEstimate, individual_of
from meshtools.model import Attempt, Element, EvidenceClass, Find, Finding, Severity, Side, Target
from meshtools.plan_candidates import DONOR_CLASSES, Candidate, PlanTables, class_order_of, has_pathology, is_partial, is_uncertain, places_in_order
from meshtools.plan_decisions import SERIAL_CLASSES, Decided, factor_of
from meshtools.scale_statistics import Extrapolated, extrapolate_sizes, interpolate_sizes
from meshtools.settings import PlanSettings

N_REGRESSED = 5  # the members nearest to the element: a series changes its law farther on (benchmarks/serial_trials.py)
SCALED_SCORE = 1.0  # the scaled neighbour ranks after the interpolated bone
SIZE_BASIS = "before that, the nearer neighbour is brought to the size between the two by even steps of ratio, measured on their surfaces"

Lengths = Mapping[tuple[str, str, Side], float]


@dataclass(frozen=True)
class SeriesMember:
    """One bone of a series at its place, with its greatest length where one is known."""

    position: float
    size_mm: float | None
    find: Find | None = None
    region: str = ""


def serial_candidates(
    tables: PlanTables, target: Target, element: Element, scanned: Sequence[Candidate], decided: Decided
) -> tuple[list[Candidate], list[Attempt]]:
    """What the series offers for an element, best first, and why it offers nothing.

    Nothing at all where a scan of a class that comes first in the order fills the element, unless a person decided for INT or EXT.
    """
    order = places_in_order(class_order_of(tables, element))
    candidates: list[Candidate] = []
    attempts: list[Attempt] = []
    for evidence, make in ((EvidenceClass.INT, _interpolated), (EvidenceClass.EXT, _extrapolated)):
        is_decided = decided.evidence is evidence
        place = order.get(evidence, len(order))
        is_filled = any(order.get(candidate.evidence, len(order)) < place for candidate in (*scanned, *candidates))
        if not is_decided and (evidence not in order or is_filled or not element.series):
            continue
        found, failed = make(tables, target, element, decided)
        candidates += found
        attempts += failed
    return candidates, attempts


def is_scaled(candidate: Candidate) -> bool:
    """True where one find is brought to another size, so that a stated factor counts."""
    return candidate.evidence in DONOR_CLASSES or (candidate.evidence in SERIAL_CLASSES and candidate.partner is None)


def serial_words(candidate: Candidate) -> str:
    """What the element is made from, as the first sentence of its reason."""
    find, estimate = candidate.find, candidate.estimate
    if candidate.partner is not None:
        places = f"({find.element} and {candidate.partner.element})"
        both = f"{find.find} and {candidate.partner.find}, own bones of {find.organism_id} {places}"
        return f"Conjecture: interpolated between {both}, at {candidate.fraction:.3g} of the way."
    how = "beyond the end of its series, " if candidate.evidence is EvidenceClass.EXT else ""
    return f"Conjecture: {how}the neighbour {find.find} ({find.element}) of {find.organism_id}, scaled by {estimate.factor:.4g} ({estimate.basis})."


def neighbour_words(candidate: Candidate) -> str:
    """What a person does to take a scaled neighbour that was not taken."""
    decision = f"a decision of kind class, value {candidate.evidence}, find {candidate.find.find}"
    return f"conjecture too: this neighbour scaled by {candidate.estimate.factor:.4g}; {decision}, takes it instead"


def extrapolated_size(members: Iterable[SeriesMember], position: float) -> Extrapolated:
    """The size expected at a place beyond the nearest members, at most N_REGRESSED of them, with its 95 % prediction interval.

    GeometryError for fewer than three members with a size.
    """
    sized = [member for member in members if member.size_mm is not None]
    nearest = sorted(sized, key=lambda member: (abs(member.position - position), member.position))[:N_REGRESSED]
    return extrapolate_sizes({member.position: float(member.size_mm or 0.0) for member in nearest}, [position])[0]


def own_members(tables: PlanTables, target: Target, element: Element, any_region: bool) -> list[SeriesMember]:
    """The fitting bones of the target's individual in the element's series, side and region, by position, without the element itself."""
    members = []
    for other in tables.series.get((element.series, element.side), ()):
        if other.position is None or other.position == element.position or not (any_region or other.region == element.region):
            continue
        finds = [find for find in tables.finds_by_element.get(other.name, ()) if _fits(tables, target, other, find)]
        if len(finds) == 1:
            members.append(SeriesMember(float(other.position), _size_mm(tables.greatest_lengths, finds[0]), finds[0], other.region))
    return sorted(members, key=lambda member: member.position)


def _size_mm(lengths: Lengths, find: Find) -> float | None:
    calipers = [c.length_mm for c in (find.caliper, find.second_caliper) if c and c.measure == GREATEST_LENGTH]
    return lengths.get((individual_of(find), find.element, find.side), calipers[0] if calipers else None)


def _fits(tables: PlanTables, target: Target, element: Element, find: Find) -> bool:
    is_own = find.organism_id == target.individual != UNASSOCIATED and find.side is element.side
    is_sound = not (is_uncertain(find) or is_partial(find, tables.settings) or has_pathology(find) or find.find in tables.twins)
    is_sound = is_sound and find.find not in tables.parts and find.find not in tables.replaced_by
    return is_own and is_sound and find.deformation.strip().casefold() in ("", "none")


def _interpolated(tables: PlanTables, target: Target, element: Element, decided: Decided) -> tuple[list[Candidate], list[Attempt]]:
    """The bone between the two nearest members, and each of the two scaled; a decision that names a find means that one, scaled."""
    between = _neighbours(tables, target, element, any_region=decided.evidence is EvidenceClass.INT)
    if isinstance(between, str):
        return [], [Attempt(EvidenceClass.INT, "", between)]
    before, after, fraction = between
    named = decided.find if decided.find in {member.find.find for member in (before, after) if member.find} else ""
    is_decided = decided.evidence is EvidenceClass.INT or bool(named)
    estimate = FactorEstimate(target.size_factor, None, SIZE_BASIS)
    findings = _conjecture(element, EvidenceClass.INT, is_decided, "between two neighbours")
    if {before.region, after.region} != {element.region}:
        message = f"{element.slug} is interpolated across a regional border, as decided; a series changes its shape there."
        findings = (*findings, Finding(Severity.NOTE, "regional-border", message))
    middle = _candidate(EvidenceClass.INT, before.find, estimate, findings, 0.0, after.find, fraction)
    results = [_scaled(tables, target, element, (before, after), mine, decided) for mine in _nearer_first(before, after, fraction)]
    scaled = [result for result in results if isinstance(result, Candidate)]
    return ([] if named else [middle]) + scaled, [result for result in results if isinstance(result, Attempt)]


def _neighbours(tables: PlanTables, target: Target, element: Element, any_region: bool) -> tuple[SeriesMember, SeriesMember, float] | str:
    """The nearest members before and after and the element's share of the way, or why there are none."""
    if element.position is None or not element.series:
        return f"{element.slug} has no position in a series"
    members = own_members(tables, target, element, any_region)
    before = [member for member in members if member.position < element.position]
    after = [member for member in members if member.position > element.position]
    if not (before and after):
        side = "on both sides" if not (before or after) else "before it" if not before else "behind it"
        region = f" of region {element.region}" if element.region and not any_region else ""
        return f"{target.individual} has no whole, sound bone of series {element.series}{region} {side}"
    fraction = (element.position - before[-1].position) / (after[0].position - before[-1].position)
    return before[-1], after[0], fraction


def _nearer_first(before: SeriesMember, after: SeriesMember, fraction: float) -> tuple[SeriesMember, SeriesMember]:
    return (before, after) if fraction <= 0.5 else (after, before)


def _scaled(
    tables: PlanTables, target: Target, element: Element, pair: tuple[SeriesMember, SeriesMember], mine: SeriesMember, decided: Decided
) -> Candidate | Attempt:
    """One neighbour brought to the size between the two, without a change of shape."""
    find, (before, after) = mine.find, pair
    assert find is not None  # members of a plan are finds
    stated = decided.factor_decision(find.find)
    if stated:
        estimate = factor_of(stated, tables.settings)
    elif before.size_mm and after.size_mm and mine.size_mm:
        size = interpolate_sizes((before.position, before.size_mm), (after.position, after.size_mm), [float(element.position or 0)])[0]
        basis = f"greatest length {size.geometric_mm:.4g} mm, by even steps of ratio between {before.size_mm:g} and {after.size_mm:g} mm"
        estimate = _sized(size.geometric_mm / mine.size_mm, None, basis, target, tables.settings)
    else:
        unmeasured = " and ".join(m.find.find for m in pair if m.find and not m.size_mm)
        why = f"this neighbour scaled needs the greatest length of {unmeasured} in measurements.csv, or a factor stated for it"
        return Attempt(EvidenceClass.INT, find.find, why)
    is_decided = decided.evidence is EvidenceClass.INT or decided.find == find.find
    findings = (*estimate.findings, *_conjecture(element, EvidenceClass.INT, is_decided, f"from its neighbour {find.find}, scaled"))
    return _candidate(EvidenceClass.INT, find, estimate, findings, SCALED_SCORE + 0.1 * (mine is not _nearest(pair, element)))


def _nearest(pair: tuple[SeriesMember, SeriesMember], element: Element) -> SeriesMember:
    return min(pair, key=lambda member: (abs(member.position - (element.position or 0)), member.position))


def _extrapolated(tables: PlanTables, target: Target, element: Element, decided: Decided) -> tuple[list[Candidate], list[Attempt]]:
    """The nearest member, scaled to the size that the sizes of its series lead to."""
    is_decided = decided.evidence is EvidenceClass.EXT
    result = _beyond(tables, target, element, decided, is_decided)
    if isinstance(result, str):
        return [], [Attempt(EvidenceClass.EXT, "", result)]
    find, estimate = result
    is_accepted = is_decided or decided.find == find.find
    findings = _conjecture(element, EvidenceClass.EXT, is_accepted, f"beyond the end of its series, from {find.find} and a model of the sizes")
    return [_candidate(EvidenceClass.EXT, find, estimate, (*estimate.findings, *findings), 0.0)], []


def _beyond(
    tables: PlanTables, target: Target, element: Element, decided: Decided, is_decided: bool
) -> tuple[Find, FactorEstimate] | str:
    if element.position is None or not element.series:
        return f"{element.slug} has no position in a series"
    position = float(element.position)
    members = own_members(tables, target, element, any_region=is_decided)
    if not members:
        return f"{target.individual} has no whole, sound bone of series {element.series}{f', region {element.region}' if element.region else ''}"
    if members[0].position < position < members[-1].position:
        return f"{element.slug} lies within its series, not beyond its end"
    nearest = min(members, key=lambda member: abs(member.position - position))
    assert nearest.find is not None
    stated = decided.factor_decision(nearest.find.find)
    if stated:
        return nearest.find, factor_of(stated, tables.settings)
    n_sized = sum(member.size_mm is not None for member in members)
    if nearest.size_mm is None or n_sized < 3:
        return f"the greatest lengths of {nearest.find.find} and of two more bones of its series are needed in measurements.csv ({n_sized} are there)"
    try:
        size = extrapolated_size(members, position)
    except GeometryError as error:
        return str(error)
    basis = (
        f"greatest length {size.size_mm:.4g} mm, 95 % prediction interval {size.interval_mm[0]:.4g} to {size.interval_mm[1]:.4g}, from a straight "
        f"line through the logarithms of the {size.n} nearest lengths of series {element.series}"
    )
    interval = (size.interval_mm[0] / nearest.size_mm, size.interval_mm[1] / nearest.size_mm)
    return nearest.find, _sized(size.size_mm / nearest.size_mm, interval, basis, target, tables.settings)


def _sized(ratio: float, interval: tuple[float, float] | None, basis: str, target: Target, settings: PlanSettings) -> FactorEstimate:
    """A factor to the element's size in the individual, times the stated size of the target."""
    k = target.size_factor
    basis += f", times {k:g} (stated size of the target)" if k != 1.0 else ""
    findings = []
    if interval is not None and (interval[1] - interval[0]) / 2.0 > settings.max_half_width * ratio:
        half = (interval[1] - interval[0]) / 2.0 / ratio
        message = f"The size may differ from the extrapolated one by {100.0 * half:.0f} % to either side (95 % prediction interval)."
        findings.append(Finding(Severity.NOTE, "size-interval", message, round(half, 6), settings.max_half_width))
    return FactorEstimate(ratio * k, None if interval is None else (interval[0] * k, interval[1] * k), basis, tuple(findings))


def _conjecture(element: Element, evidence: EvidenceClass, is_decided: bool, how: str) -> tuple[Finding, ...]:
    advice = "as a person decided" if is_decided else f"a decision of kind class, value {evidence}, accepts it"
    message = f"{element.slug} is conjecture, made {how}: no bone of this place was found; {advice}."
    return (Finding(Severity.NOTE if is_decided else Severity.REVIEW, "conjecture", message, evidence.value),)


def _candidate(
    evidence: EvidenceClass, find: Find | None, estimate: FactorEstimate, findings: tuple[Finding, ...], score: float,
    partner: Find | None = None, fraction: float = 0.0,
) -> Candidate:  # fmt: skip
    assert find is not None  # members of a plan are finds
    return Candidate(evidence, find, False, estimate, False, (), findings, score, partner, fraction)
