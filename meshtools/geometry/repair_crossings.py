"""Places where the skin passes through itself: the faces there are cut out with a ring around them and the hole is spanned anew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import face_areas, label_pieces, patches_by_edges
from meshtools.geometry.repair_budget import Repair, RepairBudget, enclosed_volume, over_budget, span_of_new, surface_area, with_depth
from meshtools.geometry.repair_corners import corner_cuts, with_islands
from meshtools.geometry.seam_repair import respan
from meshtools.geometry.self_intersection import SelfIntersections, count_self_intersections
from meshtools.model import Mesh

RINGS = (1, 0, 2, 3)
"""Rings of faces that go with a tangle, tried in this order."""
SMALL_PERCENT = 0.2
"""Where a tangle with a ring around it is no more than this share of the area, it goes; else the least cut is looked for first."""
MOST_TRIES, FEWEST_TRIES = 80, 12
MOST_FACES_TRIED = 4_000_000
"""A try looks at the whole mesh: so many faces in all, within the numbers of tries above."""
MOST_PLACES = 40
"""A skin that passes through itself at more places is a matter for whoever scans: none of them is touched."""
JOIN_RINGS = 1
"""Tangles this many rings of faces apart are one place."""


@dataclass(frozen=True, eq=False)
class _Mended:
    """The mesh so far, where it still passes through itself, and what mending took: percent of the area, and the widest new patch."""

    mesh: Mesh
    left: SelfIntersections
    n_places: int = 0
    removed: float = 0.0
    invented: float = 0.0
    span_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class _Bounds:
    """What a refill is held to: the budget, and area, volume and wholeness of the mesh before."""

    budget: RepairBudget
    area: float
    volume: float
    whole: tuple[int, ...]

    def volume_change(self, mesh: Mesh) -> float:
        """Percent by which the volume differs from that before."""
        return 100.0 * abs(enclosed_volume(mesh) - self.volume) / self.volume if self.volume > 0 else 0.0


def mend_crossings(mesh: Mesh, source_index: int, budget: RepairBudget) -> Repair:
    """Cut out and span anew every place where faces of one piece cross, until the budget is used up.

    A refill is taken where fewer faces cross afterwards, no edge is left open that was closed and the parts that hang together by edges are as
    many as before. The new faces use the corners around the hole and carry source_index; all other faces keep their corners. What cannot be
    mended stays.
    """
    tangled = count_self_intersections(mesh)
    if not tangled.n_pairs:
        return Repair("crossing", mesh)
    bounds = _Bounds(budget, surface_area(mesh), enclosed_volume(mesh), _wholeness(mesh))
    done, why, place = _Mended(mesh, tangled), "", 0
    n_tries = int(np.clip(MOST_FACES_TRIED // len(mesh.faces), FEWEST_TRIES, MOST_TRIES))
    if tangled.n_places > MOST_PLACES:
        why, place = f"there are more than {MOST_PLACES} such places", len(mesh.faces)
    while place < len(clusters := _clusters(done.mesh, done.left.faces)) and n_tries > 0:
        better, n_tried, excess = _refilled(done, clusters[place], source_index, bounds, n_tries)
        n_tries -= n_tried
        why = why or excess if better is None else why
        done, place = (done, place + 1) if better is None else (better, place)
    change = bounds.volume_change(done.mesh) if done.n_places else 0.0
    repair = Repair("crossing", done.mesh, done.n_places, done.removed, done.invented, change, span_mm=done.span_mm)
    if len(done.left.faces):
        why = why or ("no refill was found that crosses less" if n_tries > 0 else "the number of tries ran out")
        middle = done.mesh.vertices[done.mesh.faces[clusters[0]]].mean(axis=(0, 1))
        share = 100.0 * float(face_areas(done.mesh.vertices, done.mesh.faces[done.left.faces]).sum()) / bounds.area
        repair = replace(repair, n_refused=len(clusters), refused_percent=share, refused_mm=middle, why=why)
    return with_depth(repair, mesh) if done.n_places else repair


def _refilled(
    done: _Mended, cluster: NDArray[np.int64], source_index: int, bounds: _Bounds, most_tries: int
) -> tuple[_Mended | None, int, str]:
    """One tangle cut out: the first cut that takes all of it out, else the one that leaves the fewest faces crossing, None where none is better
    and within the budget. Also the number of cuts tried, and the limit that the least of those over the budget exceeds."""
    best, n_tried, excess = None, 0, (np.inf, "")
    mesh = done.mesh
    for is_cut in islice(_cuts(mesh, cluster, source_index), most_tries):
        n_tried += 1
        following = respan(mesh, is_cut, source_index)
        if following is None or _wholeness(following) != bounds.whole:
            continue
        left = count_self_intersections(following)
        if left.n_pairs >= (best or done).left.n_pairs:
            continue
        gone = 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_cut]).sum()) / bounds.area
        made = gone + 100.0 * (surface_area(following) - surface_area(mesh)) / bounds.area
        over = over_budget(bounds.budget, done.removed + gone, done.invented + made, bounds.volume_change(following))
        if over:
            excess = min(excess, (gone, over))
            continue
        span = max(done.span_mm, span_of_new(following.vertices, following.faces[int((~is_cut).sum()) :]))
        best = _Mended(following, left, done.n_places + 1, done.removed + gone, done.invented + made, span)
        if len(left.faces) <= len(done.left.faces) - len(cluster):
            break
    return best, n_tried, excess[1]


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


def _wholeness(mesh: Mesh) -> tuple[int, ...]:
    """Edges that are open, crowded or inconsistent, and parts that hang together by edges: what a refill must leave as it was."""
    return (*count_edges(mesh.faces, len(mesh.vertices)), int(patches_by_edges(mesh.faces, len(mesh.vertices)).max(initial=-1)))
