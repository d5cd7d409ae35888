"""From a soup of triangles to a surface: identical vertices merged, useless faces dropped, edges with more than two faces resolved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry import threads
from meshtools.geometry.audit import is_degenerate
from meshtools.geometry.compiled import given
from meshtools.geometry.neighbours import mesh_half_edge_counts
from meshtools.geometry.pieces import area_vectors, faces_touching, take_faces
from meshtools.model import ColourArray, FloatArray, IntArray, Mesh

SAME_POINT_RATIO = 1e-9
"""Vertices on the same point of a grid of this share of the diagonal are one vertex: equal up to the last digits of a text format."""
APART_RATIO = 1e-5
"""Copies of a vertex on a cut edge move apart by this share of the diagonal (2 micrometres on 200 mm), so that float32 files keep the cut."""


@dataclass(frozen=True)
class Welded:
    """A welded mesh and how many of each thing it took to make it."""

    mesh: Mesh
    counts: dict[str, int]


def group_rows(rows: NDArray[np.integer[Any]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Equal rows of an (n, 3) array of int32 or int64: lowest index of each distinct row, in that order, and the group of every row."""
    if len(rows) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    from meshtools.geometry.row_kernels import equal_rows

    firsts, group = equal_rows(np.ascontiguousarray(rows))
    return firsts, group


def weld_scan(vertices: FloatArray, faces: IntArray, colour: ColourArray | None) -> Welded:
    """Merge identical vertices and drop unusable, degenerate and duplicate faces. The first of merged vertices gives the colour.

    vertices (n, 3), faces (m, 3) as read, perhaps with coordinates that are not finite. A duplicate has the corners of an earlier face in
    any order. A flat face whose three corners differ is taken out by an edge flip, so that no slit is left.
    """
    points, corners = given(vertices, np.float64), given(np.reshape(faces, (-1, 3)), np.int32)
    is_kept, is_used, low, high = _finite_faces(points, corners)
    step = max(float(np.linalg.norm(high - low)) * SAME_POINT_RATIO, np.finfo(np.float64).tiny) if is_kept.any() else 1.0
    firsts, group = _merge_points(points, is_used, low, step)
    counts = {"n_not_finite_removed": len(corners) - int(is_kept.sum()), "n_vertices_merged": int(is_used.sum()) - len(firsts)}
    triangles, n_repeated = _proper_faces(corners, is_kept, group)
    is_single = _are_single(triangles, len(firsts))
    counts |= {"n_degenerate_removed": n_repeated, "n_duplicates_removed": len(triangles) - int(is_single.sum())}
    del is_kept, is_used, group
    triangles = triangles if is_single.all() else triangles[is_single]
    mesh = Mesh(points[firsts], triangles, np.zeros(len(triangles), np.uint16), None if colour is None else colour[firsts])
    del triangles, is_single
    mesh, n_flat = flip_flat_faces(mesh)
    counts["n_flat_faces_flipped"] = n_flat
    return Welded(take_faces(mesh, np.ones(len(mesh.faces), dtype=bool)), counts)


def _finite_faces(vertices: FloatArray, faces: IntArray) -> tuple[NDArray[np.bool_], NDArray[np.bool_], FloatArray, FloatArray]:
    """Faces (m,) whose corners are finite, vertices (n,) that these use, and the lowest and highest corner (3,) of their box."""
    from meshtools.geometry.weld_kernels import finite_faces

    is_kept, is_used = np.zeros(len(faces), bool), np.zeros(len(vertices), bool)
    boxes = threads.in_blocks(len(faces), lambda rows: finite_faces(vertices, faces[rows], is_kept[rows], is_used), threads.LEAST_LIGHT_ROWS)
    return is_kept, is_used, np.min([low for low, _ in boxes], axis=0), np.max([high for _, high in boxes], axis=0)


