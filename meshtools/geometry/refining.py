"""Bring a coarse version of a surface within a tolerance of the fine one, both ways and everywhere, by corners added where it strays."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface, barycentric_weights
from meshtools.geometry.insertion import Inserted, Points, flip_longest_edges, insert_points, move_corners
from meshtools.geometry.landing import Landing
from meshtools.model import FloatArray, Mesh

ROUNDS = 12
SEARCHED = 20  # so many coarse faces that are left are looked at closely
SLOWEST = 0.8  # when more than this share of the open places is left after a round, adding corners does not help any more
UPRIGHT, ANY_WAY = 1e-3, -2.0  # least cosine between a face and its parts; the second where only a few places are left, such as folds
FEW = 100


class Refining:
    """A fine mesh, a coarse one, and what is shown of them so far: fine_mm and coarse_mm, the distance within which all of a fine or coarse face
    has the other surface near; infinite where nothing is shown."""

    def __init__(self, fine: Mesh, coarse: Mesh, across: Any, tolerance_mm: float) -> None:
        """across: `face_neighbours` of the fine mesh."""
        self.tolerance_mm, self.landing = tolerance_mm, Landing(fine, Surface(coarse), across)
        self.fine_mm = np.full(len(fine.faces), np.inf)
        self.coarse_mm = self.landing.prove_coarse(np.ones(len(coarse.faces), bool))
        self._is_todo = np.ones(len(fine.faces), bool)

    @property
    def coarse(self) -> Mesh:
        """The coarse mesh as it stands."""
        return self.landing.coarse

    def settle(self) -> FloatArray:
        """Prove, and add corners where that fails, until all is within the tolerance or no more corner can be added.

        Returns points (k, 3) where it failed; none when all is shown.
        """
        left, n_before, least_facing = np.zeros((0, 3)), np.inf, UPRIGHT
        for _ in range(ROUNDS):
            self.landing.prove_fine(self._is_todo, self.tolerance_mm, self.fine_mm)
            fine_points = self._fine_points()
            astray, coarse_points, lost = self._coarse_points()
            points = _joined(fine_points, coarse_points)
            open_faces = self.coarse.faces[np.concatenate([points.face, lost])]
            left = np.concatenate([self.coarse.vertices[open_faces].mean(axis=1), self.coarse.vertices[astray[0]]])
            is_slow = len(left) > SLOWEST * n_before
            if not len(left) or (is_slow and (len(left) > FEW or least_facing == ANY_WAY)):
                break
            if is_slow and self._change(flip_longest_edges(self.coarse, self.landing.neighbours, coarse_points.face)):
                n_before = np.inf
                continue
            n_before, least_facing = len(left), ANY_WAY if is_slow else least_facing
            is_changed = self._change(insert_points(self.coarse, self.landing.neighbours, points, least_facing))
            if len(astray[0]):
                is_changed |= self._change(move_corners(self.coarse, *astray, least_facing))
            if not is_changed:
                break
        return left

    def _fine_points(self) -> Points:
        """Points where fine faces fail: their farthest corner where that is too far off, else the place within the face."""
        landing = self.landing
        wanted = np.flatnonzero(self.fine_mm > self.tolerance_mm)
        place, face = landing.prove_fine_nearby(wanted, self.tolerance_mm, self.fine_mm)
        is_open = self.fine_mm[wanted] > self.tolerance_mm
        corners = landing.fine.faces[wanted[is_open]]
        farthest = corners[np.arange(len(corners)), landing.distance_mm[corners].argmax(axis=1)]
        is_far = landing.distance_mm[farthest] > self.tolerance_mm
        within = self._at_places(face[is_open][~is_far], place[is_open][~is_far], place[is_open][~is_far])
        return _joined(self._at_vertices(np.unique(farthest[is_far])), within)

    def _coarse_points(self) -> tuple[tuple[Any, FloatArray], Points, Any]:
        """Corners of the coarse mesh that are themselves too far off, with the nearest fine points; places within faces that fail; and faces
        that have no fine face near them at all."""
        fine, coarse = self.landing.fine, self.coarse
        wanted = np.flatnonzero(self.coarse_mm > self.tolerance_mm)
        place, near = self.landing.prove_coarse_nearby(wanted, self.tolerance_mm, self.coarse_mm)
        few = wanted[self.coarse_mm[wanted] > self.tolerance_mm]
        if len(few) <= SEARCHED:
            self.landing.prove_by_search(few, self.tolerance_mm, self.coarse_mm)
        is_open = self.coarse_mm[wanted] > self.tolerance_mm
        lost, is_open = wanted[is_open & (near < 0)], is_open & (near >= 0)
        wanted, place = wanted[is_open], place[is_open]
        corners = fine.vertices[fine.faces[near[is_open]]]
        target = np.einsum("ij,ijk->ik", barycentric_weights(place, corners), corners)
        is_corner = (coarse.vertices[coarse.faces[wanted]] == place[:, None]).all(axis=2)
        at_corner = is_corner.any(axis=1)
        astray, first = np.unique(coarse.faces[wanted][is_corner], return_index=True)
        within = self._at_places(wanted[~at_corner], place[~at_corner], target[~at_corner])
        return (astray, target[at_corner][first]), within, lost

    def _at_places(self, face: Any, place: FloatArray, position: FloatArray) -> Points:
        """One point for each coarse face, with its foot near a place."""
        _, first = np.unique(face, return_index=True)
        face, place = face[first], place[first]
        return Points(face, barycentric_weights(place, self.coarse.vertices[self.coarse.faces[face]]), position[first])

    def _at_vertices(self, vertices: Any) -> Points:
        """Fine vertices as points to insert where they land, at most one to a coarse face, the farthest first."""
        landing = self.landing
        ranked = vertices[np.lexsort((vertices, -landing.distance_mm[vertices]))]
        _, first = np.unique(landing.face[ranked], return_index=True)
        chosen = ranked[np.sort(first)]
        face = landing.face[chosen].astype(np.int64)
        weights = barycentric_weights(landing.point[chosen], self.coarse.vertices[self.coarse.faces[face]])
        return Points(face, weights, landing.fine.vertices[chosen])

    def refine_at(self, faces: Any) -> bool:
        """Add a corner to each of these coarse faces: at the farthest fine vertex that lands on it. False where nothing could be added."""
        is_wanted = np.zeros(len(self.coarse.faces), bool)
        is_wanted[faces] = True
        points = self._at_vertices(np.flatnonzero(is_wanted[self.landing.face]))
        return self._change(insert_points(self.coarse, self.landing.neighbours, points, UPRIGHT))

    def _change(self, inserted: Inserted) -> bool:
        """Go on with a changed coarse mesh, and note what has to be proven again. A proof for two faces that are still there stays true."""
        is_gone = inserted.number < 0
        if not is_gone.any():
            return False
        is_at_change = np.zeros(len(self.coarse.vertices), bool)
        is_at_change[self.coarse.faces[is_gone].ravel()] = True  # a fine face was judged against all faces with a corner in common with its own
        is_settled = ~is_at_change[self.coarse.faces].any(axis=1)
        again = self.landing.move_to(inserted.mesh, inserted.number, is_settled)
        is_again = again[self.landing.fine.faces].any(axis=1)
        self.fine_mm[is_again] = np.inf
        self._is_todo = self.fine_mm > self.tolerance_mm
        self.coarse_mm = np.concatenate([self.coarse_mm[~is_gone], np.full(len(inserted.mesh.faces) - inserted.n_kept, np.inf)])
        return True


def _joined(first: Points, second: Points) -> Points:
    is_new = ~np.isin(second.face, first.face)
    return Points(
        np.concatenate([first.face, second.face[is_new]]),
        np.concatenate([first.weights, second.weights[is_new]]),
        np.concatenate([first.position, second.position[is_new]]),
    )
