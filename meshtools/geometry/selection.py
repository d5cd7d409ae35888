"""Which pieces of a scan are the bone: floaters, support blocks and further bones told apart by area, closedness and flatness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.orient import points_inside, rim_half_edges, rim_labels
from meshtools.geometry.pieces import Pieces, flat_share, steady_normals, take_faces, thinned, thinned_rows
from meshtools.model import FloatArray, Mesh

SOLID_PART_RATIO = 0.1
"""A solid piece (closed, or open by small holes only) may be a part down to this share of the floater limit: 0.05 % of the largest
piece's area at the default. The smallest of the 44 teeth in the dog skull and jaw (dm_control 1.0.50) has 0.2 %."""
SOLID_SPAN_RATIO = 0.025
"""And only if it spans this share of the largest piece. The smallest of those teeth spans 6.2 % of its skull, scanner dust of 0.9 mm
radius on a 200 mm bone at most 1.4 %; the limit lies between (our default)."""
SOLID_RIM_RATIO = 0.1
"""A piece is solid when fans over its rims would add at most this share to its area: a tooth with a hole is, a shred of surface is not."""
SUPPORT_FLAT_RATIO = 0.8
"""A detached piece with this share of its area in six planes looks like a block. A box has 1, dog bones less than 0.5 (measured)."""

NEAR_SPAN_RATIO = 0.01
"""A floater nearer to a kept piece than this share of the largest piece's span lies at the bone and may be part of it (our default)."""


@dataclass(frozen=True, eq=False)
class Choice:
    """Why each piece of a scan is kept or not: (p,) arrays in the order of `Pieces`; reason is kept, floater, support or not-chosen."""

    reason: tuple[str, ...]
    is_solid: NDArray[np.bool_]
    is_support_like: NDArray[np.bool_]

    @property
    def kept(self) -> tuple[int, ...]:
        """Places of the pieces that stay."""
        return tuple(place for place, reason in enumerate(self.reason) if reason == "kept")


def solid_pieces(mesh: Mesh, pieces: Pieces) -> NDArray[np.bool_]:
    """(p,) True for a piece that is closed, or would be after small caps (SOLID_RIM_RATIO)."""
    start, end, face = rim_half_edges(mesh)
    if len(start) == 0:
        return np.ones(len(pieces), dtype=bool)
    rim = rim_labels(start, end, len(mesh.vertices))
    n_rims = int(rim.max()) + 1
    a, b = mesh.vertices[start], mesh.vertices[end]
    centre = np.stack([np.bincount(rim, (a + b)[:, k] / 2, n_rims) / np.bincount(rim, minlength=n_rims) for k in range(3)], axis=1)[rim]
    fan = np.linalg.norm(np.cross(a - centre, b - centre), axis=1) / 2
    return np.asarray(np.bincount(pieces.labels[face], fan, len(pieces)) <= SOLID_RIM_RATIO * pieces.area)


def piece_at(mesh: Mesh, pieces: Pieces, point: FloatArray) -> int:
    """Place of the smallest piece that holds the point inside, else of the piece whose surface is nearest to it."""
    from meshtools.geometry.distance import Surface

    holding = np.flatnonzero((pieces.low <= point).all(axis=1) & (pieces.high >= point).all(axis=1))
    for place in holding[::-1]:
        if points_inside(mesh.vertices, mesh.faces[pieces.labels == place], point[None, :])[0]:
            return int(place)
    _, face = Surface(mesh).distance(point[None, :])
    return int(pieces.labels[face[0]])


def choose_pieces(mesh: Mesh, pieces: Pieces, floater_percent: float, named: Sequence[int], supports: Sequence[int]) -> Choice:
    """Decide which pieces stay.

    supports are places of pieces that a person named as support; named are the places a person chose (empty: nobody did), which are
    then the only ones kept. Otherwise a piece below floater_percent of the largest remaining piece's area goes, unless it is solid,
    above SOLID_PART_RATIO of that limit, and spans SOLID_SPAN_RATIO of the largest piece.
    """
    is_solid = solid_pieces(mesh, pieces)
    reason = ["support" if place in supports else "kept" for place in range(len(pieces))]
    largest = reason.index("kept") if "kept" in reason else 0  # pieces come by descending area
    limit = floater_percent / 100.0 * float(pieces.area[largest])
    may_be_part = is_solid & (pieces.area >= SOLID_PART_RATIO * limit) & (pieces.span >= SOLID_SPAN_RATIO * pieces.span[largest])
    for place, why in enumerate(reason):
        if why != "kept":
            continue
        if named:
            reason[place] = "kept" if place in named else "not-chosen"
        elif pieces.area[place] < limit and not may_be_part[place]:
            reason[place] = "floater"
    return Choice(tuple(reason), is_solid, _support_like(mesh, pieces, reason, limit))


def floaters_at_bone(mesh: Mesh, pieces: Pieces, choice: Choice) -> list[int]:
    """Places of the floaters that span SOLID_SPAN_RATIO of the largest kept piece and lie at a kept one (NEAR_SPAN_RATIO,
    vertex to vertex): such as half a tooth."""
    from scipy.spatial import cKDTree

    span = max((float(pieces.span[place]) for place in choice.kept), default=0.0)
    wide = [k for k, reason in enumerate(choice.reason) if reason == "floater" and pieces.span[k] >= SOLID_SPAN_RATIO * span]
    if not wide:
        return []
    reach = NEAR_SPAN_RATIO * span
    kept = mesh.vertices[np.unique(mesh.faces[np.isin(pieces.labels, choice.kept)])]
    result = []
    for place in wide:
        near = kept[((kept >= pieces.low[place] - reach) & (kept <= pieces.high[place] + reach)).all(axis=1)]
        own = mesh.vertices[np.unique(mesh.faces[pieces.labels == place])]
        if len(near) and bool((cKDTree(near).query(own, distance_upper_bound=reach)[0] <= reach).any()):
            result.append(place)
    return result


def _support_like(mesh: Mesh, pieces: Pieces, reason: Sequence[str], limit: float) -> NDArray[np.bool_]:
    """Kept pieces that look like a table or a flat-sided block, as long as another kept piece does not."""
    result = np.zeros(len(pieces), dtype=bool)
    kept = [place for place, why in enumerate(reason) if why == "kept"]
    for place in kept if len(kept) > 1 else []:
        if pieces.area[place] >= limit:
            piece = take_faces(mesh, pieces.labels == place)
            result[place] = flat_share(thinned(piece), steady_normals(piece, thinned_rows(piece))) >= SUPPORT_FLAT_RATIO
    return result & (not result[kept].all())
