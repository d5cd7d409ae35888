"""What the page of an element asks about where scanned skin strays from its scan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.model import Finding, Severity


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
