"""The separate pieces of a surface: labels, sizes, order, and taking some of them out.

Two faces belong to one piece when they are joined through shared vertices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry import threads
from meshtools.geometry.compiled import given
from meshtools.geometry.grouping import label_faces, label_patches
from meshtools.geometry.neighbours import face_neighbours
from meshtools.model import FloatArray, IntArray, Mesh
from meshtools.model_mesh import read_only


def label_pieces(faces: IntArray, n_vertices: int) -> IntArray:
    """Number the pieces of a surface: (m,) int32 from 0, pieces in the order of their lowest vertex number."""
    return label_faces(given(faces, np.int32), n_vertices) if len(faces) else np.zeros(0, dtype=np.int32)


def piece_labels(mesh: Mesh) -> IntArray:
    """`label_pieces` of all faces of a mesh, numbered once. Read-only."""
    if "piece_labels" not in mesh.of_faces:
        mesh.of_faces["piece_labels"] = read_only(label_pieces(mesh.faces, len(mesh.vertices)))
    return np.asarray(mesh.of_faces["piece_labels"])


def area_vectors(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """(m, 3) vectors along the outward normal whose length is the face's area."""
    from meshtools.geometry.area_kernels import area_vectors_of

    vectors = np.empty((len(faces), 3))
    points, triangles = given(vertices, np.float64), given(faces, np.int32)
    threads.in_blocks(len(faces), lambda rows: area_vectors_of(points, triangles[rows], vectors[rows]), threads.LEAST_LIGHT_ROWS)
    return vectors


def face_areas(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """(m,) areas of the faces in the square of the vertices' unit."""
    from meshtools.geometry.area_kernels import areas_of

    areas = np.empty(len(faces))
    points, triangles = given(vertices, np.float64), given(faces, np.int32)
    threads.in_blocks(len(faces), lambda rows: areas_of(points, triangles[rows], areas[rows]), threads.LEAST_LIGHT_ROWS)
    return areas


def mesh_areas(mesh: Mesh) -> FloatArray:
    """`face_areas` of all faces of a mesh in mm2, measured once. Read-only."""
    if "face_areas" not in mesh.of_shape:
        mesh.of_shape["face_areas"] = read_only(face_areas(mesh.vertices, mesh.faces))
    return np.asarray(mesh.of_shape["face_areas"])


def vertex_normals(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """Unit normal (n, 3) at each vertex, the mean of its faces' weighted by area; zero at a vertex of no face."""
    vectors = area_vectors(vertices, faces)
    sums = [np.bincount(faces.ravel(), np.repeat(vectors[:, axis], 3), len(vertices)) for axis in range(3)]
    normals = np.stack(sums, axis=1).astype(np.float64)
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None])


@dataclass(frozen=True, eq=False)
class Pieces:
    """The pieces of a mesh by descending area: piece 1 is the largest.

    labels (m,) gives each face's place in that order, from 0; area, n_faces: (p,); low, high (p, 3): corners of the piece's box, and span (p,)
    its diagonal. All are read-only.
    """

    labels: IntArray
    area: FloatArray
    n_faces: NDArray[np.int64]
    low: FloatArray
    high: FloatArray
    span: FloatArray

    def __post_init__(self) -> None:
        for array in (self.labels, self.area, self.n_faces, self.low, self.high, self.span):
            read_only(array)

    def __len__(self) -> int:
        return len(self.area)


def rank_pieces(mesh: Mesh) -> Pieces:
    """The pieces of a mesh by area, largest first, ordered once; equal areas keep the order of their vertices."""
    if "pieces" not in mesh.of_shape:
        mesh.of_shape["pieces"] = _ranked(mesh)
    pieces: Pieces = mesh.of_shape["pieces"]
    return pieces


def _ranked(mesh: Mesh) -> Pieces:
    raw = piece_labels(mesh)
    n = int(raw.max()) + 1 if len(raw) else 0
    area = np.bincount(raw, mesh_areas(mesh), n).astype(np.float64)
    order = np.lexsort((np.arange(n), -np.round(area, 9)))
    rank = np.empty(n, dtype=np.int32)
    rank[order] = np.arange(n, dtype=np.int32)
    labels = rank[raw]
    low, high = piece_boxes(mesh, labels, n)
    return Pieces(labels, area[order], np.bincount(labels, minlength=n), low, high, np.linalg.norm(high - low, axis=1))


def piece_boxes(mesh: Mesh, labels: IntArray, n_pieces: int) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest corner of every piece's bounding box, each (p, 3)."""
    from meshtools.geometry.piece_kernels import boxes_of

    low, high = boxes_of(mesh.vertices, mesh.faces, np.ascontiguousarray(labels, np.int64), n_pieces)
    return low, high


