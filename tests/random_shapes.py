"""Random small surfaces for the tests of laws: balls with bumps, rings, boxes, star-shaped bodies and open height fields, and motions."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from solid_shapes import ball, box, capsule

from meshtools.geometry.transform import chain, translation_matrix
from meshtools.model import FloatArray, Mesh

SEEDS = st.integers(0, 2**32 - 1)


def torus(chance: np.random.Generator, n_ring: int = 24, n_tube: int = 12) -> Mesh:
    """A closed ring of uneven thickness about z."""
    ring, tube = np.meshgrid(2 * np.pi * np.arange(n_ring) / n_ring, 2 * np.pi * np.arange(n_tube) / n_tube, indexing="ij")
    thickness = chance.uniform(2.0, 6.0) * (1.0 + 0.2 * np.sin(3 * ring + chance.uniform(0, 6)))
    out = 15.0 + thickness * np.cos(tube)
    vertices = np.stack([out * np.cos(ring), out * np.sin(ring), thickness * np.sin(tube)], axis=-1).reshape(-1, 3)
    i, j = (grid.ravel() for grid in np.meshgrid(np.arange(n_ring), np.arange(n_tube), indexing="ij"))
    a, b = i * n_tube + j, (i + 1) % n_ring * n_tube + j
    c, d = (i + 1) % n_ring * n_tube + (j + 1) % n_tube, i * n_tube + (j + 1) % n_tube
    return Mesh.create(vertices, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]))


def star(chance: np.random.Generator, n_splits: int = 2, roughness: float = 0.35) -> Mesh:
    """A body that all of is seen from its middle: closed, no crossing."""
    mesh = ball(1.0, n_splits=n_splits)
    size = chance.uniform(5.0, 60.0, 3)
    return mesh.replaced(vertices=mesh.vertices * chance.uniform(1.0 - roughness, 1.0 + roughness, (len(mesh.vertices), 1)) * size)


def height_field(chance: np.random.Generator, n: int = 18) -> Mesh:
    """An open sheet over a square, with a hole or two in it."""
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(n, dtype=float), np.arange(n, dtype=float), indexing="ij"))
    z = 3.0 * np.sin(x / chance.uniform(2, 6)) * np.cos(y / chance.uniform(2, 6)) + chance.normal(0, 0.02, n * n)
    a = np.arange(n * n).reshape(n, n)
    quads = np.stack([a[:-1, :-1], a[1:, :-1], a[1:, 1:], a[:-1, 1:]], axis=-1).reshape(-1, 4)
    quads = np.delete(quads, chance.choice(len(quads), 2, replace=False), axis=0)
    return Mesh.create(np.stack([x, y, z], 1) * chance.uniform(0.5, 3.0), np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]))


def bumpy(mesh: Mesh, chance: np.random.Generator) -> Mesh:
    """The mesh with its points pushed about by smooth waves."""
    waves = sum(np.sin(mesh.vertices @ chance.normal(0, 0.1, (3, 3)) + chance.uniform(0, 6, 3)) for _ in range(3))
    return mesh.replaced(vertices=mesh.vertices + 0.4 * np.asarray(waves))


def shape(seed: int, is_closed: bool | None = None) -> Mesh:
    """Some surface, the same for the same seed."""
    chance = np.random.default_rng(seed)
    kinds = [
        lambda: bumpy(ball(chance.uniform(8.0, 30.0), n_splits=2), chance),
        lambda: torus(chance),
        lambda: box(chance.uniform(1.0, 50.0, 3)),
        lambda: star(chance),
        lambda: bumpy(capsule(10.0, chance.uniform(5.0, 60.0), 16, 3, 6), chance),
        lambda: height_field(chance),
    ]
    return kinds[int(chance.integers(len(kinds) - (1 if is_closed else 0)))]()


def rotation(chance: np.random.Generator) -> FloatArray:
    """A random rotation (4, 4), every one as likely."""
    q, r = np.linalg.qr(chance.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    matrix = np.eye(4)
    matrix[:3, :3] = q * np.linalg.det(q)
    return matrix


def motion(seed: int, reach_mm: float = 300.0) -> FloatArray:
    """A random rotation and shift (4, 4)."""
    chance = np.random.default_rng([seed, 1])
    return chain(rotation(chance), translation_matrix(chance.uniform(-reach_mm, reach_mm, 3).tolist()))
