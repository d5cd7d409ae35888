"""The centre line of a bent tube: straight runs with round bends between them, and the table it is bent by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from meshtools.errors import GeometryError
from meshtools.model import FloatArray

STRAIGHT_DEG = 1e-6  # a smaller bend is none


@dataclass(frozen=True)
class BendRow:
    """One run of a tube and the bend after it, lengths in mm, angles in degrees.

    run_mm: from corner to corner of the centre line; straight_mm: what of it stays straight; bend_deg: how far the tube is bent after it;
    rotation_deg: how far the plane of that bend is turned from the plane of the bend before, right-handed about the run (its direction of feed);
    tangent_mm: from the corner to where the bend begins; arc_mm: length of the bend; rise_mm: how far the bend passes inside its corner;
    cumulative_mm: developed length of the tube to the end of this bend.
    """

    run_mm: float
    straight_mm: float
    bend_deg: float
    rotation_deg: float
    radius_mm: float
    tangent_mm: float
    arc_mm: float
    rise_mm: float
    cumulative_mm: float


def bend_table(corners: FloatArray, radius_mm: float) -> tuple[BendRow, ...]:
    """The table of a tube along a polyline (n, 3), one row a run; the last has no bend.

    Closed forms: with a bend of angle a, its tangents are R tan(a / 2) long, its arc R a, and it passes R (1 / cos(a / 2) - 1) inside its corner; the
    rotation is the angle between the planes of two bends about the run between them. GeometryError for a run that is shorter than its tangents,
    or a bend back onto itself.
    """
    ways = np.diff(corners, axis=0)
    runs = np.sqrt((ways**2).sum(axis=1))
    if not len(runs) or not (runs > 0).all():
        raise GeometryError("a tube needs two or more different corners")
    ways = ways / runs[:, None]
    angles = [_angle(a, b) for a, b in pairwise(ways)] + [0.0]
    if max(angles) > np.radians(175.0):
        raise GeometryError("the tube is bent back onto itself; look at the order of the bones")
    tangents = [radius_mm * np.tan(angle / 2) for angle in angles]
    rows, total, plane = [], 0.0, None
    for k, run in enumerate(runs):
        straight = float(run) - tangents[k] - (tangents[k - 1] if k else 0.0)
        if straight < -1e-9:
            raise GeometryError(f"run {k + 1} of the tube is {run:.1f} mm long, but its bends take {run - straight:.1f} mm")
        rotation = 0.0
        if np.degrees(angles[k]) > STRAIGHT_DEG:
            normal = np.cross(ways[k], ways[k + 1])
            rotation = _turn(plane, normal, ways[k]) if plane is not None else 0.0
            plane = normal
        arc = radius_mm * angles[k]
        total += straight + arc
        rise = radius_mm * (1.0 / np.cos(angles[k] / 2) - 1.0)
        figures = (run, max(straight, 0.0), np.degrees(angles[k]), np.degrees(rotation), radius_mm, tangents[k], arc, rise, total)
        rows.append(BendRow(*(float(figure) for figure in figures)))
    return tuple(rows)


def _angle(a: FloatArray, b: FloatArray) -> float:
    return float(np.arctan2(np.sqrt(np.sum(np.cross(a, b) ** 2)), a @ b))


def _turn(before: FloatArray, after: FloatArray, about: FloatArray) -> float:
    """Signed angle between two bend planes, each by its normal square to the run `about`."""
    return float(np.arctan2(np.cross(before, after) @ about, before @ after))


class TubePath:
    """The centre line of a tube by its length: straights and arcs. Its length changes as much as the way gone along it."""

    def __init__(self, corners: FloatArray, radius_mm: float) -> None:
        self.rows = bend_table(corners, radius_mm)
        self._pieces: list[tuple[float, float, tuple[FloatArray, ...]]] = []  # start, length, shape
        at, point = 0.0, np.asarray(corners[0], dtype=np.float64)
        ways = np.diff(corners, axis=0)
        ways = ways / np.sqrt((ways**2).sum(axis=1))[:, None]
        for k, row in enumerate(self.rows):
            self._pieces.append((at, row.straight_mm, (point, ways[k])))
            at += row.straight_mm
            point = point + row.straight_mm * ways[k]
            if row.bend_deg > STRAIGHT_DEG:
                aside = ways[k + 1] - (ways[k + 1] @ ways[k]) * ways[k]
                aside = aside / np.sqrt(np.sum(aside**2))
                self._pieces.append((at, row.arc_mm, (point, ways[k], aside, np.array(radius_mm))))
                at += row.arc_mm
                point = corners[k + 1] + row.tangent_mm * ways[k + 1]
        self.length_mm = at

    def point(self, at_mm: FloatArray) -> FloatArray:
        """Points (n, 3) at lengths (n,) from the start; beyond the ends it goes on straight."""
        starts = np.array([piece[0] for piece in self._pieces])
        rows = np.clip(np.searchsorted(starts, at_mm, side="right") - 1, 0, len(starts) - 1)
        points = np.empty((len(at_mm), 3))
        for row in np.unique(rows):
            chosen = rows == row
            points[chosen] = _on_piece(self._pieces[row][2], np.asarray(at_mm)[chosen] - starts[row])
        return points

    def bent_between(self, start_mm: float, end_mm: float) -> float:
        """How much of the length between two places is bent."""
        bends = [(start, start + length) for start, length, shape in self._pieces if len(shape) == 4]
        return float(sum(max(min(b, end_mm) - max(a, start_mm), 0.0) for a, b in bends))

    def stations(self, start_mm: float, end_mm: float, chord_mm: float) -> FloatArray:
        """Lengths from start to end: the ends, the ends of all pieces between, and so many in each bend that its chords stray by chord_mm at most."""
        cuts = {start_mm, end_mm}
        for start, length, shape in self._pieces:
            cuts |= {start, start + length}
            if len(shape) == 4:
                radius = float(shape[3])
                step = 2.0 * radius * np.arccos(max(1.0 - chord_mm / radius, -1.0))
                cuts |= set((start + np.linspace(0.0, length, int(np.ceil(length / step)) + 1)).tolist())
        kept = sorted(cut for cut in cuts if start_mm <= cut <= end_mm)
        return np.array([cut for k, cut in enumerate(kept) if not k or cut - kept[k - 1] > 1e-6])


def _on_piece(shape: Sequence[FloatArray], at_mm: FloatArray) -> FloatArray:
    if len(shape) == 2:
        return np.asarray(shape[0] + at_mm[:, None] * shape[1])
    start, along, aside, radius = shape
    angle = at_mm / float(radius)
    return np.asarray(start + float(radius) * (np.sin(angle)[:, None] * along + (1.0 - np.cos(angle))[:, None] * aside))
