"""A bone in its mould, and where two halves that part along z do not reach it. Our own method: see mould_pieces.py."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.shadow import Solid, joined, shadow_of, solid_of, without
from meshtools.geometry.winding import is_surely_inside
from meshtools.model import FloatArray, Mesh

SHALLOW_MM = 0.02  # a casting fatter by less counts for no undercut
SEAM_MM = 0.01  # pieces closer than this touch
_SAMPLES = 20_000
_FROM_CORNERS = (0.002, 0.05)  # of the way to the middle of a face: how far points of walls lie from its corners


@dataclass(frozen=True, eq=False)
class Bone:
    """A bone in the frame of its mould: the mesh, its body in the kernel and the body's id there."""

    mesh: Mesh
    solid: Solid
    number: int

    @classmethod
    def create(cls, mesh: Mesh) -> Bone:
        """Put a closed mesh into the kernel. GeometryError where it is no solid."""
        solid = solid_of(mesh.vertices, mesh.faces).as_original()
        return cls(mesh, solid, int(solid.original_id()))


@dataclass(frozen=True, eq=False)
class Undercuts:
    """Where the mould does not reach the bone: points (n, 3) all over the bone with its normals, and for each the distance to the mould (n,),
    which is how much fatter the casting gets there; wall_points (k, 3) of the cavity's wall that are off the bone, and by how much (k,); the
    area of the bone that is more than SHALLOW_MM off, and the volume between."""

    points: FloatArray
    normals: FloatArray
    depth_mm: FloatArray
    wall_points: FloatArray
    wall_depth_mm: FloatArray
    area_mm2: float
    volume_mm3: float

    @property
    def deepest_mm(self) -> float:
        """Depth of the deepest one, 0 where there is none."""
        return max(float(self.depth_mm.max(initial=0.0)), float(self.wall_depth_mm.max(initial=0.0)))


def shades_of(bone: Bone, beyond_mm: float) -> tuple[Solid, Solid]:
    """The bone with all beneath it, and the bone with all above it, as far as `beyond_mm` beyond it."""
    mesh = bone.mesh
    reach = float(np.ptp(mesh.vertices[:, 2])) + beyond_mm
    down, up = (joined([bone.solid, shadow_of(mesh.vertices, mesh.faces, np.array([0.0, 0.0, way]), reach)]) for way in (1.0, -1.0))
    return down, up


@dataclass(frozen=True, eq=False)
class Probe:
    """Points all over a bone with its normals (n, 3), the cavity that its two halves leave, and the undercuts there."""

    bone: Bone
    cavity: Solid
    plain: Undercuts

    @classmethod
    def create(cls, bone: Bone, cavity: Solid) -> Probe:
        """Probe the cavity of two halves, a body that holds the bone: at every corner of the bone, and at even samples of both."""
        mesh = bone.mesh
        vectors = area_vectors(mesh.vertices, mesh.faces)
        sampled, faces = sample_surface(mesh, _SAMPLES, 0)
        corner_face = np.zeros(len(mesh.vertices), np.int64)
        corner_face[mesh.faces.ravel()] = np.repeat(np.arange(len(mesh.faces)), 3)
        points, of = np.concatenate([sampled, mesh.vertices]), np.concatenate([faces, corner_face])
        normals = vectors[of] / np.maximum(np.linalg.norm(vectors[of], axis=1), 1e-300)[:, None]
        return cls(bone, cavity, _measured(bone, cavity, points, normals))

    def measure(self, ways: Sequence[Solid]) -> Undercuts:
        """The undercuts that stay beside side pieces, given as the ways they come out by: read off the cavity that is left, crevices between
        pieces included."""
        if not ways:
            return self.plain
        left = joined([without(self.cavity, ways), self.bone.solid])
        return _measured(self.bone, left, self.plain.points, self.plain.normals)


def _measured(bone: Bone, cavity: Solid, points: FloatArray, normals: FloatArray) -> Undercuts:
    walls = Surface(surface_of(cavity))
    depth = walls.distance(points)[0]
    around, faces = _wall_points(walls.mesh)
    off = Surface(bone.mesh).distance(around)[0]
    rows = np.flatnonzero(off > SHALLOW_MM)
    rows = rows[is_open_beside(walls, around[rows], faces[rows])]
    volume = float(cavity.volume() - bone.solid.volume())
    return Undercuts(points, normals, depth, around[rows], off[rows], _deep_area(bone, depth), max(volume, 0.0))


def _wall_points(mesh: Mesh) -> tuple[FloatArray, NDArray[np.int64]]:
    """Points (n, 3) all over a surface and close to the corners of its faces, where gaps are deepest, and the face (n,) of each."""
    sampled, faces = sample_surface(mesh, _SAMPLES, 1)
    corners = mesh.vertices[mesh.faces]
    middles = corners.mean(axis=1, keepdims=True)
    close = [(share * middles + (1.0 - share) * corners).reshape(-1, 3) for share in _FROM_CORNERS]
    of = np.repeat(np.arange(len(mesh.faces)), 3)
    return np.concatenate([sampled, *close]), np.concatenate([faces, *[of] * len(close)])


def is_open_beside(hollow: Surface, points: FloatArray, faces: NDArray[Any]) -> NDArray[np.bool_]:
    """(n,) True for points of a cavity's wall, on faces (n,), beside which there is room; False in a seam of two pieces that touch, where nothing
    can flow."""
    inward = -area_vectors(hollow.mesh.vertices, hollow.mesh.faces)[faces]
    inward /= np.maximum(np.linalg.norm(inward, axis=1), 1e-300)[:, None]
    within = points + SEAM_MM * inward
    is_open: NDArray[np.bool_] = hollow.distance(within)[0] > SEAM_MM / 2
    is_open[is_open] = is_surely_inside(hollow.mesh, within[is_open])
    return is_open


def _deep_area(bone: Bone, depth_mm: FloatArray) -> float:
    return float(bone.solid.surface_area()) * float((depth_mm[:_SAMPLES] > SHALLOW_MM).mean())