def _proper_faces(faces: IntArray, is_kept: NDArray[np.bool_], group: IntArray) -> tuple[IntArray, int]:
    """The kept faces (k, 3) between merged vertices, without those that name a vertex twice; and how many did."""
    from meshtools.geometry.weld_kernels import proper_faces

    triangles = np.empty_like(faces)

    def put(rows: slice) -> tuple[slice, int, int]:
        return rows, *proper_faces(faces[rows], is_kept[rows], group, triangles[rows])

    blocks = threads.in_blocks(len(faces), put, threads.LEAST_LIGHT_ROWS)
    n_repeated = sum(n for *_, n in blocks)
    if sum(n for _, n, _ in blocks) < len(faces):
        triangles = np.concatenate([triangles[rows][:n] for rows, n, _ in blocks])
    return triangles, n_repeated


def _are_single(faces: IntArray, n_vertices: int) -> NDArray[np.bool_]:
    """(m,) True but for faces that have the corners of an earlier one, in any order."""
    from meshtools.geometry.weld_kernels import faces_of_lowest, mark_repeated

    order, starts = faces_of_lowest(faces, n_vertices)
    is_single = np.ones(len(faces), bool)
    threads.in_blocks(n_vertices, lambda rows: mark_repeated(faces, order, starts, rows.start, rows.stop, is_single), threads.LEAST_LIGHT_ROWS)
    return is_single


def _merge_points(vertices: FloatArray, is_used: NDArray[np.bool_], low: FloatArray, step: float) -> tuple[IntArray, IntArray]:
    """`merge_points` of all used vertices: the first of each group and every vertex's group. The many copies that an STL has of a vertex, one soon
    after the other, are set aside in threads; only what is left goes through one table."""
    from meshtools.geometry.weld_kernels import follow_repeats, merge_points, repeat_rows

    bits, group = vertices.view(np.int64), np.empty(len(vertices), np.int32)
    n_asked = sum(threads.in_blocks(len(vertices), lambda rows: repeat_rows(bits, is_used, rows.start, rows.stop, group)))
    firsts = merge_points(vertices, is_used, low, step, n_asked, group)
    threads.in_blocks(len(vertices), lambda rows: follow_repeats(rows.start, rows.stop, group))
    return firsts, group


def weld(mesh: Mesh) -> Welded:
    """`weld_scan` for a mesh whose faces come from one source."""
    return weld_scan(mesh.vertices, mesh.faces, mesh.colour)


def flip_flat_faces(mesh: Mesh, max_rounds: int = 8) -> tuple[Mesh, int]:
    """Replace each flat face and its neighbour across the longest edge by the two faces across the other diagonal.

    The surface stays as it was, its edges stay paired, and the flat face is gone. Faces that cannot be flipped are dropped at the end.
    """
    n_done = 0
    for _ in range(max_rounds):
        flat = np.flatnonzero(is_degenerate(mesh.vertices, mesh.faces))
        if len(flat) == 0:
            return mesh, n_done
        faces = mesh.faces.copy()
        swaps = _flat_swaps(mesh.vertices, faces, flat)
        for face, neighbour, new_face, new_neighbour in swaps:
            faces[face], faces[neighbour] = new_face, new_neighbour
        n_done += len(swaps)
        mesh = mesh.replaced(faces=faces)
        if not swaps:
            break
    is_kept = ~is_degenerate(mesh.vertices, mesh.faces)
    return take_faces(mesh, is_kept), n_done + int((~is_kept).sum())


def _flat_swaps(vertices: FloatArray, faces: IntArray, flat: NDArray[np.int64]) -> list[tuple[int, int, list[int], list[int]]]:
    """Flips of flat faces that touch no common face: (face, neighbour, new face, new neighbour)."""
    lookup = _faces_at(faces, np.unique(faces[flat]), len(vertices))
    is_busy: set[int] = set()
    swaps = []
    for face in flat.tolist():
        corners = faces[face]
        lengths = [float(np.linalg.norm(vertices[corners[(k + 1) % 3]] - vertices[corners[k]])) for k in range(3)]
        k = int(np.argmax(lengths))
        a, b, middle = (int(corners[(k + j) % 3]) for j in range(3))
        across = [f for f in lookup.get((min(a, b), max(a, b)), []) if f != face]
        if len(across) != 1 or face in is_busy or across[0] in is_busy:
            continue
        apex = next(int(v) for v in faces[across[0]] if v not in (a, b))
        if apex == middle or (min(apex, middle), max(apex, middle)) in lookup:
            continue
        runs_back = any(int(faces[across[0]][j]) == b and int(faces[across[0]][(j + 1) % 3]) == a for j in range(3))
        pair = ([a, apex, middle], [apex, b, middle]) if runs_back else ([a, middle, apex], [middle, b, apex])
        is_busy |= {face, across[0]}
        swaps.append((face, across[0], *pair))
    return swaps


