"""A line scribed into the surface of a body."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.shadow import Solid, joined, without
from meshtools.model import FloatArray

_ROUND = 8  # sides of the scribing bead


def scribe(body: Solid, lines: Sequence[FloatArray], width_mm: float, depth_mm: float) -> tuple[Solid, float]:
    """Take a groove along closed lines (k, 3) on a body's surface, and the volume taken (mm3).

    The groove is what a round bead takes that is moved along the line: so large and so high above the surface that it cuts `width_mm` wide
    and `depth_mm` deep into a level one (closed form of a circle's segment). Each stretch is the convex hull of the bead at its two ends.
    """
    import manifold3d

    radius = (width_mm**2 / 4 + depth_mm**2) / (2 * depth_mm)
    bead = _bead(radius)
    surface = Surface(surface_of(body))
    normals_of = unit_normals(surface.mesh)
    stretches: list[Any] = []
    for line in lines:
        places = line + (radius - depth_mm) * normals_of[surface.distance(line)[1]]
        for start, end in zip(places, np.roll(places, -1, axis=0), strict=True):
            stretches.append(manifold3d.Manifold.hull_points(np.concatenate([bead + start, bead + end])))
    cut = without(body, [joined(stretches)])
    return cut, float(body.volume() - cut.volume())


def _bead(radius: float) -> FloatArray:
    """Points (n, 3) whose hull is nearly a ball, all on it."""
    polar, turn = np.pi * np.arange(1, 4) / 4, 2 * np.pi * (np.arange(_ROUND) + 0.3) / _ROUND
    rings = [np.column_stack([np.sin(p) * np.cos(turn), np.sin(p) * np.sin(turn), np.full(_ROUND, np.cos(p))]) for p in polar]
    return np.concatenate([*rings, [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]]) * radius
