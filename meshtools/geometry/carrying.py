"""What a simplified surface takes over from its original: evidence, colour, and only those crossings that were there before."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface, barycentric_weights
from meshtools.geometry.landing import Landing
from meshtools.geometry.pieces import faces_touching, take_faces
from meshtools.geometry.self_intersection import SelfIntersections, find_crossing_pairs
from meshtools.geometry.threads import in_blocks
from meshtools.model import Mesh

RINGS = 2


def carry_over(landing: Landing) -> Mesh:
    """The coarse mesh with the source of the nearest fine face and the colour of the nearest fine surface point.

    Nearest among the fine faces that land on a coarse face or within two rings of faces around it, for a colour on a face at the vertex; lowest index
    on ties.
    """
    fine, coarse = landing.fine, landing.coarse
    source: Any = fine.source[0]
    if (fine.source != fine.source[0]).any():
        source = _sources(landing)
    return Mesh.create(coarse.vertices, coarse.faces, source, None if fine.colour is None else _colours(landing, fine.colour))


def _colours(landing: Landing, of_fine: Any) -> Any:
    """(n, 3) For each coarse vertex the colour of a fine surface, given at its vertices, where that is nearest."""
    from meshtools.geometry.carrying_kernels import nearest_at_vertices
    from meshtools.geometry.landing_kernels import land_at

    fine, points = landing.fine, landing.coarse.vertices
    face, place, distance = np.empty(len(points), np.int32), np.empty((len(points), 3)), np.empty(len(points))
    args = (points, landing.coarse_at), landing.landed_on, (fine.vertices, fine.faces), landing.fine_at, face
    in_blocks(len(points), lambda rows: nearest_at_vertices(rows.start, rows.stop, *args))
    lonely, near = np.flatnonzero(face < 0), np.flatnonzero(face >= 0)
    land_at(near, points, face, fine.vertices, fine.faces, place, distance)
    if len(lonely):
        whole = Surface(fine).nearest(points[lonely])
        face[lonely], place[lonely] = whole.face, whole.point
    corners = fine.faces[face]
    weights = barycentric_weights(place, fine.vertices[corners])
    return np.rint(np.einsum("ij,ijk->ik", weights, of_fine[corners].astype(np.float64)))


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
