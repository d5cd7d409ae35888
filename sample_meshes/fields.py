"""Signed distance fields of simple solids, their blends, and the surface of a field as triangles.

A field takes points (n, 3) in millimetres and returns (n,) approximate signed distances, negative inside.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Field = Callable[[Array], Array]
Surface = tuple[Array, Array]  # vertices (n, 3), faces (m, 3)
BLOCK = 5  # cells along one side of a grid block that is looked at, or skipped, as a whole


def ball(p: Array, centre: Sequence[float], radii: float | Sequence[float]) -> Array:
    """Sphere, or an ellipsoid with three radii (first-order distance)."""
    r = np.broadcast_to(np.asarray(radii, dtype=float), (3,))
    q = p - np.asarray(centre)
    scaled = np.sqrt(np.einsum("ij,ij->i", q / r, q / r))
    slope = np.sqrt(np.einsum("ij,ij->i", q / r**2, q / r**2))
    return (scaled - 1.0) * np.where(slope > 1e-9, scaled / np.maximum(slope, 1e-9), r.min())


def rod(p: Array, a: Sequence[float], b: Sequence[float], r_a: float, r_b: float | None = None) -> Array:
    """Capsule from a to b whose radius runs from r_a to r_b."""
    start, axis = np.asarray(a, dtype=float), np.asarray(b, dtype=float) - np.asarray(a, dtype=float)
    along = np.clip((p - start) @ axis / (axis @ axis), 0.0, 1.0)
    gap = np.linalg.norm(p - start - along[:, None] * axis, axis=1)
    return gap - (r_a + ((r_a if r_b is None else r_b) - r_a) * along)


def tube(p: Array, points: Sequence[Sequence[float]], radii: Sequence[float], stretch: Sequence[float] = (1.0, 1.0, 1.0)) -> Array:
    """Rod of changing radius along a smooth curve through points; a stretch above 1 widens the section along that axis."""
    s = np.asarray(stretch)
    q, knots = p / s, curve(np.column_stack([np.asarray(points, dtype=float) / s, radii]), is_closed=False)
    parts = [rod(q, a[:3], b[:3], a[3], b[3]) for a, b in pairwise(knots)]
    return np.minimum.reduce(parts)


def curve(knots: Array, is_closed: bool, steps: int = 4) -> Array:
    """Points of a smooth curve through knots (Catmull-Rom), `steps` to each span; two open knots stay a straight line."""
    if len(knots) == 2:
        return knots
    ends = (knots[-1:], knots[:2]) if is_closed else (2 * knots[:1] - knots[1:2], 2 * knots[-1:] - knots[-2:-1])
    k = np.concatenate([ends[0], knots, ends[1]])
    t = np.arange(steps)[:, None] / steps
    spans = []
    for a, b, c, d in zip(k[:-3], k[1:-2], k[2:-1], k[3:], strict=True):
        spans.append(b + t * ((c - a) / 2 + t * (a - 2.5 * b + 2 * c - d / 2 + t * ((d - a) / 2 + 1.5 * (b - c)))))
    return np.concatenate(spans if is_closed else [*spans, knots[-1:]])


def plate(p: Array, outline: Sequence[Sequence[float]], half: float, axis: int = 0, middle: Array | float = 0.0) -> Array:
    """Sheet with rounded edges: a smooth outline in the two other axes, `half` thick to each side of `middle` along `axis`."""
    flat = np.delete(p, axis, axis=1)
    q = np.stack([polygon(flat, curve(np.asarray(outline, dtype=float), is_closed=True)) + half, np.abs(p[:, axis] - middle)], axis=1)
    return np.linalg.norm(np.maximum(q, 0.0), axis=1) + np.minimum(q.max(axis=1), 0.0) - half


def polygon(p: Array, outline: Sequence[Sequence[float]]) -> Array:
    """Signed distance to a closed polygon in the plane."""
    knots = np.asarray(outline, dtype=float)
    nearest, is_inside = np.full(len(p), np.inf), np.zeros(len(p), dtype=bool)
    for a, b in zip(knots, np.roll(knots, -1, axis=0), strict=True):
        edge, q = b - a, p - a
        along = np.clip(q @ edge / (edge @ edge), 0.0, 1.0)
        nearest = np.minimum(nearest, np.linalg.norm(q - along[:, None] * edge, axis=1))
        spans = (a[1] > p[:, 1]) != (b[1] > p[:, 1])
        if edge[1] != 0.0:
            is_inside ^= spans & (p[:, 0] < a[0] + (p[:, 1] - a[1]) * edge[0] / edge[1])
    return np.where(is_inside, -nearest, nearest)


def ring(p: Array, centre: Sequence[float], radius: float, thickness: float) -> Array:
    """Torus around the z axis through its centre."""
    q = p - np.asarray(centre)
    return np.hypot(np.hypot(q[:, 0], q[:, 1]) - radius, q[:, 2]) - thickness


def drum(p: Array, centre: Sequence[float], half: float, radius: float, axis: int = 2) -> Array:
    """Cylinder along an axis with a softly rounded rim; `half` is half its length."""
    q = p - np.asarray(centre)
    across = np.linalg.norm(np.delete(q, axis, axis=1), axis=1)
    rim = min(2.0, half / 2, radius / 2)
    d = np.stack([across - radius + rim, np.abs(q[:, axis]) - half + rim], axis=1)
    return np.linalg.norm(np.maximum(d, 0.0), axis=1) + np.minimum(d.max(axis=1), 0.0) - rim


def join(width: float, *parts: Array) -> Array:
    """Smooth union: parts closer than `width` flow into one another."""
    total = parts[0]
    for part in parts[1:]:
        h = np.maximum(width - np.abs(total - part), 0.0) / width
        total = np.minimum(total, part) - h * h * width / 4
    return total


def carve(width: float, body: Array, *tools: Array) -> Array:
    """Smooth difference: the body less each tool, with edges rounded over `width`."""
    for tool in tools:
        body = -join(width, -body, tool)
    return body


def mirrored_x(p: Array) -> Array:
    """Points folded onto x >= 0: shapes built on them come out alike on both sides."""
    return np.column_stack([np.abs(p[:, 0]), p[:, 1], p[:, 2]])


def waves(p: Array, seed: int, wavelength: float) -> Array:
    """Smooth noise between about -1 and 1: eight waves in directions fixed by the seed."""
    rng = np.random.default_rng(seed)
    ways = rng.normal(size=(8, 3))
    ways *= (2 * np.pi / wavelength * rng.uniform(0.7, 1.4, 8) / np.linalg.norm(ways, axis=1))[:, None]
    return np.sin(p @ ways.T + rng.uniform(0, 2 * np.pi, 8)).sum(axis=1) / 4.0


def surface(field: Field, low: Sequence[float], high: Sequence[float], edge: float, turn: Array | None = None) -> Surface:
    """Triangles of a field's zero level, with edges of about `edge` mm.

    low, high: a box that holds the solid. turn (3, 3): rotation of the grid, so that two surfaces of one solid need not share
    triangles. Vertices are relaxed along the surface and put back on it; faces run counter-clockwise seen from outside.
    """
    import igl

    turn = np.eye(3) if turn is None else turn
    corners = np.array(np.meshgrid(*zip(low, high, strict=True), indexing="ij")).reshape(3, -1).T @ turn.T
    start = corners.min(axis=0) - edge
    n_blocks = np.ceil((corners.max(axis=0) + edge - start) / (BLOCK * edge)).astype(int)
    shape = n_blocks * BLOCK

    def turned(points: Array) -> Array:
        return field(points @ turn)

    values = _grid_values(turned, start, n_blocks, edge)
    axes = [start[i] + edge * np.arange(shape[i]) for i in range(3)]
    grid = np.stack(np.meshgrid(axes[2], axes[1], axes[0], indexing="ij"), axis=-1)[..., ::-1].reshape(-1, 3)
    vertices, faces, _ = igl.marching_cubes(values, np.ascontiguousarray(grid), int(shape[0]), int(shape[1]), int(shape[2]), 0.0)
    vertices, faces = weld(vertices, faces.astype(np.int64))
    if volume(vertices, faces) < 0:
        faces = faces[:, ::-1]
    return relax(turned, vertices, faces, edge) @ turn, faces


def _grid_values(field: Field, start: Array, n_blocks: Array, edge: float) -> Array:
    """Field values on the grid, x fastest; blocks far from the surface hold the value of their middle."""
    n_x, n_y, n_z = n_blocks
    index = np.stack(np.meshgrid(np.arange(n_z), np.arange(n_y), np.arange(n_x), indexing="ij"), axis=-1).reshape(-1, 3)[:, ::-1]
    origins = start + index * BLOCK * edge
    middle = field(origins + (BLOCK - 1) / 2 * edge)
    values = np.repeat(middle[:, None], BLOCK**3, axis=1)
    near = np.flatnonzero(np.abs(middle) < 1.6 * BLOCK * edge)
    cell = np.arange(BLOCK)
    offsets = np.stack(np.meshgrid(cell, cell, cell, indexing="ij"), axis=-1).reshape(-1, 3)[:, ::-1] * edge
    for chunk in np.array_split(near, max(1, len(near) // 1500)):
        values[chunk] = field((origins[chunk, None] + offsets).reshape(-1, 3)).reshape(-1, BLOCK**3)
    blocks = values.reshape(n_z, n_y, n_x, BLOCK, BLOCK, BLOCK)
    flat = blocks.transpose(0, 3, 1, 4, 2, 5).reshape(-1)
    return np.where(np.abs(flat) < 1e-6, 1e-6, flat)


def weld(vertices: Array, faces: Array) -> Surface:
    """Drop faces that name a vertex twice and vertices that no face names."""
    is_flat = (faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 2] == faces[:, 0])
    used, faces = np.unique(faces[~is_flat], return_inverse=True)
    return vertices[used], faces.reshape(-1, 3)


def relax(field: Field, vertices: Array, faces: Array, edge: float, rounds: int = 3) -> Array:
    """Move each vertex towards the mean of its neighbours and back onto the surface, which evens out the triangles."""
    from scipy.sparse import coo_matrix

    i, j = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).T
    links = coo_matrix((np.ones(len(i)), (i, j)), shape=(len(vertices), len(vertices))).tocsr()
    degree = np.asarray(links.sum(axis=1))
    for _ in range(rounds):
        vertices = onto(field, vertices + 0.6 * (links @ vertices / degree - vertices), edge)
    return vertices


def onto(field: Field, points: Array, edge: float) -> Array:
    """One step of Newton's method towards the zero level, never further than a third of an edge."""
    h = 0.05 * edge
    steps = np.eye(3) * h
    slope = np.stack([(field(points + step) - field(points - step)) / (2 * h) for step in steps], axis=1)
    size = np.maximum(np.einsum("ij,ij->i", slope, slope), 0.05)
    move = -(field(points) / size)[:, None] * slope
    length = np.linalg.norm(move, axis=1, keepdims=True)
    return points + move * np.minimum(1.0, edge / 3 / np.maximum(length, 1e-12))


def volume(vertices: Array, faces: Array) -> float:
    """Signed volume inside closed triangles, positive where they face outwards."""
    a, b, c = vertices[faces].transpose(1, 0, 2)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def area(vertices: Array, faces: Array) -> float:
    """Area of all triangles."""
    a, b, c = vertices[faces].transpose(1, 0, 2)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def normals(vertices: Array, faces: Array) -> Array:
    """Unit normals of the vertices, weighted by the area of the faces around them."""
    a, b, c = vertices[faces].transpose(1, 0, 2)
    flat = np.cross(b - a, c - a)
    total = np.stack([np.bincount(faces.ravel(), weights=np.repeat(flat[:, k], 3), minlength=len(vertices)) for k in range(3)], axis=1)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)
