"""Three datum points that can be found on a part with a caliper, and the frame they make.

The choice (our own): A and B are the two points of the original skin that lie farthest apart, the bone's greatest length; C is the one that stands
farthest off the line through them. They depend on the shape alone, not on how the file lies or how fine its mesh is; they are as far apart as the
bone allows, so an error in touching them turns the frame least; and each is found by touching: A and B with the caliper opened to the greatest
length, C with a straightedge. A is the one of the two that lies nearer to C.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.measure import greatest_pair, hull_points
from meshtools.model import FloatArray

SLACK_MM = 0.1  # what a caliper does not tell apart: points that are extreme to within this could be taken for the datum


@dataclass(frozen=True, eq=False)
class Datum:
    """Datum points (3, 3), A to C, and spread_mm (3,): how far from each of them a point may lie that is as extreme to within 0.1 mm."""

    points: FloatArray
    spread_mm: FloatArray

    @property
    def lengths_mm(self) -> tuple[float, float, float]:
        """A to B, B to C, A to C: what the caliper should read."""
        a, b, c = self.points
        return tuple(float(np.sqrt(np.sum((p - q) ** 2))) for p, q in ((a, b), (b, c), (a, c)))  # type: ignore[return-value]

    @property
    def datum_from_part(self) -> FloatArray:
        """Matrix (4, 4): A is the origin, B lies on the x axis, C in the plane of x and y at y above 0; right-handed."""
        a, b, c = self.points
        x = (b - a) / np.sqrt(np.sum((b - a) ** 2))
        y = (c - a) - ((c - a) @ x) * x
        y = y / np.sqrt(np.sum(y**2))
        matrix = np.eye(4)
        matrix[:3, :3] = np.stack([x, y, np.cross(x, y)])
        matrix[:3, 3] = -matrix[:3, :3] @ a
        return matrix


def find_datum(points: FloatArray) -> Datum:
    """Datum points of a part from the corners (n, 3) of its original skin that is left after cutting. GeometryError for points on one line."""
    corners = hull_points(points)
    length, a, b = greatest_pair(corners)
    if not length > 0:
        raise GeometryError("the part has no size, so no datum points")
    way = (b - a) / length
    off = np.sqrt((np.cross(corners - a, way) ** 2).sum(axis=1))
    c = corners[int(off.argmax())]
    if not off.max() > 1e-6 * length:
        raise GeometryError("the part is a line, so it has no three datum points")
    if (c - a) @ way > length / 2:
        a, b = b, a
    spread = [_spread(corners, end, np.sqrt(((corners - other) ** 2).sum(axis=1))) for end, other in ((a, b), (b, a))]
    return Datum(np.stack([a, b, c]), np.array([*spread, _spread(corners, c, off)]))


def _spread(corners: FloatArray, chosen: FloatArray, measure: FloatArray) -> float:
    near = corners[measure >= measure.max() - SLACK_MM]
    return float(np.sqrt(((near - chosen) ** 2).sum(axis=1)).max())
