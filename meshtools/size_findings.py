"""What a person should know about the size of one individual against another: an offset between surfaces, and lengths that say otherwise. Pure.

The skin of a scan that was segmented with too low a threshold lies too far outside everywhere, by half a voxel or more. Our own method.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from meshtools.counted import counted
from meshtools.model import Finding, Severity
from meshtools.scale_statistics import BROKEN_SHIFT_RATIO, SHIFT_RATIO, is_beyond
from meshtools.sizing import BoneRatio, SizeEstimate, ToldOffset

OFFSET_CODE, LENGTHS_CODE = "size-offset", "size-lengths"
LENGTHS_RATIO = 0.02
"""The ratio of greatest lengths and that of surfaces differ by less where shapes differ by up to 1 % (measured: at most 1.5 %)."""
LISTED_BONES = 4


def size_findings(estimate: SizeEstimate, measured: Mapping[str, float]) -> tuple[Finding, ...]:
    """Findings on the trusted bones of an estimate. measured: target over donor greatest length of elements in measurements.csv."""
    trusted = [bone for bone in estimate.bones if bone.is_trusted]
    offset = [_offset_finding(estimate, estimate.told, trusted)] if estimate.told else _untold_findings(trusted)
    lengths = (_lengths_finding(bone, estimate, measured.get(bone.element)) for bone in trusted)
    return (*offset, *(finding for finding in lengths if finding))


def _offset_finding(estimate: SizeEstimate, tell: ToldOffset, trusted: Sequence[BoneRatio]) -> Finding:
    """One finding for all bones: those that an offset moves by more than differences of shape do, or all of those where it shows only together."""
    told = [bone for bone in trusted if is_beyond([bone.telling_ln])] or [bone for bone in trusted if bone.element in tell.elements and bone.shift_ln]
    told.sort(key=lambda bone: -abs(bone.telling_ln))
    more = f"; and {counted(len(told) - LISTED_BONES, 'more bone')} of the table" if len(told) > LISTED_BONES else ""
    bones = "; ".join(_bone_words(bone) for bone in told[:LISTED_BONES])
    untold = [bone.element for bone in trusted if not bone.has_offset]
    but = f", but for {_named(untold)}, where it cannot be told from size and may still be in the ratio" if untold else ""
    message = (
        f"One surface lies outside the other by one distance everywhere, which is not size. {_together(tell, trusted)}{bones}{more}. "
        f"{_infirm_words(estimate, trusted)}All factors here are without it{but}. "
        "Either scans are too fat or too thin all over (a threshold of segmentation that is off by half a voxel is enough), or one animal has the "
        "stouter bones. Measure the greatest breadth of one bone of each animal with a caliper and state it in caliper_mm of bones.csv (caliper_of "
        "greatest-breadth); export the scans that are wrong again with another threshold. Where all are right the factor is that of lengths."
    )
    return Finding(Severity.REVIEW, OFFSET_CODE, message, _percent(tell.shift_ln), _limit_percent(tell), "%")


def _percent(change_ln: float) -> float:
    return round(100 * math.expm1(change_ln), 2)


def _limit_percent(tell: ToldOffset) -> float:
    """The limit on the side that the change lies on: a ratio is 4.88 % smaller or 5.13 % larger where its logarithm changes by 0.05."""
    return abs(_percent(math.copysign(tell.limit_ln, tell.shift_ln)))


def _together(tell: ToldOffset, trusted: Sequence[BoneRatio]) -> str:
    """What several bones tell that none of them tells alone; nothing for one."""
    if len(tell.elements) == 1:
        return ""
    which = f"the {len(tell.elements)} bones of the group {tell.group}" if tell.group else f"all {len(tell.elements)} bones"
    states = {bone.is_firm for bone in trusted if bone.element in tell.elements}
    counts = f" (broken or nearly round ones count by {SHIFT_RATIO / BROKEN_SHIFT_RATIO:.1g} of theirs)" if len(states) == 2 else ""
    return (
        f"No bone tells of it alone, but {which} together do: without it their ratios change by {_percent(tell.shift_ln):+.2f} % in the mean{counts}"
        f", and differences of shape by no more than {_limit_percent(tell):.2f} %. "
    )


def _untold_findings(trusted: Sequence[BoneRatio]) -> list[Finding]:
    """A note where no bone could have told of an offset; one that could speaks for the others, as all are of the same two animals."""
    if not trusted or any(bone.has_offset for bone in trusted):
        return []
    names = _named([bone.element for bone in trusted])
    message = (
        f"Whether one surface lies outside the other by one distance everywhere cannot be told from size by {names}: nearly a ball, or no "
        "size comes to rest. Scans that are too fat or too thin all over would go into the factor; compare a long bone of both animals too, or "
        "measure the greatest breadth of one bone of each with a caliper."
    )
    return [Finding(Severity.NOTE, OFFSET_CODE, message)]


def _infirm_words(estimate: SizeEstimate, trusted: Sequence[BoneRatio]) -> str:
    """What is taken out of bones that tell little of it; nothing where there is none of them."""
    common = _distance(estimate.common_mm)
    held = [bone.element for bone in trusted if bone.is_held]
    own = [bone.element for bone in trusted if bone.has_offset and not bone.is_firm and not bone.is_held]
    words = f"Of what is broken or nearly round ({_named(held)}) not its own distance is taken out but that of the others, {common}. " if held else ""
    if own:
        but = f"the others tell of {common}, so far from it" if math.isfinite(estimate.common_mm) else "the others tell of no common one"
        words += (
            f"Of what is broken or nearly round ({_named(own)}) its own distance is taken out, which is less sure: {but}. "
            "Look at it before the factor is used. "
        )
    return words


def _distance(offset_mm: float) -> str:
    """`0.45 mm outside`."""
    return f"{abs(offset_mm):.2g} mm {'outside' if offset_mm > 0 else 'inside'}"


def _named(elements: Sequence[str]) -> str:
    """`femur, tibia`; of more than a few, how many there are beyond them."""
    names = list(dict.fromkeys(elements))
    more = f" and {counted(len(names) - LISTED_BONES, 'more bone')}" if len(names) > LISTED_BONES else ""
    return f"{', '.join(names[:LISTED_BONES])}{more}"


def _bone_words(bone: BoneRatio) -> str:
    """`femur: the surface of a.stl lies 0.45 mm outside that of b.stl brought to its size; ratio 1.2350, without that distance 1.1811`."""
    target, donor = (scan or find for scan, find in zip(bone.scans, (bone.target_find, bone.donor_find), strict=True))
    beside = f" (greatest lengths {bone.lengths_ratio:.4f})" if math.isfinite(bone.lengths_ratio) else ""
    return (
        f"{bone.element}: the surface of {target} lies {_distance(bone.offset_mm)} that of {donor} brought to its size; ratio {bone.ratio:.4f}, "
        f"without that distance {bone.offset_ratio:.4f}{beside}"
    )


def _lengths_finding(bone: BoneRatio, estimate: SizeEstimate, measured: float | None) -> Finding | None:
    """Lengths that contradict the ratio of a bone: those in measurements.csv (review), else the greatest lengths of both scans (a note)."""
    ratio, of_scans = estimate.ratio_of(bone), bone.lengths_offset_ratio if estimate.is_offset_out else bone.lengths_ratio
    lengths = of_scans if measured is None else measured
    if not math.isfinite(lengths) or lengths <= 0 or abs(math.log(lengths / ratio)) <= LENGTHS_RATIO:
        return None
    percent = 100 * (lengths / ratio - 1)
    scans = " and ".join(scan or find for scan, find in zip(bone.scans, (bone.target_find, bone.donor_find), strict=True))
    said = f"{bone.element} ({scans}): the surfaces give the ratio {ratio:.4f}"
    figures = round(percent, 2), 100 * LENGTHS_RATIO, "%"
    if measured is None:
        message = f"{said}, their greatest lengths {lengths:.4f} ({percent:+.1f} %). Look whether an end is missing on one of them, or has grown."
        return Finding(Severity.NOTE, LENGTHS_CODE, message, *figures)
    message = (
        f"{said}, the greatest lengths in measurements.csv {lengths:.4f} ({percent:+.1f} %). Measure both bones again and correct the row that is "
        "wrong; where both are right, look at unit and threshold of the scans, and take the factor of lengths."
    )
    return Finding(Severity.REVIEW, LENGTHS_CODE, message, *figures)
