"""Take tangles out of a seam: where its faces cross the surface, a little of the seam is cut out and spanned anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.pieces import faces_at_boxes, label_pieces, take_faces
from meshtools.geometry.rims import find_rims
from meshtools.geometry.seam import short_diagonals, span_polygon, stretches, with_edges
from meshtools.geometry.self_intersection import find_crossing_pairs, find_meeting_pairs
from meshtools.geometry.takeover import patch_labels
from meshtools.geometry.weld import edge_keys, edge_keys_between
from meshtools.model import Mesh

MOST_ROUNDS = 6
ROUND_WITH_CROSSING_ORIGINALS = 2
ROUND_WITH_ORIGINALS = 4
SINGLE_CUTS = ((0, False), (1, False), (0, True), (2, False), (1, True), (3, False), (2, True), (3, True))
"""How many rings of faces around a tangle go, and whether original faces are among them."""
MOST_SPANS = 16


@dataclass(frozen=True, eq=False)
class Untangled:
    """A mesh with its original faces first: is_left (n_original,) marks those still there. n_tangled: faces that still cross others."""

    mesh: Mesh
    is_left: NDArray[np.bool_]
    n_tangled: int


def untangle_seam(mesh: Mesh, n_original: int, source_seam: int) -> Untangled:
    """The mesh whose seam crosses itself or other skin as little as can be reached.

    Seam and taken-over faces that take part in a crossing are cut out with the seam around them, wider each round, and the hole is
    closed by faces with source_seam. From the third round on, original faces that cross the seam right beside it go too, in the fifth
    those that touch what crosses, in the sixth the taken-over faces around. What is left then is treated tangle by tangle. A cut that
    gives no fewer crossings is forgotten;
    crossings among original faces alone are the original's and stay.
    """
    best = Untangled(mesh, np.ones(n_original, dtype=bool), 0)
    tangles = _tangles(best)
    best = replace(best, n_tangled=len(tangles))
    n_open = count_edges(mesh.faces, len(mesh.vertices))[0]
    for number in [*range(MOST_ROUNDS), *range(MOST_ROUNDS)]:
        if not len(tangles):
            break
        following = _respanned(best, _faces_to_cut(best, tangles, number, source_seam), source_seam)
        if following is None or count_edges(following.mesh.faces, len(following.mesh.vertices)) != (n_open, 0, 0):
            continue
        remaining = _tangles(following)
        if len(remaining) < best.n_tangled:
            best, tangles = replace(following, n_tangled=len(remaining)), remaining
    return _mended_one_by_one(best, tangles, source_seam) if len(tangles) else best


def _mended_one_by_one(best: Untangled, tangles: NDArray[np.int32], source_seam: int) -> Untangled:
    """The mesh with each tangle that is left treated by itself: wider and wider cuts around it, of new faces, then of original ones too."""
    for n_rings, has_originals in SINGLE_CUTS:
        row = np.arange(len(best.mesh.faces), dtype=np.int64)  # where a face of the pass's start is now, -1 where it is gone
        following = best
        for cluster in _clusters(best, tangles):
            here = row[cluster]
            is_cut = _around(following, here[here >= 0], n_rings, has_originals)
            mended = _respanned_here(following, is_cut, source_seam) if (here >= 0).all() and is_cut.any() else None
            if mended is not None:
                following = mended
                now = np.where(is_cut, -1, np.cumsum(~is_cut) - 1)
                row = np.where(row >= 0, now[np.maximum(row, 0)], -1)
        if following is not best:
            remaining = _tangles(following)
            if len(remaining) < best.n_tangled:
                best, tangles = replace(following, n_tangled=len(remaining)), remaining
    used = take_faces(best.mesh, np.ones(len(best.mesh.faces), dtype=bool))
    return replace(best, mesh=used)


def _respanned_here(state: Untangled, is_cut: NDArray[np.bool_], source_seam: int) -> Untangled | None:
    """As `_respanned`, with a look at the faces around the cut alone; None where that fails or leaves no fewer of them crossed. Vertices stay."""
    mesh = state.mesh
    corners = mesh.vertices[mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    is_near = ((low <= high[is_cut].max(axis=0)) & (high >= low[is_cut].min(axis=0))).all(axis=1)
    near = mesh.faces[is_near]
    caps = span_holes(mesh.replaced(faces=near, source=mesh.source[is_near]), is_cut[is_near])
    if caps is None:
        return None
    after = np.concatenate([near[~is_cut[is_near]], caps])
    n_open, n_crowded, n_inconsistent = count_edges(near, len(mesh.vertices))
    if n_crowded or n_inconsistent or count_edges(after, len(mesh.vertices)) != (n_open, 0, 0) or _n_crossed(mesh, after) >= _n_crossed(mesh, near):
        return None
    return _with_caps(state, is_cut, caps, source_seam)


def _n_crossed(mesh: Mesh, faces: NDArray[np.int32]) -> int:
    return len(np.unique(find_meeting_pairs(_compact(mesh, faces))))


def _clusters(state: Untangled, tangles: NDArray[np.int32]) -> list[NDArray[np.int32]]:
    """Tangled faces that hang together by corners, as lists of rows; those among original faces alone are left out."""
    if not len(tangles):
        return []
    labels = label_pieces(state.mesh.faces[tangles], len(state.mesh.vertices))
    parts = [tangles[labels == number] for number in range(int(labels.max()) + 1)]
    return [part for part in parts if int(part.max()) >= int(state.is_left.sum())]


def _around(state: Untangled, cluster: NDArray[np.int64], n_rings: int, has_originals: bool) -> NDArray[np.bool_]:
    is_cut = np.zeros(len(state.mesh.faces), dtype=bool)
    is_cut[cluster] = True
    is_free = (np.arange(len(is_cut)) >= int(state.is_left.sum())) | has_originals
    for _ in range(n_rings):
        is_cut = _touches(state.mesh, is_cut) & is_free
    return is_cut & is_free


class _Boxes:
    """The boxes of a mesh's faces near some loops of its vertices, sorted along x, so that those near a loop are found without looking at all."""

    def __init__(self, mesh: Mesh, loops: Sequence[NDArray[np.int32]]) -> None:
        boxes = np.array([(mesh.vertices[loop].min(axis=0), mesh.vertices[loop].max(axis=0)) for loop in loops]).reshape(-1, 2, 3)
        size = float(np.median((boxes[:, 1] - boxes[:, 0]).max(axis=1))) if len(boxes) else 0.0
        faces = mesh.faces[faces_at_boxes(mesh, boxes[:, 0], boxes[:, 1], size)]
        corners = mesh.vertices[faces]
        low, high = corners.min(axis=1), corners.max(axis=1)
        order = np.argsort(low[:, 0], kind="stable")
        self._low, self._high, self._faces = low[order], high[order], faces[order]
        self._widest = float((high - low)[:, 0].max(initial=0.0))

    def near(self, low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.int32]:
        """Corners (k, 3) of the faces whose boxes meet the one from low to high."""
        part = slice(*np.searchsorted(self._low[:, 0], [low[0] - self._widest, high[0]], side="right"))
        meets = ((self._low[part] <= high) & (self._high[part] >= low)).all(axis=1)
        return np.asarray(self._faces[part][meets])