def _faces_at(faces: IntArray, corners: NDArray[np.int32], n_vertices: int) -> dict[tuple[int, int], list[int]]:
    """Faces of every edge that has an end among the corners."""
    is_near = np.zeros(n_vertices, dtype=bool)
    is_near[corners] = True
    table: dict[tuple[int, int], list[int]] = {}
    for face in np.flatnonzero(is_near[faces].any(axis=1)).tolist():
        a, b, c = faces[face].tolist()
        for u, v in ((a, b), (b, c), (c, a)):
            table.setdefault((min(u, v), max(u, v)), []).append(face)
    return table


def edge_keys(faces: IntArray, n_vertices: int) -> NDArray[np.int64]:
    """(3 m,) one number for the undirected edge of each half-edge, face by face."""
    start, end = faces.ravel().astype(np.int64), faces[:, [1, 2, 0]].ravel().astype(np.int64)
    return np.asarray(np.minimum(start, end) * n_vertices + np.maximum(start, end))


def edge_keys_between(faces: IntArray, n_vertices: int, chosen: Sequence[IntArray]) -> NDArray[np.int64]:
    """The sorted `edge_keys` of the edges whose ends are both among the chosen vertices. Of a large mesh that is little, and soon found."""
    is_chosen = np.zeros(n_vertices, dtype=bool)
    for rows in chosen:
        is_chosen[rows] = True
    near = faces[faces_touching(faces, is_chosen)]
    keys = edge_keys(near[is_chosen[near].sum(axis=1) >= 2], n_vertices)
    return np.sort(keys[is_chosen[keys // n_vertices] & is_chosen[keys % n_vertices]])


def remove_fins(mesh: Mesh, max_rounds: int = 10) -> tuple[Mesh, int]:
    """Drop faces that hang on an edge of more than two faces while their other two edges are free; returns mesh and count."""
    from meshtools.geometry.edge_kernels import hanging_faces

    n_removed = 0
    for _ in range(max_rounds):
        is_fin = hanging_faces(*mesh_half_edge_counts(mesh))
        if not is_fin.any():
            break
        n_removed += int(is_fin.sum())
        mesh = take_faces(mesh, ~is_fin)
    return mesh, n_removed


def cut_crowded_edges(mesh: Mesh) -> tuple[Mesh, int]:
    """Separate the surfaces that meet at an edge of more than two faces, or of two faces that disagree; returns mesh and edges cut.

    Around such an edge the faces are taken in angular order and those that enclose matter between them stay joined; a face left over
    ends there, as on a rim. Each surface gets its own copy of the edge's vertices, moved back by APART_RATIO of the diagonal. The
    mesh must be consistently wound.
    """
    along, against = mesh_half_edge_counts(mesh)
    rows = np.unique(np.flatnonzero((along > 1) | (against > 1)) // 3)
    if len(rows) == 0:
        return mesh, 0
    is_crowded = ((along > 1) | (against > 1)).reshape(-1, 3)[rows].ravel()
    crowded = np.unique(edge_keys(mesh.faces[rows], len(mesh.vertices))[is_crowded])
    ends = np.unique(np.concatenate([crowded // len(mesh.vertices), crowded % len(mesh.vertices)]))
    is_end = np.zeros(len(mesh.vertices), dtype=bool)
    is_end[ends] = True
    local = np.flatnonzero(is_end[mesh.faces].any(axis=1))
    joined = _joined_half_edges(mesh, local, set(crowded.tolist()))
    return _split_corners(mesh, local, is_end, joined), len(crowded)


def _joined_half_edges(mesh: Mesh, local: NDArray[np.int64], crowded: set[int]) -> list[tuple[int, int]]:
    """Pairs of half-edges (numbered 3 * face + corner) of the local faces across which the surface goes on."""
    at_edge: dict[int, list[int]] = {}
    keys = edge_keys(mesh.faces[local], len(mesh.vertices)).reshape(-1, 3)
    for face, row in zip(local.tolist(), keys.tolist(), strict=True):
        for corner, key in enumerate(row):
            at_edge.setdefault(key, []).append(3 * face + corner)
    joined = []
    for key, half_edges in at_edge.items():
        if key in crowded:
            joined += match_around(mesh, half_edges)
        elif len(half_edges) == 2:
            joined.append((half_edges[0], half_edges[1]))
    return joined


def match_around(mesh: Mesh, half_edges: list[int]) -> list[tuple[int, int]]:
    """Pair the faces around an edge as brackets close: a face whose matter lies behind it with the nearest before it that faces it."""
    face, corner = np.array(half_edges) // 3, np.array(half_edges) % 3
    start, end = mesh.faces[face, corner], mesh.faces[face, (corner + 1) % 3]
    low, high = min(start[0], end[0]), max(start[0], end[0])
    axis = mesh.vertices[high] - mesh.vertices[low]
    out = mesh.vertices[mesh.faces[face, (corner + 2) % 3]] - mesh.vertices[low]
    out -= np.outer(out @ axis, axis) / max(float(axis @ axis), 1e-300)
    right = out[0] / max(float(np.linalg.norm(out[0])), 1e-300)
    angle = np.arctan2(out @ np.cross(axis, right) / max(float(np.linalg.norm(axis)), 1e-300), out @ right)
    order = [half_edges[k] for k in np.argsort(angle, kind="stable")]
    is_along = {h: bool(s == low) for h, s in zip(half_edges, start, strict=True)}
    pairs: list[tuple[int, int]] = []
    waiting: list[int] = []
    for half_edge in order + order:  # twice round, so that a pair may span the start
        if any(half_edge in pair for pair in pairs):
            continue
        if is_along[half_edge]:
            if waiting:
                pairs.append((waiting.pop(), half_edge))
        elif half_edge not in waiting:
            waiting.append(half_edge)
    return pairs


def _split_corners(mesh: Mesh, local: NDArray[np.int64], is_end: NDArray[np.bool_], joined: list[tuple[int, int]]) -> Mesh:
    """Give every fan of joined corners its own copy of its vertex and move the copies back along their fan's normal."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    place = np.full(len(mesh.faces), -1, dtype=np.int64)
    place[local] = np.arange(len(local))
    pairs = np.array(joined, dtype=np.int64).reshape(-1, 2)
    face, corner = pairs // 3, pairs % 3
    slot = place[face] * 3
    begin, finish = slot + corner, slot + (corner + 1) % 3  # opposite half-edges: the start of one is the end of the other
    rows, columns = np.concatenate([begin[:, 0], finish[:, 0]]), np.concatenate([finish[:, 1], begin[:, 1]])
    n = 3 * len(local)
    _, fan = connected_components(coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(n, n)).tocsr(), directed=False)
    corners = mesh.faces[local].ravel()
    at_end = is_end[corners]
    fans, fan_of = np.unique(fan[at_end], return_inverse=True)
    owner = np.zeros(len(fans), dtype=np.int64)
    owner[fan_of.ravel()] = corners[at_end]
    faces = mesh.faces.copy()
    block = faces[local].ravel()
    block[at_end] = len(mesh.vertices) + fan_of.ravel()
    faces[local] = block.reshape(-1, 3)
    normals = np.repeat(area_vectors(mesh.vertices, mesh.faces[local]), 3, axis=0)[at_end]
    back = np.stack([np.bincount(fan_of.ravel(), normals[:, k], len(fans)) for k in range(3)], axis=1)
    back = back / np.maximum(np.linalg.norm(back, axis=1, keepdims=True), 1e-300)
    step = APART_RATIO * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    vertices = np.concatenate([mesh.vertices, mesh.vertices[owner] - step * back])
    colour = None if mesh.colour is None else np.concatenate([mesh.colour, mesh.colour[owner]])
    return take_faces(Mesh.create(vertices, faces, mesh.source, colour), np.ones(len(faces), dtype=bool))
