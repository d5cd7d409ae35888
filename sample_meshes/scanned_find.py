"""One find as it was scanned: the surface that the scanner saw, its pose, and the truth behind it."""

from __future__ import annotations

import numpy as np
from fields import Array, Surface, normals
from finds import Scan
from scanning import (
    INDIVIDUALS,
    MM_PER_UNIT,
    bone_colours,
    compact,
    seed_of,
    to_bone,
    true_surface,
    turn_of,
    with_block,
    with_floaters,
    without_band,
    without_patch,
    without_side,
)

PHOTO_MM = {"a-tibia-r": 57.3, "u-fibula-l": 41.9}  # millimetres in one unit of the models without unit
TRUTH_FACES = 12000


class ScannedFind:
    """What scanning one find produced: the surface in its own pose in mm, and what the tables and the truth need."""

    def __init__(self, scan: Scan) -> None:
        rng = np.random.default_rng(seed_of("scan", scan.find))
        self.scan, self.rng = scan, rng
        self.side = scan.true_side or scan.side
        self.truth = true_surface(scan.individual, scan.element, self.side, max(TRUTH_FACES, scan.n_faces), scan.cuts + scan.lumps)
        self.turn, self.shift = turn_of(rng), rng.uniform(-60, 60, 3)
        self.mm_per_unit = PHOTO_MM.get(scan.find) or MM_PER_UNIT[scan.unit]
        mesh = true_surface(scan.individual, scan.element, self.side, scan.n_faces, scan.cuts + scan.lumps, turn_of(rng))
        noise = scan.noise_mm * np.clip(rng.normal(size=len(mesh[0])), -2.5, 2.5)
        mesh = mesh[0] + noise[:, None] * normals(*mesh), mesh[1]
        self.openings: list[tuple[str, Array, float, str]] = []
        self.mesh = self._damaged(mesh)

    def _damaged(self, mesh: Surface) -> Surface:
        scan, n_bone = self.scan, len(mesh[0])
        if scan.rests_on:
            mesh = without_side(mesh, self._sided(scan.rests_on), 2.5)
        for k, hole in enumerate(scan.holes):
            size = INDIVIDUALS[scan.individual]
            mesh = without_patch(mesh, to_bone(hole.at, scan.individual, scan.element, self.side), hole.radius_mm * size, seed_of(scan.find, str(k)))
        if scan.canal:
            mesh = without_band(mesh, *(value * INDIVIDUALS[scan.individual] for value in scan.canal))
        if scan.floaters:
            mesh = with_floaters(mesh, scan.floaters, self.rng)
        if scan.block:
            mesh, centre, span = with_block(mesh, scan.block, 30.0)
            self.openings.append(("support", centre, span, "remove"))
        mesh, used = compact(mesh)
        self.is_bone = used < n_bone
        return mesh

    def _sided(self, way: tuple[float, float, float]) -> tuple[float, float, float]:
        return (-way[0] if self.side == "right" else way[0], way[1], way[2])

    def posed(self, points: Array) -> Array:
        """Points of the bone's frame in scan coordinates, in file units."""
        return (points @ self.turn.T + self.shift) / self.mm_per_unit

    def colours(self) -> Array | None:
        """Vertex colours, grey where it is not bone."""
        if not self.scan.has_colour:
            return None
        colours = bone_colours(*self.mesh, seed_of("colour", self.scan.find) % 1000)
        colours[~self.is_bone] = (120, 124, 122)
        return colours

    def model_point(self, at: tuple[float, float, float]) -> Array:
        """A point of the adult left model on the nearest vertex of this scan, in the bone's frame."""
        point = to_bone(at, self.scan.individual, self.scan.element, self.side)
        return self.mesh[0][int(np.linalg.norm(self.mesh[0] - point, axis=1).argmin())]


def greatest_length(vertices: Array) -> float:
    """Largest distance between two vertices."""
    from scipy.spatial import ConvexHull
    from scipy.spatial.distance import pdist

    return float(pdist(vertices[ConvexHull(vertices).vertices]).max())


def greatest_breadth(vertices: Array) -> float:
    """Largest distance between two vertices square to the greatest length."""
    from scipy.spatial import ConvexHull
    from scipy.spatial.distance import pdist, squareform

    corners = vertices[ConvexHull(vertices).vertices]
    a, b = np.unravel_index(squareform(pdist(corners)).argmax(), (len(corners), len(corners)))
    axis = (corners[b] - corners[a]) / np.linalg.norm(corners[b] - corners[a])
    return float(pdist(corners - np.outer(corners @ axis, axis)).max())


def solid_volume(mesh: Surface) -> float:
    """Volume of all bodies together, overlaps counted once."""
    from manifold3d import Manifold, Mesh64, OpType

    bodies_apart = Manifold(Mesh64(mesh[0], mesh[1].astype(np.uint64))).decompose()
    return float(Manifold.batch_boolean(bodies_apart, OpType.Add).volume())
