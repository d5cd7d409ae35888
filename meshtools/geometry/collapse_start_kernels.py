"""Loops for what the edge collapse of `collapsing_kernels` begins with, and what it leaves. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

UNKNOWN, NEVER = -1.0, np.inf  # costs of an edge
STRIP = -1  # the region of the vertices between blocks, below the numbers of all blocks


@compiled
def chain_corners(faces: Any, n_vertices: int) -> Any:
    """First and last corner (n,) of each vertex, and the next corner (3 m,) at the same vertex; -1 where there is none."""
    first, last = np.full(n_vertices, -1, np.int32), np.full(n_vertices, -1, np.int32)
    after = np.full(3 * len(faces), -1, np.int32)
    for t in range(len(faces)):
        for k in range(3):
            vertex = faces[t, k]
            if first[vertex] < 0:
                first[vertex] = 3 * t + k
            else:
                after[last[vertex]] = 3 * t + k
            last[vertex] = 3 * t + k
    return first, last, after


@compiled
def fixed_vertices(faces: Any, across: Any, is_kept: Any, n_vertices: int) -> Any:
    """(n,) True at kept faces (m,), and at edges without exactly two faces that run along them in opposite directions."""
    is_fixed = np.zeros(n_vertices, np.bool_)
    for t in range(len(faces)):
        for k in range(3):
            start, end, beyond = faces[t, k], faces[t, (k + 1) % 3], across[t, k]
            is_open = beyond < 0
            if not is_open:
                is_open = True
                for j in range(3):
                    is_open = is_open and not (faces[beyond, j] == end and faces[beyond, (j + 1) % 3] == start)
            if is_open or is_kept[t]:
                is_fixed[start] = is_fixed[end] = True
    return is_fixed


@compiled
def plane_sums(vertices: Any, faces: Any) -> Any:
    """(n, 11) of each vertex, summed over its faces and weighted by area: the products of the plane's four numbers, and the area.

    After Garland and Heckbert 1997, Surface simplification using quadric error metrics, section 5.
    """
    sums = np.zeros((len(vertices), 11))
    for t in range(len(faces)):
        a, b, c = vertices[faces[t, 0]], vertices[faces[t, 1]], vertices[faces[t, 2]]
        ux, uy, uz, vx, vy, vz = b[0] - a[0], b[1] - a[1], b[2] - a[2], c[0] - a[0], c[1] - a[1], c[2] - a[2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        size = np.sqrt(nx * nx + ny * ny + nz * nz)
        if size == 0.0:
            continue
        nx, ny, nz = nx / size, ny / size, nz / size
        d = -(nx * a[0] + ny * a[1] + nz * a[2])
        products = (nx * nx, nx * ny, nx * nz, nx * d, ny * ny, ny * nz, ny * d, nz * nz, nz * d, d * d, 1.0)
        for k in range(3):
            for i in range(11):
                sums[faces[t, k], i] += 0.5 * size * products[i]
    return sums


@compiled
def first_lists(chains: Any, n_faces: int) -> Any:
    """The points that land on each face, as chains: the first (m,) of a face, and the next (n,) after each. Every point begins on one face at it."""
    firsts = chains[0]
    heads, following = np.full(n_faces, -1, np.int32), np.full(len(firsts), -1, np.int32)
    for vertex in range(len(firsts)):
        if firsts[vertex] >= 0:
            t = firsts[vertex] // 3
            following[vertex] = heads[t]
            heads[t] = vertex
    return heads, following


@compiled
def first_costs(faces: Any) -> Any:
    """(3 m,) float32, UNKNOWN for the one half of each edge that stands for both."""
    cost = np.empty(3 * len(faces), np.float32)
    for t in range(len(faces)):
        for k in range(3):
            cost[3 * t + k] = UNKNOWN if faces[t, k] < faces[t, (k + 1) % 3] else NEVER
    return cost


@compiled
def faces_of(lists: Any) -> Any:
    """The face (n,) that each point lands on."""
    face_of = np.empty(len(lists[1]), np.int32)
    for t in range(len(lists[0])):
        vertex = lists[0][t]
        while vertex >= 0:
            face_of[vertex] = t
            vertex = lists[1][vertex]
    return face_of
