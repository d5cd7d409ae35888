"""What the shape of a find says about its side and its identity, by laying it on bones whose side and identity are known.

The shape only gives evidence; a person decides. Where the difference is no larger than what individuals differ by, the answer is that it cannot say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.registration import Registration, register
from meshtools.geometry.transform import reflect
from meshtools.model import Mesh

Verdict = Literal["agrees", "contradicts", "cannot say"]

SIDE_MARGIN = 1.5
"""One residual must be this many times the other to decide a side. Measured on 25 bones, among them round and nearly symmetric ones, as two
individuals with 0.5-2 % shape variation each, whole or a third lost: by chance the residual on the true side was at most 1.27 times the one
after reflection."""
IDENTITY_MARGIN = 1.8
"""The same between candidates. Measured on rows of like bones (metacarpals, vertebrae, phalanges): by chance the residual on the true bone was
at most 1.0 times that of the best other one at 0.5-1 % shape variation, 1.49 times at 1.5 % with a third lost."""
RESOLUTION_PERCENT = 0.02  # differences of residual below this are scan noise


@dataclass(frozen=True)
class SideEvidence:
    """How well a find lies on bones of its stated side as it is, and after reflection: geometric means over the bones, percent of length."""

    residual_as_is_percent: float
    residual_reflected_percent: float
    verdict: Verdict
    reason: str


def side_evidence(find: Mesh, same_side: Sequence[Mesh], other_side: Sequence[Mesh] = ()) -> SideEvidence:
    """Does a find lie better on bones of its stated side, or on them after reflection?

    same_side: homologous bones of the side that the find is said to be from; other_side: of the opposite side, used in reflection. Size does not
    count. A bone that is nearly its own mirror image cannot say. GeometryError without any bone to compare with.
    """
    if not same_side and not other_side:
        raise GeometryError("the side of a find needs a bone to compare it with; give one of either side")
    mirrored = reflect(find)
    shapes = [(find, mirrored, bone) for bone in same_side] + [(mirrored, find, bone) for bone in other_side]
    pairs = [comparable_residuals([register(shape, bone, "similarity") for shape in (one, other)]) for one, other, bone in shapes]
    as_is, reflected = (_geometric_mean([pair[k] for pair in pairs]) for k in (0, 1))
    times = (as_is + RESOLUTION_PERCENT) / (reflected + RESOLUTION_PERCENT)
    figures = f"residual {as_is:.2f} % as it is, {reflected:.2f} % reflected, against {len(pairs)} bone{'s' if len(pairs) > 1 else ''}"
    if times > SIDE_MARGIN:
        return SideEvidence(as_is, reflected, "contradicts", f"the find lies better on the stated side after reflection: {figures}")
    if times < 1 / SIDE_MARGIN:
        return SideEvidence(as_is, reflected, "agrees", f"the find lies on the stated side as it is: {figures}")
    return SideEvidence(as_is, reflected, "cannot say", f"the find lies about equally well both ways: {figures}")


@dataclass(frozen=True)
class IdentityEvidence:
    """Candidates by residual, the best first, and whether the named one stands: ranking of (name, residual in percent of length)."""

    ranking: tuple[tuple[str, float], ...]
    verdict: Verdict
    reason: str


def identity_evidence(find: Mesh, named: str, candidates: Mapping[str, Mesh]) -> IdentityEvidence:
    """Does a find lie on the bone it is named after, or clearly better on another candidate?

    candidates: bones by name, the named one among them. Size does not count, shape does. GeometryError where the named one or any other is
    missing.
    """
    if named not in candidates or len(candidates) < 2:
        raise GeometryError(f"the identity '{named}' needs that bone and at least one other to compare the find with")
    found = {name: register(find, candidates[name], "similarity") for name in sorted(candidates)}
    residuals = dict(zip(found, comparable_residuals(list(found.values())), strict=True))
    ranking = tuple(sorted(residuals.items(), key=lambda item: (item[1], item[0])))
    rival, rival_residual = next(item for item in ranking if item[0] != named)
    own = residuals[named]
    times = (own + RESOLUTION_PERCENT) / (rival_residual + RESOLUTION_PERCENT)
    figures = f"residual {own:.2f} % on {named}, {rival_residual:.2f} % on {rival}"
    if times > IDENTITY_MARGIN:
        return IdentityEvidence(ranking, "contradicts", f"the find lies clearly better on {rival}: {figures}")
    if times < 1 / IDENTITY_MARGIN:
        return IdentityEvidence(ranking, "agrees", f"no candidate fits as well as the named one: {figures}")
    return IdentityEvidence(ranking, "cannot say", f"two candidates fit about equally well: {figures}")


def comparable_residuals(found: Sequence[Registration]) -> tuple[float, ...]:
    """Residuals of one find on several partners, in percent: both ways where the partner that fits best shows it to be whole.

    A broken find has fracture faces that lie on no partner: as large a share is left out for all as lies off the one that fits best. That is the
    one with the least median distance, which a break does not reach.
    """
    best = min(found, key=lambda registration: float(np.median(registration.distances_percent)))
    if best.is_complete:
        return tuple(registration.whole_misfit_percent for registration in found)
    return tuple(registration.misfit_percent(best.overlap_percent / 100) for registration in found)


def _geometric_mean(values: Sequence[float]) -> float:
    return math.exp(math.fsum(math.log(max(value, 1e-12)) for value in values) / len(values))
