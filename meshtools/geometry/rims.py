"""Rims: the open edges of a surface as ordered loops, and closing them with faces that continue the surface's winding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import is_degenerate
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.orient import rim_half_edges
from meshtools.geometry.triangulate import triangulate_loop
from meshtools.geometry.weld import edge_keys_between
from meshtools.model import FloatArray, Mesh


@dataclass(frozen=True, eq=False)
class Rim:
    """One loop of open edges. vertices (k,) int32 in the order in which the surface's faces run along it, no vertex twice.

    span_mm is the largest distance between two of its points, length_mm its perimeter, centre_mm (3,) the mean of its edges' middles
    weighted by their length.
    """

    vertices: NDArray[np.int32]
    span_mm: float
    length_mm: float
    centre_mm: FloatArray


def find_rims(mesh: Mesh) -> tuple[Rim, ...]:
    """The open edges of a mesh as simple loops, largest span first. Loops that touch at a vertex are taken apart there.

    Edges of an inconsistent or crowded surface that do not come back to their start form no loop and are left out.
    """
    start, end, _ = rim_half_edges(mesh)
    loops = _simple_loops(start.tolist(), end.tolist())
    rims = [_rim(mesh.vertices, np.array(loop, dtype=np.int32)) for loop in loops if len(loop) >= 3]
    return tuple(sorted(rims, key=lambda rim: (-round(rim.span_mm, 9), int(rim.vertices.min()))))


def _simple_loops(start: list[int], end: list[int]) -> list[list[int]]:
    """Split directed edges into loops that pass no vertex twice: walk, and whenever the walk meets itself take that loop off."""
    following: dict[int, list[int]] = {}
    for u, v in sorted(zip(start, end, strict=True), reverse=True):
        following.setdefault(u, []).append(v)
    loops: list[list[int]] = []
    for first in sorted(following):
        while following[first]:
            walk, place = [first], {first: 0}
            while walk and following.get(walk[-1]):
                vertex = following[walk[-1]].pop()
                if vertex in place:
                    loop = walk[place[vertex] :]
                    loops.append(loop)
                    for gone in loop[1:]:
                        del place[gone]
                    del walk[place[vertex] + 1 :]
                else:
                    place[vertex] = len(walk)
                    walk.append(vertex)
    return loops


def _rim(vertices: FloatArray, loop: NDArray[np.int32]) -> Rim:
    points = vertices[loop]
    after = np.roll(points, -1, axis=0)
    lengths = np.linalg.norm(after - points, axis=1)
    total = float(lengths.sum())
    weights = lengths / total if total > 0 else np.full(len(loop), 1.0 / len(loop))
    centre = ((points + after) / 2 * weights[:, None]).sum(axis=0)
    return Rim(np.roll(loop, -int(loop.argmin())), greatest_length(points), total, centre)


@dataclass(frozen=True, eq=False)
class Closing:
    """A mesh after closing rims: which rims could be closed, and for each of those the numbers of its new faces, first and end."""

    mesh: Mesh
    closed: tuple[Rim, ...]
    face_ranges: tuple[tuple[int, int], ...]
    refused: tuple[Rim, ...]


def close_rims(mesh: Mesh, rims: Sequence[Rim], source_index: int) -> Mesh:
    """Close these rims: faces with this source are added at the end, wound like the surface; a rim that has no valid cap stays open."""
    return close_rims_listed(mesh, rims, source_index).mesh


def close_rims_listed(mesh: Mesh, rims: Sequence[Rim], source_index: int) -> Closing:
    """`close_rims` with the list of what was closed.

    A cap is valid when it uses no edge that the surface has already, so that every edge keeps two faces, and none of its faces is
    degenerate. A cap is the triangulation of least area between the rim's own vertices; where that is not valid, a fan from a new vertex
    in the rim's middle, which takes the rim's colours weighted by nearness. A cap does not continue the curvature around the hole.
    """
    taken = edge_keys_between(mesh.faces, len(mesh.vertices), [rim.vertices for rim in rims])
    used: set[int] = set()
    vertices, colours, faces = [mesh.vertices], [] if mesh.colour is None else [mesh.colour], [mesh.faces]
    n_vertices, n_faces = len(mesh.vertices), len(mesh.faces)
    closed, ranges, refused = [], [], []
    n_rims_at = np.bincount(np.concatenate([rim.vertices for rim in rims]), minlength=n_vertices) if rims else np.zeros(n_vertices, dtype=int)
    for rim in rims:
        cap = _cap(mesh, rim, taken, used if (n_rims_at[rim.vertices] > 1).sum() > 1 else set())
        if cap is None:
            refused.append(rim)
            continue
        triangles, extra = cap
        table = np.concatenate([rim.vertices, np.arange(n_vertices, n_vertices + len(extra), dtype=np.int32)])
        vertices.append(extra)
        faces.append(table[triangles])
        if mesh.colour is not None and len(extra):
            colours.append(_blend_colours(mesh.vertices[rim.vertices], mesh.colour[rim.vertices], extra))
        used.update(_old_pairs(table[triangles], len(mesh.vertices)))
        closed.append(rim)
        ranges.append((n_faces, n_faces + len(triangles)))
        n_vertices, n_faces = n_vertices + len(extra), n_faces + len(triangles)
    source = np.concatenate([mesh.source, np.full(n_faces - len(mesh.faces), source_index, dtype=np.uint16)])
    colour = np.concatenate(colours) if mesh.colour is not None else None
    return Closing(Mesh.create(np.concatenate(vertices), np.concatenate(faces), source, colour), tuple(closed), tuple(ranges), tuple(refused))


def _old_pairs(triangles: NDArray[np.int32], n_old: int) -> list[int]:
    """Keys of the cap's edges that run between two vertices the mesh had before."""
    start, end = triangles.ravel().astype(np.int64), triangles[:, [1, 2, 0]].ravel().astype(np.int64)
    is_old = (start < n_old) & (end < n_old)
    return [int(key) for key in np.minimum(start, end)[is_old] * n_old + np.maximum(start, end)[is_old]]


