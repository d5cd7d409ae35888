"""The size of one individual against another from scans of the same bones, and slopes of one length on another. Pure: surfaces in, figures out.

Method: each pair of bones is laid on each other with its size free (geometry/registration); the ratios are pooled as scale_statistics says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import median
from typing import TYPE_CHECKING

from meshtools.errors import GeometryError
from meshtools.factor import UNASSOCIATED, LengthKey, Lengths
from meshtools.model import Element, Mesh
from meshtools.scale_statistics import (
    BROKEN_SHIFT_RATIO,
    FIRM_ERROR,
    SHIFT_RATIO,
    PooledFactor,
    Slope,
    is_beyond,
    isometry_words,
    ols_slope,
    pooled_factor,
    sma_slope,
)
from meshtools.size_pairs import BonePair

if TYPE_CHECKING:
    from meshtools.geometry.registration_offset import OffsetFit

MIN_BONES = 3  # fewer say nothing about how bones of one animal differ
MIN_INDIVIDUALS = 5  # of a slope; few specimens hide allometry (Brown & Vavrek 2015, PeerJ 3:e818)


@dataclass(frozen=True)
class BoneRatio:
    """Target length over donor length of one pair of bones. residual_percent: rms distance of the two surfaces in percent of length.

    offset_ratio: the same ratio with an even offset between the surfaces taken out. offset_mm: how far the target's surface lies outside the donor's
    at the target's size (below zero: inside). Both nan where size and offset are not told apart or the pair is not trusted. lengths_mm: greatest
    lengths of target and donor, nan there too and where one of the two is broken. scans: files of target and donor. is_whole: neither is broken.
    ln_per_mm: how the logarithm of offset_ratio changes with the offset that is taken out (nan as above). scale_error: standard error of the scale
    beside a free offset, as a share (nan as above). is_held: the offset taken out is that of the firm bones and not its own.
    """

    element: str
    target_find: str
    donor_find: str
    is_reflected: bool
    ratio: float
    residual_percent: float
    overlap_percent: float
    is_trusted: bool
    reason: str
    offset_ratio: float = math.nan
    offset_mm: float = math.nan
    lengths_mm: tuple[float, float] = (math.nan, math.nan)
    scans: tuple[str, str] = ("", "")
    is_whole: bool = True
    ln_per_mm: float = math.nan
    scale_error: float = math.nan
    is_held: bool = False

    @property
    def shift_ln(self) -> float:
        """How far the logarithm of the ratio moves when an offset is taken out; 0 where that is not measured."""
        return math.log(self.offset_ratio / self.ratio) if self.has_offset else 0.0

    @property
    def is_firm(self) -> bool:
        """Tells an offset from size well: whole, and neither a ball nearly nor a coarse and noisy surface of so few voxels that it might be one."""
        return self.is_whole and not self.scale_error > FIRM_ERROR

    @property
    def shift_limit(self) -> float:
        """What moves the logarithm of the ratio by more is no difference of shape; of a bone that is not firm, a larger one."""
        return SHIFT_RATIO if self.is_firm else BROKEN_SHIFT_RATIO

    @property
    def telling_ln(self) -> float:
        """The shift as it counts against SHIFT_RATIO: that of a bone that is not firm counts less."""
        return self.shift_ln * SHIFT_RATIO / self.shift_limit

    @property
    def has_offset(self) -> bool:
        """True where an offset was told from size, even one of 0 mm."""
        return math.isfinite(self.offset_ratio)

    def held_at(self, offset_mm: float) -> BoneRatio:
        """The same bone with this offset taken out in place of its own."""
        ratio = self.offset_ratio * math.exp(self.ln_per_mm * (offset_mm - self.offset_mm))
        return replace(self, offset_ratio=ratio, offset_mm=offset_mm, is_held=True)

    @property
    def lengths_ratio(self) -> float:
        """The ratio of the greatest lengths of both surfaces; nan without them."""
        return self.lengths_mm[0] / self.lengths_mm[1]

    @property
    def lengths_offset_ratio(self) -> float:
        """The same with the offset taken from both ends of the target's; nan without lengths."""
        return (self.lengths_mm[0] - 2 * self.offset_mm) / self.lengths_mm[1]


