"""How wide the two ends of a bone are, without knowing how it sits in the skeleton."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.registration_poses import principal_axes
from meshtools.geometry.sample import sample_surface
from meshtools.model import FloatArray, Mesh

END_SHARE = 0.08  # the outermost share of the length that counts as the end: our own choice, about the joint surface of a long bone
N_SAMPLES = 20_000
LEAST_ELONGATION = 1.6
"""A vertebra's longest axis runs across it, or changes between individuals: below this ratio of the two largest spreads of the surface a bone
has no ends. Measured on 44 dog bones: long bones, metapodials, phalanges, calcaneus and rear tail vertebrae lie above, the other vertebrae,
patella and talus below."""


@dataclass(frozen=True)
class EndWidths:
    """Breadth of the wider and of the narrower end in mm, of the whole bone, and whether it is so much longer than broad that it has ends."""

    wide_mm: float
    narrow_mm: float
    whole_mm: float
    has_axis: bool


def end_widths(mesh: Mesh) -> EndWidths:
    """Measure both ends: the diameter of a disc as large as the outline of the outermost 8 % along the longest principal axis.

    The outline is the convex hull seen along the axis, so that holes and open rims do not matter. Seeded: the same mesh gives the same widths.
    whole_mm is the diameter of the ball with as large a hull, which needs no direction (a convex body's mean shadow is a quarter of its surface,
    Cauchy 1841, from memory). Our own method. GeometryError for a surface without area.
    """
    points, _ = sample_surface(mesh, N_SAMPLES)
    centred = points - points.mean(axis=0)
    axes = principal_axes(centred)
    spread = np.sqrt((centred @ axes)[:, :2].var(axis=0))
    local = np.concatenate([points, mesh.vertices[np.unique(mesh.faces)]]) @ axes
    along, across = local[:, 0], local[:, 1:]
    low, high = float(along.min()), float(along.max())
    depth = END_SHARE * (high - low)
    widths = sorted((_disc_diameter(across[along <= low + depth]), _disc_diameter(across[along >= high - depth])), reverse=True)
    return EndWidths(widths[0], widths[1], _ball_diameter(local), bool(spread[0] >= LEAST_ELONGATION * spread[1]))


def end_points(mesh: Mesh, share: float) -> FloatArray:
    """Points (n, 3) spread over the outermost share of the length at both ends; none for a bone that is not so long that it has ends."""
    points, _ = sample_surface(mesh, N_SAMPLES)
    local = (points - points.mean(axis=0)) @ principal_axes(points - points.mean(axis=0))
    spread, along = np.sqrt(local[:, :2].var(axis=0)), local[:, 0]
    if spread[0] < LEAST_ELONGATION * spread[1]:
        return np.empty((0, 3))
    depth = share * float(np.ptp(along))
    return np.asarray(points[(along <= along.min() + depth) | (along >= along.max() - depth)])


def _ball_diameter(points: FloatArray) -> float:
    """Diameter of the ball with the surface of the hull of points (n, 3)."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        area = float(ConvexHull(points).area)
    except QhullError:  # a flat sheet
        return 0.0
    return float(np.sqrt(area / np.pi))


def _disc_diameter(points: FloatArray) -> float:
    """Diameter of the disc with the area of the hull of points (n, 2)."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        area = float(ConvexHull(points).volume)  # of a plane figure scipy calls the area its volume
    except QhullError:  # a tip too fine to have an outline
        return 0.0
    return 2.0 * float(np.sqrt(area / np.pi))
