"""Open ends, where a scan stops all round: the end of a bone that is missing, or a rib or an arch that a hole has torn in two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

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
MOST_ALONG_ALONE = 0.3
"""The same for an end that faces no other."""
LISTED = 5
TORN, LONE = "torn", "open-end"
END_CODES = (TORN, LONE)


@dataclass(frozen=True, eq=False)
class TornEnds:
    """Two rims, the wider first, and how far their middles are apart."""

    rims: tuple[Rim, Rim]
    gap_mm: float


@dataclass(frozen=True, eq=False)
class OpenEnds:
    """Ends that face each other, and those that surely are ends and face none, both the widest first."""

    torn: tuple[TornEnds, ...] = ()
    lone: tuple[Rim, ...] = ()


def find_open_ends(mesh: Mesh, rims: Sequence[Rim], least_span_mm: float) -> OpenEnds:
    """What is open all round among some rims of a mesh, widest first, that span this at least. Ends are a pair where each is the nearest to the
    other of those that it looks at and that look back."""
    ends = _open_ends(mesh, [rim for rim in rims if rim.span_mm >= least_span_mm])
    if not ends:
        return OpenEnds()
    centres = np.array([rim.centre_mm for rim, _, _ in ends])
    ways, spans = np.array([way for _, way, _ in ends]), np.array([rim.span_mm for rim, _, _ in ends])
    nearest = [_nearest_facing(centres, ways, spans, place) for place in range(len(ends))]
    pairs = [(a, b) for a, b in enumerate(nearest) if b >= 0 and nearest[b] == a and (spans[a], -a) > (spans[b], -b)]
    torn = tuple(TornEnds((ends[a][0], ends[b][0]), float(np.linalg.norm(centres[a] - centres[b]))) for a, b in pairs)
    paired = {place for pair in pairs for place in pair}
    return OpenEnds(torn, tuple(rim for k, (rim, _, along) in enumerate(ends) if k not in paired and along <= MOST_ALONG_ALONE))


def _open_ends(mesh: Mesh, rims: Sequence[Rim]) -> list[tuple[Rim, FloatArray, float]]:
    """Those rims that are neither holes in a side nor lie in a canal, where the skin looks at their middle: each with the direction (3,) in which
    it looks, of length 1, and how much its skin looks there."""
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
    aside = mesh.vertices[mesh.faces[rows]].mean(axis=1)[face] - np.array([rim.centre_mm for rim in rims])[place]
    away = np.bincount(place, np.einsum("ij,ij->i", vectors, aside), len(rims))
    ends = []
    for k, rim in enumerate(rims):
        points = mesh.vertices[rim.vertices] - rim.centre_mm
        out = -np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)  # the skin runs along its rim the other way round than a cap would
        size = float(np.linalg.norm(out))
        along = float(summed[k] @ out) / (size * area[k]) if size * area[k] > 0.0 else np.inf
        if along <= MOST_ALONG and away[k] > 0.0:
            ends.append((rim, out / size, along))
    return ends


def _nearest_facing(centres: FloatArray, ways: FloatArray, spans: FloatArray, place: int) -> int:
    """The number of the nearest end that one looks at and that looks back, -1 where there is none."""
    offsets = centres - centres[place]
    gaps = np.linalg.norm(offsets, axis=1)
    alike = np.minimum(spans, spans[place]) / np.maximum(spans, spans[place])
    is_facing = (gaps > 0.0) & (gaps <= FARTHEST * (spans + spans[place]) / 2) & (alike >= LEAST_ALIKE)
    is_facing &= (offsets @ ways[place] > FACING * gaps) & (np.einsum("ij,ij->i", offsets, ways) < -FACING * gaps)
    return int(np.where(is_facing, gaps, np.inf).argmin()) if is_facing.any() else -1


def open_end_findings(find: Find, ends: OpenEnds) -> list[Finding]:
    """A question for the pairs of ends that face each other, and one for ends that face none."""
    findings = []
    if ends.torn:
        places = _listed([pair.rims[0].centre_mm.tolist() for pair in ends.torn])
        widest = max(pair.gap_mm for pair in ends.torn)
        message = (
            f"{find.find}: open ends of bone face each other at {counted(len(ends.torn), 'place')}, up to {widest:.1f} mm apart, near {places}, as "
            "where a hole in the scan has torn a rib or an arch in two. A small end is closed by itself. Scan the place again, register a further "
            "scan of it (part_of in bones.csv), or sign it off where the bone is broken there."
        )
        findings.append(Finding(Severity.REVIEW, TORN, message, round(widest, 6), None, "mm"))
    if ends.lone:
        findings.append(lone_end_finding(find.find, open_end_rows(OpenEnds(lone=ends.lone))))
    return findings


def lone_end_finding(name: str, rows: Sequence[Mapping[str, Any]]) -> Finding:
    """The question about the ends of a find that face no other, as rows of `open_end_rows`, the widest first."""
    widest_mm = rows[0]["span_mm"]
    message = (
        f"{name}: the scan ends open all round at {counted(len(rows), 'place')}, near {_listed([row['centre_mm'] for row in rows])}, up to "
        f"{widest_mm:.1f} mm wide; what was beyond is not in it. Where it is small enough it is closed flat. Scan the end, register "
        "a further scan of it (part_of in bones.csv), name it in openings.csv, or sign it off where the bone ends there."
    )
    return Finding(Severity.REVIEW, LONE, message, widest_mm, None, "mm")


def open_end_rows(ends: OpenEnds) -> list[dict[str, Any]]:
    """The rims of open ends as plain numbers for a record, each with the code of the finding that asks about it."""
    torn = [(TORN, rim) for pair in ends.torn for rim in pair.rims]
    return [
        {"code": code, "span_mm": round(rim.span_mm, 6), "centre_mm": [round(float(x), 6) for x in rim.centre_mm]}
        for code, rim in (*torn, *((LONE, rim) for rim in ends.lone))
    ]  # fmt: skip


def _listed(places: Sequence[Sequence[float]]) -> str:
    more = f" and {len(places) - LISTED} more" if len(places) > LISTED else ""
    return "; ".join("({:.1f}, {:.1f}, {:.1f}) mm".format(*place) for place in places[:LISTED]) + more
