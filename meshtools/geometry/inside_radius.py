"""The largest ball that touches a surface from outside at a point: the smallest inside radius tells which cutter reaches everything."""

from __future__ import annotations

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.model import FloatArray

N_HALVINGS = 12


def inside_radii_mm(surface: Surface, points: FloatArray, normals: FloatArray, most_mm: float, slack_mm: float) -> FloatArray:
    """Radius (n,) of the largest free ball that touches each point (n, 3) from outside along its unit normal (n, 3), at most `most_mm`.

    A ball may sink `slack_mm` into the surface, so that facets do not count as corners. Balls that touch at one point lie within each other,
    so the radius is found by halving (0.1 % of `most_mm` or better).
    """
    low, high = np.zeros(len(points)), np.full(len(points), most_mm)
    tried = high.copy()
    for _ in range(N_HALVINGS):
        distances, _faces = surface.distance(points + tried[:, None] * normals)
        is_free = distances >= tried - slack_mm
        low = np.where(is_free, tried, low)
        high = np.where(is_free, high, tried)
        tried = np.where(low >= most_mm, most_mm, (low + high) / 2.0)
    return low
