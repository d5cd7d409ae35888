"""Loops that take collapses back: which ones hang on those that are undone, and the mesh without them. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


@compiled
def undone(collapses: Any, rings: Any, stands_for: Any, is_wanted: Any, most: int, is_undone: Any) -> Any:
    """Which collapses (k,) are undone, beyond those that are already: the last ones, at most so many, into each wanted vertex (n,), and later
    ones that happened beside one of them, and so could not have without it. stands_for (n,): of the collapses not undone before."""
    kept, gone, _ = collapses
    starts, around = rings
    is_undone, count, is_touched = is_undone.copy(), np.zeros(len(stands_for), np.int32), np.zeros(len(stands_for), np.bool_)
    for i in range(len(kept) - 1, -1, -1):
        vertex = stands_for[kept[i]]
        if is_wanted[vertex] and not is_undone[i] and count[vertex] < most:
            is_undone[i] = True
            count[vertex] += 1
    for i in range(len(kept)):
        if is_undone[i] or is_touched[kept[i]] or is_touched[gone[i]]:
            is_undone[i] = is_touched[kept[i]] = is_touched[gone[i]] = True
            for j in range(starts[i], starts[i + 1]):
                is_touched[around[j]] = True
    return is_undone


@compiled
def vertices_moved(points: Any, collapses: Any, is_undone: Any) -> Any:
    """The places (n, 3) of the vertices after the collapses that are not undone."""
    kept, _, places = collapses
    vertices = points.copy()
    for i in range(len(kept)):
        if not is_undone[i]:
            vertices[kept[i], 0], vertices[kept[i], 1], vertices[kept[i], 2] = places[i, 0], places[i, 1], places[i, 2]
    return vertices


@compiled
def stand_ins(n_vertices: int, collapses: Any, is_undone: Any) -> Any:
    """The vertex (n,) that stands for each one after the collapses that are not undone."""
    kept, gone, _ = collapses
    stands_for = np.arange(n_vertices).astype(np.int32)
    for i in range(len(kept) - 1, -1, -1):
        if not is_undone[i]:
            stands_for[gone[i]] = stands_for[kept[i]]
    return stands_for


@compiled
def changed_faces(old_vertices: Any, old_faces: Any, vertices: Any, faces: Any, place: Any) -> Any:
    """(k,) True for old faces whose corners are no more where those of the face at their place (k,) are."""
    is_changed = np.zeros(len(old_faces), np.bool_)
    for t in range(len(old_faces)):
        for k in range(3):
            for axis in range(3):
                if old_vertices[old_faces[t, k], axis] != vertices[faces[place[t], k], axis]:
                    is_changed[t] = True
    return is_changed


@compiled
def note_changed(faces: Any, is_changed: Any, shown: Any) -> None:
    """Set what is shown (m,) of faces with a changed corner (n,) to infinite."""
    for t in range(len(faces)):
        if is_changed[faces[t, 0]] or is_changed[faces[t, 1]] or is_changed[faces[t, 2]]:
            shown[t] = np.inf


@compiled
def vertices_left(stands_for: Any) -> Any:
    """The vertices (k,) that stand for themselves, and the place (n,) among them of each vertex, -1 for the others."""
    place, n = np.full(len(stands_for), -1, np.int32), 0
    for v in range(len(stands_for)):
        if stands_for[v] == v:
            place[v] = n
            n += 1
    number = np.empty(n, np.int32)
    for v in range(len(stands_for)):
        if place[v] >= 0:
            number[place[v]] = v
    return number, place


@compiled
def faces_left(faces: Any, stands_for: Any, vertex_place: Any) -> Any:
    """The faces (k,) whose corners are still three, the place (m,) among them of each face, -1 for the others, and their corners (k, 3) by the places
    of the vertices that stand for them."""
    place, n = np.full(len(faces), -1, np.int32), 0
    for t in range(len(faces)):
        a, b, c = stands_for[faces[t, 0]], stands_for[faces[t, 1]], stands_for[faces[t, 2]]
        if a != b and b != c and c != a:
            place[t] = n
            n += 1
    number, corners = np.empty(n, np.int32), np.empty((n, 3), np.int32)
    for t in range(len(faces)):
        if place[t] >= 0:
            number[place[t]] = t
            for k in range(3):
                corners[place[t], k] = vertex_place[stands_for[faces[t, k]]]
    return number, place, corners
