"""The loop over points for `insertion`. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

NEAR_EDGE = 0.08  # a foot with less weight than this splits the edge, with both faces at it
LEAST_SIZE = 1e-6  # area of a part as a share of its edges squared; below it the part counts as nothing


@compiled
def _faces_as_before(a: Any, b: Any, c: Any, normal: Any, least_facing: float) -> bool:
    """Does the triangle face the way of a normal, whose length is the area of the face that it is part of, to this cosine at least?"""
    across = np.cross(b - a, c - a) * 0.5
    size, whole = np.sqrt(np.sum(across * across)), np.sqrt(np.sum(normal * normal))
    edges = np.sum((b - a) ** 2) + np.sum((c - a) ** 2)
    return bool(size > LEAST_SIZE * edges and np.sum(across * normal) > least_facing * size * whole)


@compiled
def _halves_face_as_before(vertices: Any, faces: Any, face: int, edge: int, position: Any, normals: Any, least_facing: float) -> bool:
    start, end, apex = faces[face, edge], faces[face, (edge + 1) % 3], faces[face, (edge + 2) % 3]
    first = _faces_as_before(vertices[start], position, vertices[apex], normals[face], least_facing)
    return bool(first and _faces_as_before(position, vertices[end], vertices[apex], normals[face], least_facing))


@compiled
def _split_at_edge(faces: Any, face: int, edge: int, new: int, added: Any, n: int) -> int:
    start, end, apex = faces[face, edge], faces[face, (edge + 1) % 3], faces[face, (edge + 2) % 3]
    added[n, 0], added[n, 1], added[n, 2] = start, new, apex
    added[n + 1, 0], added[n + 1, 1], added[n + 1, 2] = new, end, apex
    return n + 2


@compiled
def _edge_back(faces: Any, beyond: int, start: int, end: int) -> int:
    """The corner from which the edge between two vertices starts in a face."""
    for k in range(3):
        i, j = faces[beyond, k], faces[beyond, (k + 1) % 3]
        if (i == start and j == end) or (i == end and j == start):
            return k
    return 0


@compiled
def split_faces(vertices: Any, faces: Any, neighbours: Any, wanted: Any, weights: Any, positions: Any, normals: Any, least_facing: float) -> Any:
    """Returns which faces are gone (m,), which points were used (k,), and the new faces; new vertices are numbered from n in order of use.

    wanted (k,): the face each point is in; normals (m, 3): area vectors; least_facing: cosine between a part of a face and the face.
    """
    is_gone, is_used = np.zeros(len(faces), np.bool_), np.zeros(len(wanted), np.bool_)
    added = np.empty((4 * len(wanted), 3), np.int64)
    n, n_new = 0, 0
    for p in range(len(wanted)):
        face, position, new = wanted[p], positions[p], len(vertices) + n_new
        if is_gone[face]:
            continue
        edge = (int(np.argmin(weights[p])) + 1) % 3
        beyond = neighbours[face, edge]
        if weights[p].min() < NEAR_EDGE and beyond != -2 and (beyond < 0 or not is_gone[beyond]):
            back = _edge_back(faces, beyond, faces[face, edge], faces[face, (edge + 1) % 3]) if beyond >= 0 else 0
            fits = _halves_face_as_before(vertices, faces, face, edge, position, normals, least_facing)
            if fits and (beyond < 0 or _halves_face_as_before(vertices, faces, beyond, back, position, normals, least_facing)):
                n = _split_at_edge(faces, face, edge, new, added, n)
                is_gone[face] = True
                if beyond >= 0:
                    n = _split_at_edge(faces, beyond, back, new, added, n)
                    is_gone[beyond] = True
                is_used[p] = True
                n_new += 1
                continue
        fits = True
        for k in range(3):
            fits = fits and _faces_as_before(vertices[faces[face, k]], vertices[faces[face, (k + 1) % 3]], position, normals[face], least_facing)
        if fits:
            for k in range(3):
                added[n, 0], added[n, 1], added[n, 2] = faces[face, k], faces[face, (k + 1) % 3], new
                n += 1
            is_gone[face], is_used[p] = True, True
            n_new += 1
    return is_gone, is_used, added[:n]
