"""Places on a bone as openings.csv has them, in the units of the scan that shows the place, and rows of openings.csv on a bone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.transform import move_points
from meshtools.model import FloatArray, Opening

COLUMNS = "find,kind,x,y,z,diameter_mm,action,depth_mm,passage"


@dataclass(frozen=True, eq=False)
class PlacedScan:
    """The clean surface of one find of a bone, and its pose (4, 4) into the bone's frame."""

    cleaned: Cleaned
    pose: FloatArray


@dataclass(frozen=True)
class PlacedOpening:
    """A row of openings.csv, in mm of its find's clean surface, and the place (3,) mm that it names on the bone."""

    row: Opening
    point_mm: tuple[float, float, float]

    def at(self, point_mm: FloatArray) -> PlacedOpening:
        """The same row at another place (3,) of the bone."""
        x, y, z = (float(value) for value in point_mm)
        return PlacedOpening(self.row, (x, y, z))


def as_scanned(row: Opening) -> PlacedOpening:
    """A row whose bone lies as its scan does."""
    return PlacedOpening(row, (row.x, row.y, row.z))


@dataclass(frozen=True)
class ScanPlace:
    """A place of one find: in mm of its clean surface, and in units of its scan."""

    find: str
    point_mm: tuple[float, float, float]
    mm_per_unit: float

    @property
    def near(self) -> str:
        """`near (12.0, 3.4, 5.6) mm`."""
        return f"near ({', '.join(f'{value:.1f}' for value in self.point_mm)}) mm"

    @property
    def words(self) -> str:
        """`find f-1 near (12.0, 3.4, 5.6) mm of its clean surface`."""
        return f"find {self.find} {self.near} of its clean surface"

    @property
    def scan_cells(self) -> str:
        """x, y and z in scan units, as the cells of openings.csv: to a tenth of a millimetre."""
        decimals = max(0, 1 + math.ceil(math.log10(self.mm_per_unit)))
        return ",".join(f"{value / self.mm_per_unit:.{decimals}f}" for value in self.point_mm)

    def row(self, kind: str, diameter_mm: float, action: str) -> str:
        """A whole row for openings.csv: all of COLUMNS, the last two empty."""
        return f"{self.find},{kind},{self.scan_cells},{diameter_mm:.1f},{action},,"

    def closing_row(self, span_mm: float) -> str:
        """What closes an open rim of this span (mm of the clean surface) that no row names: the end of a sentence that begins with `until`."""
        row = self.row("break", span_mm, "close")
        return f"it is closed, or the bone is scanned again; to close it add to openings.csv the row {row} (its columns: {COLUMNS})"

    def cells_of(self, row: Opening) -> str:
        """The cells by which a row is found that names this place: `find,kind,x,y,z = f-1,foramen,1.5,2,0.25`, the numbers as they stand there."""
        numbers = ",".join(f"{value / self.mm_per_unit:.10g}" for value in self.point_mm)
        return f"find,kind,x,y,z = {row.find},{row.kind},{numbers}"


def place_of_row(row: Opening, scans: Sequence[PlacedScan]) -> ScanPlace:
    """The place in its scan that a row names, however the bone was laid or bent since. Its find must be one of the scans."""
    scan = next(scan.cleaned for scan in scans if scan.cleaned.find == row.find)
    return ScanPlace(scan.find, (row.x, row.y, row.z), scan.mm_per_unit)


def place_in_scan(point_mm: Sequence[float], scans: Sequence[PlacedScan]) -> ScanPlace:
    """Where a point of a bone's frame lies in the scan whose surface is nearest to it; the first scan where several are as near."""
    into = [np.asarray(np.linalg.inv(scan.pose), dtype=np.float64) for scan in scans]
    places = [move_points(np.array([point_mm], dtype=np.float64), matrix)[0] for matrix in into]
    reaches = [float(np.min(np.sum((scan.cleaned.mesh.vertices - place) ** 2, axis=1))) for scan, place in zip(scans, places, strict=True)]
    nearest = int(np.argmin(reaches))
    scan = scans[nearest].cleaned
    x, y, z = (float(value) for value in places[nearest])
    return ScanPlace(scan.find, (x, y, z), scan.mm_per_unit)
