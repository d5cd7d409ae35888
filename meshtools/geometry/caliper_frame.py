"""The box of a part as a caliper takes it: along its greatest length, across that, and square to both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.measure import greatest_pair
from meshtools.model import FloatArray

MEASURES = ("greatest-length", "greatest-breadth", "depth")


@dataclass(frozen=True, eq=False)
class CaliperFrame:
    """axes (3, 3): rows along length, breadth and depth, right-handed; sizes_mm (3,) in that order; centre (3,) and sizes (3,) of the box along the
    axes."""

    axes: FloatArray
    sizes_mm: FloatArray
    centre: FloatArray
    box_mm: FloatArray

    @property
    def matrix(self) -> FloatArray:
        """From the part's coordinates to those of the drawing: 4 x 4, a turn and a shift."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.axes
        matrix[:3, 3] = -self.axes @ self.centre
        return matrix


def caliper_frame(points: FloatArray) -> CaliperFrame:
    """Length: the two points (n, 3) farthest apart. Breadth: the two farthest apart across it. Depth: between jaws square to both.

    All three can be taken with a caliper on the part itself, whatever the coordinates of its scan. Our own convention. A part whose
    points all lie in one place or on one line gets sizes of 0 and axes that are chosen for it.
    """
    length_mm, a, b = greatest_pair(points)
    first = _signed(b - a) if length_mm > 0 else np.array([1.0, 0.0, 0.0])
    across = np.linalg.svd(first[None, :])[2][1:]
    breadth_mm, c, d = greatest_pair(points @ across.T)
    second = _signed((d - c) @ across) if breadth_mm > 0 else across[0]
    axes = np.stack([first, second, np.cross(first, second)])
    placed = points @ axes.T
    low, high = placed.min(axis=0), placed.max(axis=0)
    return CaliperFrame(axes, high - low, axes.T @ ((low + high) / 2), high - low)


def _signed(vector: FloatArray) -> FloatArray:
    """The unit vector whose largest component is positive, so that the order of the two ends means nothing."""
    unit = vector / np.sqrt(np.sum(vector**2))
    return np.asarray(unit * np.sign(unit[int(np.argmax(np.abs(unit)))]))
