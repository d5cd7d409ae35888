"""Second layers: loose open sheets that lie close above the skin all over, as a misaligned pass of a scanner leaves them, and closed pieces
that are nearly the same body."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.distance_nearby import faces_around
from meshtools.geometry.orient import rim_half_edges
from meshtools.geometry.pieces import Pieces, area_vectors, face_areas, piece_boxes, rank_pieces, take_faces
from meshtools.geometry.repair_budget import Repair
from meshtools.model import Find, Finding, FloatArray, Mesh, Severity
from meshtools.settings import CleanSettings

ALONG = 0.5
"""The sheet faces the same way as the skin below, within 60 degrees, on all but a few faces. A sheet that faces the other way may be the
far side of a thin plate of bone and is never taken off."""
MOST_ASTRAY = 0.05
"""Share of a sheet's points that may lie farther off, or over a rim of the skin (our default)."""

DOUBTFUL = 2.0
"""A sheet, or a second body, up to this many times as far off as a layer may be is asked about (our default)."""
SAME_BODY = 0.025
"""Of the diagonal of a body: a second one all along it within this is the same bone, however far off that is in mm (our default)."""
LISTED_PAIRS = 5
"""Pairs of bodies that are nearly the same, which a question names; a scan in crumbs has thousands, each search of which takes its time."""


def remove_second_layers(mesh: Mesh, up_to_mm: float, most_percent: float) -> Repair:
    """Take off the open pieces all but 5 % of whose points lie within up_to_mm of larger pieces, over their skin and not over their holes.

    Closed pieces are never layers (see `doubled_findings`). Layers of more than most_percent of the area are all left as they are: which
    of the two lies right is then no small question. So are sheets up to DOUBTFUL times as far off.
    """
    pieces = rank_pieces(mesh)
    if len(pieces) < 2 or up_to_mm <= 0:
        return Repair("doubled-sheet", mesh)
    loose = np.unique(pieces.labels[rim_half_edges(mesh)[2]]).astype(np.int64)
    base_faces = np.isin(pieces.labels, loose[loose > 0], invert=True)
    if not len(loose[loose > 0]) or not base_faces.any():
        return Repair("doubled-sheet", mesh)
    base = take_faces(mesh, base_faces)
    sheets = {int(place): mesh.faces[pieces.labels == place] for place in loose if place > 0}
    near = faces_around(_points_of(mesh, np.concatenate(list(sheets.values()))), base, DOUBTFUL * up_to_mm)
    if not near.any():
        return Repair("doubled-sheet", mesh)
    along = (Surface(take_faces(base, near)), _rim_points(base))
    layers = [place for place, faces in sheets.items() if _is_layer(mesh, faces, along, up_to_mm)]
    doubtful = [place for place, faces in sheets.items() if place not in layers and _is_layer(mesh, faces, along, DOUBTFUL * up_to_mm)]
    share, why = 100.0 * float(pieces.area[layers].sum() / pieces.area.sum()), f"they lie farther off than {up_to_mm:g} mm"
    taken, left = take_faces(mesh, ~np.isin(pieces.labels, layers)) if layers else mesh, doubtful
    if share > most_percent:
        why = f"taking them off would remove more than {most_percent:g} % of the area"
        taken, left, layers, share = mesh, [*layers, *doubtful], [], 0.0
    refused = 100.0 * float(pieces.area[left].sum() / pieces.area.sum())
    place_mm = mesh.vertices[mesh.faces[pieces.labels == left[0]]].mean(axis=(0, 1)) if left else np.zeros(3)
    return Repair("doubled-sheet", taken, len(layers), share, n_refused=len(left), refused_percent=refused, refused_mm=place_mm, why=why)


def _points_of(mesh: Mesh, faces: NDArray[np.int32]) -> FloatArray:
    """Corners and centres of some faces."""
    return np.concatenate([mesh.vertices[np.unique(faces)], mesh.vertices[faces].mean(axis=1)])


def _rim_points(mesh: Mesh) -> FloatArray:
    start, end, _ = rim_half_edges(mesh)
    return (mesh.vertices[start] + mesh.vertices[end]) / 2


