"""Lengths of a surface, taken from its vertices the way a caliper takes them from the bone.

A triangle surface's farthest points are always vertices, so every measure here is exact for the surface.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from meshtools.errors import GeometryError
from meshtools.model import FloatArray, Mesh


def hull_points(points: FloatArray) -> FloatArray:
    """The corners of the convex hull of (n, d) points; all distinct points where they span no volume."""
    from scipy.spatial import ConvexHull, QhullError

    if len(points) <= 64:
        return points
    try:
        return np.asarray(points[np.sort(ConvexHull(points).vertices)])
    except QhullError:  # flat, straight or single: the hull has no volume, so no corner may be left out
        return np.unique(points, axis=0)


def greatest_pair(points: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """The largest distance between any two of the (n, d) points, and the two points.

    Exact: a first guess d from a to b (each the farthest from the other) leaves only points at least d - r from the middle, where r is the
    greatest distance from it; all pairs of those points' convex hull corners are compared.
    """
    a, b = _far_pair(points)
    middle = (a + b) / 2
    reach = np.linalg.norm(points - middle, axis=1)
    corners = hull_points(points[reach >= (np.linalg.norm(b - a) - reach.max()) * (1 - 1e-9)])
    local = corners - middle
    squared = np.einsum("ij,ij->i", local, local)
    best = -1.0
    for start in range(0, len(local), 512):
        block = squared[start : start + 512, None] + squared[None, start:] - 2.0 * local[start : start + 512] @ local[start:].T
        place = int(block.argmax())
        if block.flat[place] > best:
            row, column = divmod(place, block.shape[1])
            best, a, b = float(block.flat[place]), corners[start + row], corners[start + column]
    return float(np.linalg.norm(b - a)), a, b


def _far_pair(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    a = points[int(np.linalg.norm(points - points.mean(axis=0), axis=1).argmax())]
    b = a
    for _ in range(3):
        a, b = b, points[int(np.linalg.norm(points - b, axis=1).argmax())]
    return a, b


def greatest_length(points: FloatArray) -> float:
    """Largest distance between any two points of the surface (a sliding caliper opened to the bone's greatest length)."""
    return greatest_pair(points)[0]


def greatest_breadth(points: FloatArray) -> float:
    """Largest distance between two parallel jaws whose direction is square to the greatest length.

    Equal to the largest distance between any two points after projection along the axis of the greatest length.
    """
    length, a, b = greatest_pair(points)
    if length == 0.0:
        return 0.0
    across = np.linalg.svd((b - a)[None, :])[2][1:]
    return greatest_pair(points @ across.T)[0]


def extent_x(points: FloatArray) -> float:
    """Extent along the scan's x axis (bounding box)."""
    return float(np.ptp(points[:, 0]))


def extent_y(points: FloatArray) -> float:
    """Extent along the scan's y axis (bounding box)."""
    return float(np.ptp(points[:, 1]))


def extent_z(points: FloatArray) -> float:
    """Extent along the scan's z axis (bounding box)."""
    return float(np.ptp(points[:, 2]))


CALIPER_MEASURES: Mapping[str, Callable[[FloatArray], float]] = {
    "greatest-length": greatest_length,
    "greatest-breadth": greatest_breadth,
    "extent-x": extent_x,
    "extent-y": extent_y,
    "extent-z": extent_z,
}
"""The closed list of what `caliper_of` may name. Each takes (n, 3) vertices and answers in their unit."""


def measure(vertices: FloatArray, name: str) -> float:
    """One caliper measure of (n, 3) vertices, in their unit. Raises GeometryError for a name outside CALIPER_MEASURES or no vertices."""
    if name not in CALIPER_MEASURES:
        raise GeometryError(f"'{name}' is not a caliper measure; choose one of {', '.join(CALIPER_MEASURES)}.")
    if len(vertices) == 0:
        raise GeometryError(f"'{name}' cannot be measured on a surface without vertices.")
    return CALIPER_MEASURES[name](vertices)


def diagonal_mm(vertices: FloatArray) -> float:
    """Diagonal of the box around vertices (n, 3) mm, along their axes: how large a surface is, where a rough size will do."""
    return float(np.linalg.norm(np.ptp(vertices, axis=0)))


def median_spacing(mesh: Mesh) -> float:
    """Median edge length: the point spacing of a scan. 0 for a mesh without faces."""
    if len(mesh.faces) == 0:
        return 0.0
    from meshtools.geometry.area_kernels import edge_lengths

    return float(np.median(edge_lengths(mesh.vertices, mesh.faces), overwrite_input=True))
