"""Closed forms of milling: height of the scallops between passes, chord error of facets, number of sheets."""

from __future__ import annotations

import math

from meshtools.errors import GeometryError


def scallop_height_mm(radius_mm: float, step_over_mm: float) -> float:
    """Height of the ridge that a ball of this radius leaves between two passes on a flat: r - sqrt(r^2 - (s/2)^2).

    Raises GeometryError where the step-over exceeds the diameter: the passes would not meet.
    """
    if step_over_mm > 2.0 * radius_mm:
        raise GeometryError(f"a step-over of {step_over_mm:g} mm is wider than the cutter, {2.0 * radius_mm:g} mm; take a smaller one")
    return radius_mm - math.sqrt(radius_mm**2 - (step_over_mm / 2.0) ** 2)


def step_over_for_mm(radius_mm: float, height_mm: float) -> float:
    """The step-over at which scallops of a ball are this high, the inverse of `scallop_height_mm`. GeometryError unless 0 < height <= radius."""
    if not 0.0 < height_mm <= radius_mm:
        raise GeometryError(f"scallops of {height_mm:g} mm cannot be left by a ball of radius {radius_mm:g} mm; give a height up to its radius")
    return 2.0 * math.sqrt(radius_mm**2 - (radius_mm - height_mm) ** 2)


def chord_error_mm(radius_mm: float, edge_mm: float) -> float:
    """How far a facet with edges of this length lies below a round of this radius: R - sqrt(R^2 - (e/2)^2). GeometryError where e > 2 R."""
    if edge_mm > 2.0 * radius_mm:
        raise GeometryError(f"an edge of {edge_mm:g} mm does not fit a round of radius {radius_mm:g} mm; take a shorter edge")
    return radius_mm - math.sqrt(radius_mm**2 - (edge_mm / 2.0) ** 2)


def count_slabs(height_mm: float, allowance_mm: float, slab_mm: float) -> int:
    """Sheets needed for a part of this height with an allowance below and above: ceil((height + 2 allowance) / slab)."""
    return math.ceil((height_mm + 2.0 * allowance_mm) / slab_mm - 1e-9)
