"""The surface on which a distance has a given value, found on a grid that is fine only where the surface is."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray

# a cube's corners by their bits (x 1, y 2, z 4), cut into six tetrahedra along its diagonal (Kuhn 1960), alike in all cubes
_CORNERS = np.array([[k & 1, k >> 1 & 1, k >> 2 & 1] for k in range(8)])
_TETRAHEDRA = np.array([[0, a, a | b, 7] for a in (1, 2, 4) for b in (1, 2, 4) if a != b])
_NEAREST_CUT = 0.05  # a corner of the surface keeps this share of an edge away from its ends, so that no face is a needle
_COARSE = 16  # the first cells are this many steps wide

Field = Callable[[FloatArray, bool], FloatArray]


def contour(field: Field, box: tuple[FloatArray, FloatArray], step_mm: float, sure_mm: float) -> tuple[FloatArray, NDArray[np.int64]]:
    """Closed surface around where `field` is above zero: vertices (n, 3), faces (m, 3), outward.

    field(points (n, 3), is_within) -> (n,) may change by at most the distance between two points (as signed distances do), so a cell whose
    middle value is above its half diagonal holds no surface and is left out. It must be below zero on the box (lowest, highest corner).
    Where cells have a half diagonal up to `sure_mm` the field is told that on which side of the skin a point is makes no difference any
    more. Marching tetrahedra (Doi and Koide 1991), each edge cut by linear interpolation; every edge of the result has exactly two faces.
    """
    low = box[0]
    cells = _cells_with_surface(field, box, step_mm, sure_mm)
    if not len(cells):
        return np.empty((0, 3)), np.empty((0, 3), np.int64)
    corners = (cells[:, None, :] + _CORNERS).reshape(-1, 3)
    span = corners.max(axis=0) + 1
    key = (corners[:, 0] * span[1] + corners[:, 1]) * span[2] + corners[:, 2]
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    points = low + corners[first] * step_mm
    values = field(points, _half_diagonal(1, step_mm) <= sure_mm)
    values = np.where(values == 0.0, -1e-12, values)
    return _march(points, values, number.reshape(-1, 8)[:, _TETRAHEDRA].reshape(-1, 4))


def _half_diagonal(width: int, step_mm: float) -> float:
    return float(np.sqrt(3.0) / 2.0 * width * step_mm)


def _cells_with_surface(field: Field, box: tuple[FloatArray, FloatArray], step_mm: float, sure_mm: float) -> NDArray[np.int64]:
    """Cells (k, 3) of the finest grid, as whole steps from the box's lowest corner, that may hold the surface."""
    (low, high), width = box, _COARSE
    counts = np.ceil((high - low) / (step_mm * width)).astype(np.int64)
    cells = np.stack(np.meshgrid(*(np.arange(count) for count in counts), indexing="ij"), axis=-1).reshape(-1, 3) * width
    while True:
        middle = field(low + (cells + width / 2.0) * step_mm, _half_diagonal(2 * width, step_mm) <= sure_mm)
        cells = cells[np.abs(middle) <= _half_diagonal(width, step_mm) * (1.0 + 1e-9)]
        if width == 1 or not len(cells):
            return cells
        width //= 2
        cells = (cells[:, None, :] + _CORNERS * width).reshape(-1, 3)


def _march(points: FloatArray, values: FloatArray, tetrahedra: NDArray[np.int64]) -> tuple[FloatArray, NDArray[np.int64]]:
    is_in = values[tetrahedra] > 0.0
    n_in = is_in.sum(axis=1)
    order = np.argsort(~is_in, axis=1, kind="stable")  # corners within come first
    sorted_corners = np.take_along_axis(tetrahedra, order, axis=1)
    edges: list[NDArray[np.int64]] = []
    for count, triangles in ((1, ((0, 1), (0, 2), (0, 3))), (3, ((0, 3), (1, 3), (2, 3)))):
        chosen = sorted_corners[n_in == count]
        edges.append(np.stack([chosen[:, list(edge)] for edge in triangles], axis=1))
    both = sorted_corners[n_in == 2]
    quad = [both[:, list(edge)] for edge in ((0, 2), (0, 3), (1, 3), (1, 2))]
    edges += [np.stack([quad[0], quad[1], quad[2]], axis=1), np.stack([quad[0], quad[2], quad[3]], axis=1)]
    ends = np.concatenate(edges)  # (m, 3 corners, 2 ends: inside, outside)
    unique, number = np.unique(ends.reshape(-1, 2)[:, 0] * len(points) + ends.reshape(-1, 2)[:, 1], return_inverse=True)
    inside, outside = np.divmod(unique, len(points))
    share = np.clip(values[inside] / (values[inside] - values[outside]), _NEAREST_CUT, 1.0 - _NEAREST_CUT)
    vertices = points[inside] + share[:, None] * (points[outside] - points[inside])
    faces = number.reshape(-1, 3)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    outward = points[ends[:, :, 1]].mean(axis=1) - points[ends[:, :, 0]].mean(axis=1)
    is_turned = np.einsum("ij,ij->i", np.cross(b - a, c - a), outward) < 0.0
    faces[is_turned] = faces[is_turned][:, ::-1]
    return vertices, faces
