"""A second hole beside a first one that keeps a bone from turning on its rod, and whether the way into a hole is free."""

from __future__ import annotations

import numpy as np

from meshtools.geometry.bore_search import square_to
from meshtools.geometry.bores import Bore, BoreAsked, check_bore
from meshtools.geometry.distance import Surface
from meshtools.model import FloatArray, Mesh

N_ANGLES = 16
LEAD_RADII = 3.0  # a hole is cut out to so far before its mouth
RAYS = 16


def second_dowel(mesh: Mesh, first: Bore, asked: BoreAsked) -> Bore | None:
    """A hole parallel to a first one, as wide, with one wall between them, on the side where it keeps the most wall; None where it meets no bone."""
    sideways = square_to(first.axis)
    apart = 2.0 * asked.radius_mm + asked.wall_mm
    found = []
    for angle in 2.0 * np.pi * np.arange(N_ANGLES) / N_ANGLES:
        shift = apart * (np.cos(angle) * sideways[0] + np.sin(angle) * sideways[1])
        line = (first.start + shift, first.end + shift)
        bore = check_bore(mesh, line, BoreAsked(asked.radius_mm, asked.wall_mm, asked.depth_mm))
        found += [bore] if bore is not None else []
    return max(found, key=lambda bore: bore.wall_mm, default=None)


def lead_mm(radius_mm: float) -> float:
    """How far before its mouth a hole is cut out, so that skin that slants across the mouth is cut too."""
    return LEAD_RADII * radius_mm


def is_way_free(skin: Surface, point: FloatArray, outward: FloatArray, radius_mm: float) -> bool:
    """True where no skin stands before a mouth at `point` (3,), beyond the length that is cut out with the hole, in the way of a straight rod."""
    sideways = square_to(outward)
    angles = 2.0 * np.pi * np.arange(RAYS) / RAYS
    ring = radius_mm * (np.cos(angles)[:, None] * sideways[0] + np.sin(angles)[:, None] * sideways[1])
    starts = np.concatenate([ring, np.zeros((1, 3))]) + point + lead_mm(radius_mm) * outward
    return bool(np.isinf(skin.first_hit(starts, np.broadcast_to(outward, starts.shape))).all())
