"""The size factor between two individuals from the homologous lengths that both have, by the ratio method.

Isometry is declared, never proven; the words used are "isometry not rejected (n = ..)". The ratio method and its review limits are common practice,
without a published source; the limits are settings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from meshtools.counted import counted
from meshtools.errors import GeometryError
from meshtools.model import Element, Find, Finding, Measurement, Severity, Side
from meshtools.settings import PlanSettings

UNASSOCIATED = "unassociated"
LengthKey = tuple[str, str]  # homologue key, measurement type
CONFIDENCE = 0.95
GREATEST_LENGTH = "greatest-length"


@dataclass(frozen=True)
class Length:
    """One homologous length of one individual, sides averaged. `broken_finds` are stubs that it was taken on."""

    value_mm: float
    elements: tuple[str, ...]
    broken_finds: tuple[str, ...] = ()


Lengths = Mapping[str, Mapping[LengthKey, Length]]


@dataclass(frozen=True)
class LengthRatio:
    """Target length over donor length of one homologous measurement, with the elements and groups that carry it."""

    key: LengthKey
    ratio: float
    elements: tuple[str, ...]
    groups: tuple[str, ...]
    broken_finds: tuple[str, ...] = ()


@dataclass(frozen=True)
class RatioFactor:
    """Geometric mean of ratios with its 95 % interval. One ratio has neither interval nor spread.

    `half_width_ln` is t s / sqrt(n) on logs; `half_width` is half the interval as a share of the factor.
    """

    factor: float
    interval: tuple[float, float] | None
    n: int
    ln_sd: float | None
    half_width_ln: float | None
    half_width: float | None


@dataclass(frozen=True)
class FactorEstimate:
    """A factor with where it comes from. `ratio` is None where the factor is stated or the bone has its own size."""

    factor: float
    interval: tuple[float, float] | None
    basis: str
    findings: tuple[Finding, ...] = ()
    ratio: RatioFactor | None = None
    is_same_group: bool = False  # lengths of the element's own group alone carry it
    exponent: float = 1.0  # the allometric exponent that factor and interval, but not ratio, were raised to


OWN_SIZE = FactorEstimate(1.0, None, "own size")


def individual_of(find: Find) -> str:
    """The animal a find stands for; an unassociated find is an individual of its own."""
    return f"{UNASSOCIATED}:{find.find}" if find.organism_id in ("", UNASSOCIATED) else find.organism_id


def ratio_factor(ratios: Sequence[float]) -> RatioFactor:
    """Combine target / donor ratios: factor = exp(mean ln r), interval = exp(mean +- t s / sqrt n), Student t, 95 %.

    Ratios are pure numbers above 0, in any order. GeometryError when there is none or one is not positive and finite.
    Check value (closed form): 1.12, 1.15, 1.18 -> 1.149739, 1.077577-1.226734.
    """
    if not ratios or any(not (math.isfinite(ratio) and ratio > 0) for ratio in ratios):
        raise GeometryError(f"A factor needs at least one ratio above 0, not {list(ratios)}; check the lengths in measurements.csv.")
    logs = sorted(math.log(ratio) for ratio in ratios)
    n = len(logs)
    mean = math.fsum(logs) / n
    factor = math.exp(mean)
    if n == 1:
        return RatioFactor(factor, None, 1, None, None, None)
    ln_sd = math.sqrt(math.fsum((value - mean) ** 2 for value in logs) / (n - 1))
    half_width_ln = student_t(n - 1) * ln_sd / math.sqrt(n)
    return RatioFactor(
        factor, (math.exp(mean - half_width_ln), math.exp(mean + half_width_ln)), n, ln_sd, half_width_ln, math.sinh(half_width_ln))


def student_t(degrees_of_freedom: int) -> float:
    """Two-sided 95 % quantile of Student's t. 2 degrees of freedom -> 4.302653 (closed form)."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, (1.0 + CONFIDENCE) / 2.0))


def homologue_keys(elements: Iterable[Element]) -> dict[str, str]:
    """Element name -> homologue key; an empty key means the name itself."""
    return {element.name: element.homologue_key or element.name for element in elements}


