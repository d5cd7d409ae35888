"""Edges that more than two faces share, as simplifying leaves them: each sheet gets a middle of its own there."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.pieces import area_vectors, take_faces
from meshtools.geometry.weld import edge_keys, match_around
from meshtools.model import FloatArray, Mesh

PARTING_ROUNDS = 6
APART = 0.2  # of the tolerance, at most: how far two sheets that share an edge are moved apart


def _halves(corners: Any, edge: int, new: int) -> list[list[int]]:
    start, end, apex = (int(corners[(edge + k) % 3]) for k in range(3))
    return [[start, new, apex], [new, end, apex]]


def part_shared_edges(mesh: Mesh, tolerance_mm: float) -> Mesh:
    """Give each of several sheets that share one edge a middle of its own there, moved a little into the matter, so that every edge again has
    two faces. Edges with an odd number of faces stay."""
    mesh = _without_flaps(mesh)
    for _ in range(PARTING_ROUNDS):
        parted = _part_once(mesh, tolerance_mm)
        if parted is None:
            break
        mesh = parted
    return mesh


def _without_flaps(mesh: Mesh) -> Mesh:
    """Without pairs of faces that lie back to back on the same three corners."""
    corners = np.sort(mesh.faces, axis=1).astype(np.int64)
    n = len(mesh.vertices)
    order = np.lexsort(corners.T)
    same = (corners[order][1:] == corners[order][:-1]).all(axis=1)
    first, second = order[:-1][same], order[1:][same]
    is_flap = _runs_upward(mesh.faces[first]) != _runs_upward(mesh.faces[second])
    if not is_flap.any() or n == 0:
        return mesh
    is_kept = np.ones(len(mesh.faces), bool)
    is_kept[first[is_flap]] = is_kept[second[is_flap]] = False
    return take_faces(mesh, is_kept)


def _runs_upward(faces: Any) -> Any:
    """(m,) True where the corners rise in turn, from whichever one starts."""
    return (faces < np.roll(faces, -1, axis=1)).sum(axis=1) == 2


def _part_once(mesh: Mesh, tolerance_mm: float) -> Mesh | None:
    keys = edge_keys(mesh.faces, len(mesh.vertices))
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.concatenate([[True], np.diff(keys[order]) != 0]))
    counts = np.diff(np.append(starts, len(keys)))
    crowded = (counts > 2) & (counts % 2 == 0)
    is_gone = np.zeros(len(mesh.faces), bool)
    added_faces: list[list[int]] = []
    added_vertices: list[FloatArray] = []
    for start, count in zip(starts[crowded].tolist(), counts[crowded].tolist(), strict=True):
        half_edges = order[start : start + count].tolist()
        pairs = match_around(mesh, half_edges)
        if is_gone[np.array(half_edges) // 3].any() or 2 * len(pairs) != count:
            continue
        for pair in pairs:
            new = len(mesh.vertices) + len(added_vertices)
            added_vertices.append(_middle_moved_in(mesh, pair, tolerance_mm))
            for half_edge in pair:
                is_gone[half_edge // 3] = True
                added_faces += _halves(mesh.faces[half_edge // 3], half_edge % 3, new)
    if not added_vertices:
        return None
    faces = np.concatenate([mesh.faces[~is_gone], np.array(added_faces, dtype=mesh.faces.dtype)])
    return Mesh.create(np.concatenate([mesh.vertices, np.array(added_vertices)]), faces)


def _middle_moved_in(mesh: Mesh, pair: tuple[int, int], tolerance_mm: float) -> FloatArray:
    """The middle of the edge of two half-edges, moved against the normal of their faces."""
    face, corner = pair[0] // 3, pair[0] % 3
    ends = mesh.vertices[mesh.faces[face][[corner, (corner + 1) % 3]]]
    normal = area_vectors(mesh.vertices, mesh.faces[[half_edge // 3 for half_edge in pair]]).sum(axis=0)
    step = min(APART * tolerance_mm, 0.1 * float(np.linalg.norm(ends[1] - ends[0])))
    return np.asarray(ends.mean(axis=0) - step * normal / max(float(np.linalg.norm(normal)), 1e-300))