@dataclass(frozen=True)
class ToldOffset:
    """The bones that tell of an offset: it moves their mean logarithm of ratio by shift_ln, which is beyond limit_ln.

    group: of which group they are; empty for one element, or for all of them. Where firm bones are among them, one that is not counts by
    SHIFT_RATIO / BROKEN_SHIFT_RATIO of its shift.
    """

    elements: tuple[str, ...]
    group: str
    shift_ln: float
    limit_ln: float


@dataclass(frozen=True)
class SizeEstimate:
    """Factors that bring a donor to the target's individual, without the target's stated size.

    pooled: over the elements with a trusted ratio, None without one. groups: the same for each group that has at least three such elements.
    told: what tells of an offset. All factors are then of the ratios without it; a bone of which size and offset are not told apart goes in as
    registered; one that is not firm without the offset common_mm of those that are, where they tell of one (otherwise nan) not far from its own.
    """

    bones: tuple[BoneRatio, ...]
    pooled: PooledFactor | None
    groups: Mapping[str, PooledFactor]
    told: ToldOffset | None = None
    common_mm: float = math.nan

    @property
    def is_offset_out(self) -> bool:
        """All factors are without an offset."""
        return self.told is not None

    def ratio_of(self, bone: BoneRatio) -> float:
        """The ratio that one of the bones goes into the factors with."""
        return bone.offset_ratio if self.is_offset_out and bone.has_offset else bone.ratio

    @property
    def is_founded(self) -> bool:
        """Three or more bones can be trusted."""
        return self.pooled is not None and self.pooled.n >= MIN_BONES

    def for_group(self, group: str) -> tuple[PooledFactor | None, bool]:
        """The factor for an element of a group, and whether bones of that group alone give it: the same group first, then all pooled."""
        return (self.groups[group], True) if group in self.groups else (self.pooled, False)


def measure_pair(pair: BonePair, target: Mesh, donor: Mesh, doubts: Sequence[str] = ()) -> BoneRatio:
    """Lay the less preserved bone on the other, of free size. Surfaces in mm; `doubts` are sentences about their scale: not trusted then.

    A pair that cannot be laid on each other at all has the ratio nan and is not trusted. Only of a trusted pair an offset is sought.
    """
    from meshtools.geometry.registration import register
    from meshtools.geometry.registration_offset import fit_offset
    from meshtools.geometry.transform import reflect

    names = pair.element, pair.target.find, pair.donor.find, pair.reflect
    scans = pair.target.scan, pair.donor.scan
    other = reflect(donor) if pair.reflect else donor
    moving, fixed = (other, target) if pair.is_donor_laid else (target, other)
    try:
        found = register(moving, fixed, "similarity")
    except GeometryError as error:
        return BoneRatio(*names, math.nan, math.nan, 0.0, False, str(error), scans=scans)
    ratio = found.scale if pair.is_donor_laid else 1.0 / found.scale
    reason, is_trusted = " ".join(doubts) or found.reason, found.is_trusted and not doubts
    bone = BoneRatio(*names, ratio, found.residual_rms_percent, found.overlap_percent, is_trusted, reason, scans=scans, is_whole=found.is_complete)
    fit = fit_offset(moving, fixed, found) if is_trusted else None
    return bone if fit is None else _with_offset(bone, fit, pair.is_donor_laid)


def _with_offset(bone: BoneRatio, fit: OffsetFit, is_donor_laid: bool) -> BoneRatio:
    """A ratio with what the second fit says, as seen from the target."""
    lengths_mm = fit.lengths_mm if bone.is_whole else (math.nan, math.nan)
    bone = replace(bone, scale_error=fit.scale_error)
    if is_donor_laid:
        found = replace(bone, offset_ratio=fit.scale, offset_mm=fit.offset_mm, ln_per_mm=fit.ln_scale_per_mm)
        return replace(found, lengths_mm=(lengths_mm[1], lengths_mm[0]))
    found = replace(bone, offset_ratio=1.0 / fit.scale, offset_mm=-fit.offset_mm / fit.scale, ln_per_mm=fit.ln_scale_per_mm * fit.scale)
    return replace(found, lengths_mm=lengths_mm)


