"""The block that a part is carved from: its size and datum, the dowels that turn with it, and the bridges that hold the part in its frame.

Stock coordinates: the origin is the lower corner at least x, y and z of the block, x runs along its long side, z up against the cutter of the
first set-up. The block is turned over about its long middle axis (y -> width - y, z -> height - z). Both dowels stand on that axis, at
unequal distances from the ends, so that they meet their holes after the right turn and after no other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from meshtools.model import FloatArray, Mesh

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True)
class StockPlan:
    """Widths around a part: allowance below and above, channel and frame beside it, and its dowels."""

    roughing_mm: float
    channel_mm: float
    frame_mm: float
    dowel_mm: float
    dowel_margin_mm: float
    slab_mm: float

    @property
    def frame_width_mm(self) -> float:
        """Width of the frame, no less than a dowel with its margins takes."""
        return max(self.frame_mm, self.dowel_mm + 2.0 * self.dowel_margin_mm)


@dataclass(frozen=True, eq=False)
class Stock:
    """size_mm (3,): of the block; stock_from_replica (4, 4): a rigid motion; dowels (n, 2): places of the set-up dowels, all through the block."""

    size_mm: FloatArray
    stock_from_replica: FloatArray
    dowels: FloatArray
    n_slabs: int


def lay_in_stock(vertices: FloatArray, frame: FloatArray, plan: StockPlan) -> Stock:
    """The smallest block of whole sheets around a part seen along the last row of `frame` (3, 3), with the part in its middle height.

    Its sides are rounded up to whole millimetres. The frame of the far end is wider by two dowels, which makes the dowels unequal.
    """
    from meshtools.geometry.scallops import count_slabs

    local = vertices @ frame.T
    low, high = local.min(axis=0), local.max(axis=0)
    frame_mm = plan.frame_width_mm
    beside = plan.channel_mm + frame_mm
    extent = high - low
    n_slabs = count_slabs(float(extent[2]), plan.roughing_mm, plan.slab_mm)
    size = np.array([np.ceil(extent[0] + 2.0 * beside + 2.0 * plan.dowel_mm), np.ceil(extent[1] + 2.0 * beside), n_slabs * plan.slab_mm])
    matrix = np.eye(4)
    matrix[:3, :3] = frame
    matrix[:3, 3] = np.array([beside, (size[1] - extent[1]) / 2.0, (size[2] - extent[2]) / 2.0]) - low
    middle = size[1] / 2.0
    dowels = np.array([[frame_mm / 2.0, middle], [size[0] - frame_mm / 2.0 - plan.dowel_mm, middle]])
    return Stock(size, matrix, dowels, n_slabs)


FLIPS: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "as it lies": lambda p, size: p,
    "turned over about x": lambda p, size: np.stack([p[:, 0], size[1] - p[:, 1]], axis=1),
    "turned over about y": lambda p, size: np.stack([size[0] - p[:, 0], p[:, 1]], axis=1),
    "turned round about z": lambda p, size: np.stack([size[0] - p[:, 0], size[1] - p[:, 1]], axis=1),
}
"""The ways in which a block can be set down on its dowels again."""


def fitting_flips(dowels: FloatArray, size_mm: FloatArray, play_mm: float) -> tuple[str, ...]:
    """The ways of setting a block down whose holes meet all dowels (n, 2) within the play."""
    fitting = []
    for name, flip in FLIPS.items():
        gaps = np.sqrt(((flip(dowels, size_mm)[:, None] - dowels[None]) ** 2).sum(axis=2))
        if (gaps.min(axis=1) <= play_mm).all():
            fitting.append(name)
    return tuple(fitting)


def block_mesh(size_mm: FloatArray, source_index: int = 0) -> Mesh:
    """The block with one corner at the origin, closed and outward."""
    corners = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)]) * size_mm
    return Mesh.create(corners, hexahedron_faces(), source_index)


def hexahedron_faces() -> list[list[int]]:
    """Faces of a body with corners 000, 001, 010, 011, 100 .. in right-handed axes."""
    return [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]


@dataclass(frozen=True, eq=False)
class Bridge:
    """A bar of square section on the parting surface: from a point (3,) within the part to one (3,) within the frame, and its width."""

    start: FloatArray
    end: FloatArray
    width_mm: float

    def mesh(self, source_index: int = 0) -> Mesh:
        """The bar as a closed body whose ends stand upright."""
        along = (self.end - self.start)[:2]
        aside = np.array([-along[1], along[0], 0.0]) / np.sqrt(np.sum(along**2)) * self.width_mm / 2.0
        up = np.array([0.0, 0.0, self.width_mm / 2.0])
        corners = [end + j * aside + k * up for end in (self.start, self.end) for j in (-1.0, 1.0) for k in (-1.0, 1.0)]
        return Mesh.create(corners, hexahedron_faces(), source_index)


@dataclass(frozen=True)
class BridgePlan:
    """Width of the bridges, their largest distance along the outline, and the channel they cross."""

    width_mm: float
    spacing_mm: float
    channel_mm: float


Barred = Sequence[tuple[FloatArray, float]]
"""Points (n, 3) to keep away from, and how far in mm."""
LEAST_BRIDGES = 3
LIKELY_END_SHARE = 0.15  # of a long bone's length at either end, taken for its joint where none is known (our default)
PLACES_PER_BRIDGE = 24
SUNK, INTO_FRAME_MM = 0.4, 5.0  # how far a bridge is sunk into the part, in widths, and into the frame


def place_bridges(outline: BaseGeometry, height_at: Callable[[FloatArray], FloatArray], barred: Barred, plan: BridgePlan) -> tuple[Bridge, ...]:
    """Bridges spread along the outline of a part, each straight across the channel; fewer than three where there is no room for more.

    outline: the part seen from above; height_at: of the parting surface at places (n, 2). Places are taken one by one, each as far from the others
    along the outline as allowed places go (farthest-point sampling).
    """
    from meshtools.geometry.outlines import polygons_of

    body = polygons_of(outline)[0]
    length = float(body.exterior.length)
    wanted = max(LEAST_BRIDGES, int(np.ceil(length / plan.spacing_mm)))
    places = length * np.arange(wanted * PLACES_PER_BRIDGE) / (wanted * PLACES_PER_BRIDGE)
    for deep in (1.0, SUNK):  # where the part is at least a bridge's width deep, else where it is thinner
        crossings = [_crossing(body, outline, place, plan, deep) for place in places]
        allowed = [k for k, ends in enumerate(crossings) if ends is not None and _is_off(ends, height_at, barred, plan)]
        if len(allowed) >= LEAST_BRIDGES * wanted:
            break
    chosen: list[int] = []
    while allowed and len(chosen) < wanted:
        if not chosen:
            chosen.append(allowed[0])
            continue
        gaps = [min(_around(places[k] - places[c], length) for c in chosen) for k in allowed]
        if max(gaps) < 2.0 * plan.width_mm:
            break
        chosen.append(allowed[int(np.argmax(gaps))])
    ends_of = [np.asarray(crossings[k]) for k in sorted(chosen)]
    lifted = [np.column_stack([ends, height_at(ends)]) for ends in ends_of]
    return tuple(Bridge(ends[0], ends[1], plan.width_mm) for ends in lifted)


def _around(gap: float, length: float) -> float:
    return min(abs(gap), length - abs(gap))


def _crossing(body: Any, outline: BaseGeometry, place: float, plan: BridgePlan, deep: float) -> FloatArray | None:
    """Ends (2, 2) of a bridge straight off the outline, sunk into part and frame; None where the part is less deep than `deep` widths there, or
    the bridge would meet the part again or go far to reach the frame."""
    import shapely

    reach = plan.width_mm
    before, at, after = (np.asarray(body.exterior.interpolate((place + shift) % body.exterior.length).coords[0]) for shift in (-reach, 0.0, reach))
    along = after - before
    size = float(np.sqrt(np.sum(along**2)))
    if size < 0.5 * reach:
        return None
    outward = np.array([along[1], -along[0]]) / size * (1.0 if body.exterior.is_ccw else -1.0)
    reaches = plan.channel_mm * np.array([1.0, 1.25, 1.5, 2.0])
    frame = next((end for end in (at + (r + INTO_FRAME_MM) * outward for r in reaches) if _in_frame(outline, end, plan)), None)
    if frame is None:
        return None
    sunk, deepest = at - SUNK * plan.width_mm * outward, at - deep * plan.width_mm * outward
    free = shapely.LineString([at + 0.35 * plan.width_mm * outward, frame]).buffer(plan.width_mm / 4.0)
    if not outline.contains(shapely.LineString([sunk, deepest + 1e-3 * outward])) or outline.intersects(free):
        return None
    return np.stack([sunk, frame])


def _in_frame(outline: BaseGeometry, place: FloatArray, plan: BridgePlan) -> bool:
    import shapely

    return bool(outline.distance(shapely.Point(place)) >= plan.channel_mm)


def _is_off(ends: FloatArray, height_at: Callable[[FloatArray], FloatArray], barred: Barred, plan: BridgePlan) -> bool:
    start = np.append(ends[0], height_at(ends[:1]))
    return all(((points - start) ** 2).sum(axis=1).min() >= (far_mm + plan.width_mm / 2.0) ** 2 for points, far_mm in barred if len(points))
