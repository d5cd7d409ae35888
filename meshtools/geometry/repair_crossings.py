"""Places where the skin passes through itself: the faces there are cut out with a ring around them and the hole is spanned anew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import face_areas, faces_at_boxes, label_pieces, patches_by_edges, piece_labels, take_faces
from meshtools.geometry.repair_budget import Repair, RepairBudget, enclosed_volume, over_budget, span_of_new, surface_area, with_depth
from meshtools.geometry.repair_corners import corner_cuts, with_islands
from meshtools.geometry.seam_repair import span_holes
from meshtools.geometry.self_intersection import SelfIntersections, count_self_intersections, find_meeting_pairs
from meshtools.model import Mesh

RINGS = (1, 0, 2, 3)
"""Rings of faces that go with a tangle, tried in this order."""
SMALL_PERCENT = 0.2
"""Where a tangle with a ring around it is no more than this share of the area, it goes; else the least cut is looked for first."""
MOST_FACES_TRIED, FEWEST_TRIES = 4_000_000, 12
"""A try looks at the faces near its cut: so many in all, and those of the whole mesh this often at least."""
MOST_PLACES = 40
"""A skin that passes through itself at more places is a matter for whoever scans: none of them is touched."""
JOIN_RINGS = 1
"""Tangles this many rings of faces apart are one place."""


@dataclass(frozen=True, eq=False)
class _Mended:
    """The mesh so far, the pairs (k, 2) of its faces that still cross, and what mending took: percent of the area, and the widest new patch."""

    mesh: Mesh
    pairs: NDArray[np.int64]
    n_places: int = 0
    removed: float = 0.0
    invented: float = 0.0
    span_mm: float = 0.0

    @property
    def tangled(self) -> NDArray[np.int64]:
        """Faces that still cross others, ascending."""
        return np.unique(self.pairs)


@dataclass(frozen=True, eq=False)
class _Bounds:
    """What a refill is held to: the budget, and area, volume and number of parts of the mesh before."""

    budget: RepairBudget
    area: float
    volume: float
    n_patches: int

    def volume_change(self, mesh: Mesh) -> float:
        """Percent by which the volume differs from that before."""
        return 100.0 * abs(enclosed_volume(mesh) - self.volume) / self.volume if self.volume > 0 else 0.0


def mend_crossings(mesh: Mesh, source_index: int, budget: RepairBudget, counted: SelfIntersections | None = None) -> Repair:
    """Cut out and span anew every place where faces of one piece cross, the smallest first, until the budget is used up.

    A refill is taken where fewer pairs of faces cross afterwards, no edge is left open that was closed and the parts that hang together by edges
    are as many as before. The new faces use the corners around the hole and carry source_index; all other faces keep their corners. What cannot be
    mended stays. counted: where the mesh crosses itself, if that is known.
    """
    tangled = counted or count_self_intersections(mesh)
    if not tangled.n_pairs:
        return Repair("crossing", mesh)
    bounds = _Bounds(budget, surface_area(mesh), enclosed_volume(mesh), _n_patches(mesh))
    done, why, stuck = _Mended(mesh, tangled.pairs), "", set[bytes]()
    n_faces = max(MOST_FACES_TRIED, FEWEST_TRIES * len(mesh.faces))
    if tangled.n_places > MOST_PLACES:
        why, n_faces = f"there are more than {MOST_PLACES} such places", 0
    while n_faces > 0 and (waiting := [rows for rows in _clusters(done.mesh, done.tangled) if done.mesh.faces[rows].tobytes() not in stuck]):
        better, n_seen, excess = _refilled(done, waiting[-1], source_index, bounds, n_faces)
        n_faces -= n_seen
        if better is None:
            stuck.add(done.mesh.faces[waiting[-1]].tobytes())
            why = why or excess
        done = better or done
    change = bounds.volume_change(done.mesh) if done.n_places else 0.0
    whole = take_faces(done.mesh, np.ones(len(done.mesh.faces), dtype=bool))
    repair = Repair("crossing", whole, done.n_places, done.removed, done.invented, change, span_mm=done.span_mm)
    if len(done.pairs):
        clusters = _clusters(done.mesh, done.tangled)
        why = why or ("no refill was found that crosses less" if n_faces > 0 else "the number of tries ran out")
        middle = done.mesh.vertices[done.mesh.faces[clusters[0]]].mean(axis=(0, 1))
        share = 100.0 * float(face_areas(done.mesh.vertices, done.mesh.faces[done.tangled]).sum()) / bounds.area
        repair = replace(repair, n_refused=len(clusters), refused_percent=share, refused_mm=middle, why=why)
    return with_depth(repair, mesh) if done.n_places else repair


def _refilled(
    done: _Mended, cluster: NDArray[np.int64], source_index: int, bounds: _Bounds, most_faces: int
) -> tuple[_Mended | None, int, str]:
    """One tangle cut out: the first cut that takes all of it out, else the one that leaves the fewest faces crossing, None where none is better
    and within the budget. Also the number of faces looked at, and the limit that the least of those over the budget exceeds."""
    best, n_seen, excess = None, 0, (np.inf, "")
    mesh = done.mesh
    for is_cut in _cuts(mesh, cluster, source_index):
        if n_seen >= most_faces:
            break
        rows = _rows_near(mesh, is_cut)
        n_seen += len(rows)
        refill = _refill_near(done, is_cut, rows)
        if refill is None or len(refill[1]) >= len((best or done).pairs):
            continue
        caps, pairs = refill
        source = np.append(mesh.source[~is_cut], np.full(len(caps), source_index, dtype=np.uint16))
        following = mesh.replaced(faces=np.concatenate([mesh.faces[~is_cut], caps]), source=source)
        if _n_patches(following) != bounds.n_patches:
            continue
        gone = 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_cut]).sum()) / bounds.area
        made = 100.0 * float(face_areas(mesh.vertices, caps).sum()) / bounds.area
        over = over_budget(bounds.budget, done.removed + gone, done.invented + made, bounds.volume_change(following))
        if over:
            excess = min(excess, (gone, over))
            continue
        span = max(done.span_mm, span_of_new(mesh.vertices, caps))
        best = _Mended(following, pairs, done.n_places + 1, done.removed + gone, done.invented + made, span)
        if len(best.tangled) <= len(done.tangled) - len(cluster):
            break
    return best, n_seen, excess[1]


def _rows_near(mesh: Mesh, is_cut: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Faces whose boxes come near that of the faces to cut, among them all that share a corner with these or that new ones may meet; ascending."""
    points = mesh.vertices[mesh.faces[is_cut]]
    low, high = points.min(axis=(0, 1)), points.max(axis=(0, 1))
    return np.flatnonzero(faces_at_boxes(mesh, low[None], high[None], float((high - low).max())))


