"""A bone in its mould, and where two halves that part along z do not reach it. Our own method: see mould_pieces.py."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.shadow import Solid, joined, shadow_of, solid_of, without
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh

SHALLOW_MM = 0.02  # a casting fatter by less counts for no undercut
_SAMPLES, _WALL_SAMPLES = 20_000, 5_000


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
    """Points all over a bone and over the walls of the cavity that its two halves leave, and how far they are from each other."""

    bone: Bone
    cavity: Solid
    plain: Undercuts

    @classmethod
    def create(cls, bone: Bone, cavity: Solid) -> Probe:
        """Probe the cavity of two halves, a body that holds the bone: at every corner of the bone, and at even samples of both."""
        mesh, walls = bone.mesh, Surface(surface_of(cavity))
        vectors = area_vectors(mesh.vertices, mesh.faces)
        sampled, faces = sample_surface(mesh, _SAMPLES, 0)
        corner_face = np.zeros(len(mesh.vertices), np.int64)
        corner_face[mesh.faces.ravel()] = np.repeat(np.arange(len(mesh.faces)), 3)
        points, of = np.concatenate([sampled, mesh.vertices]), np.concatenate([faces, corner_face])
        normals = vectors[of] / np.maximum(np.linalg.norm(vectors[of], axis=1), 1e-300)[:, None]
        around = np.concatenate([sample_surface(walls.mesh, _SAMPLES, 1)[0], walls.mesh.vertices])
        off, _ = Surface(mesh).distance(around)
        around, off = around[off > SHALLOW_MM], off[off > SHALLOW_MM]
        depth, volume = walls.distance(points)[0], float(cavity.volume() - bone.solid.volume())
        return cls(bone, cavity, Undercuts(points, normals, depth, around, off, _deep_area(bone, depth), max(volume, 0.0)))

    def measure(self, ways: Sequence[Solid]) -> Undercuts:
        """The undercuts that stay beside side pieces, given as the ways they come out by."""
        plain = self.plain
        depth, is_left, volume = plain.depth_mm.copy(), np.ones(len(plain.wall_points), bool), plain.volume_mm3
        beside = [side for side in (without(way, [self.bone.solid]) for way in ways) if not side.is_empty()]
        surfaces = [Surface(surface_of(side)) for side in beside]
        for surface in surfaces:
            depth = np.minimum(depth, surface.distance(plain.points)[0])
            is_left &= ~is_inside(surface.mesh, plain.wall_points)
        if beside:
            volume -= float((joined(beside) ^ self.cavity).volume())
        new_walls, new_off = self._walls_of(surfaces)
        walls = np.concatenate([plain.wall_points[is_left], new_walls])
        off = np.concatenate([plain.wall_depth_mm[is_left], new_off])
        return Undercuts(plain.points, plain.normals, depth, walls, off, _deep_area(self.bone, depth), max(volume, 0.0))


    def _walls_of(self, sides: Sequence[Surface]) -> tuple[FloatArray, FloatArray]:
        """Points of side pieces that are walls of the gaps beside them, and how far off the bone they are: within the halves' cavity, and on no
        other side piece."""
        found, distances, skin = [np.empty((0, 3))], [np.empty(0)], Surface(self.bone.mesh)
        room = surface_of(self.cavity)
        for k, side in enumerate(sides):
            points = np.concatenate([sample_surface(side.mesh, _WALL_SAMPLES, 2)[0], side.mesh.vertices])
            off, _ = skin.distance(points)
            points, off = points[off > SHALLOW_MM], off[off > SHALLOW_MM]
            is_wall = is_inside(room, points)
            for other in (*sides[:k], *sides[k + 1 :]):
                rows = np.flatnonzero(is_wall)
                if len(rows):
                    is_wall[rows] = ~is_inside(other.mesh, points[rows]) & (other.distance(points[rows])[0] > SHALLOW_MM / 2)
            found.append(points[is_wall])
            distances.append(off[is_wall])
        return np.concatenate(found), np.concatenate(distances)


def _deep_area(bone: Bone, depth_mm: FloatArray) -> float:
    return float(bone.solid.surface_area()) * float((depth_mm[:_SAMPLES] > SHALLOW_MM).mean())