def lengths_by_individual(
    measurements: Iterable[Measurement], finds: Mapping[str, Find], homologues: Mapping[str, str], own_preserved_percent: float
) -> dict[str, dict[LengthKey, Length]]:
    """Average each individual's lengths: repeats first, then left and right, then elements of one homologue key (geometric means).

    `finds` maps slugs to the finds whose measurements count: a measurement that names another find is left out.
    """
    values: dict[tuple[str, LengthKey], dict[str, dict[str, list[float]]]] = {}
    broken: dict[tuple[str, LengthKey], set[str]] = {}
    for row in measurements:
        find = finds.get(row.find)
        if (row.find and find is None) or not (math.isfinite(row.value_mm) and row.value_mm > 0):
            continue
        element = row.element or (find.element if find else "")
        side = row.side.value if row.element or find is None else find.side.value
        individual = individual_of(find) if find else row.organism_id
        place = (individual, (homologues.get(element, element), measurement_name(row.measurement_type)))
        values.setdefault(place, {}).setdefault(element, {}).setdefault(side, []).append(row.value_mm)
        if find and find.preserved_percent is not None and find.preserved_percent < own_preserved_percent:
            broken.setdefault(place, set()).add(find.find)
    lengths: dict[str, dict[LengthKey, Length]] = {}
    for (individual, key), by_element in sorted(values.items()):
        per_element = [_geometric_mean([_geometric_mean(repeats) for repeats in sides.values()]) for sides in by_element.values()]
        length = Length(_geometric_mean(per_element), tuple(sorted(by_element)), tuple(sorted(broken.get((individual, key), ()))))
        lengths.setdefault(individual, {})[key] = length
    return lengths


def greatest_lengths(measurements: Iterable[Measurement], finds: Mapping[str, Find]) -> dict[tuple[str, str, Side], float]:
    """Greatest length in mm by individual, element and side, repeats averaged (geometric mean). `finds` as for lengths_by_individual."""
    values: dict[tuple[str, str, Side], list[float]] = {}
    for row in measurements:
        find = finds.get(row.find)
        is_usable = (not row.find or find is not None) and math.isfinite(row.value_mm) and row.value_mm > 0
        if is_usable and measurement_name(row.measurement_type) == GREATEST_LENGTH:
            key = (individual_of(find), find.element, find.side) if find else (row.organism_id, row.element, row.side)
            values.setdefault(key, []).append(row.value_mm)
    return {key: _geometric_mean(sorted(repeats)) for key, repeats in values.items()}


def shared_ratios(target: Mapping[LengthKey, Length], donor: Mapping[LengthKey, Length],
                  groups: Mapping[str, tuple[str, ...]]) -> tuple[LengthRatio, ...]:
    """Ratios target / donor of every measurement that both have. `groups` maps a homologue key to the groups of its elements."""
    return tuple(
        LengthRatio(
            key,
            target[key].value_mm / donor[key].value_mm,
            tuple(sorted({*target[key].elements, *donor[key].elements})),
            groups.get(key[0], ()),
            tuple(sorted({*target[key].broken_finds, *donor[key].broken_finds})),
        )
        for key in sorted(target.keys() & donor.keys())
    )


def carrying_ratios(ratios: Sequence[LengthRatio], group: str, min_lengths: int) -> tuple[tuple[LengthRatio, ...], bool]:
    """Choose the ratios that carry a factor to an element of `group`: the same group if it has enough, else all pooled.

    Returns the ratios and whether they are all of the group.
    """
    in_group = tuple(ratio for ratio in ratios if group and group in ratio.groups)
    if in_group and len(in_group) >= min(min_lengths, len(ratios)):
        return in_group, True
    return tuple(ratios), False


