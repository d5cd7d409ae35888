"""Directions spread over a sphere, to search by."""

from __future__ import annotations

import numpy as np

from meshtools.model import FloatArray


def even_directions(n: int) -> FloatArray:
    """Unit vectors (n, 3) spread evenly over the half sphere z > 0 (a golden-angle spiral)."""
    z = (np.arange(n) + 0.5) / n
    turn = np.arange(n) * np.pi * (3 - np.sqrt(5))
    flat = np.sqrt(1 - z * z)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
