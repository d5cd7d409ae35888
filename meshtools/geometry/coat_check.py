"""Where a coat fits a replica: how true the solid under it lies, and where the bone is too thin for a coat on both sides and a core."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.carved_solid import thickness_mm
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.sample import sample_surface
from meshtools.model import Mesh

SEED, N_SAMPLES = 20_002, 8_000


@dataclass(frozen=True, eq=False)
class CoatCheck:
    """The solid with its coat added back against the replica.

    Each sample of the replica's skin has a distance to the solid; less the coat, that is how far the finished skin lies off. within_percent: the
    share within the part tolerance; worst_mm, p95_mm: of that difference; depth_error_mm: largest difference from the coat among the solid's own
    corners, seen from the replica; is_thin (m,): faces of the replica below which there is no room for two coats and the core; thin_percent: of area.
    """

    within_percent: float
    p95_mm: float
    worst_mm: float
    depth_error_mm: float
    is_thin: NDArray[np.bool_]
    thin_percent: float


def check_coat(replica: Mesh, solid: Mesh, coat_mm: float, core_mm: float, tolerance_mm: float) -> CoatCheck:
    """Measure by exact distances on fresh samples; without a coat the distances show what the facets of the solid cost."""
    points, _ = sample_surface(replica, N_SAMPLES, SEED)
    off = np.abs(Surface(solid).distance(points)[0] - coat_mm)
    on_replica = Surface(replica)
    depth_error = float(np.abs(on_replica.distance(solid.vertices)[0] - coat_mm).max()) if coat_mm > 0.0 else 0.0
    is_thin = np.zeros(len(replica.faces), bool)
    if coat_mm > 0.0:
        middles, normals = replica.vertices[replica.faces].mean(axis=1), unit_normals(replica)
        is_thin = thickness_mm(on_replica, middles, normals) < 2.0 * coat_mm + core_mm
    areas = mesh_areas(replica)
    thin = 100.0 * float(areas[is_thin].sum() / areas.sum())
    return CoatCheck(100.0 * float(np.mean(off <= tolerance_mm)), float(np.quantile(off, 0.95)), float(off.max()), depth_error, is_thin, thin)
