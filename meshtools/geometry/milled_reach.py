"""What a cutter that comes down along a direction leaves standing, by height maps: where its end can stand, and how near that comes to the skin.

The part is seen along the direction over a square grid. The lowest place of a ball is the largest of surface height plus ball height around
it (grey dilation; the offset surface of a height map), the holder sits above it. What the cutter sweeps is all above those places, so the
distance from a point of the skin to the nearest place, less the radius, is what stays. Our own arrangement of known steps. Heights are taken
at nodes only, so figures are good to about one pitch; `milled_contact` asks the same question without a grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray, Mesh
from meshtools.settings_cnc import Cutter

HOLDER_PITCHES = ((100_000, 4.0), (600_000, 6.0), (np.inf, 12.0))
"""The holder is looked at on a grid of its radius divided by the second figure, where the grid has at most as many nodes as the first. That makes
it at most one such pitch too thick."""


@dataclass(frozen=True, eq=False)
class Sight:
    """A part seen along a direction. frame (3, 3): rows are x, y and the direction, right-handed; low (2,): the first node; top, bottom
    (n_x, n_y): highest and lowest surface over each node, infinite where there is none; pitch_mm: between nodes."""

    frame: FloatArray
    low: FloatArray
    pitch_mm: float
    top: FloatArray
    bottom: FloatArray

    @property
    def direction(self) -> FloatArray:
        """The direction (3,) from the part towards the cutter of the first set-up."""
        return np.asarray(self.frame[2])

    def local(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) of the part in the frame of the sight."""
        return points @ self.frame.T


def frame_along(direction: FloatArray, vertices: FloatArray) -> FloatArray:
    """Rows x, y, direction: right-handed, x along the long side of the smallest rectangle around the part seen along the direction."""
    import shapely

    d = direction / np.sqrt(np.sum(direction**2))
    helper = np.eye(3)[int(np.argmin(np.abs(d)))]
    x = np.cross(helper, d)
    x /= np.sqrt(np.sum(x**2))
    y = np.cross(d, x)
    flat = np.stack([vertices @ x, vertices @ y], axis=1)
    corners = np.asarray(shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.MultiPoint(flat))))
    if len(corners) >= 4:
        sides = corners[1:3] - corners[0:2]
        lengths = np.sqrt((sides**2).sum(axis=1))
        side = sides[int(np.argmax(lengths))] / lengths.max()
        side *= 1.0 if side[int(np.argmax(np.abs(side)))] > 0 else -1.0
        x = side[0] * x + side[1] * y
    return np.stack([x, np.cross(d, x), d])


def look_along(mesh: Mesh, frame: FloatArray, pitch_mm: float, pad_mm: float) -> Sight:
    """The part over a grid of this pitch with so much room around it."""
    from meshtools.geometry.height_kernels import rasterise

    local = np.ascontiguousarray(mesh.vertices @ frame.T)
    low = local[:, :2].min(axis=0) - pad_mm
    size = local[:, :2].max(axis=0) + pad_mm - low
    n_x, n_y = (int(n) for n in np.ceil(size / pitch_mm) + 1)
    top, bottom = rasterise(local, mesh.faces, low, pitch_mm, n_x, n_y)
    return Sight(frame, low, pitch_mm, top, bottom)


def fitting_pitch(mesh: Mesh, frame: FloatArray, wanted_mm: float, most_nodes: int) -> float:
    """The wanted pitch, or a wider one where the grid would have more nodes than that."""
    local = mesh.vertices @ frame[:2].T
    size = np.ptp(local, axis=0) + 40.0
    return float(max(wanted_mm, np.sqrt(size[0] * size[1] / most_nodes)))


def radii(cutter: Cutter) -> tuple[float, float]:
    """Radius of the cutter's ball and of its flat end in mm; one of them is 0."""
    return (cutter.diameter_mm / 2.0, 0.0) if cutter.kind == "ball" else (0.0, cutter.diameter_mm / 2.0)


def cutter_floor(obstacle: FloatArray, pitch_mm: float, cutter: Cutter) -> FloatArray:
    """Lowest height (n_x, n_y) of the centre of the ball, or of the flat end, at which neither cutter, shank nor holder touches the obstacle."""
    from meshtools.geometry.height_kernels import dilate

    ball, flat = radii(cutter)
    floor: FloatArray = dilate(obstacle, *_ball_steps(ball, pitch_mm)) if ball else _highest_in_disc(obstacle, flat, pitch_mm)
    share = next(pitches for most, pitches in HOLDER_PITCHES if obstacle.size <= most)
    factor = max(1, int(cutter.holder_diameter_mm / 2.0 / share / pitch_mm))
    coarse = _block_highest(obstacle, factor)
    holder = _highest_in_disc(coarse, cutter.holder_diameter_mm / 2.0, pitch_mm * factor)
    spread = np.repeat(np.repeat(holder, factor, axis=0), factor, axis=1)[: obstacle.shape[0], : obstacle.shape[1]]
    return np.asarray(np.maximum(floor, spread + ball - cutter.stick_out_mm))


