"""Whether the skin of other scans of a bone covers the open end of one of them in the joined replica: then nothing is missing there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.open_ends import END_CODES
from meshtools.geometry.rims import Rim, find_rims
from meshtools.geometry.transform import move_points
from meshtools.geometry.winding import is_surely_inside
from meshtools.model import FloatArray, Mesh, Origin, SourceEntry


class JoinedSkin:
    """The skin of a joined replica, ready to be asked what covers the open ends of its scans. sources: of the replica's faces."""

    def __init__(self, replica: Mesh, sources: Sequence[SourceEntry], tolerance_mm: float) -> None:
        self._replica, self._sources, self._tolerance_mm = replica, sources, tolerance_mm
        self._whole = Surface(replica)

    def cover_of(self, find: str, part: Mesh, replica_from_part: FloatArray, ends: Sequence[Mapping[str, Any]]) -> list[float | None]:
        """For each open end of a find (rows of its record) how far its rim lies at most from skin of other finds or the seam to it, mm; None where
        a point of it lies farther off than the tolerance and not below such skin, or where the rim is no longer open in the find's clean surface."""
        other = np.array([(one.find != find and one.origin is Origin.SCANNED) or one.origin is Origin.SEAM for one in self._sources], dtype=bool)
        is_other = other[self._replica.source]
        if not is_other.any() or not ends:
            return [None] * len(ends)
        cover = self._whole.part(is_other)
        rims = find_rims(part)
        return [self._farthest(cover, is_other, part, replica_from_part, _rim_of(end, rims)) for end in ends]

    def _farthest(self, cover: Surface, is_other: Any, part: Mesh, replica_from_part: FloatArray, rim: Rim | None) -> float | None:
        if rim is None:
            return None
        points = move_points(part.vertices[rim.vertices], replica_from_part)
        distance_mm = cover.distance(points)[0]
        if (far := points[distance_mm > self._tolerance_mm]).size:
            below = is_surely_inside(self._replica, far) & is_other[self._whole.distance(far)[1]]
            if not below.all():
                return None
        return float(distance_mm.max())


def open_ends_of(clean: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The open ends that the record of a clean surface asks about."""
    return [row for row in clean["facts"].get("open_ends", ()) if row["code"] in END_CODES]


def _rim_of(end: Mapping[str, Any], rims: Sequence[Rim]) -> Rim | None:
    same = [rim for rim in rims if np.allclose(rim.centre_mm, end["centre_mm"], atol=1e-4) and abs(rim.span_mm - end["span_mm"]) < 1e-4]
    return same[0] if same else None
