"""Fixings of a mount: a row of fixings.csv, and the stretch of a row's tube that goes through one bone."""

from __future__ import annotations

from dataclasses import dataclass

BORE, SOCKET, ROW = "bore", "socket", "row"
PRINT, ADHESIVE = "print", "adhesive"
PLAIN, FLAT, DOWELS = "none", "flat", "dowels"


@dataclass(frozen=True)
class Fixing:
    """One row of fixings.csv: a hole for a rod or tube in the replica of `element` (slug), or one through a row of them up to `last_element`.

    depth_mm: how deep the rod sits; None: through the bone, in a socket two diameters. point: where it begins, towards: the end it begins at, both
    in the coordinates of replica.ply. wall_mm, bend_radius_mm: None for what the settings say. turn_stop: what keeps a rod from turning.
    """

    row: int
    target: str
    element: str
    kind: str
    diameter_mm: float
    fit: str
    last_element: str = ""
    depth_mm: float | None = None
    point: tuple[float, float, float] | None = None
    towards: tuple[float, float, float] | None = None
    wall_mm: float | None = None
    bend_radius_mm: float | None = None
    turn_stop: str = PLAIN

    @property
    def name(self) -> str:
        """The element, or both ends of a row: `lumbar-01__lumbar-07`."""
        return f"{self.element}__{self.last_element}" if self.kind == ROW else self.element


@dataclass(frozen=True)
class RowStretch:
    """The stretch of a row's tube in one bone, in the coordinates of its replica.ply: points along the axis from skin to skin, mm.

    wall_mm: least wall proven, at `thinnest`; keeps_wall: it is nowhere below wall_asked_mm.
    """

    row_name: str
    points: tuple[tuple[float, float, float], ...]
    diameter_mm: float
    hole_mm: float
    wall_mm: float
    wall_asked_mm: float
    thinnest: tuple[float, float, float]
    keeps_wall: bool