def _clear_patch(
    left: Mesh, boxes: _Boxes, before: list[NDArray[np.int32]], loop: NDArray[np.int32], barred: NDArray[np.int64]
) -> tuple[NDArray[np.int32], int] | None:
    """Faces that fill a loop and cross as little as is found, and how many of them do: the longest inner edges of those that cross are barred, and
    it is spanned anew.

    boxes: of the mesh; before: patches that fill other loops already. None where the loop cannot be filled at all.
    """
    low, high = left.vertices[loop].min(axis=0), left.vertices[loop].max(axis=0)
    near = np.concatenate([boxes.near(low, high), _near(left, np.concatenate(before), low, high)])
    sides = edge_keys(np.stack([loop, np.roll(loop, -1), loop], axis=1), len(left.vertices))
    short = short_diagonals(left.vertices[loop])
    best: tuple[NDArray[np.int32], int] | None = None
    for _ in range(MOST_SPANS):
        patch = span_polygon(left, loop, barred, short)
        if patch is None:
            break
        pairs = find_meeting_pairs(_compact(left, np.concatenate([near, patch])))
        bad = np.unique(pairs[pairs >= len(near)]) - len(near)
        if best is None or len(bad) < best[1]:
            best = patch, len(bad)
        bars = _longest_inner_edges(left, patch[bad], sides)
        if not len(bars):
            break
        barred = np.sort(np.concatenate([barred, bars]))
    return best