def take_faces(mesh: Mesh, is_kept: NDArray[np.bool_]) -> Mesh:
    """The part of a mesh made of some of its faces, in their order, without vertices that nothing uses any more."""
    from meshtools.geometry.piece_kernels import mark_kept, number_marked, put_kept

    faces, chosen = mesh.faces, given(is_kept, np.bool_)
    number, used = np.full((2, len(mesh.vertices)), -1, np.int32)
    blocks = threads.in_blocks(len(faces), lambda rows: (rows, mark_kept(faces[rows], chosen[rows], number)), threads.LEAST_LIGHT_ROWS)
    n_used, ends = number_marked(number, used), np.cumsum([n for _, n in blocks])
    if n_used == len(number) and ends[-1] == len(faces):
        return mesh
    few = np.empty((ends[-1], 3), np.int32)
    kept = [(rows, few[end - n : end]) for (rows, n), end in zip(blocks, ends, strict=True)]
    threads.at_once([partial(put_kept, faces[rows], chosen[rows], number, part) for rows, part in kept])
    used = used[:n_used]
    return Mesh(mesh.vertices[used], few, mesh.source[is_kept], None if mesh.colour is None else mesh.colour[used])


def has_faces(mesh: Mesh, wanted: Mesh) -> NDArray[np.bool_]:
    """For every face of `wanted` (m,) whether the mesh has it, with its corners in the same order and at the same places to the last bit."""
    from meshtools.geometry.row_kernels import faces_among

    have, want = ((of.vertices + 0.0).view(np.int64) for of in (mesh, wanted))  # + 0.0 makes one zero of two
    return np.asarray(faces_among(have, mesh.faces, want, wanted.faces))


def patches_by_edges(faces: NDArray[np.int32], n_vertices: int) -> NDArray[np.int64]:
    """(m,) the number of the part that each face belongs to; parts hang together by edges of two faces."""
    return label_patches(face_neighbours(faces, n_vertices))


def faces_at(mesh: Mesh, vertices: IntArray) -> NDArray[np.bool_]:
    """(m,) True for the faces with one of these vertices."""
    is_marked = np.zeros(len(mesh.vertices), dtype=bool)
    is_marked[vertices] = True
    return faces_touching(mesh.faces, is_marked)


