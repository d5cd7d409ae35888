"""Points spread evenly over a surface."""

from __future__ import annotations

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.pieces import face_areas
from meshtools.model import FloatArray, IntArray, Mesh


def sample_surface(mesh: Mesh, n: int, seed: int = 0) -> tuple[FloatArray, IntArray]:
    """Draw `n` points at random, evenly by area; the same seed gives the same points.

    Returns points (n, 3) in mm and the face that each lies on (n,) int32. Raises GeometryError where the surface has no area.
    Method: face by inverse of the cumulative area, then the square-root map of the unit square onto a triangle
    (Osada et al. 2002, Shape distributions, section 4.1).
    """
    cumulative = np.cumsum(face_areas(mesh.vertices, mesh.faces))
    if not len(cumulative) or not cumulative[-1] > 0:
        raise GeometryError("the surface has no area, so no points can be drawn on it; check the scan's faces")
    draws = np.random.default_rng(seed).random((n, 3))
    faces = np.searchsorted(cumulative, draws[:, 0] * cumulative[-1], side="right").clip(max=len(cumulative) - 1)
    corners = mesh.vertices[mesh.faces[faces]]
    root = np.sqrt(draws[:, 1:2])
    weights = np.concatenate([1 - root, root * (1 - draws[:, 2:]), root * draws[:, 2:]], axis=1)
    return np.einsum("ij,ijk->ik", weights, corners), faces.astype(np.int32)
