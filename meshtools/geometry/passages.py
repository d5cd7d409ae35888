"""Blind pits and tunnels: holes of the bone that a person keeps open, made in a closed replica at their stated width and depth.

A scan seldom sees into a foramen, so its rim is all that is known. The rim is closed like any other, and a straight hole is then cut
through that cap: to a stated depth, or to the rim at the other end of the canal. Its wall is nobody's bone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.unite import concatenate, kernel_solid, mesh_of_solid
from meshtools.model import FloatArray, Mesh, Opening

SIDES = 48
MADE_GREY = 0xDD


@dataclass(frozen=True, eq=False)
class KeptRim:
    """A rim that a row of openings.csv keeps: its corners (k, 3) mm in the order of its faces, and that row."""

    points: FloatArray
    opening: Opening

    @property
    def centre_mm(self) -> FloatArray:
        """Mean of the corners (3,)."""
        centre: FloatArray = self.points.mean(axis=0)
        return centre

    @property
    def inward(self) -> FloatArray:
        """Unit direction (3,) into the bone: the rim's area vector, which points along the direction in which its faces run around it."""
        local = self.points - self.centre_mm
        area = np.cross(local, np.roll(local, -1, axis=0)).sum(axis=0)
        direction: FloatArray = area / np.sqrt(np.sum(area**2))
        return direction

    @property
    def width_mm(self) -> float:
        """The stated width, but never more than the rim spans."""
        return float(min(self.opening.diameter_mm, greatest_length(self.points)))


@dataclass(frozen=True)
class Passages:
    """What was cut. is_as_planned: the surface has the handles it should have, one more for each tunnel and none for a pit."""

    mesh: Mesh
    n_pits: int
    n_tunnels: int
    is_as_planned: bool


def passage_tools(kept: Sequence[KeptRim], source_index: int, has_colour: bool) -> tuple[tuple[Mesh, ...], tuple[Mesh, ...]]:
    """Closed bodies to be cut out, in the frame of the rims: one for every pit, and one for every pair of rims with the same passage."""
    pits = tuple(_pit(rim, source_index, has_colour) for rim in kept if rim.opening.depth_mm)
    pairs: dict[tuple[str, str], list[KeptRim]] = {}
    for rim in kept:
        if rim.opening.passage:
            pairs.setdefault((rim.opening.find, rim.opening.passage), []).append(rim)
    tunnels = tuple(_tunnel(pair[0], pair[1], source_index, has_colour) for pair in pairs.values() if len(pair) == 2)
    return pits, tunnels


def cut_passages(mesh: Mesh, pits: Sequence[Mesh], tunnels: Sequence[Mesh]) -> Passages:
    """Take the bodies out of a closed mesh by an exact boolean; every face keeps its source. GeometryError where the kernel refuses one."""
    import manifold3d

    tools = [*pits, *tunnels]
    if not tools:
        return Passages(mesh, 0, 0, True)
    joint = concatenate([mesh, *tools])
    starts = np.cumsum([0, len(mesh.faces), *(len(tool.faces) for tool in tools)])
    solids = [kernel_solid(joint, np.arange(start, end)) for start, end in pairwise(starts)]
    if any(solid is None for solid in solids):
        raise GeometryError("the pits and tunnels of openings.csv could not be cut into this bone; check their places, widths and depths")
    cut = mesh_of_solid(manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Subtract), joint)
    return Passages(cut, len(pits), len(tunnels), euler_number(cut) == euler_number(mesh) - 2 * len(tunnels))


def euler_number(mesh: Mesh) -> int:
    """Corners - edges + faces of a closed mesh: 2 for each body, 2 less for each tunnel through it."""
    return len(np.unique(mesh.faces)) - len(mesh.faces) * 3 // 2 + len(mesh.faces)


def _pit(rim: KeptRim, source_index: int, has_colour: bool) -> Mesh:
    start = rim.centre_mm - _lead_mm(rim) * rim.inward
    end = rim.centre_mm + float(rim.opening.depth_mm or 0.0) * rim.inward
    return frustum((start, end), (rim.width_mm, rim.width_mm), source_index, has_colour)


def _tunnel(first: KeptRim, second: KeptRim, source_index: int, has_colour: bool) -> Mesh:
    """A straight passage between two rims, which reaches just beyond both caps."""
    way = second.centre_mm - first.centre_mm
    way = way / np.sqrt(np.sum(way**2))
    ends = (first.centre_mm - _lead_mm(first) * way, second.centre_mm + _lead_mm(second) * way)
    return frustum(ends, (first.width_mm, second.width_mm), source_index, has_colour)


def _lead_mm(rim: KeptRim) -> float:
    """How far before the rim's centre the cut begins: above its highest corner."""
    height = float(np.max((rim.points - rim.centre_mm) @ -rim.inward))
    return max(height, 0.0) + 0.05 * rim.width_mm


def frustum(ends: tuple[FloatArray, FloatArray], widths_mm: tuple[float, float], source_index: int, has_colour: bool) -> Mesh:
    """A closed outward round body between two points (3,), with a diameter at each."""
    axis = ends[1] - ends[0]
    axis = axis / np.sqrt(np.sum(axis**2))
    aside = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    aside /= np.sqrt(np.sum(aside**2))
    angles = 2.0 * np.pi * np.arange(SIDES) / SIDES
    ring = np.cos(angles)[:, None] * aside + np.sin(angles)[:, None] * np.cross(axis, aside)
    vertices = np.concatenate([ends[0] + widths_mm[0] / 2.0 * ring, ends[1] + widths_mm[1] / 2.0 * ring, np.array(ends)])
    this, following = np.arange(SIDES), np.roll(np.arange(SIDES), -1)
    faces = np.concatenate([
        np.column_stack([this, following, following + SIDES]),
        np.column_stack([this, following + SIDES, this + SIDES]),
        np.column_stack([following, this, np.full(SIDES, 2 * SIDES)]),
        np.column_stack([this + SIDES, following + SIDES, np.full(SIDES, 2 * SIDES + 1)]),
    ])
    colour = np.full((len(vertices), 3), MADE_GREY) if has_colour else None
    return Mesh.create(vertices, faces, source_index, colour)
