"""Why one donor ranks after another that shares its place in the order of classes, in words for a page."""

from __future__ import annotations

from collections.abc import Mapping

from meshtools.plan_candidates import DONOR_CLASSES, PRESERVATION_WEIGHT, Candidate, score_terms
from meshtools.settings import PlanSettings


def rank_words(candidate: Candidate, chosen: Candidate, places: Mapping[str, int], settings: PlanSettings) -> str:
    """Which difference puts a donor after the chosen one; nothing where the order of classes does, which the table of ways shows."""
    is_same_place = candidate.evidence in places and places[candidate.evidence] == places.get(chosen.evidence)
    if not is_same_place or not {candidate.evidence, chosen.evidence} <= {*DONOR_CLASSES}:
        return ""
    joint = f"{DONOR_CLASSES[0]} and {DONOR_CLASSES[1]} share a place, and " if candidate.evidence is not chosen.evidence else ""
    if candidate.score != chosen.score:
        sums = _sums(candidate, chosen, settings)
        return f": {joint}the donor comes first whose change of size, width of interval and missing share are least in sum ({sums})"
    if candidate.reflect != chosen.reflect:
        return f": {joint}of equal donors the one that need not be reflected comes first"
    return f": {joint}of equal donors the first by name is taken"


def _sums(candidate: Candidate, chosen: Candidate, settings: PlanSettings) -> str:
    """Both sums, and the figures behind those terms that differ."""
    figures = [f"{chosen.score:.4f} against {candidate.score:.4f}", f"factor {chosen.estimate.factor:.4g} against {candidate.estimate.factor:.4g}"]
    terms = zip(score_terms(chosen, settings)[1:], score_terms(candidate, settings)[1:], ("half-width of ln factor", "missing share"), strict=True)
    for one, other, words in terms:
        if one != other:
            weight = PRESERVATION_WEIGHT if words == "missing share" else 1.0
            figures.append(f"{words} {one / weight:.3g} against {other / weight:.3g}")
    return ", ".join(figures)
