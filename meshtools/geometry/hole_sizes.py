"""How wide a hole for a rod is, and how much wall is asked for about it."""

from __future__ import annotations

from meshtools.model_fixings import ADHESIVE, Fixing
from meshtools.settings_fixings import FixingSettings


def hole_mm_of(fixing: Fixing, settings: FixingSettings) -> float:
    """Diameter of the hole for a rod in mm: wider by the clearance of a print or by the bed of an adhesive."""
    return fixing.diameter_mm + (settings.adhesive_clearance_mm if fixing.fit == ADHESIVE else settings.print_clearance_mm)


def wall_mm_of(fixing: Fixing, settings: FixingSettings) -> float:
    """Wall asked for about a hole in mm: by its row of fixings.csv, else in diameters of the rod."""
    return fixing.wall_mm if fixing.wall_mm is not None else settings.wall_diameters * fixing.diameter_mm
