"""Distances from points to a surface by another engine than the maker's (geometry/distance.py), and samples of its own.

The nearest triangle is found by ray-casting hardware trees of Open3D (Embree, 32-bit); the distance to it is then worked out in 64 bits
from the triangle's corners. A nearest triangle that 32 bits cannot tell from its neighbour makes a distance too large by less than
`ROUNDING_SHARE` of the size, never too small.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray

ROUNDING_SHARE = 2.0**-20
N_SAMPLES = 20_000
PAGES = "open3d.visualization.draw_plotly"
_Faces = NDArray[np.int64]


def sample_points(vertices: FloatArray, faces: _Faces, seed: int) -> FloatArray:
    """The corners and middles of all faces, and `N_SAMPLES` more points spread by area: (k, 3)."""
    corners = vertices[faces]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    chance = np.random.default_rng(seed)
    total = areas.sum()
    chosen = chance.choice(len(faces), N_SAMPLES, p=areas / total) if total > 0.0 else np.zeros(0, np.int64)
    weights = chance.dirichlet((1.0, 1.0, 1.0), len(chosen))
    spread = np.einsum("nk,nkd->nd", weights, corners[chosen])
    return np.concatenate([vertices[np.unique(faces)], corners.mean(axis=1), spread])


def distances_mm(points: FloatArray, vertices: FloatArray, faces: _Faces) -> FloatArray:
    """Distance (n,) of each point (n, 3) to the triangles, in the unit of the coordinates."""
    with _without_pages():
        from open3d.core import Tensor
        from open3d.t.geometry import RaycastingScene

    used = vertices[faces.ravel()]
    centre = (used.min(axis=0) + used.max(axis=0)) / 2.0
    scene: Any = RaycastingScene(nthreads=1)
    scene.add_triangles(*(Tensor(np.ascontiguousarray(array)) for array in ((vertices - centre).astype(np.float32), faces.astype(np.uint32))))
    answer = scene.compute_closest_points(Tensor((points - centre).astype(np.float32)), nthreads=1)
    nearest = answer["primitive_ids"].numpy().astype(np.int64)
    return _to_triangles(points - centre, vertices[faces[nearest]] - centre)


@contextmanager
def _without_pages() -> Iterator[None]:
    """Let Open3D be loaded without its pages in a browser, which nobody asks for: the libraries that serve them take as long as Open3D itself."""
    stand_in = ModuleType(PAGES)
    stand_in.__dict__["__getattr__"] = lambda _: None  # whatever is taken from it
    is_away = sys.modules.setdefault(PAGES, stand_in) is stand_in
    try:
        yield
    finally:
        if is_away:
            del sys.modules[PAGES]


def _to_triangles(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Distance (n,) of each point to its own triangle (n, 3, 3): to the plane where it lies over the triangle, else to the nearest edge."""
    along = [_to_segments(points, corners[:, k], corners[:, (k + 1) % 3]) for k in range(3)]
    nearest = np.min(along, axis=0)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    is_over = length > 0.0
    for k in range(3):
        edge = corners[:, (k + 1) % 3] - corners[:, k]
        is_over &= np.einsum("ij,ij->i", np.cross(edge, points - corners[:, k]), normal) >= 0.0
    height = np.abs(np.einsum("ij,ij->i", points - corners[:, 0], normal)) / np.where(length > 0.0, length, 1.0)
    return np.asarray(np.where(is_over, np.minimum(height, nearest), nearest))


def _to_segments(points: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    span = end - start
    squared = np.einsum("ij,ij->i", span, span)
    share = np.einsum("ij,ij->i", points - start, span) / np.where(squared > 0.0, squared, 1.0)
    return np.asarray(np.linalg.norm(points - start - span * share.clip(0.0, 1.0)[:, None], axis=1))