def _near(mesh: Mesh, faces: NDArray[np.int32], low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.int32]:
    """Those of some faces (k, 3) whose boxes meet the one from low to high."""
    corners = mesh.vertices[faces]
    return np.asarray(faces[((corners.min(axis=1) <= high) & (corners.max(axis=1) >= low)).all(axis=1)])


def _compact(mesh: Mesh, faces: NDArray[np.int32]) -> Mesh:
    used, corners = np.unique(faces, return_inverse=True)
    return Mesh.create(mesh.vertices[used], corners.reshape(-1, 3))


def _longest_inner_edges(mesh: Mesh, faces: NDArray[np.int32], sides: NDArray[np.int64]) -> NDArray[np.int64]:
    """Key of each face's longest edge that is no side of the loop."""
    ends = np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).astype(np.int64)
    keys = ends.min(axis=2) * len(mesh.vertices) + ends.max(axis=2)
    lengths = np.where(np.isin(keys, sides), -1.0, ((mesh.vertices[ends[..., 0]] - mesh.vertices[ends[..., 1]]) ** 2).sum(axis=2))
    rows = np.flatnonzero((lengths >= 0).any(axis=1))
    return np.unique(keys[rows, lengths[rows].argmax(axis=1)])


def _tangles(state: Untangled) -> NDArray[np.int32]:
    """Faces that cross others, but for original faces that cross original ones only."""
    pairs = find_crossing_pairs(state.mesh)
    return np.unique(pairs[pairs[:, 1] >= int(state.is_left.sum())]).astype(np.int32)


def _faces_to_cut(state: Untangled, tangles: NDArray[np.int32], number: int, source_seam: int) -> NDArray[np.bool_]:
    mesh, n_original = state.mesh, int(state.is_left.sum())
    is_seam = (mesh.source == source_seam) & (np.arange(len(mesh.faces)) >= n_original)
    is_cut = np.zeros(len(mesh.faces), dtype=bool)
    is_cut[tangles] = True
    is_at_tangle = _touches(mesh, is_cut)
    is_cut[:n_original] &= _touches(mesh, is_seam)[:n_original] & (number >= ROUND_WITH_CROSSING_ORIGINALS)
    if number == ROUND_WITH_ORIGINALS:
        return is_at_tangle
    for _ in range(number):
        is_cut |= is_seam & _touches(mesh, is_cut)
    if number > ROUND_WITH_ORIGINALS:
        is_cut |= (np.arange(len(mesh.faces)) >= n_original) & _touches(mesh, is_cut)
    return is_cut


