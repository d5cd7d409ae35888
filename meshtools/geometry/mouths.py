"""Where a bore breaks through the skin: the skin of its mouths, which no wall is asked for, and all other skin, which counts.

The rule (our own): skin belongs to a mouth where it lies within two radii of the bore with its wall, 2 (r + w), of the point at which the axis
meets the skin, and either looks along the bore (its normal within 60 degrees of the way out) or lies no deeper below that point than r + w, and no
deeper than a quarter of the bore. A bore square to a flat end has its wall about it from that depth on, and so has one into a ball that is just wide
enough. All other skin counts, and it counts for the whole axis. So the flat, domed or slanting skin that the bore leaves by does not count, nor do
ridges that rise beside the mouth, but the side of a shaft does, and that of a flat disc in its middle half.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.model import FloatArray, Mesh

FACING = 0.5  # cosine of 60 degrees
REACH = 2.0  # of r + w
GRAIN = 0.25  # of r + w: faces near a mouth are cut into pieces of this size, so that the rule does not depend on how fine the mesh is
MOST_SPLITS = 40


@dataclass(frozen=True, eq=False)
class Mouth:
    """Where the axis of a bore meets the skin: point (3,) in mm and outward (3,), the unit direction out of the bone."""

    point: FloatArray
    outward: FloatArray


def counted_skin(mesh: Mesh, mouths: Sequence[Mouth], clear_mm: float, length_mm: float) -> Surface:
    """The skin that a bore must keep its wall to, without that of its mouths.

    clear_mm: radius and wall together, r + w; length_mm of the bore. GeometryError where no skin is left.
    """
    corners, normals = mesh.vertices[mesh.faces], unit_normals(mesh)
    for mouth in mouths:
        corners, normals = _without_mouth(corners, normals, mouth, (clear_mm, min(clear_mm, length_mm / 4)))
    faces = np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
    return Surface(Mesh.create(corners.reshape(-1, 3), faces))


def _without_mouth(corners: FloatArray, normals: FloatArray, mouth: Mouth, sizes: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    clear_mm, shallow_mm = sizes
    reach = REACH * clear_mm
    is_near = _touches(corners, mouth.point, reach)
    pieces, directions = _split(corners[is_near], normals[is_near], mouth, shallow_mm)
    pieces, directions = _divided(pieces, directions, (mouth.point, reach), GRAIN * clear_mm)
    middle = pieces.mean(axis=1)
    depth = (mouth.point - middle) @ mouth.outward
    is_of_mouth = (((middle - mouth.point) ** 2).sum(axis=1) <= reach**2) & ((directions @ mouth.outward >= FACING) | (depth <= shallow_mm))
    return np.concatenate([corners[~is_near], pieces[~is_of_mouth]]), np.concatenate([normals[~is_near], directions[~is_of_mouth]])


def _split(corners: FloatArray, normals: FloatArray, mouth: Mouth, depth_mm: float) -> tuple[FloatArray, FloatArray]:
    """Triangles split by the plane so deep below the mouth, so that each lies on one side of it."""
    height = (corners - mouth.point) @ mouth.outward + depth_mm
    is_above = height > 0
    is_split = is_above.any(axis=1) & ~is_above.all(axis=1)
    alone = np.where(is_above.sum(axis=1) == 1, is_above.argmax(axis=1), (~is_above).argmax(axis=1))[is_split]
    turn = (alone[:, None] + np.arange(3)) % 3
    a, b, c = (np.take_along_axis(corners[is_split], turn[:, k, None, None], axis=1)[:, 0] for k in range(3))
    of_a, of_b, of_c = np.take_along_axis(height[is_split], turn, axis=1).T
    on_b, on_c = a + (of_a / (of_a - of_b))[:, None] * (b - a), a + (of_a / (of_a - of_c))[:, None] * (c - a)
    parts = [np.stack(part, axis=1) for part in ((a, on_b, on_c), (on_b, b, c), (on_b, c, on_c))]
    return np.concatenate([corners[~is_split], *parts]), np.concatenate([normals[~is_split], *[normals[is_split]] * 3])


def _touches(corners: FloatArray, point: FloatArray, reach: float) -> np.ndarray:
    middle = corners.mean(axis=1)
    size = np.sqrt(((corners - middle[:, None]) ** 2).sum(axis=2).max(axis=1, initial=0.0))
    return np.asarray(np.sqrt(((middle - point) ** 2).sum(axis=1)) - size <= reach)


def _divided(corners: FloatArray, normals: FloatArray, ball: tuple[FloatArray, float], grain_mm: float) -> tuple[FloatArray, FloatArray]:
    """Triangles halved across their longest edge until those that touch the ball have no edge above the grain."""
    done, done_normals = [], []
    for _ in range(MOST_SPLITS):
        edges = ((np.roll(corners, -1, axis=1) - corners) ** 2).sum(axis=2)
        is_long = (edges.max(axis=1, initial=0.0) > grain_mm**2) & _touches(corners, *ball)
        done.append(corners[~is_long])
        done_normals.append(normals[~is_long])
        if not is_long.any():
            break
        turn = (np.arange(3) + edges[is_long].argmax(axis=1)[:, None]) % 3
        a, b, c = (np.take_along_axis(corners[is_long], turn[:, k, None, None], axis=1)[:, 0] for k in range(3))
        middle = (a + b) / 2
        corners = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
        normals = np.concatenate([normals[is_long]] * 2)
    else:
        done.append(corners)
        done_normals.append(normals)
    return np.concatenate(done), np.concatenate(done_normals)
