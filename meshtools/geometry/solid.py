"""Make a surface enclose a solid: close its rims, find its areas, its centre of mass and edges that touch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from meshtools.geometry.opening_place import PlacedOpening
from meshtools.geometry.passages import KeptRim
from meshtools.model import FloatArray, Mesh, Opening

if TYPE_CHECKING:
    from meshtools.geometry.rims import Rim


@dataclass(frozen=True)
class OpenRim:
    """A rim left open: its centre (3,) in the mesh's coordinates, its span, and the row by which a person keeps it open, if one does."""

    centre_mm: tuple[float, float, float]
    span_mm: float
    kept_by: Opening | None


@dataclass(frozen=True, eq=False)
class Closing:
    """A mesh with its rims closed as far as allowed. `widest_closed_mm` is the span of the widest rim that was closed, else 0."""

    mesh: Mesh
    n_closed: int
    n_closed_by_name: int
    widest_closed_mm: float
    left_open: tuple[OpenRim, ...]
    passages: tuple[KeptRim, ...] = ()


def close_openings(mesh: Mesh, limit_mm: float, openings: Sequence[PlacedOpening], source_index: int) -> Closing:
    """Close the rims that span at most `limit_mm`, and wider ones that a row of openings.csv with action `close` names.

    A rim named with action `keep` stays open whatever its span, and so does a wider one that nobody named: both are listed. A kept rim
    whose row states a depth or a passage is closed here and listed in `passages`, to be cut out again as a pit or a tunnel.
    openings: rows placed in the mesh's coordinates. New faces carry `source_index` and come last.
    """
    from meshtools.geometry.rims import close_rims, find_rims

    rims = find_rims(mesh)
    named = _naming_rows(mesh, rims, openings)
    cut = [rim for rim, row in zip(rims, named, strict=True) if row and row.is_cut]
    chosen = [rim for rim, row in zip(rims, named, strict=True) if _is_closed(rim, row, limit_mm)]
    left = _left_open(mesh, rims, named, limit_mm)
    closed = close_rims(mesh, (*chosen, *cut), source_index) if chosen or cut else mesh
    passages = tuple(KeptRim(mesh.vertices[rim.vertices], row) for rim, row in zip(rims, named, strict=True) if row and row.is_cut)
    by_name = sum(rim.span_mm > limit_mm for rim in chosen)
    # of a rim that is cut again only the ring around the hole stays filled
    spans = [rim.span_mm for rim in chosen] + [rim.span_mm - passage.width_mm for rim, passage in zip(cut, passages, strict=True)]
    return Closing(closed, len(chosen), by_name, max(map(float, spans), default=0.0), left, passages)


def rims_left_open(mesh: Mesh, rims: Sequence[Rim], limit_mm: float, openings: Sequence[PlacedOpening]) -> tuple[OpenRim, ...]:
    """Which of some rims of a mesh `close_openings` would leave open, without closing any."""
    return _left_open(mesh, rims, _naming_rows(mesh, rims, openings), limit_mm)


def _left_open(mesh: Mesh, rims: Sequence[Rim], named: Sequence[Opening | None], limit_mm: float) -> tuple[OpenRim, ...]:
    return tuple(
        OpenRim(_centre(mesh, rim), float(rim.span_mm), row if row and row.action == "keep" else None)
        for rim, row in zip(rims, named, strict=True)
        if not _is_closed(rim, row, limit_mm) and not (row and row.is_cut)
    )


def _is_closed(rim: Rim, row: Opening | None, limit_mm: float) -> bool:
    return (row is not None and row.action == "close") or ((row is None or row.action != "keep") and rim.span_mm <= limit_mm)


def _naming_rows(mesh: Mesh, rims: Sequence[Rim], openings: Sequence[PlacedOpening]) -> list[Opening | None]:
    """The row that names each rim, or None. A row names the rim whose centre is nearest to its point, if the point lies
    within half the span (or half the stated diameter) of that centre."""
    named: list[Opening | None] = [None] * len(rims)
    if not rims:
        return named
    centres = np.array([_centre(mesh, rim) for rim in rims])
    for opening in openings:
        distances = np.sqrt(np.sum((centres - opening.point_mm) ** 2, axis=1))
        nearest = int(np.argmin(distances))
        if distances[nearest] <= max(rims[nearest].span_mm, opening.row.diameter_mm or 0.0) / 2.0:
            named[nearest] = opening.row
    return named


def _centre(mesh: Mesh, rim: Rim) -> tuple[float, float, float]:
    points = mesh.vertices[np.asarray(rim.vertices)]
    x, y, z = (points.min(axis=0) + points.max(axis=0)) / 2.0
    return float(x), float(y), float(z)


def face_areas_mm2(mesh: Mesh) -> FloatArray:
    """Area of every face (m,)."""
    a, b, c = (mesh.vertices[mesh.faces[:, corner]] for corner in range(3))
    areas: FloatArray = np.sqrt(np.sum(np.cross(b - a, c - a) ** 2, axis=1)) / 2.0
    return areas


def centre_of_mass_mm(mesh: Mesh) -> tuple[float, float, float]:
    """Centre of mass of a closed mesh filled evenly (divergence theorem, about the box's centre). The volume must not be zero."""
    centre = (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2.0
    a, b, c = (mesh.vertices[mesh.faces[:, corner]] - centre for corner in range(3))
    volumes = np.sum(np.cross(a, b) * c, axis=1) / 6.0
    x, y, z = centre + np.sum((a + b + c) / 4.0 * volumes[:, None], axis=0) / np.sum(volumes)
    return float(x), float(y), float(z)


def count_touching_edges(mesh: Mesh) -> int:
    """Edges of a closed mesh that lie on each other: separate by their vertex numbers, one by their place.

    A file that names vertices by their coordinates only, such as STL, cannot tell them apart.
    """
    order = np.lexsort(mesh.vertices.T)
    is_new = (mesh.vertices[order][1:] != mesh.vertices[order][:-1]).any(axis=1)
    if is_new.all():
        return 0
    places = np.empty(len(mesh.vertices), dtype=np.int64)
    places[order] = np.concatenate([[0], np.cumsum(is_new)])
    corners = places[mesh.faces]
    directed = np.sort((corners * len(places) + np.roll(corners, -1, axis=1)).ravel())
    return int(np.count_nonzero(directed[1:] == directed[:-1]))
