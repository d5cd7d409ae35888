"""Fewer faces by collapsing edges, with a way back: a collapse that turns out to have gone too far is undone, and the rest stays as it is.

Faces keep their numbers, so what is shown of two faces stays true for as long as their corners do. Our own method; the order and the place of
collapses follow quadric error metrics (`collapsing_kernels`).
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from meshtools.geometry.landing import Landing
from meshtools.geometry.neighbours import face_neighbours
from meshtools.geometry.threads import at_once, in_blocks
from meshtools.model import Mesh

STEPS = np.geomspace(0.14, 0.6, 18)  # of the tolerance: how far off planes may be, sweep by sweep
REACH = 0.8  # of the tolerance: how far vertices may be off; the rest is left for what lies between them


class Collapsing:
    """A fine mesh and the coarse one that collapses have made of it.

    coarse: the mesh as it stands; face_number (m,): which original face each of its faces was; landing: where the fine vertices are on it.
    """

    def __init__(self, fine: Mesh, is_kept: Any, tolerance_mm: float) -> None:
        """is_kept (m,): faces that stay to the last bit. Rims stay where they are, and so do the borders between faces of different sources."""
        from meshtools.geometry.collapse_blocks import collapse_edges
        from meshtools.geometry.collapse_start_kernels import fixed_vertices

        self.fine = fine
        n = len(fine.vertices)
        across = face_neighbours(fine.faces, n)
        is_fixed = fixed_vertices(fine.faces, across, is_kept, n)
        is_fixed[_border_vertices(fine, across)] = True
        del across
        found = collapse_edges(fine, is_fixed, STEPS * tolerance_mm, REACH * tolerance_mm)
        self._collapses, self._rings = found.kept_gone_places, found.starts_and_rings
        self._is_undone = np.zeros(len(self._collapses[0]), bool)
        self._replay()
        across = face_neighbours(fine.faces, n)  # made again rather than kept: memory is short while edges collapse
        self.landing = Landing(fine, self.coarse, across, self._place_of[found.face])

    def _replay(self) -> None:
        """The coarse mesh from the collapses that are not undone."""
        from meshtools.geometry.undoing_kernels import faces_left, stand_ins, vertices_left, vertices_moved

        fine, done = self.fine, (self._collapses, self._is_undone)
        vertices, self._stands_for = at_once([partial(vertices_moved, fine.vertices, *done), partial(stand_ins, len(fine.vertices), *done)])
        self._vertex_number, self._vertex_place = vertices_left(self._stands_for)
        self.face_number, self._place_of, corners = faces_left(fine.faces, self._stands_for, self._vertex_place)
        self.coarse = Mesh.create(vertices[self._vertex_number], corners)

    def undo_around(self, wanted: Any, most: int, n_rings: int) -> tuple[Any, Any] | None:
        """Undo the last collapses into the corners of some coarse faces (k,) and of those within some rings around them, and what followed from them.

        most: so many at each corner; 0 for one at that corner of each face which moved last. Returns the place (k,) of each old coarse face among
        the new ones, -1 where it is gone or has changed, and True for fine vertices (n,) that have landed again; None where nothing is undone.
        """
        from meshtools.geometry.undoing_kernels import changed_faces, undone

        before, number = self.coarse, self.face_number
        is_wanted = np.zeros(len(self.fine.vertices), bool)
        is_wanted[self._vertex_number[self._corners_around(wanted, most, n_rings)]] = True
        is_undone = undone(self._collapses, self._rings, self._stands_for, is_wanted, max(most, 1), self._is_undone)
        if (is_undone == self._is_undone).all():
            return None
        self._is_undone = is_undone
        self._replay()
        place = self._place_of[number]
        place[changed_faces(before.vertices, before.faces, self.coarse.vertices, self.coarse.faces, place)] = -1
        return place, self._land_again(before, place)

    def _corners_around(self, wanted: Any, most: int, n_rings: int) -> Any:
        """The coarse vertices that `undo_around` means."""
        faces = self.coarse.faces
        if not most:
            last = np.full(len(self.fine.vertices), -1, np.int64)
            is_done = ~self._is_undone
            last[self._stands_for[self._collapses[0][is_done]]] = np.flatnonzero(is_done)  # of equal places the last one counts
            corners = faces[wanted]
            return corners[np.arange(len(corners)), last[self._vertex_number[corners]].argmax(axis=1)]
        is_in = np.zeros(len(self.coarse.vertices), bool)
        is_in[faces[wanted].ravel()] = True
        for _ in range(n_rings):
            is_in[faces[is_in[faces].any(axis=1)].ravel()] = True
        return np.flatnonzero(is_in)

    def _land_again(self, before: Mesh, place: Any) -> Any:
        """Land the fine vertices that were on coarse faces which are gone or have changed, or that share a corner with one."""
        from meshtools.geometry.landing_kernels import land_around
        from meshtools.geometry.nearby_kernels import group_by

        landing, coarse = self.landing, self.coarse
        is_at_change = np.zeros(len(before.vertices), bool)
        is_at_change[before.faces[place < 0].ravel()] = True
        is_loose: Any = is_at_change[before.faces].any(axis=1)
        again = is_loose[landing.face]
        face = place[landing.face]
        at_corner = group_by(coarse.faces.ravel(), len(coarse.vertices))
        args = self.fine.vertices, self._vertex_place[self._stands_for], coarse.vertices, coarse.faces, at_corner, face
        landed = np.flatnonzero(again)
        in_blocks(len(landed), lambda rows: land_around(landed[rows], *args))
        landing.move_to(coarse, face, landed)
        return again


def _border_vertices(mesh: Mesh, across: Any) -> Any:
    """The ends (k,) of edges between faces of different sources. One face at each is not of the commonest."""
    rows = np.flatnonzero(mesh.source != np.bincount(mesh.source).argmax())
    beyond = across[rows]
    is_border = (beyond >= 0) & (mesh.source[beyond] != mesh.source[rows][:, None])
    return np.concatenate([mesh.faces[rows][is_border], np.roll(mesh.faces[rows], -1, axis=1)[is_border]])
