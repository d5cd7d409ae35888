"""Further defects as scans and exports have them, beside the twelve of `torture_defects`: what a person with another scanner might bring.

Each function takes and returns what those there do. No issue asks for them and no bar is set but one: nothing may be wrong in silence.
"""

from __future__ import annotations

import numpy as np
from torture_defects import Damaged, Defect, _manifold_vertex_normals, _spacing, height_over_rim, patch_around

from meshtools.geometry.measure import diagonal_mm


def _axis(vertices: np.ndarray) -> np.ndarray:
    return np.linalg.svd(vertices - vertices.mean(axis=0), full_matrices=False)[2][0]


def _beside(vertices: np.ndarray, share: float, random: np.random.Generator) -> np.ndarray:
    """A way of some share of the diagonal in a drawn direction."""
    way = random.normal(size=3)
    return way * share * diagonal_mm(vertices) / np.linalg.norm(way)


def tiles(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Every face by itself, its corners astray in the last digits of single precision or a hundred times as much."""
    apart = vertices[faces.ravel()]
    astray = random.choice([1e-7, 1e-5]) * diagonal_mm(vertices)
    return Damaged(apart + astray * random.normal(size=apart.shape), np.arange(len(apart)).reshape(-1, 3), 10.0 * astray)


def turned_at_random(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Every other face is turned over."""
    turned, is_turned = faces.copy(), random.random(len(faces)) < 0.5
    turned[is_turned] = turned[is_turned][:, ::-1]
    return Damaged(vertices, turned)


def stored_twice(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """The whole bone a second time, in place or shifted by 0.04 % of the diagonal."""
    shift = _beside(vertices, random.choice([0.0, 0.0004]), random)
    return Damaged(np.concatenate([vertices, vertices + shift]), np.concatenate([faces, faces + len(vertices)]), 1.5 * float(np.linalg.norm(shift)))


def overlapping_scans(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Two open scans that reach 8 % of the length over each other and were laid together to 0.05 % of the diagonal, but never merged."""
    along = vertices[faces].mean(axis=1) @ _axis(vertices)
    place, half = along.min() + random.uniform(0.3, 0.7) * np.ptp(along), 0.04 * np.ptp(along)
    shift = _beside(vertices, 0.0005, random)
    parts = faces[along < place + half], faces[along > place - half] + len(vertices)
    return Damaged(np.concatenate([vertices, vertices + shift]), np.concatenate(parts), 1.5 * float(np.linalg.norm(shift)))


def wall(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Two halves that were each closed flat where they were cut, and put together again: walls across the inside, once or twice."""
    import manifold3d

    solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        return Damaged(vertices, faces)
    way = _axis(vertices)
    along = vertices @ way
    place, is_double = along.min() + random.uniform(0.3, 0.7) * np.ptp(along), random.random() < 0.5
    points, triangles, n = [], [], 0
    for side in (1.0, -1.0):
        half = solid.trim_by_plane(tuple(side * way), float(side * place)).to_mesh64()
        corners, rows = np.asarray(half.vert_properties)[:, :3], np.asarray(half.tri_verts).astype(np.int64)
        is_cap = (np.abs(corners[rows] @ way - place) < 1e-6 * diagonal_mm(vertices)).all(axis=1)
        points.append(corners)
        triangles.append(rows[~is_cap | (side > 0) | is_double] + n)
        n += len(corners)
    return Damaged(np.concatenate(points), np.concatenate(triangles))


def noise(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Every point off by 0.04 % of the diagonal, one of a thousand by twenty times as much."""
    off = 0.0004 * diagonal_mm(vertices) * random.normal(size=vertices.shape)
    off[random.random(len(off)) < 0.001] *= 20.0
    return Damaged(vertices + off, faces, float(np.linalg.norm(off, axis=1).max()))


def crumbs(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Up to three hundred specks of dust, 0.1 % of the diagonal wide, close to the skin."""
    import trimesh

    speck = trimesh.creation.icosphere(subdivisions=0)
    normals, size = _manifold_vertex_normals(vertices, faces), diagonal_mm(vertices)
    chosen = random.choice(np.unique(faces), min(300, len(vertices) // 4), replace=False)
    places = vertices[chosen] + normals[chosen] * random.uniform(0.005, 0.03, (len(chosen), 1)) * size
    points = (places[:, None] + 0.0005 * size * np.asarray(speck.vertices)).reshape(-1, 3)
    rows = (np.asarray(speck.faces)[None] + len(speck.vertices) * np.arange(len(places))[:, None, None]).reshape(-1, 3)
    return Damaged(np.concatenate([vertices, points]), np.concatenate([faces, rows + len(vertices)]))


def slit(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A crack one face wide along a path of edges."""
    path, way = [int(random.choice(np.unique(faces)))], random.normal(size=3)
    for _ in range(int(random.integers(6, 30))):
        beside = np.unique(faces[(faces == path[-1]).any(axis=1)])
        ahead = vertices[beside] - vertices[path[-1]]
        score = np.where(np.isin(beside, path), -np.inf, ahead @ way / np.maximum(np.linalg.norm(ahead, axis=1), 1e-300))
        if not np.isfinite(score.max()):
            break
        path.append(int(beside[score.argmax()]))
        way = vertices[path[-1]] - vertices[path[-2]]
    gone = np.flatnonzero(np.isin(faces, path).sum(axis=1) >= 2)
    return Damaged(vertices, np.delete(faces, gone, axis=0), 2.0 * _spacing(vertices, faces))


def island(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A hole of 5 % of the diagonal in radius with a piece of the skin left in it."""
    seed = int(random.integers(len(faces)))
    outer, inner = (patch_around(vertices, faces, seed, share * diagonal_mm(vertices)) for share in (0.05, 0.02))
    return Damaged(vertices, np.delete(faces, np.setdiff1d(outer, inner), axis=0), height_over_rim(vertices, faces, outer))


def pinched(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Five points are drawn onto others close by that are no neighbours of theirs."""
    merged = faces.copy()
    for vertex in random.choice(len(vertices), 5, replace=False):
        beside = np.unique(faces[(faces == vertex).any(axis=1)])
        order = np.argsort(np.linalg.norm(vertices - vertices[vertex], axis=1), kind="stable")[:60]
        far = order[~np.isin(order, beside)]
        merged[merged == far[0]] = vertex
    is_face = (merged != merged[:, [1, 2, 0]]).all(axis=1)
    return Damaged(vertices, merged[is_face], 3.0 * _spacing(vertices, faces))


def blocks(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """The blocks of a volume scan, 0.8 to 1.5 % of the diagonal wide: square steps all over, and edges of four faces where blocks meet at an edge."""
    import igl

    size = random.uniform(0.008, 0.015) * diagonal_mm(vertices)
    low, counts = vertices.min(axis=0) - 2.0 * size, np.ceil(np.ptp(vertices, axis=0) / size).astype(int) + 4
    middles = np.stack(np.meshgrid(*(np.arange(n) for n in counts), indexing="ij"), axis=-1).reshape(-1, 3)
    is_bone = (igl.fast_winding_number(vertices, faces.astype(np.int64), low + size * middles) > 0.5).reshape(counts)
    squares = []
    for axis in range(3):
        a, b = np.eye(3, dtype=int)[[(axis + 1) % 3, (axis + 2) % 3]]
        for way in (0, 1):
            at = np.argwhere(is_bone & ~np.roll(is_bone, 1 - 2 * way, axis=axis)) + way * np.eye(3, dtype=int)[axis]
            around = np.stack([at, at + a, at + a + b, at + b], axis=1)
            squares.append(around if way else around[:, ::-1])
    corners, numbers = np.unique(np.concatenate(squares).reshape(-1, 3), axis=0, return_inverse=True)
    numbers = numbers.reshape(-1, 4)
    return Damaged(low + size * (corners - 0.5), np.concatenate([numbers[:, [0, 1, 2]], numbers[:, [0, 2, 3]]]), 1.8 * size)


def finer_patch(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """A patch of 10 to 40 % of the diagonal in radius in quarters of its faces: all along it stand corners that the skin around does not know."""
    import trimesh

    patch = patch_around(vertices, faces, int(random.integers(len(faces))), random.uniform(0.1, 0.4) * diagonal_mm(vertices))
    points, finer = trimesh.remesh.subdivide(vertices, faces[patch])
    return Damaged(np.concatenate([vertices, points]), np.concatenate([np.delete(faces, patch, axis=0), np.asarray(finer) + len(vertices)]))


def coarse_numbers(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """Coordinates in whole numbers of 8 to 11 bits, as a compressed file has them: small faces fall together or fold."""
    low, step = vertices.min(axis=0), float(np.ptp(vertices, axis=0).max()) / (2 ** int(random.integers(8, 12)) - 1)
    return Damaged(np.round((vertices - low) / step) * step + low, faces, 0.9 * step)


def thickened(vertices: np.ndarray, faces: np.ndarray, random: np.random.Generator) -> Damaged:
    """The skin made a shell: a second one, turned over, 0.1 to 0.4 % of the diagonal below it."""
    depth = random.uniform(0.001, 0.004) * diagonal_mm(vertices)
    below = vertices - depth * _manifold_vertex_normals(vertices, faces)
    return Damaged(np.concatenate([vertices, below]), np.concatenate([faces, faces[:, ::-1] + len(vertices)]), 1.5 * depth)


FURTHER: dict[str, Defect] = {
    "tiles": tiles, "turned at random": turned_at_random, "stored twice": stored_twice, "overlapping scans": overlapping_scans, "wall": wall,
    "noise": noise, "crumbs": crumbs, "slit": slit, "island": island, "pinched": pinched,
    "blocks": blocks, "finer patch": finer_patch, "coarse numbers": coarse_numbers, "thickened": thickened,
}  # fmt: skip
