"""Open ends of thin bone that face each other: a rib or an arch that a hole in the scan has torn in two, each end closed by itself otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.counted import counted
from meshtools.geometry.pieces import area_vectors, faces_at
from meshtools.geometry.rims import Rim
from meshtools.model import Find, Finding, FloatArray, Mesh, Severity

FARTHEST = 3.0
"""The ends are at most this many of their own widths apart (our default)."""
LEAST_ALIKE = 0.3
"""The narrower of the two has at least this share of the other's width."""
FACING = 0.5
"""Cosine between the way an end looks and the way to the other one."""
MOST_ALONG = 0.6
"""An end is open all round: the skin at its rim looks aside. At a hole in the side of a bone it looks the way the hole does, with a cosine above
this on the average."""


@dataclass(frozen=True, eq=False)
class TornEnds:
    """Two rims, the wider first, and how far their middles are apart."""

    rims: tuple[Rim, Rim]
    gap_mm: float


def find_torn(mesh: Mesh, rims: Sequence[Rim], least_span_mm: float) -> list[TornEnds]:
    """Pairs among some rims of a mesh that are open ends of this span at least and face each other, each the nearest such to the other."""
    ends = _open_ends(mesh, [rim for rim in rims if rim.span_mm >= least_span_mm])
    if len(ends) < 2:
        return []
    centres = np.array([rim.centre_mm for rim, _ in ends])
    ways, spans = np.array([way for _, way in ends]), np.array([rim.span_mm for rim, _ in ends])
    nearest = [_nearest_facing(centres, ways, spans, place) for place in range(len(ends))]
    pairs = [(a, b) for a, b in enumerate(nearest) if b >= 0 and nearest[b] == a and (spans[a], -a) > (spans[b], -b)]
    return [TornEnds((ends[a][0], ends[b][0]), float(np.linalg.norm(centres[a] - centres[b]))) for a, b in pairs]


def _open_ends(mesh: Mesh, rims: Sequence[Rim]) -> list[tuple[Rim, FloatArray]]:
    """Those rims that are no holes in a side, each with the direction (3,) in which it looks, of length 1."""
    if not rims:
        return []
    number = np.full(len(mesh.vertices), -1, dtype=np.int64)
    for place, rim in enumerate(rims):
        number[rim.vertices] = place
    rows = np.flatnonzero(faces_at(mesh, np.concatenate([rim.vertices for rim in rims])))
    of_corner = number[mesh.faces[rows]]
    face, place = np.unique(np.stack([np.repeat(np.arange(len(rows)), 3), of_corner.ravel()], axis=1)[of_corner.ravel() >= 0], axis=0).T
    vectors = area_vectors(mesh.vertices, mesh.faces[rows])[face]
    area = np.bincount(place, np.linalg.norm(vectors, axis=1), len(rims))
    summed = np.stack([np.bincount(place, vectors[:, k], len(rims)) for k in range(3)], axis=1)
    ends = []
    for k, rim in enumerate(rims):
        points = mesh.vertices[rim.vertices] - rim.centre_mm
        out = -np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)  # the skin runs along its rim the other way round than a cap would
        size = float(np.linalg.norm(out))
        if size > 0.0 and float(summed[k] @ out) <= MOST_ALONG * size * area[k]:
            ends.append((rim, out / size))
    return ends


def _nearest_facing(centres: FloatArray, ways: FloatArray, spans: FloatArray, place: int) -> int:
    """The number of the nearest end that one looks at and that looks back, -1 where there is none."""
    offsets = centres - centres[place]
    gaps = np.linalg.norm(offsets, axis=1)
    alike = np.minimum(spans, spans[place]) / np.maximum(spans, spans[place])
    is_facing = (gaps > 0.0) & (gaps <= FARTHEST * (spans + spans[place]) / 2) & (alike >= LEAST_ALIKE)
    is_facing &= (offsets @ ways[place] > FACING * gaps) & (np.einsum("ij,ij->i", offsets, ways) < -FACING * gaps)
    return int(np.where(is_facing, gaps, np.inf).argmin()) if is_facing.any() else -1


def torn_findings(find: Find, torn: Sequence[TornEnds]) -> list[Finding]:
    """A question for the pairs of ends that face each other."""
    if not torn:
        return []
    places = "; ".join(f"({x:.1f}, {y:.1f}, {z:.1f}) mm" for x, y, z in (pair.rims[0].centre_mm for pair in torn[:5]))
    widest = max(pair.gap_mm for pair in torn)
    message = (
        f"{find.find}: open ends of bone face each other at {counted(len(torn), 'place')}, up to {widest:.1f} mm apart, near {places}, as where a "
        "hole in the scan has torn a rib or an arch in two. Each end is closed by itself. Scan the place again, register a further scan of it "
        "(part_of in bones.csv), or sign it off where the bone is broken there."
    )
    return [Finding(Severity.REVIEW, "torn", message, round(widest, 6), None, "mm")]
