"""The loop over vertices for `spikes`. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

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
def _measure(vertices: Any, vertex: int, ring: Any, skipped: int, normal: Any, figures: Any) -> bool:
    """How a vertex stands over its ring without one corner (-1: with all): its height over the foot and its way from the foot's middle, each as a
    multiple of the foot's radius and of its middle edge, and the foot's normal. False where the ring has no foot."""
    n, used, centre = 0, np.empty(len(ring), np.int64), np.zeros(3)
    for i in range(len(ring)):
        if i != skipped:
            used[n] = ring[i]
            n += 1
    if n < 3:
        return False
    for i in range(n):
        centre += vertices[used[i]] / n
    foot, sides = np.zeros(3), np.empty(n)
    for i in range(n):
        here, there = vertices[used[i]] - centre, vertices[used[(i + 1) % n]] - centre
        foot += np.cross(here, there)
        sides[i] = np.sqrt(np.sum((there - here) ** 2))
    size, side = np.sqrt(np.sum(foot * foot)), np.median(sides)
    if size == 0.0 or side == 0.0:
        return False
    normal[:] = foot / size
    tip, radius = vertices[vertex] - centre, np.sqrt(size / 2.0 / np.pi)
    height, length = abs(np.sum(tip * normal)), np.sqrt(np.sum(tip * tip))
    figures[0], figures[1], figures[2], figures[3] = height / radius, height / side, length / radius, length / side
    return True


@compiled
def _needle_share(figures: Any, needles: Any, leaning: Any) -> float:
    """How much of what a needle has a vertex has; 1 and more is a needle."""
    share = min(figures[2] / leaning[0], figures[3] / leaning[1])
    for i in range(len(needles)):
        share = max(share, min(figures[0] / needles[i, 0], figures[1] / needles[i, 1]))
    return float(share)


@compiled
def steep_vertices(mesh: Any, vectors: Any, chain: Any, rows: Any, is_asked: Any, limits: Any, is_spike: Any, partner: Any) -> None:
    """Mark the spikes among the vertices of some rows (first, last) that are asked for (n,). mesh: vertices and faces; vectors (m, 3): area vectors;
    chain: `chain_corners` of the faces; the limits are those of `spikes`, needles (k, 2). partner (n,): the corner of its ring without which a
    vertex is most of a needle; of two beside each other, each in the other's ring, one hides the other."""
    (vertices, faces), (first, _, after), (rough, steep, flat, needles, leaning) = mesh, chain, limits
    following, buffer, normal, figures = np.empty((MOST_RING, 2), np.int64), np.empty(MOST_RING, np.int64), np.empty(3), np.empty(4)
    for vertex in range(rows[0], rows[1]):
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
        ring = buffer[:n]
        if n == 0 or not _measure(vertices, vertex, ring, -1, normal, figures) or figures[2] < steep:
            continue
        is_spike[vertex] = _needle_share(figures, needles, leaning) >= 1.0
        if not is_spike[vertex] and figures[0] >= steep:
            is_spike[vertex] = _lie_flat(vertex, ring, normal, flat, faces, vectors, first, after)
        most = 1.0
        for i in range(n):
            if is_spike[vertex] or not _measure(vertices, vertex, ring, i, normal, figures):
                continue
            share = _needle_share(figures, needles, leaning)
            if share >= most:
                most, partner[vertex] = share, ring[i]
