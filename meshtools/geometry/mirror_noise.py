"""The noise of a scan, measured on its mesh and levelled along it: for the last digits of a mirror plane.

Samples levelled among those near by in space mix both walls of a thin bone, and noise turns their normals: on a noisy jaw the plane moved by
0.2 degrees with the draw of the samples. Neighbours along the mesh never lie on the other wall. Only as much is levelled as there is
noise, so a quiet scan stays as it is, and over a width that is the same where faces are large and where they are small, so that a side with
finer faces does not shrink otherwise than the other. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.pieces import vertex_normals
from meshtools.model import FloatArray, Mesh

WIDTH_PER_NOISE = 3.5  # 3 to 4.5 give like errors (measured)
WIDEST = 0.025  # of the diagonal
MOST_ROUNDS, MOST_STEP = 12, 0.85
NEIGHBOURS = 6.0  # of a vertex in a mesh of triangles, on average (Euler's formula)


@dataclass(frozen=True, eq=False)
class _Ring:
    """The neighbours of every vertex along edges: a sparse matrix (n, n) whose rows sum to one, or to zero for a vertex of no face."""

    means: Any
    edge_mm: FloatArray

    def pull(self, points: FloatArray) -> FloatArray:
        """From every point (n, 3) to the mean of its neighbours; zero for a vertex of no face."""
        return np.where(self.edge_mm[:, None] > 0.0, self.means @ points - points, 0.0)


def level_noise(mesh: Mesh) -> Mesh:
    """The mesh with its noise levelled over 3.5 times the noise that it shows. Faces and their order stay."""
    ring = _read_ring(mesh)
    width_mm = min(WIDTH_PER_NOISE * _noise_mm(mesh, ring), WIDEST * diagonal_mm(mesh.vertices))
    is_used = ring.edge_mm > 0.0
    if not width_mm > 0.0:
        return mesh
    n_rounds = int(np.clip(np.ceil((width_mm / np.median(ring.edge_mm[is_used])) ** 2), 1, MOST_ROUNDS))
    step = np.minimum(MOST_STEP, (width_mm / np.where(is_used, ring.edge_mm, np.inf)) ** 2 / n_rounds)[:, None]
    points = np.asarray(mesh.vertices)
    for _ in range(n_rounds):
        points = points + step * ring.pull(points)
    return mesh.replaced(vertices=points)


def measure_noise(mesh: Mesh) -> float:
    """Standard deviation in mm of a vertex along its normal, from how far it lies off the mean of its neighbours (median: sharp edges do not count).

    Curved skin of large faces shows some too: 0.02 to 0.1 % of the diagonal for bones without noise.
    """
    return _noise_mm(mesh, _read_ring(mesh))


def _noise_mm(mesh: Mesh, ring: _Ring) -> float:
    is_used = ring.edge_mm > 0.0
    if not is_used.any():
        return 0.0
    normals = vertex_normals(mesh.vertices, mesh.faces)
    height = np.einsum("nj,nj->n", ring.pull(mesh.vertices), unit_vectors(normals + ring.means @ normals))
    return float(1.4826 * np.median(np.abs(height[is_used])) / np.sqrt(1.0 + 1.0 / NEIGHBOURS))


def _read_ring(mesh: Mesh) -> _Ring:
    from scipy.sparse import csr_array

    n = len(mesh.vertices)
    start, end = mesh.faces[:, [0, 1, 2, 1, 2, 0]].ravel(), mesh.faces[:, [1, 2, 0, 0, 1, 2]].ravel()
    length = np.sqrt(((mesh.vertices[start] - mesh.vertices[end]) ** 2).sum(axis=1))
    degree = np.maximum(np.bincount(start, minlength=n), 1)
    means = csr_array((1.0 / degree[start], (start, end)), shape=(n, n))
    return _Ring(means, np.bincount(start, length, minlength=n) / degree)
