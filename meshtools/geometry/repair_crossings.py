"""Places where the skin passes through itself: the faces there are cut out with a ring around them and the hole is spanned anew."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import face_areas, label_pieces
from meshtools.geometry.repair_budget import Repair, RepairBudget, enclosed_volume, over_budget, span_of_new, surface_area, with_depth
from meshtools.geometry.seam_repair import respan
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.model import Mesh

RINGS = (1, 0, 2, 3)
"""Rings of faces that go with a tangle, tried in this order."""
MOST_TRIES, FEWEST_TRIES = 80, 12
MOST_FACES_TRIED = 4_000_000
"""A try looks at the whole mesh: so many faces in all, within the numbers of tries above."""
MOST_PLACES = 40
"""A skin that passes through itself at more places is a matter for whoever scans: none of them is touched."""
JOIN_RINGS = 1
"""Tangles this many rings of faces apart are one place."""


def mend_crossings(mesh: Mesh, source_index: int, budget: RepairBudget) -> Repair:
    """Cut out and span anew every place where faces of one piece cross, until the budget is used up.

    A refill is taken where fewer faces cross afterwards, no edge is left open that was closed and the pieces are as many as before. The
    new faces use the corners around the hole and carry source_index; all other faces keep their corners. What cannot be mended stays.
    """
    tangled = count_self_intersections(mesh)
    if not tangled.n_pairs:
        return Repair("crossing", mesh)
    area, volume, n_places, why, before = surface_area(mesh), enclosed_volume(mesh), 0, "", mesh
    removed = invented = span = 0.0
    n_tries, place, faces, n_pairs = 0, 0, tangled.faces, tangled.n_pairs
    most_tries = int(np.clip(MOST_FACES_TRIED // len(mesh.faces), FEWEST_TRIES, MOST_TRIES))
    if tangled.n_places > MOST_PLACES:
        why, place = f"there are more than {MOST_PLACES} such places", len(mesh.faces)
    whole = _wholeness(mesh)
    while place < len(clusters := _clusters(mesh, faces)) and n_tries < most_tries:
        for is_cut in _cuts(mesh, clusters[place], source_index):
            n_tries += 1
            following = respan(mesh, is_cut, source_index)
            if following is None or _wholeness(following) != whole:
                continue
            left = count_self_intersections(following)
            if left.n_pairs >= n_pairs:
                continue
            gone = 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_cut]).sum()) / area
            made = gone + 100.0 * (surface_area(following) - surface_area(mesh)) / area
            change = 100.0 * abs(enclosed_volume(following) - volume) / volume if volume > 0 else 0.0
            excess = over_budget(budget, removed + gone, invented + made, change)
            if excess:
                why = excess
                continue
            span = max(span, span_of_new(following.vertices, following.faces[int((~is_cut).sum()) :]))
            mesh, faces, n_pairs = following, left.faces, left.n_pairs
            removed, invented, n_places = removed + gone, invented + made, n_places + 1
            break
        else:
            place += 1
    if n_tries >= most_tries:
        why = why or "the number of tries ran out"
    change = 100.0 * abs(enclosed_volume(mesh) - volume) / volume if volume > 0 and mesh is not before else 0.0
    if not len(faces):
        return with_depth(Repair("crossing", mesh, n_places, removed, invented, change, span_mm=span), before)
    middle = mesh.vertices[mesh.faces[clusters[0]]].mean(axis=(0, 1))
    share = 100.0 * float(face_areas(mesh.vertices, mesh.faces[faces]).sum()) / area
    why = why or "no refill was found that crosses less"
    repair = Repair("crossing", mesh, n_places, removed, invented, change, len(clusters), share, middle, why, span)
    return with_depth(repair, before) if n_places else repair


def _clusters(mesh: Mesh, faces: NDArray[np.int32]) -> list[NDArray[np.int64]]:
    """The tangled faces, those near each other together, largest group first."""
    if not len(faces):
        return []
    is_tangled = np.zeros(len(mesh.faces), dtype=bool)
    is_tangled[faces] = True
    wide = np.flatnonzero(_grown(mesh, is_tangled, JOIN_RINGS))
    labels = label_pieces(mesh.faces[wide], len(mesh.vertices))
    of_tangled = labels[np.searchsorted(wide, faces)]
    groups = [faces[of_tangled == number].astype(np.int64) for number in np.unique(of_tangled)]
    return sorted(groups, key=lambda group: (-len(group), int(group[0])))


def _cuts(mesh: Mesh, cluster: NDArray[np.int64], source_index: int) -> Iterator[NDArray[np.bool_]]:
    """Sets of faces to cut out for one tangle: first only the caps that take part in it, to be spanned another way; then the tangle with
    rings around it, and the islands that a ring would leave in its middle."""
    fills = np.flatnonzero(mesh.source == source_index)
    caps = label_pieces(mesh.faces[fills], len(mesh.vertices))
    tangled = caps[np.isin(fills, cluster)]
    if len(tangled):
        is_cut = np.zeros(len(mesh.faces), dtype=bool)
        is_cut[fills[np.isin(caps, tangled)]] = True
        yield is_cut
    for n_rings in RINGS:
        is_cut = np.zeros(len(mesh.faces), dtype=bool)
        is_cut[cluster] = True
        yield _with_islands(mesh, _grown(mesh, is_cut, n_rings))


def _grown(mesh: Mesh, is_in: NDArray[np.bool_], n_rings: int) -> NDArray[np.bool_]:
    for _ in range(n_rings):
        is_touched = np.zeros(len(mesh.vertices), dtype=bool)
        is_touched[mesh.faces[is_in].ravel()] = True
        is_in = np.asarray(is_touched[mesh.faces].any(axis=1))
    return is_in


def _with_islands(mesh: Mesh, is_cut: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The cut with what it would part from its piece, where that is no more than the cut itself."""
    pieces = label_pieces(mesh.faces, len(mesh.vertices))
    affected = np.flatnonzero(np.isin(pieces, pieces[is_cut]) & ~is_cut)
    if not len(affected):
        return is_cut
    parts = label_pieces(mesh.faces[affected], len(mesh.vertices))
    area = np.bincount(parts, face_areas(mesh.vertices, mesh.faces[affected]))
    cut_area = float(face_areas(mesh.vertices, mesh.faces[is_cut]).sum())
    largest = np.zeros(int(pieces.max()) + 1)
    np.maximum.at(largest, pieces[affected], area[parts])
    is_island = (area[parts] < largest[pieces[affected]]) & (area[parts] <= cut_area)
    wider = is_cut.copy()
    wider[affected[is_island]] = True
    return wider


def _wholeness(mesh: Mesh) -> tuple[int, ...]:
    """Edges that are open, crowded or inconsistent, and pieces: what a refill must leave as it was."""
    return (*count_edges(mesh.faces, len(mesh.vertices)), int(label_pieces(mesh.faces, len(mesh.vertices)).max(initial=-1)))
