"""Shapes with closed-form volume and area, made for tests, and ways of damaging them."""

from __future__ import annotations

import numpy as np

from meshtools.model import Find, FloatArray, IntArray, Mesh, RawScan, Side, Unit

BOX_FACES = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]


def box(size=(2.0, 3.0, 5.0), centre=(0.0, 0.0, 0.0)) -> Mesh:
    """A box of 12 faces: volume the product of its sides."""
    corners = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return Mesh.create(corners * size + centre, BOX_FACES)


def ball(radius=10.0, centre=(0.0, 0.0, 0.0), n_splits=3) -> Mesh:
    """A ball from an octahedron, each face split in four n_splits times: 8 x 4^n faces, vertices on the sphere."""
    vertices = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=float)
    faces = np.array([[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]])
    for _ in range(n_splits):
        edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
        unique, number = np.unique(edges, axis=0, return_inverse=True)
        middles = vertices[unique].sum(axis=1)
        m = number.reshape(-1, 3) + len(vertices)
        vertices = np.concatenate([vertices, middles / np.linalg.norm(middles, axis=1, keepdims=True)])
        a, b, c = faces.T
        d, e, f = m.T
        faces = np.concatenate([np.stack(t, axis=1) for t in ((a, d, f), (d, b, e), (f, e, c), (d, e, f))])
    return Mesh.create(vertices * radius + centre, faces)


def capsule(radius=10.0, length=40.0, n_around=64, n_rings=10, n_along=80) -> Mesh:
    """A cylinder of this length along z with half a ball on either end: volume pi r^2 (l + 4 r / 3), area 2 pi r (l + 2 r)."""
    heights = np.linspace(-np.pi / 2, np.pi / 2, 2 * n_rings + 1)
    levels = [(np.cos(t), np.sin(t) * radius + (length / 2 if t > 1e-9 else -length / 2)) for t in heights[1:-1]]
    levels[n_rings:n_rings] = [(1.0, z) for z in np.linspace(-length / 2, length / 2, n_along + 1)[1:]]
    around = 2 * np.pi * np.arange(n_around) / n_around
    rings = np.concatenate([np.stack([r * radius * np.cos(around), r * radius * np.sin(around), np.full(n_around, z)], 1) for r, z in levels])
    bottom, top, faces = len(rings), len(rings) + 1, []
    for k in range(n_around):
        after = (k + 1) % n_around
        faces.append([bottom, after, k])
        faces.append([top, (len(levels) - 1) * n_around + k, (len(levels) - 1) * n_around + after])
        for level in range(len(levels) - 1):
            low, high = level * n_around, (level + 1) * n_around
            faces += [[low + k, low + after, high + after], [low + k, high + after, high + k]]
    ends = [[0, 0, -length / 2 - radius], [0, 0, length / 2 + radius]]
    return Mesh.create(np.concatenate([rings, ends]), faces)


def together(*meshes: Mesh) -> Mesh:
    """Several meshes as one, without colour."""
    starts = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes[:-1])])
    faces = np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=True)])
    return Mesh.create(np.concatenate([mesh.vertices for mesh in meshes]), faces)


def inverted(mesh: Mesh) -> Mesh:
    """The same surface inside out."""
    return mesh.replaced(faces=mesh.faces[:, ::-1])


def without(mesh: Mesh, point: tuple[float, float, float], radius: float) -> Mesh:
    """The mesh without the faces whose middle lies within radius of the point; all vertices stay."""
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    kept = np.linalg.norm(middles - np.array(point), axis=1) > radius
    return mesh.replaced(faces=mesh.faces[kept], source=mesh.source[kept])


def soup(vertices: FloatArray, faces: IntArray) -> RawScan:
    """A scan as STL holds it: three vertices of its own for every face."""
    return RawScan(vertices[faces.ravel()], np.arange(3 * len(faces), dtype=np.int32).reshape(-1, 3), None, "stl", None)


def scan_of(mesh: Mesh) -> RawScan:
    """A scan that holds the mesh as it is."""
    return RawScan(mesh.vertices, mesh.faces, mesh.colour, "ply", None)


def made_find(**changes) -> Find:
    """An invented find in millimetres."""
    fixed = {"row": 2, "find": "ridge-07", "element": "femur", "side": Side.LEFT, "organism_id": "marl", "scan": "scans/ridge-07.stl"}
    return Find(**(fixed | {"unit": Unit.MM} | changes))


def rod_on_a_table() -> Mesh:
    """A rod of 100 mm that lies on a table of 150 x 90 mm, seen from above: one open surface with points 1 mm apart."""
    x, y = np.meshgrid(np.arange(-75.0, 75.5), np.arange(-45.0, 45.5), indexing="ij")
    far = np.hypot(np.maximum(np.abs(x) - 40.0, 0.0), y)
    z = np.where(far < 10.0, 6.0 + np.sqrt(np.maximum(100.0 - far**2, 0.0)), 0.0)
    n = np.arange(x.size).reshape(x.shape)
    a, b, c, d = n[:-1, :-1].ravel(), n[1:, :-1].ravel(), n[1:, 1:].ravel(), n[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return Mesh.create(np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1), faces)
