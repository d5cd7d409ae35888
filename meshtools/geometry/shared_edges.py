"""Edges that more than two faces share, as simplifying leaves them, or a scan that meets itself there: each sheet gets a middle of its own."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.neighbours import mesh_half_edge_counts
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
    two faces. Pairs of faces that lie back to back go."""
    return part_pairs(_without_flaps(mesh), APART * tolerance_mm)


def part_pairs(mesh: Mesh, most_mm: float) -> Mesh:
    """Give each pair of faces that enclose matter at an edge of more than two faces a middle of its own there, at most this far from the edge; a
    face left over ends there, as on a rim."""
    for _ in range(PARTING_ROUNDS):
        parted = _part_once(mesh, most_mm)
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


def _part_once(mesh: Mesh, most_mm: float) -> Mesh | None:
    along, against = mesh_half_edge_counts(mesh)
    crowded = np.flatnonzero((along > 1) | (against > 1))
    crowded = crowded[along[crowded].astype(np.int64) + against[crowded] > 2]
    keys = edge_keys(mesh.faces[crowded // 3], len(mesh.vertices))[3 * np.arange(len(crowded)) + crowded % 3]
    order = np.argsort(keys, kind="stable")
    is_gone = np.zeros(len(mesh.faces), bool)
    divided: list[int] = []
    halves: list[list[int]] = []
    middles: list[tuple[tuple[int, int], FloatArray]] = []
    for half_edges in np.split(crowded[order], np.flatnonzero(np.diff(keys[order])) + 1):
        pairs = match_around(mesh, half_edges.tolist()) if len(half_edges) and not is_gone[half_edges // 3].any() else []
        for pair in pairs:
            for half_edge in pair:
                is_gone[half_edge // 3] = True
                divided += [half_edge // 3] * 2
                halves += _halves(mesh.faces[half_edge // 3], half_edge % 3, len(mesh.vertices) + len(middles))
            middles.append((pair, _middle_moved_in(mesh, pair, most_mm)))
    if not middles:
        return None
    starts = [mesh.faces[pair[0] // 3, pair[0] % 3] for pair, _ in middles]
    return Mesh.create(
        np.concatenate([mesh.vertices, [middle for _, middle in middles]]),
        np.concatenate([mesh.faces[~is_gone], np.array(halves, dtype=np.int32)]),
        np.concatenate([mesh.source[~is_gone], mesh.source[divided]]),
        None if mesh.colour is None else np.concatenate([mesh.colour, mesh.colour[starts]]),
    )


def _middle_moved_in(mesh: Mesh, pair: tuple[int, int], most_mm: float) -> FloatArray:
    """The middle of the edge of two half-edges, moved against the normal of their faces."""
    face, corner = pair[0] // 3, pair[0] % 3
    ends = mesh.vertices[mesh.faces[face][[corner, (corner + 1) % 3]]]
    normal = area_vectors(mesh.vertices, mesh.faces[[half_edge // 3 for half_edge in pair]]).sum(axis=0)
    step = min(most_mm, 0.1 * float(np.linalg.norm(ends[1] - ends[0])))
    return np.asarray(ends.mean(axis=0) - step * normal / max(float(np.linalg.norm(normal)), 1e-300))