def faces_touching(faces: IntArray, is_marked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(m,) True for the faces with a marked corner; is_marked (n,)."""
    from meshtools.geometry.piece_kernels import touching_faces

    triangles, marked = given(faces, np.int32), given(is_marked, np.bool_)
    return np.concatenate(threads.in_blocks(len(faces), lambda rows: touching_faces(triangles[rows], marked), threads.LEAST_LIGHT_ROWS))


def faces_at_boxes(mesh: Mesh, lows: FloatArray, highs: FloatArray, size_mm: float) -> NDArray[np.bool_]:
    """(m,) True for all faces whose box meets one of the boxes (k, 3) from `lows` to `highs`, and for some that come near one. size_mm: about
    the boxes' own."""
    from meshtools.geometry.near_box_kernels import faces_at_boxes as look

    lows, highs = np.ascontiguousarray(lows), np.ascontiguousarray(highs)
    blocks = threads.in_blocks(
        len(mesh.faces), lambda rows: look(mesh.vertices, mesh.faces[rows], lows, highs, size_mm), threads.LEAST_LIGHT_ROWS
    )
    return np.concatenate(blocks)


def ring_around(mesh: Mesh, is_in: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,) True for these vertices and those that share a face with one of them."""
    from meshtools.geometry.piece_kernels import mark_corners

    is_marked = is_in.copy()
    mark_corners(mesh.faces, faces_touching(mesh.faces, is_in), is_marked)
    return is_marked


def without_vertices(mesh: Mesh, vertices: IntArray) -> Mesh:
    """The mesh without these vertices and all faces that use them, which leaves a hole."""
    return take_faces(mesh, ~faces_at(mesh, vertices))


def take_pieces(mesh: Mesh, pieces: Pieces, numbers: Sequence[int]) -> Mesh:
    """The pieces with these places in the order (0 is the largest)."""
    wanted = np.zeros(len(pieces), dtype=bool)
    wanted[list(numbers)] = True
    return take_faces(mesh, wanted[pieces.labels])


SQUARE = 1e-6  # less than so much off an axis, by the cosine: 0.08 degrees
LEAST_ALIKE = 0.92  # of the area of faces in their vectors' sum: normals astray by 16 degrees leave as much, a side of a twelfth of the area does not
ENOUGH_FACES = 40_000
"""Flatness is judged by about this many faces of a piece, every k-th of them."""


def thinned_rows(mesh: Mesh) -> NDArray[np.int64]:
    """Every k-th face of a mesh, about ENOUGH_FACES of them."""
    return np.arange(0, len(mesh.faces), max(1, len(mesh.faces) // ENOUGH_FACES))


def thinned(mesh: Mesh) -> Mesh:
    """A mesh of every k-th face of another, about ENOUGH_FACES of them: full of holes, but alike in directions and shares of area."""
    rows = thinned_rows(mesh)
    if len(rows) == len(mesh.faces):
        return mesh
    is_kept = np.zeros(len(mesh.faces), dtype=bool)
    is_kept[rows] = True
    return take_faces(mesh, is_kept)


def steady_normals(mesh: Mesh, rows: NDArray[np.int64]) -> FloatArray:
    """(k, 3) unit normals of some faces, each summed with the faces around its corners where these look about one way: a scanner's noise turns single
    faces of a fine scan by more than bone is curved there, and at the edge of a block the sum would be of no side."""
    is_at = np.zeros(len(mesh.vertices), dtype=bool)
    is_at[mesh.faces[rows]] = True
    corners = mesh.faces[faces_touching(mesh.faces, is_at)]
    vectors = area_vectors(mesh.vertices, corners)
    columns = [*vectors.T, np.linalg.norm(vectors, axis=1)]
    sums = [np.bincount(corners.ravel(), np.repeat(column, 3), len(mesh.vertices)) for column in columns]
    x, y, z, sizes = (of_vertex[mesh.faces[rows]].sum(axis=1) for of_vertex in sums)
    of_ring, own = np.stack([x, y, z], axis=1), area_vectors(mesh.vertices, mesh.faces[rows])
    chosen = np.where((np.linalg.norm(of_ring, axis=1) > LEAST_ALIKE * sizes)[:, None], of_ring, own)
    return np.asarray(chosen / np.maximum(np.linalg.norm(chosen, axis=1), 1e-300)[:, None])


def flat_share(mesh: Mesh, normals: FloatArray | None = None, max_planes: int = 6, max_angle_deg: float = 6.0) -> float:
    """Share of a surface's area, 0 to 1, that lies in its few largest planes; a box gives 1, a bone well below a half. normals: of its faces (m, 3),
    where they are known better than the faces themselves tell.

    Each plane is found from the face direction that gathers most area, then from the offset along it that does, to 1 % of the span.
    """
    vectors = area_vectors(mesh.vertices, mesh.faces)
    area = np.linalg.norm(vectors, axis=1)
    total = float(area.sum())
    if total == 0.0:
        return 0.0
    normals = vectors / np.maximum(area, 1e-300)[:, None] if normals is None else normals
    centres = mesh.vertices[mesh.faces].mean(axis=1)
    width = 0.01 * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    remaining, covered = area.copy(), 0.0
    for _ in range(max_planes):
        axis = heaviest_direction(normals, remaining, max_angle_deg)
        is_aligned = (normals @ axis > np.cos(np.radians(max_angle_deg))) & (remaining > 0)
        slot = np.floor((centres @ axis) / width).astype(np.int64)
        slot -= slot.min()
        weight = np.bincount(slot, np.where(is_aligned, remaining, 0.0))
        pair = weight + np.append(weight[1:], 0.0)
        best = int(pair.argmax())
        is_member = is_aligned & ((slot == best) | (slot == best + 1))
        covered += float(remaining[is_member].sum())
        remaining[is_member] = 0.0
    return covered / total


def square_share(mesh: Mesh) -> float:
    """Share of a surface's area, 0 to 1, that looks exactly along an axis of its coordinates: all of the blocks of a volume, little of a bone."""
    vectors = np.abs(area_vectors(mesh.vertices, mesh.faces[thinned_rows(mesh)]))
    sizes = np.linalg.norm(vectors, axis=1)
    is_square = vectors.max(axis=1) > (1.0 - SQUARE) * sizes
    return float(sizes[is_square].sum() / max(float(sizes.sum()), 1e-300))


def heaviest_direction(normals: FloatArray, weight: FloatArray, max_angle_deg: float) -> FloatArray:
    """The face direction with most weight around it, out of the forty heaviest candidates, refined once by averaging."""
    cells = np.rint(normals * 4).astype(np.int64) + 4
    key = (cells[:, 0] * 9 + cells[:, 1]) * 9 + cells[:, 2]
    heaviest = np.argsort(-np.bincount(key, weight, 729), kind="stable")[:40]
    best, best_weight = normals[int(weight.argmax())], -1.0
    for cell in heaviest:
        members = key == cell
        mean = (normals[members] * weight[members, None]).sum(axis=0)
        length = float(np.linalg.norm(mean))
        if length == 0.0:
            continue
        near = float(weight[normals @ (mean / length) > np.cos(np.radians(max_angle_deg))].sum())
        if near > best_weight:
            best, best_weight = mean / length, near
    return np.asarray(best, dtype=np.float64)