def _is_layer(mesh: Mesh, faces: NDArray[np.int32], base: tuple[Surface, FloatArray], up_to_mm: float) -> bool:
    """Whether the faces' corners and centres lie within reach of the base, run along it and end on no rim of it."""
    from scipy.spatial import cKDTree

    surface, rim = base
    centres = mesh.vertices[faces].mean(axis=1)
    points = _points_of(mesh, faces)
    distance, _, foot = surface.project(points)
    is_astray = distance > up_to_mm
    if len(rim):
        is_astray |= cKDTree(rim).query(foot)[0] < 0.5 * up_to_mm
    if is_astray.mean() > MOST_ASTRAY:
        return False
    _, near = surface.distance(centres)
    own, other = area_vectors(mesh.vertices, faces), area_vectors(surface.mesh.vertices, surface.mesh.faces[near])
    cosine = np.einsum("ij,ij->i", own, other) / np.maximum(np.linalg.norm(own, axis=1) * np.linalg.norm(other, axis=1), 1e-300)
    area = face_areas(mesh.vertices, faces)
    return bool(area[cosine < ALONG].sum() <= MOST_ASTRAY * area.sum())


def doubled_findings(find: Find, mesh: Mesh, pieces: Pieces, kept: Sequence[int], settings: CleanSettings) -> list[Finding]:
    """A question where skins of two kept pieces run along each other within DOUBTFUL times doubled_layer_up_to_mm, or within SAME_BODY of their
    diagonal: one body scanned or stored twice, or stored with a thicker one around it. It names at most LISTED_PAIRS such pairs; the search ends with
    the next one. Value and limit are those of the two that lie farthest apart.

    mesh: in mm. The union of both is thicker than the body and closes crevices beside it, and which of them lies right is for a person to
    say.
    """
    up_to_mm = DOUBTFUL * settings.doubled_layer_up_to_mm
    found = [] if len(kept) < 2 else [*islice(_doubled_pairs(mesh, pieces, kept, up_to_mm), LISTED_PAIRS + 1)]
    if not found:
        return []
    listed = ", ".join(f"{first + 1} and {second + 1} (at most {gap_mm:.2g} mm apart)" for first, second, gap_mm, _ in found[:LISTED_PAIRS])
    *_, widest_mm, limit_mm = max(found, key=lambda pair: pair[2])
    message = (
        f"{find.find}: pieces {listed}{' and others' if len(found) > LISTED_PAIRS else ''} are nearly the same body, as one scanned twice is. "
        "The replica takes the outer skin of both. Name the pieces that are the bone in bones.csv, or sign the replica off."
    )
    return [Finding(Severity.REVIEW, "doubled-body", message, round(widest_mm, 6), round(limit_mm, 6), "mm")]


def _doubled_pairs(mesh: Mesh, pieces: Pieces, kept: Sequence[int], up_to_mm: float) -> Iterator[tuple[int, int, float, float]]:
    """Every two kept pieces (by place) whose skins run along each other, the largest distance between their vertices and skins in mm, and how far
    apart in mm these two may be. up_to_mm: how far apart at least any two may be."""
    low, high = piece_boxes(mesh, pieces.labels, len(pieces))  # not the pieces' own: the mesh may be at another scale
    for place, first in enumerate(kept):
        rest = np.array(kept[place + 1 :], dtype=np.int64)
        reach_mm = max(up_to_mm, SAME_BODY * float(np.linalg.norm(high[first] - low[first]))) if up_to_mm > 0 else 0.0
        is_alike = (np.abs(low[rest] - low[first]) <= reach_mm).all(axis=1) & (np.abs(high[rest] - high[first]) <= reach_mm).all(axis=1)
        for second in rest[is_alike].tolist():
            faces = [mesh.faces[pieces.labels == number] for number in (first, second)]
            skins = [Surface(take_faces(mesh, pieces.labels == number)) for number in (first, second)]
            if all(_is_layer(mesh, of, (skin, np.empty((0, 3))), reach_mm) for of, skin in zip(faces, skins[::-1], strict=True)):
                gaps_mm = [float(skin.distance(mesh.vertices[np.unique(of)])[0].max()) for of, skin in zip(faces, skins[::-1], strict=True)]
                yield first, second, max(gaps_mm), reach_mm
