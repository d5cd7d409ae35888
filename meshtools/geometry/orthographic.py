"""Views of a part to scale for a drawing: shaded, with an outline and with lines where the surface steps, readable in black and white."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.picture import SUPERSAMPLING, Seen, fitted_camera, take_shot
from meshtools.model import ColourArray, FloatArray, Mesh

LINE = 40.0  # grey of an outline
STEP_SHARE = 0.02  # of the part's depth: a jump in depth beyond this is drawn as a line


@dataclass(frozen=True, eq=False)
class ScaledView:
    """A picture (h, w, 3) uint8 and the size in mm of what it shows: exactly the box of the part in this view."""

    picture: ColourArray
    width_mm: float
    height_mm: float


def scaled_view(mesh: Mesh, face_colours: ColourArray, seen: Seen, mm_per_px: float) -> ScaledView:
    """A part seen along `seen` (looking along, up), parallel projection, cut to its own box. The same input gives the same picture."""
    low, high = seen_box(mesh.vertices[np.unique(mesh.faces)], seen)
    width_mm, height_mm = high - low
    size = tuple(max(2, int(np.ceil(length / mm_per_px))) for length in (width_mm, height_mm))
    # pixels are made to fit the box exactly, so that the picture can be set at its true size
    camera = fitted_camera(mesh, seen, (size[0], size[1]), float(width_mm / size[0]))
    shot = take_shot(mesh, face_colours, camera, (size[0] * SUPERSAMPLING, size[1] * SUPERSAMPLING))
    drawn = np.where(_lines(shot.depth_mm, STEP_SHARE * camera.depth_mm)[..., None], LINE, shot.colours)
    small = drawn.reshape(size[1], SUPERSAMPLING, size[0], SUPERSAMPLING, 3).mean(axis=(1, 3))
    return ScaledView(np.rint(small).astype(np.uint8), float(width_mm), float(size[1] * width_mm / size[0]))


def seen_box(points: FloatArray, seen: Seen) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest corner (2,) of points (n, 3) in a view, to the right and up."""
    forward, up = (np.array(direction, dtype=np.float64) for direction in seen)
    right = np.cross(forward, up)
    right /= np.sqrt(np.sum(right**2))
    upward = np.cross(right, forward)
    upward /= np.sqrt(np.sum(upward**2))
    placed = np.stack([points @ right, points @ upward], axis=1)
    return placed.min(axis=0), placed.max(axis=0)


def _lines(depth_mm: FloatArray, step_mm: float) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Pixels of the part beside the page, or beside a part of it that lies farther back than `step_mm`."""
    padded = np.pad(depth_mm, 1, constant_values=np.inf)
    is_line = np.zeros(depth_mm.shape, dtype=bool)
    for rows, columns in ((0, 1), (2, 1), (1, 0), (1, 2)):
        beside = padded[rows : rows + depth_mm.shape[0], columns : columns + depth_mm.shape[1]]
        with np.errstate(invalid="ignore"):
            is_line |= np.isfinite(depth_mm) & (beside - depth_mm > step_mm)
    return is_line
