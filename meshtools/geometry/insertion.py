"""More corners for a coarse surface where it strays from the fine one: a face is split at the foot of a point, and the corner set on the point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.geometry.pieces import area_vectors, take_faces
from meshtools.geometry.weld import edge_keys, match_around
from meshtools.model import FloatArray, Mesh

PARTING_ROUNDS = 6
MOVING_ROUNDS = 8
LEAST_SIZE = 1e-6  # area of a face as a share of its edges squared
APART = 0.2  # of the tolerance, at most: how far two sheets that share an edge are moved apart


@dataclass(frozen=True, eq=False)
class Points:
    """Points to insert, most urgent first: face (k,) to split, weights (k, 3) of the foot in it, position (k, 3)."""

    face: Any
    weights: FloatArray
    position: FloatArray


@dataclass(frozen=True, eq=False)
class Inserted:
    """The mesh with more corners; number (m,): where each old face now stands, -1 where it was split; unchanged faces come first."""

    mesh: Mesh
    number: Any
    n_kept: int


def insert_points(mesh: Mesh, neighbours: Any, points: Points, least_facing: float) -> Inserted:
    """Split faces at points. A face takes part in one split at a time, and only in one whose parts face its own
    way to the cosine `least_facing`; the rest has to wait.

    neighbours: `face_neighbours` of the mesh. A foot near to an edge splits the edge, with both faces at it.
    """
    from meshtools.geometry.insertion_kernels import split_faces

    args = mesh.vertices, mesh.faces, neighbours, points.face, points.weights, points.position
    is_gone, is_used, added = split_faces(*args, area_vectors(mesh.vertices, mesh.faces), least_facing)
    number = np.where(is_gone, -1, np.cumsum(~is_gone) - 1)
    if not len(added):
        return Inserted(mesh, number, len(mesh.faces))
    faces = np.concatenate([mesh.faces[~is_gone], added.astype(mesh.faces.dtype)])
    return Inserted(Mesh.create(np.concatenate([mesh.vertices, points.position[is_used]]), faces), number, int((~is_gone).sum()))


def flip_longest_edges(mesh: Mesh, neighbours: Any, wanted: Any) -> Inserted:
    """Turn the longest edge of each wanted face (k,) over to the other two corners of its two faces, where these are not joined yet: a fold
    that bridges a hollow is then two short faces within it."""
    is_gone = np.zeros(len(mesh.faces), bool)
    added: list[list[int]] = []
    for face in wanted.tolist():
        corners = mesh.vertices[mesh.faces[face]]
        edge = int(np.argmax(np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)))
        beyond = int(neighbours[face, edge])
        if beyond < 0 or is_gone[face] or is_gone[beyond]:
            continue
        start, end, apex = (int(mesh.faces[face, (edge + k) % 3]) for k in range(3))
        other = next(int(vertex) for vertex in mesh.faces[beyond] if vertex not in (start, end))
        if other == apex or ((mesh.faces == apex).any(axis=1) & (mesh.faces == other).any(axis=1)).any():
            continue
        parts = np.array([[apex, start, other], [other, end, apex]])
        if is_thin(mesh.vertices, parts).any():
            continue
        is_gone[[face, beyond]] = True
        added += parts.tolist()
    if not added:
        return Inserted(mesh, np.arange(len(mesh.faces)), len(mesh.faces))
    number = np.where(is_gone, -1, np.cumsum(~is_gone) - 1)
    faces = np.concatenate([mesh.faces[~is_gone], np.array(added, dtype=mesh.faces.dtype)])
    return Inserted(mesh.replaced(faces=faces, source=np.zeros(len(faces), mesh.source.dtype)), number, int((~is_gone).sum()))


def is_thin(vertices: FloatArray, faces: Any) -> Any:
    """(m,) True for faces with almost no area for the length of their edges."""
    corners = vertices[faces]
    edges = ((corners - np.roll(corners, -1, axis=1)) ** 2).sum(axis=(1, 2))
    return np.linalg.norm(area_vectors(vertices, faces), axis=1) <= LEAST_SIZE * edges


def move_corners(mesh: Mesh, vertices: Any, positions: FloatArray, least_facing: float) -> Inserted:
    """Move some vertices (k,) of a mesh, where none of their faces turns over by it. Faces that changed count as new ones."""
    moved = mesh.vertices.copy()
    moved[vertices] = positions
    before = area_vectors(mesh.vertices, mesh.faces)
    for _ in range(MOVING_ROUNDS):
        after = area_vectors(moved, mesh.faces)
        sizes = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
        is_changed = (before != after).any(axis=1)
        is_turned = is_changed & ((np.einsum("ij,ij->i", before, after) <= least_facing * sizes) | is_thin(moved, mesh.faces))
        if not is_turned.any():
            break
        back = np.unique(mesh.faces[is_turned])
        moved[back] = mesh.vertices[back]
    else:
        moved = mesh.vertices
    is_changed = (moved != mesh.vertices).any(axis=1)[mesh.faces].any(axis=1)
    number = np.where(is_changed, -1, np.cumsum(~is_changed) - 1)
    faces = np.concatenate([mesh.faces[~is_changed], mesh.faces[is_changed]])
    return Inserted(Mesh.create(moved, faces), number, int((~is_changed).sum()))


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
