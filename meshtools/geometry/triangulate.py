"""Triangles that span a closed loop of points in space, using the loop's own points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.compiled import given
from meshtools.geometry.flat_outline import CLEARANCE, flat_outline, is_within, outside_diagonals
from meshtools.model import FloatArray

LARGEST_AT_ONCE = 160
"""Loops up to this many points are spanned exactly (work grows with the cube); longer ones are cut in two at a short diagonal first."""
TRIED_AT_ONCE, MOST_TRIED = 256, 1 << 12
"""Of the diagonals of a long flat loop, the shortest first, so many are held against its outline together, and so many at all."""


def triangulate_loop(points: FloatArray, is_barred: NDArray[np.bool_]) -> NDArray[np.int32] | None:
    """Span a loop of k points (k, 3) with k - 2 triangles (places in the loop, wound in its direction), of the least total area.

    is_barred (k, k) marks diagonals that may not be used. A flat loop is spanned within its outline wherever that can be, clear of its other
    points first: the shortest diagonals of a flat loop may lie outside it, and faces on them would be folded onto the skin around. None when no
    triangulation avoids what is barred. Method: dynamic programming over sub-loops (G. Klincsek 1980, Annals of Discrete Mathematics 9, and
    G. Barequet, M. Sharir 1995 for loops in space; from memory).
    """
    outline = flat_outline(points) if len(points) > 3 else None
    if outline is not None:
        span = float(np.sqrt((np.ptp(outline, axis=0) ** 2).sum()))
        for clearance in (CLEARANCE * span, 0.0):
            triangles = _spanned(points, is_barred, _Outline(outline, clearance))
            if triangles is not None:
                return triangles
    return _spanned(points, is_barred, None)


@dataclass(frozen=True, eq=False)
class _Outline:
    """A flat loop in its plane (k, 2), and how far its diagonals keep from its other points, in mm."""

    points: FloatArray
    clearance_mm: float

    def of(self, loop: NDArray[np.int64]) -> _Outline:
        """That of a part of the loop."""
        return _Outline(self.points[loop], self.clearance_mm)


def _spanned(points: FloatArray, is_barred: NDArray[np.bool_], outline: _Outline | None) -> NDArray[np.int32] | None:
    triangles: list[tuple[int, int, int]] = []
    waiting = [np.arange(len(points))]
    while waiting:
        loop = waiting.pop()
        own = outline.of(loop) if outline is not None else None
        barred_here = is_barred[np.ix_(loop, loop)]
        if len(loop) > LARGEST_AT_ONCE:
            cut = _short_diagonal(points[loop], barred_here, own)
            if cut is not None:
                i, j = cut
                waiting += [loop[i : j + 1], np.concatenate([loop[j:], loop[: i + 1]])]
                continue
            if own is not None:  # all diagonals of a long loop are too many to hold against its outline
                return None
        if own is not None and len(loop) > 3:
            barred_here = barred_here | outside_diagonals(own.points, own.clearance_mm)
        part = _least_area(points[loop], barred_here)
        if part is None:
            return None
        triangles += [(int(loop[a]), int(loop[b]), int(loop[c])) for a, b, c in part]
    return np.array(sorted(triangles), dtype=np.int32).reshape(-1, 3)


def _short_diagonal(points: FloatArray, is_barred: NDArray[np.bool_], outline: _Outline | None) -> tuple[int, int] | None:
    """The shortest diagonal, of a flat loop the shortest within its outline, that leaves at least a quarter of the points on either side."""
    k = len(points)
    i, j = np.triu_indices(k, k // 4)
    allowed = (k - (j - i) >= k // 4) & ~is_barred[i, j]
    i, j = i[allowed], j[allowed]
    distance = np.linalg.norm(points[i] - points[j], axis=1)
    if outline is None:
        best = [int(distance.argmin())] if len(distance) else []
    else:
        order = np.argsort(distance, kind="stable")
        few = (order[at : at + TRIED_AT_ONCE] for at in range(0, min(len(order), MOST_TRIED), TRIED_AT_ONCE))
        found = (rows[is_within(outline.points, i[rows], j[rows], outline.clearance_mm)] for rows in few)
        best = next(([int(rows[0])] for rows in found if len(rows)), [])
    return (int(i[best[0]]), int(j[best[0]])) if best else None


def _least_area(points: FloatArray, is_barred: NDArray[np.bool_]) -> list[tuple[int, int, int]] | None:
    from meshtools.geometry.triangulate_kernels import cheapest_splits

    edge = np.linalg.norm(points[:, None, :] - points[None, :, :], axis=2)
    split, is_spanned = cheapest_splits(given(edge, np.float64), given(is_barred, np.bool_))
    if not is_spanned:
        return None
    result, waiting = [], [(0, len(points) - 1)]
    while waiting:
        a, c = waiting.pop()
        if c - a < 2:
            continue
        b = int(split[a, c])
        result.append((a, b, c))
        waiting += [(a, b), (b, c)]
    return result
