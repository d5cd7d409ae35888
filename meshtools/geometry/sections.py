"""Plane sections of a solid as areas in the plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.geometry.body import frame_about, rigid
from meshtools.geometry.outlines import polygons_of
from meshtools.model import FloatArray

LEAST_AREA_MM2 = 1.0  # a speck of a section below this is nothing


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane normal . x = offset_mm with its own axes: rows of `frame` (3, 3) are right, up and the unit normal."""

    frame: FloatArray
    offset_mm: float

    @classmethod
    def across(cls, normal: FloatArray, offset_mm: float) -> Plane:
        """The plane with this unit normal."""
        return cls(frame_about(normal), float(offset_mm))

    @property
    def normal(self) -> FloatArray:
        """Unit normal (3,)."""
        return np.asarray(self.frame[2])

    def to_space(self, flat: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Points (n, 2) of the plane, lifted by a height, in space (n, 3)."""
        flat = np.atleast_2d(np.asarray(flat, dtype=np.float64))
        local = np.column_stack([flat, np.full(len(flat), self.offset_mm + height_mm)])
        return np.asarray(local @ self.frame)

    def to_plane(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) seen in the plane's frame: right, up and height above the plane."""
        return np.asarray(np.atleast_2d(points) @ self.frame.T - (0.0, 0.0, self.offset_mm))


def section(solid: Any, plane: Plane, height_mm: float = 0.0) -> Any:
    """The area (shapely, in the plane's right and up) in which a solid meets the plane lifted by a height."""
    turned = solid.transform(rigid(plane.frame)[:3].tolist())
    return area_of(turned.slice(plane.offset_mm + height_mm))


def sections(solid: Any, plane: Plane, heights_mm: FloatArray) -> list[Any]:
    """As `section`, for several heights."""
    turned = solid.transform(rigid(plane.frame)[:3].tolist())
    return [area_of(turned.slice(plane.offset_mm + float(height))) for height in heights_mm]


def area_of(flat: Any) -> Any:
    """A kernel's cross-section as a valid shapely area without specks."""
    import shapely

    # an area inside an odd number of loops is matter, whatever their order
    total: Any = shapely.Polygon()
    for loop in flat.to_polygons():
        if len(loop) >= 3:
            total = total.symmetric_difference(shapely.Polygon(loop).buffer(0))
    return shapely.MultiPolygon([part for part in polygons_of(total) if part.area >= LEAST_AREA_MM2])
