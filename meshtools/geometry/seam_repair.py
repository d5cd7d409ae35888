"""Take tangles out of a seam: where its faces cross the surface, a little of the seam is cut out and spanned anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import take_faces
from meshtools.geometry.rims import close_rims_listed, find_rims
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.model import Mesh

MOST_ROUNDS = 6
ROUNDS_OF_SEAM_ONLY = 2


@dataclass(frozen=True, eq=False)
class Untangled:
    """A mesh with its original faces first: is_left (n_original,) marks those still there. n_tangled: faces that still cross others."""

    mesh: Mesh
    is_left: NDArray[np.bool_]
    n_tangled: int


def untangle_seam(mesh: Mesh, n_original: int, source_seam: int) -> Untangled:
    """The mesh whose seam crosses itself or other skin as little as can be reached.

    Seam and taken-over faces that take part in a crossing are cut out with the seam around them, wider each round, and the hole is
    closed by faces with source_seam. From the third round on, original faces that cross the seam right beside it go too. The best
    round wins; crossings among original faces alone are the original's and stay.
    """
    current = Untangled(mesh, np.ones(n_original, dtype=bool), 0)
    tangles = _tangles(current)
    best = Untangled(mesh, current.is_left, len(tangles))
    n_open = count_edges(mesh.faces, len(mesh.vertices))[0]
    for number in range(MOST_ROUNDS):
        if not len(tangles):
            break
        following = _respanned(current, _faces_to_cut(current, tangles, number, source_seam), source_seam)
        if following is None or count_edges(following.mesh.faces, len(following.mesh.vertices)) != (n_open, 0, 0):
            break
        current, tangles = following, _tangles(following)
        if len(tangles) < best.n_tangled:
            best = Untangled(current.mesh, current.is_left, len(tangles))
    return best


def _tangles(state: Untangled) -> NDArray[np.int32]:
    """Faces that cross others; none where only original faces do."""
    faces = count_self_intersections(state.mesh).faces
    return faces if (faces >= int(state.is_left.sum())).any() else faces[:0]


def _faces_to_cut(state: Untangled, tangles: NDArray[np.int32], number: int, source_seam: int) -> NDArray[np.bool_]:
    mesh, n_original = state.mesh, int(state.is_left.sum())
    is_seam = (mesh.source == source_seam) & (np.arange(len(mesh.faces)) >= n_original)
    is_cut = np.zeros(len(mesh.faces), dtype=bool)
    is_cut[tangles] = True
    is_cut[:n_original] &= _touches(mesh, is_seam)[:n_original] & (number >= ROUNDS_OF_SEAM_ONLY)
    for _ in range(number):
        is_cut |= is_seam & _touches(mesh, is_cut)
    return is_cut


def _touches(mesh: Mesh, is_in: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(m,) faces with a corner in common with the marked ones, these included."""
    is_touched = np.zeros(len(mesh.vertices), dtype=bool)
    is_touched[mesh.faces[is_in].ravel()] = True
    return np.asarray(is_touched[mesh.faces].any(axis=1))


def _respanned(state: Untangled, is_cut: NDArray[np.bool_], source_seam: int) -> Untangled | None:
    """The state without the marked faces, the holes closed anew (rims that were open before stay open); None where that fails."""
    known = {rim.vertices.tobytes() for rim in find_rims(state.mesh)}
    left = state.mesh.replaced(faces=state.mesh.faces[~is_cut], source=state.mesh.source[~is_cut])
    rims = [rim for rim in find_rims(left) if rim.vertices.tobytes() not in known]
    closing = close_rims_listed(left, rims, source_seam)
    if closing.refused:
        return None
    is_left = state.is_left.copy()
    is_left[np.flatnonzero(is_left)[is_cut[: int(is_left.sum())]]] = False
    return Untangled(take_faces(closing.mesh, np.ones(len(closing.mesh.faces), dtype=bool)), is_left, 0)
