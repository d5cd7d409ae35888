"""The settings of the route that carves a part from foam: machine, cutters, stock, slabs and coat. Each meaning ends in its source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from meshtools.bounds import bounded, cell


@dataclass(frozen=True)
class Cutter:
    """One cutter of the machine. kind: `ball` (a half ball at its end) or `flat` (a flat end).

    The shank is as thick as the cutter up to the holder, which begins `stick_out_mm` above the tip.
    """

    name: str = cell(None, None, "What the workshop calls it.")
    kind: str = cell(None, None, "Half a ball at its end, or a flat end.", ("ball", "flat"))
    diameter_mm: float = cell(0.1, 200.0, "Diameter of the cutting end.")
    flute_mm: float = cell(0.5, 1000.0, "Length of the cutting edge.")
    stick_out_mm: float = cell(1.0, 2000.0, "From the tip to the holder.")
    holder_diameter_mm: float = cell(0.5, 500.0, "Diameter of the holder.")

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """(field, rule) of what cannot be together."""
        if self.flute_mm > self.stick_out_mm:
            yield "flute_mm", f"is longer than the cutter sticks out of its holder ({self.stick_out_mm:g}); measure both from the tip."


CUTTERS = (
    Cutter("flat 20", "flat", 20.0, 100.0, 250.0, 50.0),
    Cutter("ball 12", "ball", 12.0, 75.0, 250.0, 40.0),
    Cutter("ball 6", "ball", 6.0, 50.0, 250.0, 40.0),
)
"""Invented examples of long cutters for foam (proposed default); enter the workshop's own."""


@dataclass(frozen=True)
class CncSettings:
    """How a replica becomes a solid to carve, its stock, its set-ups and its slabs."""

    travel_x_mm: float = bounded(2500.0, 10.0, 50_000.0, "Travel of the machine along x (proposed default).")
    travel_y_mm: float = bounded(1500.0, 10.0, 50_000.0, "Travel of the machine along y (proposed default).")
    travel_z_mm: float = bounded(600.0, 10.0, 20_000.0, "Travel of the machine along z (proposed default).")
    clearance_mm: float = bounded(50.0, 0.0, 1000.0, "Height kept free above the stock for moves, taken from the travel along z (proposed default).")
    stock_x_mm: float = bounded(2500.0, 10.0, 50_000.0, "Longest block of stock that can be glued or bought (proposed default).")
    stock_y_mm: float = bounded(1250.0, 10.0, 50_000.0, "Widest block of stock that can be glued or bought (proposed default).")
    stock_z_mm: float = bounded(600.0, 10.0, 20_000.0, "Highest block of stock that can be glued or bought (proposed default).")
    cutters: tuple[Cutter, ...] = bounded(
        CUTTERS, None, None, "The cutters at hand; the ball of least diameter finishes the surface (proposed default)."
    )
    roughing_mm: float = bounded(5.0, 0.0, 100.0, "Allowance per side while roughing, also around the outlines of slabs (proposed default).")
    finishing_mm: float = bounded(1.0, 0.0, 20.0, "Allowance per side left for finishing (proposed default).")
    overrun_mm: float = bounded(5.0, 0.0, 100.0, "How far past the parting surface each side is cut, beyond the cutter's radius (proposed default).")
    channel_mm: float = bounded(30.0, 1.0, 500.0, "Width of the channel cut free around the part (proposed default).")
    frame_mm: float = bounded(40.0, 1.0, 500.0, "Width of the frame of waste around the channel, which holds the dowels (proposed default).")
    slab_mm: float = bounded(50.0, 1.0, 1000.0, "Thickness of the sheets that the stock is glued from, usually 50 or 100 (from memory).")
    part_tolerance_mm: float = bounded(
        0.5, 0.01, 10.0, "Tolerance of the finished part; the solid to carve may spend a quarter of it (proposed default)."
    )
    step_over_mm: float = bounded(1.0, 0.01, 50.0, "Distance between neighbouring finishing passes; it sets the scallop (proposed default).")
    coat_mm: float = bounded(
        0.0, 0.0, 20.0, "Thickness of the hard coat that the carved solid leaves room for, 0 for none (common practice, no source)."
    )
    least_core_mm: float = bounded(4.0, 0.0, 100.0, "Least thickness of foam that must remain under the coat (common practice, no source).")
    uncut_limit_mm: float = bounded(1.0, 0.05, 20.0, "Matter left standing higher than this counts as uncut (proposed default).")
    uncut_limit_percent: float = bounded(
        1.0, 0.01, 100.0, "Accepted share of the surface left uncut; more asks for another set-up (proposed default)."
    )
    most_setups: int = bounded(
        3, 2, 6, "Most set-ups that are planned: two from opposite sides, and further ones where they gain (proposed default)."
    )
    most_triangles: int = bounded(1_000_000, 1_000, 20_000_000, "Most triangles of the solid to carve (proposed default).")
    dowel_mm: float = bounded(12.0, 1.0, 60.0, "Diameter of the dowels that hold set-ups and slabs in register (proposed default).")
    dowel_margin_mm: float = bounded(6.0, 0.0, 100.0, "Matter left around a dowel (proposed default).")
    bridge_width_mm: float = bounded(25.0, 1.0, 200.0, "Width and height of the holding bridges between part and frame (proposed default).")
    bridge_spacing_mm: float = bounded(
        400.0, 20.0, 5000.0, "Largest distance between bridges along the outline; there are at least three (proposed default)."
    )
    keep_off_mm: float = bounded(30.0, 0.0, 500.0, "Distance that bridges keep from articular ends (proposed default).")
    foam_kg_m3: float = bounded(50.0, 5.0, 2000.0, "Density of the foam, for masses (30 to 65 under a hard coat, common practice, no source).")

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """(field, rule) of what cannot be together."""
        names = [cutter.name for cutter in self.cutters]
        if not any(cutter.kind == "ball" for cutter in self.cutters):
            yield "cutters", "has no row of kind ball, and only a ball finishes a free form; add the one at hand."
        if len(set(names)) < len(names):
            yield "cutters", "names two cutters alike; give each its own name."
        if self.travel_z_mm <= self.clearance_mm:
            yield "clearance_mm", f"leaves nothing of the travel along z ({self.travel_z_mm:g}); lower it."

    @property
    def thinnest_mm(self) -> float:
        """Thinnest bone that foam can stand for: two coats and the core between them."""
        return 2.0 * self.coat_mm + self.least_core_mm
