"""Settings of bores and sockets for the armature."""

from __future__ import annotations

from dataclasses import dataclass

from meshtools.bounds import bounded


@dataclass(frozen=True)
class FixingSettings:
    """How bores and sockets for the armature are laid. Mount practice, no source but trade use."""

    print_clearance_mm: float = bounded(0.4, 0.0, 3.0, "A hole for a rod in a print is wider than the rod by this.")
    adhesive_clearance_mm: float = bounded(0.75, 0.5, 1.0, "A hole with an adhesive bed is wider than the rod by this.")
    wall_diameters: float = bounded(1.0, 0.1, 5.0, "Wall to be left about a hole, in diameters of the rod, where a row says nothing else.")
    engagement_diameters: float = bounded(2.0, 0.5, 10.0, "A rod sits at least so many of its diameters deep.")
    free_end_mm: float = bounded(10.0, 0.0, 100.0, "A blind hole goes on so far beyond the end of the rod.")
    bend_radius_diameters: float = bounded(3.0, 1.0, 50.0, "Smallest bend radius of a tube's centre line, in its diameters, where a row gives none.")
    flat_share: float = bounded(0.8, 0.5, 0.95, "A flat against turning lies this share of the radius from the axis.")
