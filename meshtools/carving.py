"""All that is known of a part that is to be carved, before it is put into tables, drawings and findings. Lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.carved_solid import CarvedSolid
from meshtools.geometry.coat_check import CoatCheck
from meshtools.geometry.distance import Surface
from meshtools.geometry.further_setups import FurtherSetUp
from meshtools.geometry.milled_reach import Approach
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.setups import Trial, TwoSides
from meshtools.geometry.slab_check import StackCheck
from meshtools.geometry.slabs import SlabStack
from meshtools.geometry.stock import Bridge, Stock
from meshtools.geometry.uncut import CutterReach, InsideRadii, UncutShare
from meshtools.model import FloatArray, Mesh
from meshtools.model_ready import Part
from meshtools.settings_cnc import CncSettings, Cutter

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

BELOW_SKIN_MM = 0.01  # the middle of a face so far below the skin without holes is wall of a hole


@dataclass(frozen=True, eq=False)
class Carving:
    """lying: the solid to carve in stock coordinates, with the armature's holes; chosen: the set-up taken; outline: of the lying solid seen
    from above; inside_share: share of fresh samples of the solid that lie within the stacked slabs; sheet: the parting surface over the whole
    block, in the frame of the sight."""

    part: Part
    settings: CncSettings
    cutter: Cutter
    carved: CarvedSolid
    lying: Mesh
    chosen: Trial
    both: TwoSides
    further: tuple[FurtherSetUp, ...]
    uncut: UncutShare
    reach: tuple[CutterReach, ...]
    radii: InsideRadii
    stock: Stock
    outline: BaseGeometry
    bridges: tuple[Bridge, ...]
    stack: SlabStack
    stack_check: StackCheck
    coat: CoatCheck
    inside_share: float
    sheet: Mesh

    @property
    def sides(self) -> tuple[Approach, ...]:
        """The cutter in every set-up, in order."""
        return (*self.both.sides, *(setup.approach for setup in self.further))

    def direction_in_stock(self, side: Approach) -> FloatArray:
        """Direction (3,) from the part to the cutter in stock coordinates."""
        return np.asarray(self.stock.stock_from_replica[:3, :3] @ side.frame[2])

    @cached_property
    def is_drilled(self) -> NDArray[np.bool_]:
        """(m,) True for the faces of the lying solid that are walls of the armature's holes: they lie below the skin without holes."""
        middles = self.carved.solid.vertices[self.carved.solid.faces].mean(axis=1)
        if self.part.unbored is None:
            return np.zeros(len(middles), bool)
        return Surface(self.carved.mesh).distance(middles)[0] > BELOW_SKIN_MM + 2.0 * self.carved.bound_mm

    @property
    def drilled_mm2(self) -> float:
        """Area of the walls of the armature's holes."""
        return float(mesh_areas(self.lying)[self.is_drilled].sum())

    @property
    def block_mm3(self) -> float:
        """Volume of the block."""
        return float(np.prod(self.stock.size_mm))

    @property
    def solid_mm3(self) -> float:
        """Volume of the solid to carve."""
        from meshtools.geometry.unite import signed_volume_mm3

        return signed_volume_mm3(self.lying.vertices, self.lying.faces)

    @property
    def sheets_mm3(self) -> float:
        """Volume of the rectangles that the slabs' outlines are cut from."""
        return float(sum(slab.sheet_mm[0] * slab.sheet_mm[1] * (slab.high_mm - slab.low_mm) for slab in self.stack.slabs))


def sections_needed(size_mm: float, travel_mm: float, beside_mm: float = 0.0) -> int:
    """Into how many pieces of equal length a block must be parted so that each fits the travel with what it needs beside it, 0 where none fits."""
    room = travel_mm - beside_mm
    return int(np.ceil((size_mm - beside_mm) / room - 1e-9)) if room > 0 else 0
