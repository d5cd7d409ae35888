"""Sheets and splinters that hang on the bone's skin by an edge or a corner only: taken off, so that the skin below is whole again.

Our own method: the surface is taken apart at edges of more than two faces. Each part but the largest is a sheet (it has open edges), a
wall (it ends on the skin all round and lies inside) or a splinter (closed by itself). It goes where the skin is whole without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import count_edges
from meshtools.geometry.grouping import label_patches
from meshtools.geometry.neighbours import face_neighbours
from meshtools.geometry.orient import points_inside
from meshtools.geometry.pieces import mesh_areas, piece_labels, take_faces
from meshtools.geometry.rays import Rays
from meshtools.geometry.repair_budget import Repair, RepairBudget, enclosed_volume, farthest_from
from meshtools.geometry.weld import edge_keys
from meshtools.model import FloatArray, Mesh

MOST_ROUNDS = 8
RIM, CROWDED = -1, -2  # in the place of a neighbour, see `face_neighbours`
WALL_POINTS = 16
"""Faces of a wall, spread evenly, whose two sides are tested for lying inside."""
LEAST_ROOM = 0.25
"""A wall with bone this deep on either side, as a share of its width (root of its area), is no second layer of skin (our default)."""


@dataclass(frozen=True, eq=False)
class _Parts:
    """Parts between edges of more than two faces: part of each face (m,), area of each part (p,), the piece each belongs to (p,)."""

    label: NDArray[np.int64]
    area: FloatArray
    piece: NDArray[np.int64]
    has_open: NDArray[np.bool_]
    """(p,) whether the part has edges of one face."""
    crowded: NDArray[np.int64]
    """Half-edges (k,) at edges of more than two faces, ascending."""
    edges: NDArray[np.int64]
    """The edge (k,) of each of these, numbered from 0."""
    n_faces_at: NDArray[np.int64]
    """The faces at each of these edges."""

    @property
    def n_parts(self) -> int:
        return len(self.area)


def remove_dangling(mesh: Mesh, budget: RepairBudget) -> Repair:
    """Take off what hangs on the largest part of each piece by an edge or a corner; what is more than the budget allows stays, but for a wall deep
    within bone, which never was skin.

    Faces elsewhere keep their corners. A part that the skin needs (an edge would be left with one face) always stays. Of two parts that end at
    the same edges all round, so that either might be the skin, depth_mm says how far that which went lies from that which stays.
    """
    before, total = mesh, float(mesh_areas(mesh).sum())
    whole_mm3 = -1.0  # until it is asked for
    removed, walls, n_places, left, n_rounds = 0.0, 0.0, 0, list[int](), 0
    depth, depth_at = 0.0, np.zeros(3)
    enclosed = 0.0  # percent of the volume that the parts taken off enclosed by themselves
    parts = _find_parts(mesh)
    while True:
        parts, left = _with_needless(mesh, parts)
        if parts is None or not left or n_rounds == MOST_ROUNDS:
            break
        whole_mm3 = enclosed_volume(before) if whole_mm3 < 0.0 else whole_mm3
        share = 100.0 * parts.area / total
        by_size = sorted(left, key=lambda part: (float(share[part]), part))
        n_going = int(np.searchsorted(removed + np.cumsum(share[by_size]), budget.removed_percent, side="right"))
        going = []
        for part in by_size[:n_going]:
            own = _body_share(mesh, parts.label == part, whole_mm3)
            if enclosed + own <= budget.volume_percent:
                going.append(part)
                enclosed += own
        removed += float(share[going].sum())
        divides = [part for part in left if part not in going and _divides_bone(mesh, parts, part)]
        walls += float(share[divides].sum())
        going += divides
        if not going:
            break
        n_places += len(going)
        for part, twin in _twins(parts, going, _is_minor(parts) & (share <= budget.removed_percent)):
            found = farthest_from(mesh, parts.label == part, take_faces(mesh, parts.label == twin))
            depth, depth_at = found if found[0] > depth else (depth, depth_at)
        mesh, parts = _without(mesh, parts, going)
        n_rounds += 1
    volume = whole_mm3 if n_places else 0.0
    change = 100.0 * abs(enclosed_volume(mesh) - volume) / volume if volume > 0 else 0.0
    repair = Repair("dangling", mesh, n_places, removed + walls, 0.0, change, depth_mm=depth, depth_at_mm=depth_at)
    if parts is None or not left:
        return repair
    limits = f"{budget.removed_percent:g} % of the area or {budget.volume_percent:g} % of the volume"
    nested = f"they hung on others that hung there, {MOST_ROUNDS} deep, which came off"
    why = nested if n_rounds == MOST_ROUNDS else f"taking it off would remove more than {limits}"
    largest = max(left, key=lambda part: (float(parts.area[part]), part))
    place = mesh.vertices[mesh.faces[parts.label == largest]].mean(axis=(0, 1))
    return replace(repair, n_refused=len(left), refused_percent=100.0 * float(parts.area[left].sum()) / total, refused_mm=place, why=why)


def _with_needless(mesh: Mesh, parts: _Parts | None) -> tuple[_Parts | None, list[int]]:
    """The parts, sheets that only go together made one where none goes alone, and the needless ones of them."""
    if parts is None:
        return None, []
    needless = np.flatnonzero(_needless_parts(mesh, parts)).tolist()
    if not needless and (joined := _joined_sheets(parts)).n_parts < parts.n_parts:
        parts, needless = joined, np.flatnonzero(_needless_parts(mesh, joined)).tolist()
    return parts, needless


def _body_share(mesh: Mesh, is_own: NDArray[np.bool_], whole_mm3: float) -> float:
    """Percent of the volume that a part encloses by itself; 0 for one that is open by itself, which encloses nothing."""
    own = take_faces(mesh, is_own)
    if whole_mm3 <= 0 or count_edges(own.faces, len(own.vertices))[0]:
        return 0.0
    return 100.0 * enclosed_volume(own) / whole_mm3


def _find_parts(mesh: Mesh) -> _Parts | None:
    """The parts of the surface; None where every piece is one part, so that nothing hangs anywhere."""
    if len(mesh.faces) == 0:
        return None
    across = face_neighbours(mesh.faces, len(mesh.vertices))
    label = label_patches(across)
    n_parts = int(label.max()) + 1
    pieces = piece_labels(mesh)
    if n_parts == int(pieces.max()) + 1:
        return None
    crowded = np.flatnonzero(across.ravel() == CROWDED)
    keys = edge_keys(mesh.faces[crowded // 3], len(mesh.vertices)).reshape(-1, 3)[np.arange(len(crowded)), crowded % 3]
    _, edges, count = np.unique(keys, return_inverse=True, return_counts=True)
    area = np.asarray(np.bincount(label, mesh_areas(mesh), n_parts), dtype=np.float64)
    piece, has_open = np.zeros(n_parts, dtype=np.int64), np.zeros(n_parts, dtype=bool)
    piece[label] = pieces
    has_open[label[np.flatnonzero(across.ravel() == RIM) // 3]] = True
    return _Parts(label, area, piece, has_open, crowded, edges.ravel(), count)


def _without(mesh: Mesh, parts: _Parts, going: list[int]) -> tuple[Mesh, _Parts | None]:
    """The mesh without some needless parts, and its parts: at an edge that is left with two faces their parts are one from now on."""
    is_going = np.zeros(parts.n_parts, dtype=bool)
    is_going[going] = True
    is_left = ~is_going[parts.label]
    left = take_faces(mesh, is_left)
    row = np.cumsum(is_left) - 1
    stays = is_left[parts.crowded // 3]
    crowded, edges = parts.crowded[stays], parts.edges[stays]
    count = np.bincount(edges, minlength=len(parts.n_faces_at))
    united = _united(parts, is_going, crowded[count[edges] == 2], edges[count[edges] == 2])
    label = united[parts.label[is_left]]
    n_parts = int(label.max(initial=-1)) + 1
    pieces = piece_labels(left)
    if n_parts == int(pieces.max(initial=-1)) + 1:
        return left, None
    piece, has_open, kept = np.zeros(n_parts, dtype=np.int64), np.zeros(n_parts, dtype=bool), np.flatnonzero(united >= 0)
    piece[label] = pieces
    np.logical_or.at(has_open, united[kept], parts.has_open[kept])
    has_open[united[parts.label[crowded[count[edges] == 1] // 3]]] = True
    area = np.asarray(np.bincount(united[kept], parts.area[kept], n_parts), dtype=np.float64)
    is_still = count[edges] > 2
    crowded, (known, edges) = crowded[is_still], np.unique(edges[is_still], return_inverse=True)
    return left, _Parts(label, area, piece, has_open, 3 * row[crowded // 3] + crowded % 3, edges.ravel(), count[known])


def _united(parts: _Parts, is_going: NDArray[np.bool_], half_edges: NDArray[np.int64], edges: NDArray[np.int64]) -> NDArray[np.int64]:
    """New number (p,) of each part that is left, in the order of their lowest faces, -1 for the others; two half-edges of one edge join theirs."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    pairs = parts.label[half_edges[np.argsort(edges, kind="stable")] // 3].reshape(-1, 2)
    links = coo_matrix((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(parts.n_parts, parts.n_parts))
    group = connected_components(links.tocsr(), directed=False)[1]
    _, first, place = np.unique(group[~is_going], return_index=True, return_inverse=True)
    united = np.full(parts.n_parts, -1, dtype=np.int64)
    united[~is_going] = np.argsort(np.argsort(first))[place.ravel()]
    return united


def _joined_sheets(parts: _Parts) -> _Parts:
    """The parts with those sheets made one that meet at an edge which neither could leave alone: two over the same edge of the skin, such as
    two bridges with a side in common, come off together or not at all."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rows, own = _parts_at_edges(parts)
    is_sheet = _is_minor(parts) & parts.has_open
    is_stuck = ((parts.n_faces_at[rows[:, 0]] - own) % 2 == 1) & is_sheet[rows[:, 1]]
    edges, ends = rows[is_stuck].T
    is_same = edges[1:] == edges[:-1]
    graph = coo_matrix((np.ones(int(is_same.sum())), (ends[1:][is_same], ends[:-1][is_same])), shape=(parts.n_parts, parts.n_parts))
    n_parts, number = connected_components(graph, directed=False)
    area = np.asarray(np.bincount(number, parts.area, n_parts), dtype=np.float64)
    piece, has_open = np.zeros(n_parts, dtype=np.int64), np.zeros(n_parts, dtype=bool)
    piece[number] = parts.piece
    np.logical_or.at(has_open, number, parts.has_open)
    return replace(parts, label=number[parts.label].astype(np.int64), area=area, piece=piece, has_open=has_open)


def _twins(parts: _Parts, going: Sequence[int], is_layer: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Parts that go, each with another one that stays and ends at the same edges all round: a layer that might have gone in its place."""
    rows, own = _parts_at_edges(parts)
    ends_there: dict[int, list[int]] = {}
    for (edge, part), n_own in zip(rows.tolist(), own.tolist(), strict=True):
        ends_there.setdefault(part, []).append(edge if n_own == 1 else -1)
    gone = set(going)
    by_edges: dict[tuple[int, ...], list[int]] = {}
    for part, edges in ends_there.items():
        if is_layer[part] and part not in gone and -1 not in edges:
            by_edges.setdefault(tuple(edges), []).append(part)
    return [(part, twin) for part in going for twin in by_edges.get(tuple(ends_there.get(part, [])), [])]


def _is_minor(parts: _Parts) -> NDArray[np.bool_]:
    """(p,) all parts but the largest of each piece."""
    largest = np.zeros(int(parts.piece.max()) + 1)
    np.maximum.at(largest, parts.piece, parts.area)
    return np.asarray(parts.area < largest[parts.piece])


def _parts_at_edges(parts: _Parts) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(k, 2) edges of more than two faces with each part that has faces there, by edge, and how many it has."""
    rows, own = np.unique(np.stack([parts.edges, parts.label[parts.crowded // 3]], axis=1), axis=0, return_counts=True)
    return rows, own


def _needless_parts(mesh: Mesh, parts: _Parts) -> NDArray[np.bool_]:
    """(p,) parts without which every edge they shared keeps two faces: sheets first, then splinters, then walls that lie inside."""
    is_minor = _is_minor(parts)
    rows, own = _parts_at_edges(parts)
    left = parts.n_faces_at[rows[:, 0]] - own  # faces at the edge once the part is gone
    spoils = np.zeros(parts.n_parts, dtype=bool)
    spoils[rows[left % 2 == 1, 1]] = True
    hangs_by_edge = np.zeros(parts.n_parts, dtype=bool)
    hangs_by_edge[rows[:, 1]] = True
    is_candidate = is_minor & ~spoils
    if (is_candidate & parts.has_open & hangs_by_edge).any():
        return np.asarray(is_candidate & parts.has_open & hangs_by_edge)
    closed = is_candidate & ~parts.has_open
    splits_evenly = np.ones(parts.n_parts, dtype=bool)
    splits_evenly[rows[own % 2 == 1, 1]] = False
    if (closed & splits_evenly).any():
        return np.asarray(closed & splits_evenly)
    for part in np.flatnonzero(closed):
        closed[part] = _lies_inside(mesh, parts, int(part))
    return closed


def _lies_inside(mesh: Mesh, parts: _Parts, part: int) -> bool:
    """Whether both sides of a part lie inside the rest of its piece."""
    points, _, rest = _beside(mesh, parts, part)
    return bool(points_inside(mesh.vertices, rest, points).all())


def _divides_bone(mesh: Mesh, parts: _Parts, part: int) -> bool:
    """Whether a part ends on the skin all round, inside the rest of its piece and well away from skin that runs along it.

    A smaller part that ends at the same edges may be a film over the mouth of a pit, whose floor this one would be.
    """
    if parts.has_open[part] or not _lies_inside(mesh, parts, part) or _twins(parts, [part], parts.area < parts.area[part]):
        return False
    points, ways, rest = _beside(mesh, parts, part)
    room = Rays(Mesh.create(mesh.vertices, rest)).first_hit(points, ways).reshape(2, -1)
    return bool(np.median(room, axis=1).min() >= LEAST_ROOM * np.sqrt(parts.area[part]))


def _beside(mesh: Mesh, parts: _Parts, part: int) -> tuple[FloatArray, FloatArray, NDArray[np.int32]]:
    """Points (2 k, 3) close to either side of a part, one side after the other, the unit ways from there off it, and the faces of the rest of its
    piece."""
    is_own = parts.label == part
    own = mesh.faces[is_own]
    own = own[np.unique(np.linspace(0, len(own) - 1, WALL_POINTS).astype(np.int64))]
    rest = mesh.faces[(parts.piece[parts.label] == parts.piece[part]) & ~is_own]
    corners = mesh.vertices[own]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    step, way, centres = 1e-3 * normal / np.sqrt(size), normal / size, corners.mean(axis=1)
    return np.concatenate([centres + step, centres - step]), np.concatenate([way, -way]), rest
