"""Cuts that take out a tangle: the faces around one of its corners, tried on the faces near by alone, and the islands that a cut would leave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import face_areas, faces_touching, patches_by_edges, ring_around, take_faces
from meshtools.geometry.repair_budget import surface_area
from meshtools.geometry.seam_repair import respan
from meshtools.geometry.self_intersection import find_meeting_pairs
from meshtools.model import Mesh

MOST_CORNERS = 12
"""Of a tangle, those with the most of its faces around them: a corner that was carried through the skin has nearly all of its faces in it."""
MOST_FACES = 200
"""A tangle of more faces than this is not one corner's fault."""
MOST_CUTS = 3


def corner_cuts(mesh: Mesh, cluster: NDArray[np.int64], source_index: int) -> list[NDArray[np.bool_]]:
    """Sets of faces (m,), at most MOST_CUTS, each around one corner of a tangle, by itself or with the tangle: those that leave fewest faces
    crossing near by when spanned anew, and of these the ones with the least new skin, come first.

    A single corner that a fold has carried through the skin is taken out so; a ring around all of a tangle costs many times the skin.
    """
    if len(cluster) > MOST_FACES:
        return []
    corners, n_faces = np.unique(mesh.faces[cluster], return_counts=True)
    rows = _rows_around(mesh, corners)
    near = take_faces(mesh, _marked(len(mesh.faces), rows))
    is_tangled = np.isin(rows, cluster)
    sound, n_before, area = count_edges(near.faces, len(near.vertices)), len(find_meeting_pairs(near)), surface_area(near)
    ranked, tried = list[tuple[int, float, int, NDArray[np.bool_]]](), set[bytes]()
    for corner in corners[np.argsort(-n_faces, kind="stable")[:MOST_CORNERS]].tolist():
        is_around = (mesh.faces[rows] == corner).any(axis=1)
        for is_cut in (is_around, with_islands(near, is_around | is_tangled)):
            spanned = respan(near, is_cut, source_index) if is_cut.tobytes() not in tried else None
            tried.add(is_cut.tobytes())
            if spanned is None or count_edges(spanned.faces, len(spanned.vertices)) != sound:
                continue
            made = float(face_areas(near.vertices, near.faces[is_cut]).sum()) + surface_area(spanned) - area
            n_left = len(find_meeting_pairs(spanned))
            if n_left < n_before:
                ranked.append((n_left, made, len(ranked), is_cut))
    return [_marked(len(mesh.faces), rows[is_cut]) for *_, is_cut in sorted(ranked, key=lambda found: found[:3])[:MOST_CUTS]]


def with_islands(mesh: Mesh, is_cut: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The cut with what it would part from its piece, or leave hanging there by a corner, where that is no more than the cut's patches beside it."""
    whole = patches_by_edges(mesh.faces, len(mesh.vertices))
    is_cut_into = np.zeros(int(whole.max(initial=-1)) + 1, dtype=bool)
    is_cut_into[whole[is_cut]] = True
    affected = np.flatnonzero(is_cut_into[whole] & ~is_cut)
    if not len(affected):
        return is_cut
    parts = patches_by_edges(mesh.faces[affected], len(mesh.vertices))
    area = np.bincount(parts, face_areas(mesh.vertices, mesh.faces[affected]))
    cut = np.flatnonzero(is_cut)
    patch = patches_by_edges(mesh.faces[cut], len(mesh.vertices))
    patch_area = np.bincount(patch, face_areas(mesh.vertices, mesh.faces[cut]))
    largest = np.zeros(len(is_cut_into))
    np.maximum.at(largest, whole[affected], area[parts])
    beside = np.zeros(len(area))  # area of the patches that each part meets at a corner
    for part, one in _meetings(mesh, (affected, parts), (cut, patch)):
        beside[part] += patch_area[one]
    is_island = (area[parts] < largest[whole[affected]]) & (area <= beside)[parts]
    wider = is_cut.copy()
    wider[affected[is_island]] = True
    return wider


def _meetings(
    mesh: Mesh, parts: tuple[NDArray[np.int64], NDArray[np.int64]], patches: tuple[NDArray[np.int64], NDArray[np.int64]]
) -> list[tuple[int, int]]:
    """Each part with each patch that it has a corner in common with; both are given by their faces and the number of each face."""
    (rows, part), (cut, patch) = parts, patches
    is_at = np.zeros(len(mesh.vertices), dtype=bool)
    is_at[mesh.faces[cut]] = True
    near = np.flatnonzero(faces_touching(mesh.faces[rows], is_at))
    corners = np.concatenate([mesh.faces[rows[near]].ravel(), mesh.faces[cut].ravel()])
    of = np.concatenate([np.repeat(part[near], 3), np.repeat(patch, 3)])
    is_patch = np.arange(len(of)) >= 3 * len(near)
    pairs = np.unique(np.stack([corners, is_patch, of], axis=1), axis=0)
    at: dict[int, tuple[list[int], list[int]]] = {}
    for corner, side, number in pairs.tolist():
        at.setdefault(corner, ([], []))[side].append(number)
    return sorted({(a, b) for own, others in at.values() for a in own for b in others})


def _rows_around(mesh: Mesh, corners: NDArray[np.int32]) -> NDArray[np.int64]:
    """Faces whose boxes meet the box of all faces within two rings of some corners, ascending."""
    is_in = np.zeros(len(mesh.vertices), dtype=bool)
    is_in[corners] = True
    for _ in range(2):
        is_in = ring_around(mesh, is_in)
    low, high = mesh.vertices[is_in].min(axis=0), mesh.vertices[is_in].max(axis=0)
    points = mesh.vertices[mesh.faces]
    return np.flatnonzero(((points.min(axis=1) <= high) & (points.max(axis=1) >= low)).all(axis=1))


def _marked(n_faces: int, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    is_in = np.zeros(n_faces, dtype=bool)
    is_in[rows] = True
    return is_in
