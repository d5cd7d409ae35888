"""The settings of the mould route: what is made, of how many pieces, and with which allowances. Marks of sources: see each meaning."""

from __future__ import annotations

from dataclasses import dataclass

from meshtools.bounds import bounded, cell


@dataclass(frozen=True)
class ShrinkLink:
    """One step from pattern to casting that changes size: what it is, by how many percent it shrinks (an expansion is negative), and who says so."""

    name: str = cell(None, None, "What shrinks.")
    shrink_percent: float = cell(-20.0, 19.99, "By how much of its length; an expansion is negative.")
    source: str = cell(None, None, "Who says so.")


@dataclass(frozen=True)
class MouldSettings:
    """How a replica becomes a pattern or the pieces of a mould."""

    form: str = bounded("pieces", None, None, "What is made: a pattern to take a mould from, or the pieces of the mould.", ("pattern", "pieces"))
    kind: str = bounded("rigid", None, None, "Rigid pieces, or a flexible rubber in a rigid jacket.", ("rigid", "flexible"))
    shrink: tuple[ShrinkLink, ...] = bounded((), None, None, "Every step that changes size between pattern and casting; none: no allowance is made.")
    most_pieces: int = bounded(6, 2, 20, "Most pieces of a rigid mould (phalanx 2, vertebra 3-6; common practice, no source).")
    undercut_limit_mm: float = bounded(0.5, 0.01, 10.0, "A piece is good where its undercuts make the casting fatter by at most this (our default).")
    wall_mm: float = bounded(15.0, 2.0, 500.0, "Least thickness of a rigid piece above and below the bone (our default).")
    flange_mm: float = bounded(20.0, 5.0, 500.0, "Width of the flange around the bone's outline (our default).")
    flange_draft_deg: float = bounded(3.0, 0.0, 20.0, "Draft of the sides of loose side pieces (3-5; common practice, no source).")
    key_diameter_mm: float = bounded(10.0, 2.0, 100.0, "Diameter at the foot of the keys (one is half as wide again) and of ribs on side pieces.")
    key_clearance_mm: float = bounded(0.2, 0.0, 2.0, "Clearance around a key or rib (0.2 pushed, 0.3-0.5 loose; common practice, no source).")
    pour_diameter_mm: float = bounded(10.0, 1.0, 200.0, "Diameter of the pour where it meets the casting; twice as wide outside (our default).")
    vent_diameter_mm: float = bounded(3.0, 0.5, 50.0, "Diameter of a vent (our default).")
    vent_prominence_mm: float = bounded(2.0, 0.1, 100.0, "High points of the cavity that stand this much above their surroundings get a vent.")
    rubber_mm: float = bounded(8.0, 6.0, 12.0, "Thickness of the rubber of a flexible mould (6-12; common practice, no source).")
    jacket_draft_deg: float = bounded(4.0, 3.0, 5.0, "Draft of the rigid jacket (3-5; common practice, no source).")
    rubber_most_mm: float = bounded(40.0, 6.0, 500.0, "Review where the rubber gets thicker than this to let the jacket withdraw (our default).")
    core_wall_mm: float = bounded(0.0, 0.0, 100.0, "Wall of a hollow casting: a core is made that leaves it; 0 makes no core.")
    core_print_mm: float = bounded(8.0, 2.0, 200.0, "Width of the two prints that hold a core between the halves (our default).")
    groove_width_mm: float = bounded(0.6, 0.1, 5.0, "Width of the parting line scribed into a pattern (our default).")
    groove_depth_mm: float = bounded(0.3, 0.05, 5.0, "Depth of the parting line scribed into a pattern (our default).")
    work_tolerance_mm: float = bounded(0.02, 0.001, 1.0, "The bone is decimated within this before a mould is built around it (our default).")
    casting_density_kg_m3: float = bounded(1075.0, 1.0, 20000.0, "Density of the casting (urethane casting resin 1050-1100, from memory).")
    mould_density_kg_m3: float = bounded(1110.0, 1.0, 20000.0, "Density of rigid pieces and jackets (set plaster 1057-1162, materials table).")
    rubber_density_kg_m3: float = bounded(1150.0, 1.0, 20000.0, "Density of the rubber (common practice, no source).")
