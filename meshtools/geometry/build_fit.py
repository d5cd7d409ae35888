"""How a part lies in the build volume of a machine."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np

from meshtools.geometry.body import frame_about
from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.registration_poses import principal_axes, rotations_from_vectors, spread_rotations
from meshtools.model import FloatArray

_TURNS_DEG = tuple(range(0, 90, 3))
_N_SPREAD = 600
_N_REFINED = 40


@dataclass(frozen=True, eq=False)
class Placing:
    """A pose of a part on the machine. rotation (3, 3): machine axes from replica axes; size_mm (3,); is_upright: the stated up is up."""

    rotation: FloatArray
    size_mm: FloatArray
    is_upright: bool


def place_upright(points: FloatArray, room_mm: tuple[float, float, float], up: FloatArray) -> Placing | None:
    """The pose with the stated direction up that fits, turned about it as little as fits, or None."""
    base = np.eye(3) if np.allclose(up, (0.0, 0.0, 1.0)) else frame_about(up)
    for angle in np.radians(_TURNS_DEG):
        turn = np.array([[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [0.0, 0.0, 1.0]])
        size = _sizes(points, (turn @ base)[None])[0]
        if (size <= room_mm).all():
            return Placing(turn @ base, size, True)
    return None


def place_in(points: FloatArray, room_mm: tuple[float, float, float], up: FloatArray) -> Placing | None:
    """A pose in which points (n, 3) fit a room: with the stated direction up if any does, else in their own box; None where none fits."""
    upright = place_upright(points, room_mm, up)
    if upright is not None:
        return upright
    axes = smallest_box(points)
    for order in permutations(range(3)):
        rotation = axes[list(order)]
        rotation = rotation * np.array([1.0, 1.0, np.sign(np.linalg.det(rotation))])[:, None]
        size = _sizes(points, rotation[None])[0]
        if (size <= room_mm).all():
            return Placing(rotation, size, False)
    return None


def smallest_box(points: FloatArray) -> FloatArray:
    """Axes (3, 3), rows, right-handed, of a box of small volume around points (n, 3), the longest side first.

    Principal axes and evenly spread rotations are tried, and the best one is turned further in small steps. Our own method.
    """
    best = np.concatenate([np.eye(3)[None], principal_axes(points)[None], spread_rotations(_N_SPREAD)])
    chosen = _tightest(points, best)
    for step in (0.1, 0.03, 0.01):
        turns = spread_rotations(_N_REFINED)
        near = np.array([_shortened(turn, step) for turn in turns])
        chosen = _tightest(points, np.concatenate([chosen[None], near @ chosen]))
    order = np.argsort(-np.round(_sizes(points, chosen[None])[0], 6), kind="stable")
    axes = chosen[order]
    return np.asarray(axes * np.array([1.0, 1.0, np.sign(np.linalg.det(axes))])[:, None])


def _shortened(rotation: FloatArray, angle: float) -> FloatArray:
    """A turn about the rotation's own axis by `angle` in radians."""
    axis = np.array([rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]])
    return np.asarray(rotations_from_vectors(angle * unit_vectors(axis)[None])[0])


def _tightest(points: FloatArray, rotations: FloatArray) -> FloatArray:
    volumes = np.prod(_sizes(points, rotations), axis=1)
    return np.asarray(rotations[int(np.argmin(volumes))])


def _sizes(points: FloatArray, rotations: FloatArray) -> FloatArray:
    """Extents (k, 3) of the points in each of k frames."""
    seen = np.einsum("kij,nj->kni", rotations, points)
    return np.asarray(np.ptp(seen, axis=1))
