"""What the page of an element asks about where scanned skin strays from its scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface, measure_deviation
from meshtools.geometry.pieces import rank_pieces, take_pieces
from meshtools.model import Finding, Mesh, Severity

SAME_MM = 1e-6  # the largest distance of the floaters and that of the whole scan are one within this


def deviation_findings(element: str, deviation: Mapping[str, Any] | None, tolerance_mm: float) -> tuple[Finding, ...]:
    """A question where the bound of scanned skin to scan is above the part tolerance."""
    skin = (deviation or {}).get("replica_to_scan")
    if not skin or skin["max_bound_mm"] <= tolerance_mm:
        return ()
    message = (
        f"{element}: scanned skin of the replica was found up to {skin['max_mm']:.3f} mm from the scan, no point of it is farther than "
        f"{skin['max_bound_mm']:.3f} mm, and the part tolerance is {tolerance_mm:g} mm. Look where the turning view shows it; give a larger "
        "part_tolerance_mm if that will do, or sign the replica off."
    )
    return (Finding(Severity.REVIEW, "beyond-tolerance", message, round(skin["max_bound_mm"], 6), tolerance_mm, "mm"),)


def removed_apart(scan: Mesh, replica: Mesh, pieces: Sequence[Mapping[str, Any]], largest_mm: float) -> dict[str, Any] | None:
    """Where the largest distance from scan to replica is that of a piece that cleaning removed: its outcome there (`floater`, `support`,
    `not-chosen`), how many pieces were removed, the place (3,) of the vertex that far away, and the largest distance and its bound without them all.

    scan: where the replica stands; pieces: those of the record of its cleaning, largest first. None where no removed piece explains the distance,
    or where the pieces of the scan are not surely those.
    """
    by_outcome: dict[str, list[int]] = {}
    for number, row in enumerate(pieces):
        by_outcome.setdefault(row["outcome"], []).append(number)
    kept = by_outcome.pop("kept", [])
    if not by_outcome:
        return None
    ranked = rank_pieces(scan)
    if [int(n) for n in ranked.n_faces] != [row["n_faces"] for row in pieces]:
        return None
    whole = Surface(replica)
    farthest_mm, outcome, place = max((_farthest(take_pieces(scan, ranked, gone), whole, name) for name, gone in by_outcome.items()))
    if farthest_mm < largest_mm - SAME_MM:
        return None
    rest = measure_deviation(Surface(take_pieces(scan, ranked, kept)), whole)
    return {"n": len(pieces) - len(kept), "outcome": outcome, "place_mm": place, "without_max_mm": rest.max_mm, "without_bound_mm": rest.max_bound_mm}


def _farthest(gone: Mesh, whole: Surface, outcome: str) -> tuple[float, str, list[float]]:
    """Distance, outcome and place of the vertex of removed pieces that lies farthest from the replica."""
    distance = whole.distance(gone.vertices)[0]
    place = gone.vertices[int(np.argmax(distance))]
    return float(distance.max()), outcome, [round(float(x), 1) + 0.0 for x in place]