def _ball_steps(radius_mm: float, pitch_mm: float) -> tuple[NDArray[np.int64], FloatArray]:
    """Steps (k, 2) to the nodes within a radius, and how high a ball of that radius stands there."""
    steps, is_inside = _disc(radius_mm, pitch_mm)
    lifts: FloatArray = np.sqrt(np.maximum(radius_mm**2 - (steps**2).sum(axis=2) * pitch_mm**2, 0.0))
    return steps[is_inside], lifts[is_inside]


def _disc(radius_mm: float, pitch_mm: float) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Steps (2n + 1, 2n + 1, 2) around a node, and which of them lead to a node within a radius."""
    n = int(radius_mm / pitch_mm)
    steps = np.stack(np.meshgrid(np.arange(-n, n + 1), np.arange(-n, n + 1), indexing="ij"), axis=-1)
    return steps, (steps**2).sum(axis=2) * pitch_mm**2 <= radius_mm**2 * (1.0 + 1e-12)


def _highest_in_disc(heights: FloatArray, radius_mm: float, pitch_mm: float) -> FloatArray:
    """The largest of the heights (n_x, n_y) within a radius around each node. Run by run: the rows of a disc grow towards its middle, so the largest
    of a longer run is that of a shorter one and of its two new ends."""
    is_inside = _disc(radius_mm, pitch_mm)[1]
    n, (n_x, n_y) = len(is_inside) // 2, heights.shape
    around = np.full((n_x + 2 * n, n_y + 2 * n), -np.inf)
    around[n : n + n_x, n : n + n_y] = heights
    of_run, highest, reach = around[:, n : n + n_y].copy(), np.full((n_x, n_y), -np.inf), 0
    for away in range(n, -1, -1):  # of a row of the disc from its middle
        for step in range(reach + 1, int(is_inside[n + away].sum()) // 2 + 1):
            for first in (n - step, n + step):
                np.maximum(of_run, around[:, first : first + n_y], out=of_run)
            reach = step
        for first in {n - away, n + away}:
            np.maximum(highest, of_run[first : first + n_x], out=highest)
    return highest


def _block_highest(heights: FloatArray, factor: int) -> FloatArray:
    n_x, n_y = (-(-n // factor) for n in heights.shape)
    padded = np.full((n_x * factor, n_y * factor), -np.inf)
    padded[: heights.shape[0], : heights.shape[1]] = heights
    return np.asarray(padded.reshape(n_x, factor, n_y, factor).max(axis=(1, 3)))


@dataclass(frozen=True, eq=False)
class Approach:
    """One side from which a cutter comes. frame (3, 3) with the direction towards the cutter last; floor: `cutter_floor` over the grid."""

    frame: FloatArray
    low: FloatArray
    pitch_mm: float
    floor: FloatArray
    cutter: Cutter

    def left_over(self, points: FloatArray, most_mm: float) -> FloatArray:
        """What stays above each point (n, 3) of the skin in mm, at most `most_mm`."""
        from meshtools.geometry.height_kernels import left_above

        local = np.ascontiguousarray(points @ self.frame.T)
        return np.asarray(left_above(local, self.floor, self.low, self.pitch_mm, (*radii(self.cutter), most_mm)))


def approach_from_above(sight: Sight, cutter: Cutter, parting: FloatArray | None = None, overrun_mm: float = 0.0) -> Approach:
    """The cutter along the sight's direction. parting (n_x, n_y): less overrun and ball, nothing below it is cut beside the part."""
    obstacle = sight.top if parting is None else np.where(np.isfinite(sight.top), sight.top, parting - overrun_mm - radii(cutter)[0])
    return Approach(sight.frame, sight.low, sight.pitch_mm, cutter_floor(obstacle, sight.pitch_mm, cutter), cutter)


def approach_from_below(sight: Sight, cutter: Cutter, parting: FloatArray | None = None, overrun_mm: float = 0.0) -> Approach:
    """The cutter of the turned part: the same grid with heights counted downwards."""
    obstacle = -sight.bottom if parting is None else np.where(np.isfinite(sight.top), -sight.bottom, -parting - overrun_mm - radii(cutter)[0])
    frame = sight.frame * np.array([[1.0], [1.0], [-1.0]])
    return Approach(frame, sight.low, sight.pitch_mm, cutter_floor(obstacle, sight.pitch_mm, cutter), cutter)
