"""Places on a bone as openings.csv wants them: in the units of the scan that shows the place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.transform import move_points
from meshtools.model import FloatArray


@dataclass(frozen=True, eq=False)
class PlacedScan:
    """The clean surface of one find of a bone, and its pose (4, 4) into the bone's frame."""

    cleaned: Cleaned
    pose: FloatArray


@dataclass(frozen=True)
class ScanPlace:
    """A place of one find: in mm of its clean surface, and in units of its scan."""

    find: str
    point_mm: tuple[float, float, float]
    mm_per_unit: float

    @property
    def words(self) -> str:
        """`find f-1 near (12.0, 3.4, 5.6) mm of its clean surface`."""
        return f"find {self.find} near ({', '.join(f'{value:.1f}' for value in self.point_mm)}) mm of its clean surface"

    @property
    def scan_cells(self) -> str:
        """x, y and z in scan units, as the cells of openings.csv: to a tenth of a millimetre."""
        decimals = max(0, 1 + math.ceil(math.log10(self.mm_per_unit)))
        return ",".join(f"{value / self.mm_per_unit:.{decimals}f}" for value in self.point_mm)

    def row(self, kind: str, diameter_mm: float, action: str) -> str:
        """A row of openings.csv in the order of the template's columns."""
        return f"{self.find},{kind},{self.scan_cells},{diameter_mm:.1f},{action}"


def place_in_scan(point_mm: Sequence[float], scans: Sequence[PlacedScan]) -> ScanPlace:
    """Where a point of a bone's frame lies in the scan whose surface is nearest to it; the first scan where several are as near."""
    into = [np.asarray(np.linalg.inv(scan.pose), dtype=np.float64) for scan in scans]
    places = [move_points(np.array([point_mm], dtype=np.float64), matrix)[0] for matrix in into]
    reaches = [float(np.min(np.sum((scan.cleaned.mesh.vertices - place) ** 2, axis=1))) for scan, place in zip(scans, places, strict=True)]
    nearest = int(np.argmin(reaches))
    scan = scans[nearest].cleaned
    x, y, z = (float(value) for value in places[nearest])
    return ScanPlace(scan.find, (x, y, z), scan.mm_per_unit)
