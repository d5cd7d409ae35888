"""Part number and the word REPLICA sunk into a face: on a cut face where there is one with room, else on the flattest skin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.body import frame_about, solid_of, surface_of, without_chips
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.sections import Plane, section, sections
from meshtools.geometry.stroke_letters import Lettering, engravable, layouts
from meshtools.model import FloatArray, Mesh

LEAST_HEIGHT_MM = 6.0
_MARGIN_MM = 1.5
_FACE_MM = 0.01
_N_GRID = 15
_N_PLACES = 150
_RAYS = (13, 7)
_STEEPEST = 0.6  # rise over run between neighbouring rays
_MOST_RELIEF_SHARE = 0.12  # of the text's width
_MOST_LAYOUTS = 6
_BROKEN = 0.7
_SHAPE = 2.5  # width over height of the block of text that is tried first


@dataclass(frozen=True)
class EngravingDemand:
    """Wished letter height, stroke, depth, material left below the letters, and how far to stay from points to keep off, mm."""

    height_mm: float
    stroke_mm: float
    depth_mm: float
    floor_mm: float
    keep_off_mm: float


@dataclass(frozen=True, eq=False)
class Tablet:
    """Where letters go: the middle (3,), rows right, up and outward normal (3, 3), the lettering, how uneven the skin is there (mm), and
    whether it is a cut face."""

    middle: FloatArray
    frame: FloatArray
    lettering: Lettering
    relief_mm: float
    is_cut_face: bool

    def spots(self, step_mm: float) -> FloatArray:
        """Points (n, 3) spread over the box of the letters, so far apart."""
        across, up = (np.linspace(-side / 2.0, side / 2.0, int(np.ceil(side / step_mm)) + 1) for side in self.lettering.size_mm)
        flat = np.stack(np.meshgrid(across, up), axis=-1).reshape(-1, 2)
        return np.asarray(self.middle + flat @ self.frame[:2])


@dataclass(frozen=True, eq=False)
class Engraving:
    """What was cut: the solid, removed_mm3 as measured on it, expected_mm3 = area of the strokes x depth."""

    solid: Any
    tablet: Tablet
    removed_mm3: float
    expected_mm3: float


def letterings(words: tuple[str, ...], demand: EngravingDemand) -> list[Lettering]:
    """Ways to write the words, largest letters first, and among these the most compact block first."""
    heights = sorted({demand.height_mm, (demand.height_mm + LEAST_HEIGHT_MM) / 2.0, LEAST_HEIGHT_MM}, reverse=True)
    broken = layouts(words)
    if len(broken) > _MOST_LAYOUTS:
        broken = tuple(broken[k] for k in np.unique(np.linspace(0, len(broken) - 1, _MOST_LAYOUTS).astype(int)))
    blocks = [[Lettering(lines, height, demand.stroke_mm) for lines in broken] for height in heights]
    whole = " ".join(engravable(word) for word in words)
    return [block for same in blocks for block in sorted(same, key=lambda block: _unshapeliness(block, whole))]


def _unshapeliness(block: Lettering, whole: str) -> float:
    """How far the block is from the wished shape; more where a word is broken."""
    return abs(float(np.log(block.size_mm[0] / block.size_mm[1] / _SHAPE))) + (_BROKEN if " ".join(block.lines) != whole else 0.0)


def place_on_cut(solid: Any, plane: Plane, side: int, words: tuple[str, ...], demand: EngravingDemand) -> Tablet | None:
    """A place on the cut face of a part that lies on the given side of a plane, clear of keys and with material below; None without room."""
    inside = side * np.array([_FACE_MM, (demand.depth_mm + demand.floor_mm) / 2.0, demand.depth_mm + demand.floor_mm])
    room = sections(solid, plane, inside[:1])[0].difference(section(solid, plane, -side * _FACE_MM))
    for area in sections(solid, plane, inside[1:]):
        room = room.intersection(area)
    room = room.buffer(-_MARGIN_MM)
    if room.is_empty:
        return None
    for lettering in letterings(words, demand):
        found = _within(room, lettering.size_mm)
        if found is not None:
            at, angle = found
            right = np.cos(angle) * plane.frame[0] + np.sin(angle) * plane.frame[1]
            outward = -side * plane.normal
            return Tablet(plane.to_space(at)[0], np.stack([right, np.cross(outward, right), outward]), lettering, 0.0, True)
    return None


def _within(room: Any, size_mm: tuple[float, float]) -> tuple[FloatArray, float] | None:
    """Middle (2,) and angle of a rectangle inside an area, as near to the middle of its largest part as possible."""
    import shapely

    for part in polygons_of(room):
        if part.area < size_mm[0] * size_mm[1]:
            break
        corners = np.asarray(part.minimum_rotated_rectangle.exterior.coords)
        sides = np.diff(corners[:3], axis=0)
        along = sides[int(np.argmax(np.sum(sides**2, axis=1)))]
        base = float(np.arctan2(along[1], along[0]))
        low, high = np.array(part.bounds[:2]), np.array(part.bounds[2:])
        grid = np.stack(np.meshgrid(*(np.linspace(low[k], high[k], _N_GRID) for k in (0, 1))), axis=-1).reshape(-1, 2)
        grid = grid[np.argsort(np.sum((grid - np.asarray(part.centroid.coords)[0]) ** 2, axis=1), kind="stable")]
        shapely.prepare(part)
        for angle in (base, base + np.pi / 2.0, base + np.pi / 4.0, base - np.pi / 4.0):
            turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
            box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size_mm) / 2.0 @ turn
            inside = shapely.contains(part, shapely.polygons(grid[:, None, :] + box))
            if inside.any():
                return grid[int(np.argmax(inside))], angle
    return None


def place_on_skin(mesh: Mesh, words: tuple[str, ...], demand: EngravingDemand, keep_off: FloatArray) -> Tablet | None:
    """The flattest place of the skin with room for the words and material below, away from points to keep off; None where there is none."""
    surface = Surface(mesh)
    points, face = sample_surface(mesh, _N_PLACES)
    frames = np.array([frame_about(normal) for normal in unit_normals(mesh)[face]])
    frames = np.concatenate([frames, np.stack([frames[:, 1], -frames[:, 0], frames[:, 2]], axis=1)])  # text along either axis
    points = np.concatenate([points, points])
    for lettering in letterings(words, demand):
        best: Tablet | None = None
        for row in _promising(surface, points, frames, lettering):
            tablet = _tablet_at(surface, points[row], frames[row], lettering, demand)
            is_clear = tablet is not None and (not len(keep_off) or _distance_to(keep_off, tablet) > demand.keep_off_mm)
            if tablet is not None and is_clear and (best is None or tablet.relief_mm < best.relief_mm - 1e-9):
                best = tablet
        if best is not None:
            return best
    return None


def _promising(surface: Surface, points: FloatArray, frames: FloatArray, lettering: Lettering) -> NDArray[np.int64]:
    """Rows of the places below whose text box corners there is skin within the relief that is allowed."""
    width, height = lettering.size_mm
    reach = _MOST_RELIEF_SHARE * width
    corners = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * [width / 2.0, height / 2.0, 0.0] + [0.0, 0.0, reach + 0.1]
    starts = points[:, None, :] + np.einsum("cj,njk->nck", corners, frames)
    down = np.broadcast_to(-frames[:, None, 2], starts.shape)
    fall = np.minimum(surface.first_hit(starts.reshape(-1, 3), down.reshape(-1, 3)), 1e9).reshape(-1, 4)
    return np.flatnonzero((fall < 2.0 * reach + 0.2).all(axis=1) & (fall.max(axis=1) - fall.min(axis=1) <= reach))


def _distance_to(points: FloatArray, tablet: Tablet) -> float:
    """Least distance of points (n, 3) from the tablet's rectangle."""
    local = np.abs((points - tablet.middle) @ tablet.frame.T)
    beyond = np.maximum(local - [tablet.lettering.size_mm[0] / 2.0, tablet.lettering.size_mm[1] / 2.0, 0.0], 0.0)
    return float(np.sqrt(np.sum(beyond**2, axis=1)).min())


