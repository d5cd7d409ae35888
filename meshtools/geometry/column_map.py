"""A closed surface seen along z, as upright columns on a square grid: where each column enters and leaves the body."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.compiled import compiled
from meshtools.model import FloatArray

_OFF_GRID = 0.137  # of a column: keeps grids off the round coordinates that made shapes have


@dataclass(frozen=True, eq=False)
class ColumnMap:
    """Column (i, j) stands at x = x0 + i step, y = y0 + j step. lowest, highest (nx, ny): where it first enters and last leaves the body
    (inf, -inf where it misses it); filled: the length of it inside the body. What lies between and is not filled is a gap."""

    x0_mm: float
    y0_mm: float
    step_mm: float
    lowest_mm: FloatArray
    highest_mm: FloatArray
    filled_mm: FloatArray

    @property
    def is_body(self) -> NDArray[np.bool_]:
        """(nx, ny) True where the column meets the body."""
        return np.asarray(self.highest_mm >= self.lowest_mm)

    @property
    def gaps_mm(self) -> FloatArray:
        """(nx, ny) length of the gaps of each column: an undercut seen from above and below alike."""
        return np.where(self.is_body, np.maximum(self.highest_mm - self.lowest_mm - self.filled_mm, 0.0), 0.0)

    @property
    def gap_volume_mm3(self) -> float:
        """Volume of all gaps."""
        return float(self.gaps_mm.sum()) * self.step_mm**2


def map_columns(vertices: FloatArray, faces: NDArray[Any], step_mm: float, margin_mm: float = 0.0) -> ColumnMap:
    """The columns of a closed surface at a distance of `step_mm`, over its box and `margin_mm` beyond."""
    low = vertices[:, :2].min(axis=0) - margin_mm - (1.0 + _OFF_GRID) * step_mm
    shape = np.ceil((vertices[:, :2].max(axis=0) + margin_mm - low) / step_mm).astype(int) + 2
    lowest, highest = np.full(shape, np.inf), np.full(shape, -np.inf)
    filled = np.zeros(shape)
    local = np.ascontiguousarray(np.column_stack([(vertices[:, :2] - low) / step_mm, vertices[:, 2]]))
    _cross_columns(local, np.ascontiguousarray(faces, dtype=np.int64), lowest, highest, filled)
    return ColumnMap(float(low[0]), float(low[1]), step_mm, lowest, highest, filled)


@compiled
def _cross_columns(vertices: Any, faces: Any, lowest: Any, highest: Any, filled: Any) -> None:
    """Every face adds its height to the columns it crosses. A column on an edge counts for one of the two faces there: sides of an edge are
    told by the edge from its lower to its higher vertex, whichever face asks."""
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, bx, by, cx, cy = vertices[a, 0], vertices[a, 1], vertices[b, 0], vertices[b, 1], vertices[c, 0], vertices[c, 1]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        for i in range(int(np.ceil(min(ax, bx, cx))), int(np.floor(max(ax, bx, cx))) + 1):
            for j in range(int(np.ceil(min(ay, by, cy))), int(np.floor(max(ay, by, cy))) + 1):
                is_inside = True
                for k in range(3):
                    p, q = faces[f, k], faces[f, (k + 1) % 3]
                    flipped = p > q
                    if flipped:
                        p, q = q, p
                    side = (vertices[q, 0] - vertices[p, 0]) * (j - vertices[p, 1]) - (vertices[q, 1] - vertices[p, 1]) * (i - vertices[p, 0])
                    if (side >= 0.0) == (flipped == (area > 0.0)):
                        is_inside = False
                        break
                if is_inside:
                    wb = ((i - ax) * (cy - ay) - (j - ay) * (cx - ax)) / area
                    wc = ((bx - ax) * (j - ay) - (by - ay) * (i - ax)) / area
                    z = vertices[a, 2] + wb * (vertices[b, 2] - vertices[a, 2]) + wc * (vertices[c, 2] - vertices[a, 2])
                    lowest[i, j] = min(lowest[i, j], z)
                    highest[i, j] = max(highest[i, j], z)
                    filled[i, j] += z if area > 0.0 else -z