def estimate_factor(ratios: Sequence[LengthRatio], group: str, settings: PlanSettings, size_factor: float = 1.0) -> FactorEstimate | None:
    """The factor for an element of `group` times the target's stated size; None where no length is shared."""
    if not ratios:
        return None
    carried, is_same_group = carrying_ratios(ratios, group, settings.min_lengths)
    ratio = ratio_factor([item.ratio for item in carried])
    factor = ratio.factor * size_factor
    interval = None if ratio.interval is None else (ratio.interval[0] * size_factor, ratio.interval[1] * size_factor)
    names = ", ".join(sorted({name for item in carried for name in item.elements}))
    count = f"{ratio.n} length{'s' if ratio.n > 1 else ''} on {names}"
    basis = f"ratio method: {count} (same group {group})" if is_same_group else f"ratio method, pooled over all elements: {count}"
    if size_factor != 1.0:
        basis += f", times {size_factor:g} (stated size of the target)"
    broken = tuple(sorted({find for item in carried for find in item.broken_finds}))
    findings = (*review_ratio(ratio, settings), *review_range(factor, settings, Severity.REVIEW), *_broken_findings(broken))
    return FactorEstimate(factor, interval, basis, findings, ratio, is_same_group)


def stated_factor(factor: float, basis: str, settings: PlanSettings, interval: tuple[float, float] | None = None) -> FactorEstimate:
    """A factor that a person has stated, with its 95 % interval where that is stated too. An unusual one is noted."""
    return FactorEstimate(factor, interval, basis, review_range(factor, settings, Severity.NOTE))


def review_ratio(ratio: RatioFactor, settings: PlanSettings) -> tuple[Finding, ...]:
    """What a person should look at in a ratio factor: few lengths, a wide spread, a wide interval."""
    findings = []
    if ratio.n < settings.min_lengths:
        message = f"The factor rests on {counted(ratio.n, 'shared length')}; {settings.min_lengths} or more are wanted."
        findings.append(Finding(Severity.REVIEW, "few-lengths", message, ratio.n, settings.min_lengths))
    elif ratio.interval is None:
        findings.append(Finding(Severity.REVIEW, "ratio-interval", "One length gives no interval.", None, settings.max_half_width))
    if ratio.ln_sd is not None and ratio.ln_sd > settings.max_ln_sd:
        message = f"The ratios spread by {ratio.ln_sd:.3f} (standard deviation of ln r): the bones do not differ by one factor."
        findings.append(Finding(Severity.REVIEW, "ratio-spread", message, round(ratio.ln_sd, 6), settings.max_ln_sd))
    if ratio.half_width is not None and ratio.half_width > settings.max_half_width:
        message = f"The 95 % interval reaches {100 * ratio.half_width:.1f} % to either side of the factor."
        findings.append(Finding(Severity.REVIEW, "ratio-interval", message, round(ratio.half_width, 6), settings.max_half_width))
    return tuple(findings)


def review_range(factor: float, settings: PlanSettings, severity: Severity) -> tuple[Finding, ...]:
    """A finding where the factor is at or beyond the bounds inside which scaling is usual."""
    if settings.factor_low < factor < settings.factor_high:
        return ()
    limit = settings.factor_low if factor <= settings.factor_low else settings.factor_high
    message = f"The factor {factor:.4g} is not between {settings.factor_low:g} and {settings.factor_high:g}: is the donor a fair one?"
    if severity is Severity.REVIEW:
        message += " Choose another one (kind donor in decisions.csv) or state a factor there (kind factor); else sign it off as it is."
    return (Finding(severity, "factor-range", message, round(factor, 6), limit),)


def _broken_findings(finds: tuple[str, ...]) -> tuple[Finding, ...]:
    if not finds:
        return ()
    message = f"A length behind the factor was taken on an incomplete bone ({', '.join(finds)}): check that it is not cut short by the break."
    return (Finding(Severity.REVIEW, "broken-length", message, ", ".join(finds)),)


def _geometric_mean(values: Sequence[float]) -> float:
    if len(values) == 1:
        return values[0]
    return math.exp(math.fsum(math.log(value) for value in values) / len(values))


def measurement_name(text: str) -> str:
    """The one spelling of a measurement's name: `Greatest length` and `greatest_length` are `greatest-length`."""
    return "-".join(text.casefold().replace("_", " ").replace("-", " ").split())