def _tablet_at(surface: Surface, point: FloatArray, frame: FloatArray, lettering: Lettering, demand: EngravingDemand) -> Tablet | None:
    """The place at a point, where the skin below the text is even, gently sloped and thick enough; else None."""
    width, height = lettering.size_mm
    reach = _MOST_RELIEF_SHARE * width
    x, y = np.linspace(-width / 2.0, width / 2.0, _RAYS[0]), np.linspace(-height / 2.0, height / 2.0, _RAYS[1])
    starts = point + np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2) @ frame[:2] + (reach + 0.1) * frame[2]
    down = np.broadcast_to(-frame[2], starts.shape)
    fall = surface.first_hit(starts, down)
    if not (fall < 2.0 * reach + 0.2).all() or np.ptp(fall) > reach:
        return None
    field = fall.reshape(_RAYS)
    slopes = (np.abs(np.diff(field, axis=0)) / (x[1] - x[0]), np.abs(np.diff(field, axis=1)) / (y[1] - y[0]))
    below = surface.first_hit(starts + (fall + 1e-4)[:, None] * -frame[2], down)
    if max(float(slope.max()) for slope in slopes) > _STEEPEST or (below <= demand.depth_mm + demand.floor_mm).any():
        return None
    level = reach + 0.1 - float((fall.min() + fall.max()) / 2.0)
    return Tablet(point + level * frame[2], frame, lettering, float(np.ptp(fall)), False)


def engrave(solid: Any, tablet: Tablet, depth_mm: float) -> Engraving:
    """Sink the letters into a solid, everywhere equally deep along the tablet's normal, so that the floor follows the skin."""
    prism = letter_prism(tablet, depth_mm)
    # a body of its own, or the kernel would take the letters' floor for the replica's skin
    below = solid_of(surface_of(solid)).translate(tuple(-depth_mm * tablet.frame[2]))
    engraved = without_chips(solid - (prism - below))
    return Engraving(engraved, tablet, float(solid.volume() - engraved.volume()), float(tablet.lettering.area().area * depth_mm))


def letter_prism(tablet: Tablet, depth_mm: float) -> Any:
    """The strokes as upright walls through the skin at the tablet."""
    reach = tablet.relief_mm + 1.0
    flat = cross_section_of(polygons_of(tablet.lettering.area()))
    low = -(reach / 2.0 + depth_mm)
    wall = flat.extrude(reach - low).translate((0.0, 0.0, low))
    return wall.transform(np.column_stack([tablet.frame.T, tablet.middle]).tolist())


def cross_section_of(polygons: Sequence[Any]) -> Any:
    """Shapely polygons with their holes as a kernel's cross-section."""
    import manifold3d
    import shapely

    loops = []
    for polygon in shapely.orient_polygons(np.array(polygons, dtype=object)):
        loops += [np.asarray(ring.coords)[:-1] for ring in (polygon.exterior, *polygon.interiors)]
    return manifold3d.CrossSection([loop.tolist() for loop in loops], manifold3d.FillRule.Positive)