def pool_ratios(bones: Sequence[BoneRatio], elements: Sequence[Element]) -> SizeEstimate:
    """Pool the trusted ratios: sides of an element first (geometric mean), then elements, of each group and of all.

    Where an offset between the surfaces moves one bone, a group or all of them by more than differences of shape move as many bones, all ratios
    are taken without it; those of bones that are broken or nearly round without that of the others, where these tell of one.
    """
    trusted = [bone for bone in bones if bone.is_trusted]
    groups = _groups({bone.element for bone in trusted}, elements)
    firm = [bone for bone in trusted if bone.is_firm and bone.has_offset]
    of_firm = _told_offset(firm, groups)
    common_mm = _common_offset(firm) if of_firm else math.nan
    told = of_firm or _told_offset(trusted, groups)
    estimate = SizeEstimate(tuple(_held(bone, common_mm) for bone in bones), None, {}, told, common_mm)
    logs = _mean_by_element([(bone.element, math.log(estimate.ratio_of(bone))) for bone in estimate.bones if bone.is_trusted])
    ratios = {name: math.exp(value) for name, value in logs.items()}
    pooled = {group: pooled_factor({name: ratios[name] for name in members}) for group, members in groups.items()}
    return replace(estimate, pooled=pooled_factor(ratios) if ratios else None, groups=pooled)


def _groups(names: set[str], elements: Sequence[Element]) -> dict[str, list[str]]:
    """The elements of these names by group, of groups with enough of them."""
    groups: dict[str, list[str]] = {}
    for element in elements:
        if element.group and element.name in names and element.name not in groups.get(element.group, ()):
            groups.setdefault(element.group, []).append(element.name)
    return {group: members for group, members in sorted(groups.items()) if len(members) >= MIN_BONES}


def _told_offset(bones: Sequence[BoneRatio], groups: Mapping[str, Sequence[str]]) -> ToldOffset | None:
    """What tells of an offset most: an element, otherwise a group or all of these bones."""
    telling = _mean_by_element([(bone.element, bone.telling_ln) for bone in bones])
    several = [*groups.items(), ("", [*telling])]
    for sets in ([("", [name]) for name in telling], [(group, [name for name in members if name in telling]) for group, members in several]):
        beyond = [(group, members) for group, members in sets if members and is_beyond([telling[name] for name in members])]
        if beyond:
            group, members = max(beyond, key=lambda one: abs(math.fsum(telling[name] for name in one[1])) / math.sqrt(len(one[1])))
            limits = {bone.shift_limit for bone in bones if bone.element in members}
            limit = limits.pop() if len(limits) == 1 else SHIFT_RATIO
            shift = math.fsum(telling[name] for name in members) / len(members) * limit / SHIFT_RATIO
            return ToldOffset(tuple(members), group, shift, limit / math.sqrt(len(members)))
    return None


def _common_offset(firm: Sequence[BoneRatio]) -> float:
    """The offset in mm of most firm bones (the median over elements); nan where no more than half of the elements keep their ratio with it."""
    offsets = _mean_by_element([(bone.element, bone.offset_mm) for bone in firm])
    common = median(offsets.values())
    changes = _mean_by_element([(bone.element, bone.ln_per_mm * (common - bone.offset_mm)) for bone in firm])
    return common if 2 * sum(abs(change) <= SHIFT_RATIO for change in changes.values()) > len(changes) else math.nan


def _held(bone: BoneRatio, common_mm: float) -> BoneRatio:
    """A bone that is not firm without the offset of those that are (mm), unless the ratio is then farther off than differences of shape make it."""
    if bone.is_firm or not abs(bone.ln_per_mm * (common_mm - bone.offset_mm)) <= BROKEN_SHIFT_RATIO:  # nor where one of them is nan
        return bone
    return bone.held_at(common_mm)


def _mean_by_element(rows: Sequence[tuple[str, float]]) -> dict[str, float]:
    by_element: dict[str, list[float]] = {}
    for element, value in rows:
        by_element.setdefault(element, []).append(value)
    return {element: math.fsum(values) / len(values) for element, values in sorted(by_element.items())}


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
