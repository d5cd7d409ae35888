"""Take tangles out of a seam: where its faces cross the surface, a little of the seam is cut out and spanned anew."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import take_faces
from meshtools.geometry.rims import find_rims
from meshtools.geometry.seam import span_polygon
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.weld import edge_keys
from meshtools.model import Mesh

MOST_ROUNDS = 6
ROUND_WITH_CROSSING_ORIGINALS = 2
ROUND_WITH_ORIGINALS = 4


@dataclass(frozen=True, eq=False)
class Untangled:
    """A mesh with its original faces first: is_left (n_original,) marks those still there. n_tangled: faces that still cross others."""

    mesh: Mesh
    is_left: NDArray[np.bool_]
    n_tangled: int


def untangle_seam(mesh: Mesh, n_original: int, source_seam: int) -> Untangled:
    """The mesh whose seam crosses itself or other skin as little as can be reached.

    Seam and taken-over faces that take part in a crossing are cut out with the seam around them, wider each round, and the hole is
    closed by faces with source_seam. From the third round on, original faces that cross the seam right beside it go too, in the fifth
    those that touch what crosses, in the sixth the taken-over faces around. A round that gives no fewer crossings is forgotten;
    crossings among original faces alone are the original's and stay.
    """
    best = Untangled(mesh, np.ones(n_original, dtype=bool), 0)
    tangles = _tangles(best)
    best = replace(best, n_tangled=len(tangles))
    n_open = count_edges(mesh.faces, len(mesh.vertices))[0]
    for number in [*range(MOST_ROUNDS), *range(MOST_ROUNDS)]:
        if not len(tangles):
            break
        following = _respanned(best, _faces_to_cut(best, tangles, number, source_seam), source_seam)
        if following is None or count_edges(following.mesh.faces, len(following.mesh.vertices)) != (n_open, 0, 0):
            continue
        remaining = _tangles(following)
        if len(remaining) < best.n_tangled:
            best, tangles = replace(following, n_tangled=len(remaining)), remaining
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
    is_at_tangle = _touches(mesh, is_cut)
    is_cut[:n_original] &= _touches(mesh, is_seam)[:n_original] & (number >= ROUND_WITH_CROSSING_ORIGINALS)
    if number == ROUND_WITH_ORIGINALS:
        return is_at_tangle
    for _ in range(number):
        is_cut |= is_seam & _touches(mesh, is_cut)
    if number > ROUND_WITH_ORIGINALS:
        is_cut |= (np.arange(len(mesh.faces)) >= n_original) & _touches(mesh, is_cut)
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
    barred = np.sort(edge_keys(left.faces, len(left.vertices)))
    patches = [span_polygon(left, rim.vertices, barred) for rim in rims]
    caps = [patch for patch in patches if patch is not None]
    if len(caps) < len(patches):
        return None
    source = np.append(left.source, np.full(sum(len(cap) for cap in caps), source_seam, dtype=np.uint16))
    spanned = left.replaced(faces=np.concatenate([left.faces, *caps]), source=source)
    is_left = state.is_left.copy()
    is_left[np.flatnonzero(is_left)[is_cut[: int(is_left.sum())]]] = False
    return Untangled(take_faces(spanned, np.ones(len(spanned.faces), dtype=bool)), is_left, 0)
