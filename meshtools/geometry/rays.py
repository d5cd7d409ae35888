"""Rays that leave or enter a surface: how far they go, and whether they get away."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.tree import tree_over
from meshtools.model import FloatArray, Mesh


class Rays:
    """A mesh ready for many rays (the tree of boxes of `distance.Surface`). Raises GeometryError for a mesh without faces.

    A ray through a very small triangle meets it too; libigl's rays, which `Surface` asks, pass through those of less than a millionth of a mm².
    """

    def __init__(self, mesh: Mesh) -> None:
        if not len(mesh.faces):
            raise GeometryError("the surface has no faces, so no ray can meet it; check the scan")
        used = mesh.vertices[mesh.faces.ravel()]
        self._centre = (used.min(axis=0) + used.max(axis=0)) / 2
        self._vertices = mesh.vertices - self._centre
        self._faces = np.ascontiguousarray(mesh.faces, np.int32)
        self._tree = tree_over(self._vertices, self._faces)

    def first_hit(self, points: FloatArray, directions: FloatArray) -> FloatArray:
        """How far (n,) in mm each ray from points (n, 3) along unit directions (n, 3) goes before it meets the surface; infinite where never.

        Rounded to 32 bits, so that figures do not hang on which of two triangles an edge is taken for.
        """
        return self._lengths(points, directions, is_any=False).astype(np.float32).astype(np.float64)

    def is_free(self, points: FloatArray, directions: FloatArray) -> NDArray[np.bool_]:
        """True (n,) where a ray meets nothing."""
        return np.isinf(self._lengths(points, directions, is_any=True))

    def _lengths(self, points: FloatArray, directions: FloatArray, is_any: bool) -> FloatArray:
        from meshtools.geometry.ray_kernels import meet_triangles

        local = np.ascontiguousarray(points - self._centre)
        lengths: Any = np.empty(len(local))
        meet_triangles(local, np.ascontiguousarray(directions), self._vertices, self._faces, *self._tree, is_any, lengths)
        return np.asarray(lengths)
