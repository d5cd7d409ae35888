"""Defects as scans have them, put into a sound surface at a drawn place: each knows how far from the truth its repair may end.

Every function takes vertices (n, 3) mm, faces (m, 3) and a random generator and returns the damaged surface. `allowed_mm` is the
defect's own size: what nobody could restore from the damaged surface alone. It is 0 where nothing is lost, the height of the lost
patch over its rim where a patch is lost, and the gap between the layers where a layer was added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from meshtools.geometry.measure import diagonal_mm


@dataclass(frozen=True, eq=False)
class Damaged:
    """A damaged surface and how far beyond the tolerance its repair may lie from the truth."""

    vertices: np.ndarray
    faces: np.ndarray
    allowed_mm: float = 0.0


Defect = Callable[[np.ndarray, np.ndarray, np.random.Generator], Damaged]


def patch_around(vertices: np.ndarray, faces: np.ndarray, seed: int, radius: float) -> np.ndarray:
    """Faces that hang together with a seed face and whose centres lie within the radius of its centre, that face at least."""
    centres = vertices[faces].mean(axis=1)
    is_near = np.linalg.norm(centres - centres[seed], axis=1) <= radius
    patch = np.array([seed])
    while True:
        grown = np.flatnonzero(np.isin(faces, faces[patch]).any(axis=1) & is_near)
        if len(grown) <= len(patch):
            return patch
        patch = grown


def ring_around(faces: np.ndarray, patch: np.ndarray, n_rings: int = 1) -> np.ndarray:
    """The patch with n rings of faces that share a corner with it."""
    for _ in range(n_rings):
        patch = np.flatnonzero(np.isin(faces, faces[patch]).any(axis=1))
    return patch


def height_over_rim(vertices: np.ndarray, faces: np.ndarray, patch: np.ndarray) -> float:
    """How far a patch stands off the best plane of its rim, and the rim itself: a flat refill may be as far from what was there."""
    edges = np.sort(faces[patch][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    unique, count = np.unique(edges, axis=0, return_counts=True)
    rim = np.unique(unique[count == 1])
    points = vertices[rim] if len(rim) >= 3 else vertices[np.unique(faces[patch])]
    normal = np.linalg.svd(points - points.mean(axis=0))[2][2]
    heights = [np.abs((vertices[rows] - points.mean(axis=0)) @ normal).max() for rows in (np.unique(faces[patch]), rim) if len(rows)]
    return float(sum(heights))


def _normals(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    return normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]


def _spacing(vertices: np.ndarray, faces: np.ndarray) -> float:
    return float(np.median(np.linalg.norm(vertices[faces[:, 0]] - vertices[faces[:, 1]], axis=1)))


def _manifold_vertex_normals(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    summed = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(summed, faces[:, k], np.cross(b - a, c - a))
    return summed / np.maximum(np.linalg.norm(summed, axis=1), 1e-300)[:, None]


def hole(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A patch of 1 to 3 % of the diagonal in radius is missing."""
    patch = patch_around(vertices, faces, int(random.integers(len(faces))), diagonal_mm(vertices) * random.uniform(0.01, 0.03))
    return Damaged(vertices, np.delete(faces, patch, axis=0), height_over_rim(vertices, faces, patch))


