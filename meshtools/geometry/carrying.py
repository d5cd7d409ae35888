"""What a simplified surface takes over from its original: evidence, colour, and only those crossings that were there before."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.landing import Landing
from meshtools.geometry.pieces import faces_touching, take_faces
from meshtools.geometry.self_intersection import SelfIntersections, find_crossing_pairs
from meshtools.model import Mesh

RINGS = 2


def carry_over(landing: Landing) -> Mesh:
    """The coarse mesh with the source of the nearest fine face and the colour of the nearest fine surface point.

    Nearest among the fine faces that land on a coarse face or within two rings of faces around it; lowest index on ties.
    """
    fine, coarse = landing.fine, landing.coarse
    source: Any = fine.source[0]
    if (fine.source != fine.source[0]).any():
        source = _sources(landing)
    colour = None
    if fine.colour is not None:
        nearest = Surface(fine).nearest(coarse.vertices)
        colour = np.rint(np.einsum("ij,ijk->ik", nearest.weights, fine.colour[fine.faces[nearest.face]].astype(np.float64)))
    return Mesh.create(coarse.vertices, coarse.faces, source, colour)


def _sources(landing: Landing) -> Any:
    """(m,) The source around each coarse face where it is the same all around; else that of the nearest fine face."""
    from meshtools.geometry.carrying_kernels import sources_around

    fine, coarse = landing.fine, landing.coarse
    lowest, highest = sources_around(fine.faces, fine.source, landing.face, coarse.faces, len(coarse.vertices), RINGS)
    source = highest.astype(fine.source.dtype)
    unsure = np.flatnonzero(lowest != highest)
    if len(unsure):
        near = take_faces(fine, near_faces(landing, unsure))
        source[unsure] = near.source[Surface(near).nearest(coarse.vertices[coarse.faces[unsure]].mean(axis=1)).face]
    return source


def near_faces(landing: Landing, faces: Any) -> Any:
    """(m,) True for fine faces that land on one of these coarse faces, or within two rings of faces around it."""
    coarse = landing.coarse
    is_near = np.zeros(len(coarse.faces), bool)
    is_near[faces] = True
    for _ in range(RINGS):
        at_vertex = np.zeros(len(coarse.vertices), bool)
        at_vertex[coarse.faces[is_near]] = True
        is_near = np.asarray(at_vertex[coarse.faces].any(axis=1))
    return faces_touching(landing.fine.faces, is_near[landing.face])


def new_crossings(landing: Landing, found: SelfIntersections) -> Any:
    """Coarse faces (k,) that cross another one, where more pairs of them do than of the fine faces near by; else none."""
    if not found.n_pairs:
        return np.empty(0, np.int64)
    near = take_faces(landing.fine, near_faces(landing, found.faces))
    return found.faces if found.n_pairs > len(find_crossing_pairs(near)) else np.empty(0, np.int64)
