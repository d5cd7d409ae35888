"""Where a replica passes through itself only once it is in the 32-bit numbers of STL, 3MF and GLB: judged by the bytes that are written.

Rounding moves every point by less than a millionth of the part. A skin that keeps clear of itself bears that; two skins that lie on each
other without a gap do not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from meshtools.counted import counted
from meshtools.files.crossing_check import number_places
from meshtools.files.deliver_frame import Delivery
from meshtools.files.delivered_surface import read_delivered
from meshtools.geometry.self_intersection import SelfIntersections, count_self_intersections
from meshtools.geometry.threads import at_once
from meshtools.model import EvidenceClass, Finding, FloatArray, IntArray, Mesh, Severity, SourceEntry

JUDGED = (".stl", ".glb")
MOST_BY_ROUNDING = 2
"""Pairs of faces that rounding alone may add. Of 172 dog bones two gained as many, of the 108 replicas of the example batches none any; caps that
lay on the skin made 57, the joined halves of a skull 12 (measured)."""


def delivered_crossings(deliveries: Mapping[str, Delivery]) -> dict[str, tuple[SelfIntersections, Mesh]]:
    """For the STL and GLB of a replica, by name, where its surface passes through itself, and that surface: in mm, +z up, in the file's frame. The
    3MF holds the numbers of the STL as text, to half a millionth of a millimetre."""
    read = {name: _surface(name, delivery.content) for name, delivery in deliveries.items() if Path(name).suffix in JUDGED}
    found = at_once([partial(count_self_intersections, surface) for surface in read.values()])
    return {name: (crossings, surface) for (name, surface), crossings in zip(read.items(), found, strict=True)}


def _surface(name: str, content: bytes) -> Mesh:
    """What a file holds, corners of equal coordinates as one vertex."""
    read = read_delivered(content, Path(name).suffix)
    number = number_places(read.vertices)
    vertices = np.empty((int(number.max()) + 1, 3))
    vertices[number] = read.vertices
    return Mesh.create(vertices, number[read.faces].astype(np.int32))


def crossing_findings(
    element: str, mesh: Mesh, sources: Sequence[SourceEntry], n_before: int, found: Mapping[str, tuple[SelfIntersections, Mesh]]
) -> list[Finding]:
    """A question where a file passes through itself at more pairs of faces than the replica, n_before, and than rounding makes of a sound skin."""
    name = max(found, key=lambda key: (found[key][0].n_pairs, key))
    crossings, surface = found[name]
    n_gained = crossings.n_pairs - n_before
    if n_gained <= MOST_BY_ROUNDING:
        return []
    offset_mm = _middle(mesh.vertices, mesh.faces) - _middle(surface.vertices, surface.faces)
    places = ", ".join(f"({x:.1f}, {y:.1f}, {z:.1f})" for x, y, z in np.add(crossings.places_mm, offset_mm).tolist())
    more = crossings.n_places - len(crossings.places_mm)
    message = (
        f"{element}: {name} passes through itself at {counted(crossings.n_pairs, 'pair')} of faces, replica.ply at {n_before}, at "
        f"{counted(crossings.n_places, 'place')} near {places} mm of replica.ply{f' and {more} more' if more else ''}"
        f"{_fills(mesh, sources, surface.vertices[surface.faces[crossings.faces]].mean(axis=1) + offset_mm)}. The skin lies on itself there, or its "
        "faces are thinner than what the 32-bit numbers of STL, 3MF and GLB tell apart; a printer or mill may refuse the file or fill it wrongly. "
        "Look at the replica there: scan the place again, let another bone supply it (missing-part in decisions.csv), or sign it off as it is."
    )
    return [Finding(Severity.REVIEW, "delivered-self-intersection", message, n_gained, MOST_BY_ROUNDING, "pairs of faces")]


def _middle(vertices: FloatArray, faces: IntArray) -> FloatArray:
    used = vertices[faces.ravel()]
    return np.asarray((used.min(axis=0) + used.max(axis=0)) / 2.0)


def _fills(mesh: Mesh, sources: Sequence[SourceEntry], points: FloatArray) -> str:
    """Words that name the finds whose fills or seams have faces at these points (k, 3), empty where none has."""
    from scipy.spatial import cKDTree

    rows = cKDTree(mesh.vertices[mesh.faces].mean(axis=1)).query(points)[1]
    entries = [sources[row] for row in np.unique(mesh.source[rows]).tolist()]
    finds = list(dict.fromkeys(f"{entry.find} ({entry.origin.value})" for entry in entries if entry.evidence is EvidenceClass.FILL))
    return f", at faces made for {', '.join(finds)}" if finds else ""
