"""How thick a solid is: from its skin straight inwards to the skin opposite."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.sample import sample_surface
from meshtools.model import FloatArray, Mesh

N_RAYS = 20_000
START_MM = 1e-6  # a ray starts this far below the skin


@dataclass(frozen=True, eq=False)
class Thickness:
    """Thickness at points spread evenly over the area: points (n, 3) mm, thickness_mm (n,), infinite where a ray finds no skin opposite."""

    points: FloatArray
    thickness_mm: FloatArray

    @property
    def least_mm(self) -> float:
        """The thinnest place found."""
        return float(self.thickness_mm.min())

    @property
    def least_at_mm(self) -> FloatArray:
        """Where it is (3,)."""
        return np.asarray(self.points[int(np.argmin(self.thickness_mm))])

    def percent_below(self, limit_mm: float) -> float:
        """Share of the area that is thinner, in percent."""
        return float(np.mean(self.thickness_mm < limit_mm) * 100.0)

    def widest_place_below(self, limit_mm: float) -> tuple[FloatArray, float] | None:
        """Middle (3,) and span in mm of the largest connected patch of thinner points, None where there is none."""
        from scipy.sparse import coo_matrix
        from scipy.sparse.csgraph import connected_components
        from scipy.spatial import cKDTree

        thin = self.points[self.thickness_mm < limit_mm]
        if not len(thin):
            return None
        spacing = diagonal_mm(self.points) * 2.0 / np.sqrt(len(self.points))
        pairs = cKDTree(thin).query_pairs(spacing, output_type="ndarray")
        graph = coo_matrix((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(thin), len(thin)))
        _, label = connected_components(graph.tocsr(), directed=False)
        patch = thin[label == int(np.argmax(np.bincount(label)))]
        middle = (patch.min(axis=0) + patch.max(axis=0)) / 2.0
        return np.asarray(patch[int(np.argmin(np.sum((patch - middle) ** 2, axis=1)))]), diagonal_mm(patch)


def measure_thickness(mesh: Mesh, n_rays: int = N_RAYS) -> Thickness:
    """Thickness of a closed mesh along rays against its outward normal, from points spread evenly over its area with a fixed seed.

    Near an acute edge the thickness falls to nothing, as it does for the printed wall. Our own method.
    """
    points, face = sample_surface(mesh, n_rays)
    inward = -unit_normals(mesh)[face]
    found = Surface(mesh).first_hit(points + START_MM * inward, inward) + START_MM
    return Thickness(points, found)
