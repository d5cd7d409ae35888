"""Cut bores and sockets into a closed bone; the faces of their walls are nobody's bone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.bore_search import square_to
from meshtools.geometry.passages import MADE_GREY, euler_number
from meshtools.geometry.unite import concatenate, kernel_solid, mesh_of_solid
from meshtools.model import FloatArray, Mesh

SIDES = 96
ROUND = float(1.0 / np.cos(np.pi / SIDES))  # the polygon stands about the circle, so that a rod of the full diameter goes in: 0.05 % wider


@dataclass(frozen=True)
class Cutting:
    """What was cut. is_as_planned: the bone has as many handles more as there are bores through it, and no piece fell off."""

    mesh: Mesh
    is_as_planned: bool


def bore_tool(points: FloatArray, radius_mm: float, source_index: int, has_colour: bool, flat_mm: float | None = None) -> Mesh:
    """A closed body of round section along points (n, 3), n >= 2, to be cut out. flat_mm: distance of a flat side from the axis, None: round."""
    ring = _profile(radius_mm, flat_mm)
    ways = np.diff(points, axis=0)
    ways = ways / np.sqrt((ways**2).sum(axis=1))[:, None]
    sideways = square_to(ways[0])
    rings = []
    for k, point in enumerate(points):
        before, after = ways[max(k - 1, 0)], ways[min(k, len(ways) - 1)]
        normal = (before + after) / np.sqrt(np.sum((before + after) ** 2))
        plain = ring @ sideways  # square to the run before; each ring is set into the plane halfway between two runs, along the run
        rings.append(point + plain - ((plain @ normal) / (before @ normal))[:, None] * before)
        sideways = _carried(sideways, before, after)
    return _skinned(np.stack(rings), points, source_index, has_colour)


def _profile(radius_mm: float, flat_mm: float | None) -> FloatArray:
    angles = 2.0 * np.pi * (np.arange(SIDES) + 0.5) / SIDES
    ring = ROUND * radius_mm * np.column_stack([np.cos(angles), np.sin(angles)])
    if flat_mm is not None:
        ring[:, 0] = np.minimum(ring[:, 0], flat_mm)
        half = float(np.sqrt(max((ROUND * radius_mm) ** 2 - flat_mm**2, 0.0)))
        is_flat = ring[:, 0] >= flat_mm - 1e-12
        ring[is_flat, 1] = np.clip(ring[is_flat, 1], -half, half)
    return ring


def _carried(sideways: FloatArray, before: FloatArray, after: FloatArray) -> FloatArray:
    """The two side directions turned with the line, by the least turn from one run to the next."""
    axis, cosine = np.cross(before, after), float(before @ after)
    cross = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    turn = np.eye(3) + cross + cross @ cross / (1.0 + cosine)
    return np.asarray(sideways @ turn.T)


def _skinned(rings: FloatArray, points: FloatArray, source_index: int, has_colour: bool) -> Mesh:
    n_rings, n_sides = rings.shape[:2]
    vertices = np.concatenate([rings.reshape(-1, 3), points[:1], points[-1:]])
    this, following = np.arange(n_sides), np.roll(np.arange(n_sides), -1)
    faces = []
    for k in range(n_rings - 1):
        low, high = k * n_sides, (k + 1) * n_sides
        faces += [np.column_stack([low + this, low + following, high + following]), np.column_stack([low + this, high + following, high + this])]
    first, last = n_rings * n_sides, n_rings * n_sides + 1
    faces.append(np.column_stack([following, this, np.full(n_sides, first)]))
    faces.append(np.column_stack([(n_rings - 1) * n_sides + this, (n_rings - 1) * n_sides + following, np.full(n_sides, last)]))
    colour = np.full((len(vertices), 3), MADE_GREY) if has_colour else None
    return Mesh.create(vertices, np.concatenate(faces), source_index, colour)


def cut_bores(mesh: Mesh, tools: Sequence[Mesh], n_through: int) -> Cutting:
    """Take tools out of a closed bone by an exact boolean (manifold3d); every face keeps its source. n_through of them go through the bone.

    GeometryError where the kernel refuses the bone or a tool.
    """
    import manifold3d

    joint = concatenate([mesh, *tools])
    starts = np.cumsum([0, len(mesh.faces), *(len(tool.faces) for tool in tools)])
    solids = [kernel_solid(joint, np.arange(start, end)) for start, end in pairwise(starts)]
    if any(solid is None for solid in solids):
        raise GeometryError("the bores could not be cut into this bone: it is not a closed solid; look at its page")
    cut = mesh_of_solid(manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Subtract), joint)
    return Cutting(cut, euler_number(cut) == euler_number(mesh) - 2 * n_through)


def least_between(one: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray]) -> float:
    """The least distance of two straight stretches, each by its ends (3,): closed form, clamped to the ends."""
    p, q = one[0], other[0]
    u, v, w = one[1] - p, other[1] - q, p - q
    a, b, c, d, e = float(u @ u), float(u @ v), float(v @ v), float(u @ w), float(v @ w)
    bottom = a * c - b * b
    s = float(np.clip((b * e - c * d) / bottom, 0.0, 1.0)) if bottom > 1e-12 * max(a * c, 1e-300) else 0.0
    t = float(np.clip((b * s + e) / max(c, 1e-300), 0.0, 1.0))
    s = float(np.clip((b * t - d) / max(a, 1e-300), 0.0, 1.0))
    return float(np.sqrt(np.sum((p + s * u - q - t * v) ** 2)))
