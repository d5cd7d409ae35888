"""Points spread evenly over a surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.pieces import mesh_areas
from meshtools.model import FloatArray, IntArray, Mesh


def sample_surface(mesh: Mesh, n: int, seed: int = 0) -> tuple[FloatArray, IntArray]:
    """Draw `n` points at random, evenly by area; the same seed gives the same points.

    Returns points (n, 3) in mm and the face that each lies on (n,) int32. Raises GeometryError where the surface has no area.
    Method: face by inverse of the cumulative area, then the square-root map of the unit square onto a triangle
    (Osada et al. 2002, Shape distributions, section 4.1).
    """
    cumulative = np.cumsum(mesh_areas(mesh))
    if not len(cumulative) or not cumulative[-1] > 0:
        raise GeometryError("the surface has no area, so no points can be drawn on it; check the scan's faces")
    draws = np.random.default_rng(seed).random((n, 3))
    faces = np.searchsorted(cumulative, draws[:, 0] * cumulative[-1], side="right").clip(max=len(cumulative) - 1)
    return _places_on(mesh, faces, draws[:, 1:]), faces.astype(np.int32)


def sample_measured(mesh: Mesh, n: int, seed: int = 0) -> tuple[FloatArray, IntArray]:
    """Draw `n` points where a scan was measured: half of them evenly by area, half evenly by face; the same seed gives the same points.

    What a scan knows it knows at its vertices, so where faces are small a patch weighs more than its area, and where they are large, less.
    One point is drawn from each of n equal shares (systematic sampling), in shuffled order, so that the first k are spread like all.
    Returns and raises as `sample_surface`. Our own method.
    """
    areas = mesh_areas(mesh)
    if not len(areas) or not areas.sum() > 0:
        raise GeometryError("the surface has no area, so no points can be drawn on it; check the scan's faces")
    cumulative = np.cumsum(0.5 * areas / areas.sum() + 0.5 / len(areas))
    random = np.random.default_rng(seed)
    places = (random.permutation(n) + random.random(n)) / n
    faces = np.searchsorted(cumulative, places * cumulative[-1], side="right").clip(max=len(areas) - 1)
    return _places_on(mesh, faces, random.random((n, 2))), faces.astype(np.int32)


def _places_on(mesh: Mesh, faces: NDArray[np.int64], draws: FloatArray) -> FloatArray:
    """A point on each of the faces (n,), from two numbers each between 0 and 1 (n, 2)."""
    root = np.sqrt(draws[:, :1])
    weights = np.concatenate([1 - root, root * (1 - draws[:, 1:]), root * draws[:, 1:]], axis=1)
    return np.asarray(np.einsum("ij,ijk->ik", weights, mesh.vertices[mesh.faces[faces]]))
