"""Which way the pieces of a mould come off a bone with the least undercut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.column_map import map_columns
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.shadow import rotation_to_z
from meshtools.model import FloatArray

N_DIRECTIONS = 240  # over half a sphere: about 9 degrees apart, refined from there
_COARSE, _FINE = 72, 144  # columns along the longest side
_CONES_DEG = (6.0, 3.0, 1.5, 0.7)
_APART_DEG = 12.0  # starts of the refinement lie at least this far apart
DRAFT_LEAST_DEG = 1.0
_WEIGHT_HEIGHT, _WEIGHT_DRAFT = 5e-3, 2e-5  # against the share of the bone's volume that its gaps have (our own weights)


@dataclass(frozen=True, eq=False)
class Pull:
    """A direction (3,) along which two halves part: the volume of the gaps that stay filled, the height of the bone along it, the share of
    its area that stands within DRAFT_LEAST_DEG of the direction, and the score that ranks it (least first)."""

    direction: FloatArray
    gap_mm3: float
    height_mm: float
    steep_ratio: float
    score: float


def half_sphere(n: int) -> FloatArray:
    """(n, 3) even directions over the upper half of a sphere (golden-angle spiral)."""
    height = (np.arange(n) + 0.5) / n
    turn = np.pi * (1.0 + np.sqrt(5.0)) * np.arange(n)
    level = np.sqrt(1.0 - height**2)
    return np.column_stack([level * np.cos(turn), level * np.sin(turn), height])


def judge_pull(vertices: FloatArray, faces: NDArray[Any], direction: FloatArray, n_columns: int) -> Pull:
    """How well two halves part from a closed surface along a direction."""
    turned = np.einsum("ij,kj->ki", rotation_to_z(direction), vertices)
    extents = np.ptp(turned, axis=0)
    columns = map_columns(turned, faces, float(extents.max()) / n_columns)
    area = area_vectors(turned, faces)
    size = np.linalg.norm(area, axis=1)
    steep = float(size[np.abs(area[:, 2]) < np.sin(np.radians(DRAFT_LEAST_DEG)) * size].sum() / size.sum())
    filled = max(float(columns.filled_mm.sum()) * columns.step_mm**2, 1e-12)
    height = float(extents[2])
    score = columns.gap_volume_mm3 / filled + _WEIGHT_HEIGHT * height / float(np.linalg.norm(extents)) + _WEIGHT_DRAFT * steep
    return Pull(direction / np.linalg.norm(direction), columns.gap_volume_mm3, height, steep, score)


def search_pulls(vertices: FloatArray, faces: NDArray[Any], n_wanted: int) -> tuple[Pull, ...]:
    """The best directions for two halves, best first, clearly different from each other: all around coarsely, then finer around the best."""
    axes = np.linalg.svd(vertices - vertices.mean(axis=0), full_matrices=False)[2]
    coarse = [judge_pull(vertices, faces, way, _COARSE) for way in np.concatenate([np.eye(3), axes, half_sphere(N_DIRECTIONS)])]
    starts: list[Pull] = []
    for pull in sorted(coarse, key=lambda pull: pull.score):
        if len(starts) < n_wanted and all(abs(pull.direction @ other.direction) < np.cos(np.radians(_APART_DEG)) for other in starts):
            starts.append(pull)
    return tuple(sorted((_refined(vertices, faces, start) for start in starts), key=lambda pull: pull.score))


def _refined(vertices: FloatArray, faces: NDArray[Any], start: Pull) -> Pull:
    best = judge_pull(vertices, faces, start.direction, _FINE)
    for cone in _CONES_DEG:
        turn = rotation_to_z(best.direction)
        for angle in np.arange(6) * np.pi / 3:
            off = np.tan(np.radians(cone)) * (np.cos(angle) * turn[0] + np.sin(angle) * turn[1])
            candidate = judge_pull(vertices, faces, turn[2] + off, _FINE)
            best = min(best, candidate, key=lambda pull: pull.score)
    return best
