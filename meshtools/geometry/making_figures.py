"""What a part asks of the way it is made: how thin it gets, and how much of it neither of two opposite sides shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.audit import signed_volume
from meshtools.geometry.caliper_frame import caliper_frame
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.rays import Rays
from meshtools.model import FloatArray, Mesh

N_POINTS = 1500
SEED = 20260
THIN_PERCENTILE = 5.0
START_SHARE = 1e-6  # of the part's length: how far above its face a ray starts


@dataclass(frozen=True)
class MakingFigures:
    """sizes_mm: length, breadth and depth; thin_mm: 5 % of the surface is backed by less than this; hidden_percent: share of the surface that
    neither of two opposite directions sees, along the best of the three axes of the box (named in `withdrawal`)."""

    sizes_mm: tuple[float, float, float]
    volume_mm3: float
    area_mm2: float
    thin_mm: float
    hidden_percent: float
    withdrawal: str


def making_figures(mesh: Mesh) -> MakingFigures:
    """Estimates from 1500 points of a closed surface (fixed seed): a statement about the whole, not a proof about every place. Our own method.

    Thickness is the way straight into the body until it ends, the opposite wall being met by a ray from the middle of a face.
    """
    frame = caliper_frame(mesh.vertices)
    vectors = area_vectors(mesh.vertices, mesh.faces)
    areas = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    generator = np.random.default_rng(SEED)
    chosen = generator.choice(len(areas), N_POINTS, p=areas / areas.sum())
    weights = generator.dirichlet((1.0, 1.0, 1.0), N_POINTS)
    points = np.einsum("ij,ijk->ik", weights, mesh.vertices[mesh.faces[chosen]])
    normals = vectors[chosen] / np.maximum(areas[chosen], 1e-300)[:, None]
    rays, start_mm = Rays(mesh), START_SHARE * float(frame.sizes_mm[0])
    through = rays.first_hit(points - normals * start_mm, -normals)
    thickness = through[np.isfinite(through)] + start_mm
    hidden = [_hidden_percent(rays, points, normals, start_mm, axis) for axis in frame.axes]
    best = int(np.argmin(hidden))
    return MakingFigures(
        (float(frame.sizes_mm[0]), float(frame.sizes_mm[1]), float(frame.sizes_mm[2])), signed_volume(mesh), float(areas.sum() / 2.0),
        float(np.percentile(thickness, THIN_PERCENTILE)) if len(thickness) else 0.0, hidden[best], ("length", "breadth", "depth")[best],
    )  # fmt: skip


def _hidden_percent(rays: Rays, points: FloatArray, normals: FloatArray, start_mm: float, axis: FloatArray) -> float:
    """Share of the points that no straight way out along the axis, in either direction, is free from."""
    is_seen = np.zeros(len(points), dtype=bool)
    for direction in (axis, -axis):
        faces_it = normals @ direction > 0
        way = np.broadcast_to(direction, points[faces_it].shape)
        is_seen[faces_it] |= rays.is_free(points[faces_it] + normals[faces_it] * start_mm, way)
    return float(100.0 * (1.0 - is_seen.mean()))
