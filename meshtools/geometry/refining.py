"""Bring a coarse version of a surface within a tolerance of the fine one, both ways and everywhere, by undoing what made it stray."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from meshtools.geometry.collapsing import Collapsing
from meshtools.geometry.landing import Landing
from meshtools.geometry.threads import at_once
from meshtools.model import FloatArray, Mesh

ROUNDS = 16
NARROW_ROUNDS = 2  # in the first ones a single collapse is undone at a place; after them more each time, then around it, too


class Refining:
    """A fine mesh, a coarse one, and what is shown of them so far: fine_mm and coarse_mm, the distance within which all of a fine or coarse face
    has the other surface near; infinite where nothing is shown."""

    def __init__(self, collapsing: Collapsing, tolerance_mm: float) -> None:
        self._collapsing, self.tolerance_mm = collapsing, tolerance_mm
        self.fine_mm = np.full(len(collapsing.fine.faces), np.inf)
        self.coarse_mm = np.full(len(collapsing.coarse.faces), np.inf)
        self._n_rounds = 0

    @property
    def landing(self) -> Landing:
        """The fine vertices on the coarse mesh."""
        return self._collapsing.landing

    @property
    def coarse(self) -> Mesh:
        """The coarse mesh as it stands."""
        return self._collapsing.coarse

    def settle(self) -> bool:
        """Prove, and undo collapses where that fails, until all is within the tolerance. False where that does not come to an end."""
        while True:
            self.prove()
            astray = self._astray()
            if not len(astray):
                return True
            if not self.undo_at(astray):
                return False

    def prove(self) -> None:
        """Show as much as can be shown of what is not yet. The coarse faces come first: what ends with them leaves a core to the fine ones."""
        wanted = self.coarse_mm > self.tolerance_mm
        end = self.landing.begin_coarse(wanted, self.tolerance_mm)
        works: list[Callable[[], None]] = [partial(self._end_coarse, wanted, end), self._prove_fine]
        at_once(works)

    def _prove_fine(self) -> None:
        landing, tolerance_mm = self.landing, self.tolerance_mm
        landing.prove_fine(self.fine_mm > tolerance_mm, tolerance_mm, self.fine_mm)
        landing.prove_fine_nearby(np.flatnonzero(self.fine_mm > tolerance_mm), tolerance_mm, self.fine_mm)

    def _end_coarse(self, wanted: Any, end: Callable[[], FloatArray]) -> None:
        self.coarse_mm[wanted] = end()[wanted]
        self.landing.prove_coarse_nearby(np.flatnonzero(self.coarse_mm > self.tolerance_mm), self.tolerance_mm, self.coarse_mm)

    def _astray(self) -> Any:
        """Coarse faces (k,) of which nothing is shown, or on which a corner of such a fine face lands."""
        is_astray = self.coarse_mm > self.tolerance_mm
        is_astray[self.landing.face[self.landing.fine.faces[self.fine_mm > self.tolerance_mm]].ravel()] = True
        return np.flatnonzero(is_astray)

    def undo_at(self, faces: Any) -> bool:
        """Undo what has made these coarse faces, and note what has to be shown again. False where nothing is left to undo, or it takes too long."""
        from meshtools.geometry.undoing_kernels import note_changed

        self._n_rounds += 1
        if self._n_rounds > ROUNDS:
            return False
        later = max(0, self._n_rounds - NARROW_ROUNDS)
        most, n_rings = (4**later if later else 0), max(0, later - 2)
        changed = self._collapsing.undo_around(faces, most, n_rings)
        if changed is None:
            return False
        place, is_again = changed
        note_changed(self.landing.fine.faces, is_again, self.fine_mm)
        shown, self.coarse_mm = self.coarse_mm, np.full(len(self.coarse.faces), np.inf)
        self.coarse_mm[place[place >= 0]] = shown[place >= 0]
        return True