def _refill_near(
    done: _Mended, is_cut: NDArray[np.bool_], rows: NDArray[np.int64]
) -> tuple[NDArray[np.int32], NDArray[np.int64]] | None:
    """New faces (k, 3) in place of those to cut, and the pairs of faces that then cross, new ones last; None where none span the hole so that
    open, crowded and inconsistent edges stay as many. rows: the faces near the cut, which alone are looked at."""
    mesh, place = done.mesh, np.cumsum(~is_cut) - 1  # of each face among those that are left
    near, is_cut_here = mesh.faces[rows], is_cut[rows]
    used, corners = np.unique(near, return_inverse=True)
    here = Mesh.create(mesh.vertices[used], corners.reshape(-1, 3).astype(np.int32))
    caps = span_holes(here, is_cut_here)
    if caps is None:
        return None
    after = np.concatenate([here.faces[~is_cut_here], caps])
    if count_edges(after, len(used)) != count_edges(here.faces, len(used)):
        return None
    piece = piece_labels(mesh)
    is_own = ~is_cut_here & (piece[rows] == piece[np.argmax(is_cut)])
    found = find_meeting_pairs(here.replaced(faces=np.concatenate([here.faces[is_own], caps]), source=None))
    number = np.concatenate([place[rows[is_own]], place[-1] + 1 + np.arange(len(caps))])
    stays = done.pairs[~is_cut[done.pairs].any(axis=1)]
    pairs = np.concatenate([place[stays], number[found[found[:, 1] >= int(is_own.sum())]]])
    return used[caps].astype(np.int32), pairs


def _clusters(mesh: Mesh, faces: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """The tangled faces, those near each other together, largest group first."""
    if not len(faces):
        return []
    is_tangled = np.zeros(len(mesh.faces), dtype=bool)
    is_tangled[faces] = True
    wide = np.flatnonzero(_grown(mesh, is_tangled, JOIN_RINGS))
    labels = label_pieces(mesh.faces[wide], len(mesh.vertices))
    of_tangled = labels[np.searchsorted(wide, faces)]
    groups = [faces[of_tangled == number] for number in np.unique(of_tangled)]
    return sorted(groups, key=lambda group: (-len(group), int(group[0])))


def _cuts(mesh: Mesh, cluster: NDArray[np.int64], source_index: int) -> Iterator[NDArray[np.bool_]]:
    """Sets of faces to cut out for one tangle: first only the caps that take part in it, to be spanned another way; then what lies around one
    of its corners, or the tangle with rings around it and the islands that a ring would leave in its middle."""
    fills = np.flatnonzero(mesh.source == source_index)
    caps = label_pieces(mesh.faces[fills], len(mesh.vertices))
    tangled = caps[np.isin(fills, cluster)]
    is_tangled = np.zeros(len(mesh.faces), dtype=bool)
    is_tangled[cluster] = True
    if len(tangled):
        is_cut = np.zeros(len(mesh.faces), dtype=bool)
        is_cut[fills[np.isin(caps, tangled)]] = True
        yield is_cut
    rings = (with_islands(mesh, _grown(mesh, is_tangled, n_rings)) for n_rings in RINGS)
    ring = next(rings)
    is_small = 100.0 * float(face_areas(mesh.vertices, mesh.faces[ring]).sum()) <= SMALL_PERCENT * surface_area(mesh)
    if is_small:
        yield ring
        yield next(rings)
    yield from corner_cuts(mesh, cluster, source_index)
    if not is_small:
        yield ring
    yield from rings


def _grown(mesh: Mesh, is_in: NDArray[np.bool_], n_rings: int) -> NDArray[np.bool_]:
    for _ in range(n_rings):
        is_touched = np.zeros(len(mesh.vertices), dtype=bool)
        is_touched[mesh.faces[is_in].ravel()] = True
        is_in = np.asarray(is_touched[mesh.faces].any(axis=1))
    return is_in


def _n_patches(mesh: Mesh) -> int:
    """Parts that hang together by edges: a refill must leave as many."""
    return int(patches_by_edges(mesh.faces, len(mesh.vertices)).max(initial=-1)) + 1