def _cap(mesh: Mesh, rim: Rim, taken: NDArray[np.int64], used: set[int]) -> tuple[NDArray[np.int32], FloatArray] | None:
    """Triangles by place in the rim (then new vertices), wound against the rim's direction, and the new vertices; None when impossible."""
    points = mesh.vertices[rim.vertices]
    k = len(points)
    row, column = np.triu_indices(k, 1)
    low, high = (f(rim.vertices[row], rim.vertices[column]).astype(np.int64) for f in (np.minimum, np.maximum))
    keys = low * len(mesh.vertices) + high
    place = np.minimum(np.searchsorted(taken, keys), len(taken) - 1)
    is_barred = np.zeros((k, k), dtype=bool)
    is_barred[row, column] = taken[place] == keys
    if used:
        is_barred[row, column] |= np.fromiter((key in used for key in keys.tolist()), dtype=bool, count=len(keys))
    is_barred |= is_barred.T
    around = np.arange(k)
    is_barred[around, (around + 1) % k] = is_barred[(around + 1) % k, around] = False
    triangles = triangulate_loop(points, is_barred)
    if triangles is not None and not is_degenerate(points, triangles).any():
        return triangles[:, ::-1], np.zeros((0, 3))
    fan = np.stack([(around + 1) % k, around, np.full(k, k)], axis=1).astype(np.int32)
    centre = rim.centre_mm[None, :]
    if is_degenerate(np.concatenate([points, centre]), fan).any():
        return None
    return fan, centre


def _blend_colours(points: FloatArray, colours: NDArray[np.uint8], extra: FloatArray) -> NDArray[np.uint8]:
    """Colours for new points: the rim's colours weighted by the inverse square of the distance."""
    weights = 1.0 / np.maximum(((extra[:, None, :] - points[None, :, :]) ** 2).sum(axis=2), 1e-12)
    return np.asarray(np.rint(weights @ colours.astype(np.float64) / weights.sum(axis=1, keepdims=True)), dtype=np.uint8)
