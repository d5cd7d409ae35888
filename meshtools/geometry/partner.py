"""The bone that another one is completed from: its mirror image or its counterpart, as it is laid on, and which of its faces say what."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import FacingSurface, PosedFacing
from meshtools.model import FloatArray, Mesh

BoolArray = NDArray[np.bool_]
MOST_SKINS = 2  # kept ready at once


class SkinTrees:
    """Skins of one mesh as it lies before any pose, each made ready once, however often and in whatever pose it is asked."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self._skins: dict[bytes, FacingSurface] = {}

    def skin(self, is_skin: BoolArray) -> FacingSurface:
        """The part of the mesh that these faces (m,) make up."""
        key = np.packbits(is_skin).tobytes()
        if key not in self._skins:
            while len(self._skins) >= MOST_SKINS:
                del self._skins[next(iter(self._skins))]
            self._skins[key] = FacingSurface(self.mesh, is_skin)
        return self._skins[key]


@dataclass(frozen=True, eq=False)
class Partner:
    """The posed mirror image or counterpart: a closed mesh, which of its faces are no skin, which are fills or caps and say nothing
    about the bone, and whether face k is the image of the original's face k.

    trees: of the mesh before it was posed (for an image, the original itself). pose (4, 4): from there to where it lies, None once it is bent.
    """

    mesh: Mesh
    is_false: BoolArray
    is_filled: BoolArray
    is_image: bool
    trees: SkinTrees
    pose: FloatArray | None

    def _skin_of(self, is_skin: BoolArray) -> FacingSurface:
        return FacingSurface(self.mesh, is_skin) if self.pose is None else PosedFacing(self.trees.skin(is_skin), self.pose)

    @cached_property
    def skin(self) -> FacingSurface:
        """The partner's skin, ready for queries."""
        return self._skin_of(~self.is_false)

    @cached_property
    def evidence(self) -> FacingSurface:
        """The partner's skin without fills."""
        is_evidence = ~self.is_false & ~self.is_filled
        return self._skin_of(is_evidence) if is_evidence.sum() < (~self.is_false).sum() else self.skin

    @cached_property
    def surface(self) -> Surface:
        """All of the partner's surface, whatever it is and however it faces."""
        return Surface(self.mesh)

    @cached_property
    def fills(self) -> FacingSurface:
        """The partner's fills and caps, of which nobody knows how the bone lay there."""
        return FacingSurface(self.mesh, self.is_filled)