def _touches(mesh: Mesh, is_in: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(m,) faces with a corner in common with the marked ones, these included."""
    is_touched = np.zeros(len(mesh.vertices), dtype=bool)
    is_touched[mesh.faces[is_in].ravel()] = True
    return np.asarray(is_touched[mesh.faces].any(axis=1))


def respan(mesh: Mesh, is_cut: NDArray[np.bool_], source_index: int) -> Mesh | None:
    """The mesh without the marked faces, the holes spanned by their own corners with faces of source_index; None where that fails.

    Rims that were open before stay open; the other faces keep their order and corners.
    """
    done = _respanned(Untangled(mesh, np.zeros(0, dtype=bool), 0), is_cut, source_index)
    return None if done is None else done.mesh


def _respanned(state: Untangled, is_cut: NDArray[np.bool_], source_seam: int) -> Untangled | None:
    """The state without the marked faces, the holes closed anew (rims that were open before stay open); None where that fails."""
    caps = span_holes(state.mesh, is_cut)
    if caps is None:
        return None
    done = _with_caps(state, is_cut, caps, source_seam)
    return replace(done, mesh=take_faces(done.mesh, np.ones(len(done.mesh.faces), dtype=bool)))


def span_holes(mesh: Mesh, is_cut: NDArray[np.bool_]) -> NDArray[np.int32] | None:
    """Faces (k, 3) that close the holes which the marked faces leave, rims that were open before excepted; None where one cannot be closed.

    The two longest rims of a patch that went around as a band are joined again, unless faces that close each by itself cross less: these part
    what the band joined.
    """
    known = {rim.vertices.tobytes() for rim in find_rims(mesh)}
    left = mesh.replaced(faces=mesh.faces[~is_cut], source=mesh.source[~is_cut])
    rims = [rim.vertices for rim in find_rims(left) if rim.vertices.tobytes() not in known]
    barred = edge_keys_between(left.faces, len(left.vertices), rims)
    groups = _rims_of_patches(mesh, is_cut, rims)
    boxes = _Boxes(left, [np.concatenate(group) for group in groups])
    caps = [np.zeros((0, 3), dtype=np.int32)]
    for group in groups:
        longest = sorted(group, key=len, reverse=True)
        ways = [[*stretches(mesh.vertices, *longest[:2]), *longest[2:]], group] if len(group) > 1 else [group]
        filled = [found for way in ways if (found := _filled(left, boxes, caps, way, barred)) is not None]
        if not filled:
            return None
        caps += min(filled, key=lambda found: found[1])[0]
    return np.concatenate(caps)


def _filled(
    left: Mesh, boxes: _Boxes, before: list[NDArray[np.int32]], loops: list[NDArray[np.int32]], barred: NDArray[np.int64]
) -> tuple[list[NDArray[np.int32]], int] | None:
    """Patches that fill several loops one after the other, and how many of their faces cross; None where one cannot be filled."""
    patches: list[NDArray[np.int32]] = []
    n_crossed = 0
    for loop in loops:
        found = _clear_patch(left, boxes, [*before, *patches], loop, barred)
        if found is None:
            return None
        patches.append(found[0])
        n_crossed += found[1]
        barred = with_edges(barred, found[0], len(left.vertices))
    return patches, n_crossed


def _rims_of_patches(mesh: Mesh, is_cut: NDArray[np.bool_], rims: list[NDArray[np.int32]]) -> list[list[NDArray[np.int32]]]:
    """The rims grouped by the marked patch that left them, in the order of their first ones."""
    rows, n = np.flatnonzero(is_cut), len(mesh.vertices)
    patch_at = {}
    for face, label in zip(mesh.faces[rows].tolist(), patch_labels(mesh, is_cut)[rows].tolist(), strict=True):
        patch_at.update({face[k] * n + face[(k + 1) % 3]: label for k in range(3)})
    groups: dict[int, list[NDArray[np.int32]]] = {}
    for number, rim in enumerate(rims):
        around = zip(rim.tolist(), np.roll(rim, -1).tolist(), strict=True)
        patches = [patch_at[key] for a, b in around for key in (a * n + b, b * n + a) if key in patch_at]
        groups.setdefault(patches[0] if patches else -1 - number, []).append(rim)
    return list(groups.values())


def _with_caps(state: Untangled, is_cut: NDArray[np.bool_], caps: NDArray[np.int32], source_seam: int) -> Untangled:
    """The state without the marked faces, with these instead. Vertices stay."""
    mesh = state.mesh
    source = np.append(mesh.source[~is_cut], np.full(len(caps), source_seam, dtype=np.uint16))
    is_left = state.is_left.copy()
    is_left[np.flatnonzero(is_left)[is_cut[: int(is_left.sum())]]] = False
    return Untangled(mesh.replaced(faces=np.concatenate([mesh.faces[~is_cut], caps]), source=source), is_left, 0)
