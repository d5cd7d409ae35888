"""The size of one individual against another from scans of the same bones, and slopes of one length on another. Pure: surfaces in, figures out.

Method: each pair of bones is laid on each other with its size free (geometry/registration); the ratios are pooled as scale_statistics says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from meshtools.errors import GeometryError
from meshtools.factor import UNASSOCIATED, LengthKey, Lengths
from meshtools.model import Element, Mesh
from meshtools.scale_statistics import PooledFactor, Slope, isometry_words, ols_slope, pooled_factor, sma_slope
from meshtools.size_pairs import BonePair

MIN_BONES = 3  # fewer say nothing about how bones of one animal differ
MIN_INDIVIDUALS = 5  # of a slope; few specimens hide allometry (Brown & Vavrek 2015, PeerJ 3:e818)


@dataclass(frozen=True)
class BoneRatio:
    """Target length over donor length of one pair of bones. residual_percent: rms distance of the two surfaces in percent of length."""

    element: str
    target_find: str
    donor_find: str
    is_reflected: bool
    ratio: float
    residual_percent: float
    overlap_percent: float
    is_trusted: bool
    reason: str


@dataclass(frozen=True)
class SizeEstimate:
    """Factors that bring a donor to the target's individual, without the target's stated size.

    pooled: over the elements with a trusted ratio, None without one. groups: the same for each group that has at least three such elements.
    """

    bones: tuple[BoneRatio, ...]
    pooled: PooledFactor | None
    groups: Mapping[str, PooledFactor]

    @property
    def is_founded(self) -> bool:
        """Three or more bones can be trusted."""
        return self.pooled is not None and self.pooled.n >= MIN_BONES

    def for_group(self, group: str) -> tuple[PooledFactor | None, bool]:
        """The factor for an element of a group, and whether bones of that group alone give it: the same group first, then all pooled."""
        return (self.groups[group], True) if group in self.groups else (self.pooled, False)


def measure_pair(pair: BonePair, target: Mesh, donor: Mesh, doubts: Sequence[str] = ()) -> BoneRatio:
    """Lay the less preserved bone on the other, of free size. Surfaces in mm; `doubts` are sentences about their scale: not trusted then.

    A pair that cannot be laid on each other at all has the ratio nan and is not trusted.
    """
    from meshtools.geometry.registration import register
    from meshtools.geometry.transform import reflect

    names = pair.element, pair.target.find, pair.donor.find, pair.reflect
    other = reflect(donor) if pair.reflect else donor
    try:
        found = register(other, target, "similarity") if pair.is_donor_laid else register(target, other, "similarity")
    except GeometryError as error:
        return BoneRatio(*names, math.nan, math.nan, 0.0, False, str(error))
    ratio = found.scale if pair.is_donor_laid else 1.0 / found.scale
    reason = " ".join(doubts) or found.reason
    return BoneRatio(*names, ratio, found.residual_rms_percent, found.overlap_percent, found.is_trusted and not doubts, reason)


def pool_ratios(bones: Sequence[BoneRatio], elements: Sequence[Element]) -> SizeEstimate:
    """Pool the trusted ratios: sides of an element first (geometric mean), then elements, of each group and of all."""
    by_element: dict[str, list[float]] = {}
    for bone in bones:
        if bone.is_trusted:
            by_element.setdefault(bone.element, []).append(math.log(bone.ratio))
    ratios = {name: math.exp(math.fsum(logs) / len(logs)) for name, logs in sorted(by_element.items())}
    groups: dict[str, dict[str, float]] = {}
    for element in elements:
        if element.group and element.name in ratios:
            groups.setdefault(element.group, {})[element.name] = ratios[element.name]
    pooled = {group: pooled_factor(members) for group, members in sorted(groups.items()) if len(members) >= MIN_BONES}
    return SizeEstimate(tuple(bones), pooled_factor(ratios) if ratios else None, pooled)


def at_size(pooled: PooledFactor, size_factor: float) -> PooledFactor:
    """The factor at a target's stated size."""
    low, high = pooled.interval
    return replace(pooled, factor=pooled.factor * size_factor, interval=(low * size_factor, high * size_factor))


@dataclass(frozen=True)
class LengthSlope:
    """How one length grows with another over individuals, on logarithms: standardised major axis (to describe) and least squares (to predict)."""

    x: LengthKey
    y: LengthKey
    sma: Slope
    ols: Slope

    @property
    def words(self) -> str:
        """Whether the slope 1 lies in the interval of the standardised major axis."""
        return isometry_words(self.sma.interval, self.sma.n)


def length_slopes(lengths: Lengths) -> tuple[LengthSlope, ...]:
    """Slopes for every pair of lengths that five or more individuals have, the most individuals first. Unassociated finds are no individuals."""
    individuals = [lengths[name] for name in sorted(lengths) if not name.startswith(f"{UNASSOCIATED}:")]
    keys = sorted({key for individual in individuals for key in individual})
    slopes = []
    for x, y in combinations(keys, 2):
        both = [(math.log(one[x].value_mm), math.log(one[y].value_mm)) for one in individuals if x in one and y in one]
        if len(both) < MIN_INDIVIDUALS:
            continue
        columns = [pair[0] for pair in both], [pair[1] for pair in both]
        try:
            slopes.append(LengthSlope(x, y, sma_slope(*columns), ols_slope(*columns)))
        except GeometryError:  # individuals all of one size tell nothing about growth
            continue
    return tuple(sorted(slopes, key=lambda slope: (-slope.sma.n, slope.x, slope.y)))
