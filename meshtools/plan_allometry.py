"""Factors for groups of elements whose lengths do not grow in step with the rest of the skeleton."""

from __future__ import annotations

from dataclasses import replace

from meshtools.factor import FactorEstimate, review_range
from meshtools.model import Severity
from meshtools.scale_statistics import allometric_factor
from meshtools.settings import PlanSettings


def with_exponent(estimate: FactorEstimate, exponent: float, group: str, size_factor: float, settings: PlanSettings) -> FactorEstimate:
    """A ratio-method factor k for an element of a group whose lengths grow with the exponent b against other groups' (y = a x^b): k^b.

    The interval is raised likewise; the target's stated size_factor, which the estimate contains, is isometric and stays. Lengths of the
    group itself have grown so already: what they alone carry stays as it is, and the basis says so.
    """
    if estimate.is_same_group:
        return replace(estimate, basis=f"{estimate.basis}; its allometric exponent {exponent:g} is in these lengths already")
    factor = allometric_factor(estimate.factor / size_factor, exponent) * size_factor
    ends = [allometric_factor(end / size_factor, exponent) * size_factor for end in estimate.interval or ()]
    findings = tuple(finding for finding in estimate.findings if finding.code != "factor-range")
    return replace(
        estimate, factor=factor, interval=(ends[0], ends[1]) if ends else None, exponent=exponent,
        basis=f"{estimate.basis}; raised to the allometric exponent {exponent:g} of group {group}",
        findings=(*findings, *review_range(factor, settings, Severity.REVIEW)),
    )  # fmt: skip
