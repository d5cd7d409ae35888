"""The loop over vertices for `spikes`. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.collapse_start_kernels import chain_corners
from meshtools.geometry.compiled import compiled

MOST_RING = 256  # a vertex with more neighbours is no spike


@compiled
def _ring_of(vertex: int, faces: Any, first: Any, after: Any, following: Any, ring: Any) -> int:
    """Put the neighbours of a vertex into `ring` in their order around it; returns how many, 0 where they are no single closed ring."""
    n, corner = 0, first[vertex]
    while corner >= 0:
        if n == len(ring):
            return 0
        t, k = corner // 3, corner % 3
        following[n, 0], following[n, 1] = faces[t, (k + 1) % 3], faces[t, (k + 2) % 3]
        for i in range(n):
            if following[i, 0] == following[n, 0]:
                return 0
        n += 1
        corner = after[corner]
    ring[0] = following[0, 0]
    for i in range(n):
        found = -1
        for j in range(n):
            if following[j, 0] == ring[i]:
                found = following[j, 1]
        if found < 0 or (found == ring[0]) != (i == n - 1):
            return 0
        if i < n - 1:
            ring[i + 1] = found
    return n


@compiled
def _lie_flat(vertex: int, ring: Any, normal: Any, least: float, faces: Any, vectors: Any, first: Any, after: Any) -> bool:
    """Whether the faces at a ring, without those at its tip, face the way of a normal: their area along it is this share of it at least."""
    along, area = 0.0, 0.0
    for i in range(len(ring)):
        corner = first[ring[i]]
        while corner >= 0:
            t, is_seen = corner // 3, False
            for k in range(3):
                other = faces[t, k]
                is_seen = is_seen or other == vertex
                for j in range(i):
                    is_seen = is_seen or other == ring[j]
            if not is_seen:
                squared = 0.0
                for axis in range(3):
                    along += vectors[t, axis] * normal[axis]
                    squared += vectors[t, axis] ** 2
                area += np.sqrt(squared)
            corner = after[corner]
    return area > 0.0 and along >= least * area


@compiled
def steep_vertices(
    vertices: Any, faces: Any, vectors: Any, is_asked: Any, rough: float, steep: float, flat: float, needles: Any, leaning: Any
) -> Any:
    """(n,) True for spikes among those asked for (n,). vectors (m, 3): area vectors; the limits are those of `spikes`, needles (k, 2)."""
    n_vertices = len(vertices)
    first, _, after = chain_corners(faces, n_vertices)
    is_spike = np.zeros(n_vertices, np.bool_)
    following, buffer, normal = np.empty((MOST_RING, 2), np.int64), np.empty(MOST_RING, np.int64), np.empty(3)
    for vertex in range(n_vertices):
        if not is_asked[vertex]:
            continue
        x, y, z, whole, corner = 0.0, 0.0, 0.0, 0.0, first[vertex]
        while corner >= 0:
            t = corner // 3
            x, y, z = x + vectors[t, 0], y + vectors[t, 1], z + vectors[t, 2]
            whole += np.sqrt(vectors[t, 0] ** 2 + vectors[t, 1] ** 2 + vectors[t, 2] ** 2)
            corner = after[corner]
        if not (whole > 0.0 and np.sqrt(x * x + y * y + z * z) < rough * whole):
            continue
        n = _ring_of(vertex, faces, first, after, following, buffer)
        if n == 0:
            continue
        ring, centre, foot = buffer[:n], np.zeros(3), np.zeros(3)
        sides = np.empty(n)
        for i in range(n):
            centre += vertices[ring[i]] / n
        for i in range(n):
            here, there = vertices[ring[i]] - centre, vertices[ring[(i + 1) % n]] - centre
            foot += np.cross(here, there)
            sides[i] = np.sqrt(np.sum((there - here) ** 2))
        size = np.sqrt(np.sum(foot * foot))
        if size == 0.0:
            continue
        normal[:] = foot / size
        tip = vertices[vertex] - centre
        radius, height, length = np.sqrt(size / 2.0 / np.pi), abs(np.sum(tip * normal)), np.sqrt(np.sum(tip * tip))
        if length < steep * radius:
            continue
        side = np.median(sides)
        is_spike[vertex] = length >= leaning[0] * radius and length >= leaning[1] * side
        for i in range(len(needles)):
            is_spike[vertex] |= height >= needles[i, 0] * radius and height >= needles[i, 1] * side
        if not is_spike[vertex] and height >= steep * radius:
            is_spike[vertex] = _lie_flat(vertex, ring, normal, flat, faces, vectors, first, after)
    return is_spike