def nonmanifold_edge(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Six faces too many: a bridge over the edge between two faces, or a closed splinter on an edge."""
    normals, step, extra, added = _normals(vertices, faces), _spacing(vertices, faces), [], []
    for face in random.choice(len(faces), 3, replace=False):
        a, b, c = faces[face]
        across = [row for row in np.flatnonzero((faces == a).any(axis=1) & (faces == b).any(axis=1)) if row != face]
        d = next(v for v in faces[across[0]] if v not in (a, b))
        extra.append([c, a, d])
        one, other = len(vertices) + len(added), len(vertices) + len(added) + 1
        middle = (vertices[a] + vertices[b]) / 2
        added += [middle + step * normals[face] * 0.5, middle + step * (normals[face] * 0.5 + 0.2 * normals[across[0]])]
        extra += [[a, b, one], [b, a, other], [a, one, other], [b, other, one]]
    return Damaged(np.concatenate([vertices, added]), np.concatenate([faces, extra]))


def nonmanifold_vertex(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Three splinters that hang on one vertex each."""
    normals, step, extra, added = _manifold_vertex_normals(vertices, faces), _spacing(vertices, faces), [], []
    for vertex in random.choice(np.unique(faces), 3, replace=False):
        n = len(vertices) + len(added)
        tip = vertices[vertex] + step * normals[vertex]
        added += [tip, tip + 0.3 * step * random.normal(size=3), tip + 0.3 * step * random.normal(size=3)]
        extra += [[vertex, n, n + 1], [vertex, n + 1, n + 2], [vertex, n + 2, n], [n, n + 2, n + 1]]
    return Damaged(np.concatenate([vertices, added]), np.concatenate([faces, extra]))


def duplicate_faces(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """5 % of the faces are stored twice, half of those turned over, some with vertices of their own."""
    again = faces[random.choice(len(faces), max(3, len(faces) // 20), replace=False)].copy()
    again[::2] = again[::2, ::-1]
    own = again[::3].copy()
    again[::3] = len(vertices) + np.arange(own.size).reshape(-1, 3)
    return Damaged(np.concatenate([vertices, vertices[own.ravel()]]), np.concatenate([faces, again]))


def degenerate_faces(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Flat faces in the middle of edges, needles that use a corner twice, and a vertex that is not a number."""
    extra, added = [], [np.full(3, np.nan)]
    faces = faces.copy()
    for face in random.choice(len(faces), max(3, len(faces) // 50), replace=False):
        a, b, c = faces[face]
        middle = len(vertices) + len(added)
        added.append((vertices[a] + vertices[b]) / 2)
        faces[face] = [a, middle, c]
        extra += [[middle, b, c], [a, b, middle], [a, a, c]]
    extra.append([faces[0, 0], faces[0, 1], len(vertices)])
    return Damaged(np.concatenate([vertices, added]), np.concatenate([faces, extra]))


def fin(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A dangling sheet of one to four rows that stands on a path of edges, about 4 % of the area at most."""
    normals, step = _manifold_vertex_normals(vertices, faces), _spacing(vertices, faces)
    path = list(faces[int(random.integers(len(faces)))][:2])
    for _ in range(int(random.integers(1, 8))):
        beside = np.unique(faces[(faces == path[-1]).any(axis=1)])
        ahead = vertices[beside] - vertices[path[-1]]
        way = vertices[path[-1]] - vertices[path[-2]]
        score = np.where(np.isin(beside, path), -np.inf, ahead @ way / np.maximum(np.linalg.norm(ahead, axis=1), 1e-300))
        if not np.isfinite(score.max()):
            break
        path.append(int(beside[score.argmax()]))
    area = 2.0 * len(path) * step * step  # of one row; all rows together at most 4 % of the bone's where that is possible
    whole = np.linalg.norm(np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]), axis=1).sum() / 2
    path = path[: max(2, int(0.04 * whole / (2.0 * step * step)))]
    rows, added, extra = int(min(random.integers(1, 5), max(1, 0.04 * whole / area))), [], []
    below = np.array(path)
    for row in range(1, rows + 1):
        above = len(vertices) + len(added) + np.arange(len(path))
        added += list(vertices[path] + row * step * normals[path])
        for k in range(len(path) - 1):
            extra += [[below[k], below[k + 1], above[k]], [below[k + 1], above[k + 1], above[k]]]
        below = above
    return Damaged(np.concatenate([vertices, added]), np.concatenate([faces, extra]))


def spike(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Single vertices pulled out or pushed in by 5 to 25 % of the diagonal, at least by four times the radius of the ring around them;
    three of them (one in a bone of under 300 faces)."""
    normals, moved, allowed = _manifold_vertex_normals(vertices, faces), vertices.copy(), 0.0
    for vertex in random.choice(np.unique(faces), 3 if len(faces) >= 300 else 1, replace=False):
        around = np.flatnonzero((faces == vertex).any(axis=1))
        a, b, c = (vertices[faces[around][:, k]] for k in range(3))
        radius = np.sqrt(np.linalg.norm(np.cross(b - a, c - a).sum(axis=0)) / 2 / np.pi)
        moved[vertex] += random.choice([1, -1]) * normals[vertex] * max(4 * radius, diagonal_mm(vertices) * random.uniform(0.05, 0.25))
        allowed = max(allowed, height_over_rim(vertices, faces, around))
    return Damaged(moved, faces, allowed)


def inverted_patch(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A patch of up to 15 % of the diagonal in radius and single faces are turned over."""
    patch = patch_around(vertices, faces, int(random.integers(len(faces))), diagonal_mm(vertices) * random.uniform(0.05, 0.15))
    turned = faces.copy()
    turned[patch] = turned[patch][:, ::-1]
    single = random.choice(len(faces), 3, replace=False)
    turned[single] = turned[single][:, ::-1]
    return Damaged(vertices, turned)


def self_intersection(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """The skin is folded over beside itself: a patch slides sideways by more than its own radius. Drawn again, at most 200 times, until faces
    of one piece do cross: a patch that slides off the edge of a thin plate crosses nothing, and one that slides into another piece of the
    bone overlaps it, as pieces of a bone may. Lost are the faces with a corner that slid and those of the piece that cross; a repair may take
    the ring around them too."""
    before = len(_crossing_faces(vertices, faces))
    for _ in range(200):
        damaged = _slid_patch(vertices, faces, random)
        if len(_crossing_faces(damaged.vertices, faces)) > before:
            break
    return damaged


def _crossing_faces(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Faces that cross another one of their own piece."""
    import igl.copyleft.cgal as cgal

    pairs = np.asarray(cgal.remesh_self_intersections(vertices, faces.astype(np.int64), detect_only=True)[2], dtype=np.int64).reshape(-1, 2)
    piece = _pieces(faces, len(vertices))
    return np.unique(pairs[piece[pairs[:, 0]] == piece[pairs[:, 1]]])


def _pieces(faces: np.ndarray, n_vertices: int) -> np.ndarray:
    """Number of the piece of each face: faces that share a corner are of one."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ends = np.repeat(faces[:, 0], 2), faces[:, 1:].ravel()
    joined = coo_array((np.ones(len(ends[0]), dtype=bool), ends), shape=(n_vertices, n_vertices))
    return connected_components(joined, directed=False)[1][faces[:, 0]]


def _slid_patch(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    seed = int(random.integers(len(faces)))
    radius = max(diagonal_mm(vertices) * random.uniform(0.01, 0.025), 1.2 * _spacing(vertices, faces))
    patch = patch_around(vertices, faces, seed, radius)
    centre, normal = vertices[faces[seed]].mean(axis=0), _normals(vertices, faces)[seed]
    way = np.cross(normal, random.normal(size=3))
    way /= np.linalg.norm(way)
    rows = np.unique(faces[patch])
    fall = np.maximum(0.0, 1.0 - (np.linalg.norm(vertices[rows] - centre, axis=1) / (1.3 * radius)) ** 2)
    moved = vertices.copy()
    moved[rows] += fall[:, None] * (1.8 * radius * way + 0.3 * radius * normal)
    lost = np.union1d(ring_around(faces, patch), _crossing_faces(moved, faces))
    return Damaged(moved, faces, height_over_rim(vertices, faces, ring_around(faces, lost)))


def doubled_sheet(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A second layer 0.05 to 0.2 % of the diagonal above a patch of up to 15 % of it in radius, as a misaligned pass of a scanner leaves."""
    gap = diagonal_mm(vertices) * random.uniform(0.0005, 0.002)
    patch = patch_around(vertices, faces, int(random.integers(len(faces))), diagonal_mm(vertices) * random.uniform(0.05, 0.15))
    rows, corners = np.unique(faces[patch], return_inverse=True)
    layer = vertices[rows] + gap * _manifold_vertex_normals(vertices, faces)[rows]
    layer += gap * 0.1 * random.normal(size=layer.shape)
    return Damaged(np.concatenate([vertices, layer]), np.concatenate([faces, corners.reshape(-1, 3) + len(vertices)]), 1.5 * gap)


def t_junction(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Vertices in the middle of edges that only one of the two faces knows: open cracks of no width, rounded as a float32 file rounds."""
    faces, extra, added = faces.copy(), [], []
    for face in random.choice(len(faces), max(3, len(faces) // 50), replace=False):
        a, b, c = faces[face]
        middle = len(vertices) + len(added)
        added.append(vertices[a] + random.uniform(0.3, 0.7) * (vertices[b] - vertices[a]))
        faces[face] = [a, middle, c]
        extra.append([middle, b, c])
    return Damaged(np.concatenate([vertices, added]).astype(np.float32).astype(np.float64), np.concatenate([faces, extra]))


def overlapping_pieces(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """The bone in two closed bodies that reach 5 % of the length into each other, as two scans that were each closed and then laid together
    to 0.03 % of the diagonal."""
    import manifold3d

    way = np.linalg.svd(vertices - vertices.mean(axis=0), full_matrices=False)[2][0]
    along = vertices @ way
    place, half = along.min() + random.uniform(0.3, 0.7) * np.ptp(along), 0.025 * np.ptp(along)
    solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        return Damaged(np.concatenate([vertices, vertices]), np.concatenate([faces, faces + len(vertices)]))
    halves = [solid.trim_by_plane(tuple(way), float(place - half)), solid.trim_by_plane(tuple(-way), float(-place - half))]
    bodies = [part.to_mesh64() for part in halves]
    points = [np.asarray(body.vert_properties)[:, :3] for body in bodies]
    triangles = [np.asarray(body.tri_verts).astype(np.int64) for body in bodies]
    shift = random.normal(size=3)
    shift *= 0.0003 * diagonal_mm(vertices) / np.linalg.norm(shift)
    return Damaged(
        np.concatenate([points[0], points[1] + shift]), np.concatenate([triangles[0], triangles[1] + len(points[0])]), float(np.linalg.norm(shift))
    )


DEFECTS: dict[str, Defect] = {
    "hole": hole, "non-manifold edge": nonmanifold_edge, "non-manifold vertex": nonmanifold_vertex, "duplicate faces": duplicate_faces,
    "degenerate faces": degenerate_faces, "fin": fin, "spike": spike, "inverted patch": inverted_patch,
    "self-intersection": self_intersection, "doubled sheet": doubled_sheet, "t-junction": t_junction, "overlapping pieces": overlapping_pieces,
}  # fmt: skip
