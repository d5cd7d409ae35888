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


def floaters_apart(scan: Mesh, replica: Mesh, pieces: Sequence[Mapping[str, Any]], largest_mm: float) -> dict[str, Any] | None:
    """Where the largest distance from scan to replica is that of a floater that cleaning removed: how many there are, the place (3,) of the vertex
    that far away, and the largest distance and its bound of the scan without them.

    scan: where the replica stands; pieces: those of the record of its cleaning, largest first. None where no floater explains the distance, or
    where the pieces of the scan are not surely those.
    """
    is_removed = [row["outcome"] == "floater" for row in pieces]
    removed, kept = ([k for k in range(len(pieces)) if is_removed[k] == wanted] for wanted in (True, False))
    if not removed:
        return None
    ranked = rank_pieces(scan)
    if [int(n) for n in ranked.n_faces] != [row["n_faces"] for row in pieces]:
        return None
    whole, gone = Surface(replica), take_pieces(scan, ranked, removed)
    distance = whole.distance(gone.vertices)[0]
    farthest = int(np.argmax(distance))
    if distance[farthest] < largest_mm - SAME_MM:
        return None
    rest = measure_deviation(Surface(take_pieces(scan, ranked, kept)), whole)
    place = [round(float(x), 1) + 0.0 for x in gone.vertices[farthest]]
    return {"n": len(removed), "place_mm": place, "without_max_mm": rest.max_mm, "without_bound_mm": rest.max_bound_mm}
