"""What a mould needs besides its pieces: keys between the halves, a pour at the highest point, vents at the other high points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled
from meshtools.geometry.parting import Block, Membrane, under_membrane, upright
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.shadow import Solid
from meshtools.model import FloatArray, Mesh

N_KEYS = 4
LARGE_KEY = 1.5  # diameter of the first key, in those of the others
_TAPER = 0.7  # diameter of a key's end, of its foot: about 14 degrees of draft
_HEIGHT = 0.6  # of a key, in its diameters
_FLARE = (1 - _TAPER) / 2 / _HEIGHT  # by so much a key's radius grows for each millimetre down
_FOOT_MM = 1.0  # a key reaches so far below the lowest place of the parting surface beneath it
_BESIDE_MM = 1.0  # a key's foot stays so far from bone, rim and side pieces, seen from above
_STEEPEST_KEY_DEG = 35.0
_ROUND = 32  # sides of a round body
LEAST_MISFIT_MM = 2.0  # in a wrong position at least one key stands so far off every socket
_MOUTH_MM = 1.0  # a vent begins so far below the high point it serves


@dataclass(frozen=True, eq=False)
class Key:
    """A round key of the lower half: place (2,) on the table, height of the parting surface there, how far that surface falls within the key's
    reach, diameter where the key leaves it; the ground (shapely) that its foot, wider the deeper it reaches, may stand on: None for all."""

    place: FloatArray
    level_mm: float
    drop_mm: float
    diameter_mm: float
    ground: Any = None

    def body(self, clearance_mm: float) -> Solid:
        """The key, larger all round by the clearance."""
        import manifold3d
        import shapely

        foot = self.drop_mm + _FOOT_MM
        height = _HEIGHT * self.diameter_mm
        low, high = self.diameter_mm / 2 + foot * _FLARE + clearance_mm, self.diameter_mm / 2 * _TAPER + clearance_mm
        body = manifold3d.Manifold.cylinder(foot + height + clearance_mm, low, high, _ROUND)
        body = body.translate((float(self.place[0]), float(self.place[1]), self.level_mm - foot))
        ground = None if self.ground is None else self.ground.buffer(clearance_mm)
        is_within = ground is None or ground.contains(shapely.Point(self.place).buffer(low))
        return body if is_within else body ^ upright(ground, self.level_mm - foot - 1.0, self.level_mm + height + clearance_mm + 1.0)


@dataclass(frozen=True, eq=False)
class Port:
    """A pour or a vent: the high point (3,) of the cavity that it serves, how far that stands above its surroundings, and its body."""

    kind: str
    point: FloatArray
    prominence_mm: float
    diameter_mm: float
    body: Solid


def place_keys(block: Block, membrane: Membrane, sides: Sequence[Solid], diameter_mm: float) -> tuple[Key, ...]:
    """Keys on the flange where it is not too steep, far from one another, clear of bone, rim and side pieces. Fewer than N_KEYS where there is
    no room."""
    import shapely

    room = LARGE_KEY * diameter_mm / 2 + 2.0
    taken = shapely.union_all([block.bone_outline, *(seen_from_above(side) for side in sides)])
    free = block.outline.buffer(-room).difference(taken.buffer(room))
    ground = block.outline.buffer(-_BESIDE_MM).difference(taken.buffer(_BESIDE_MM))
    nx, ny = membrane.height_mm.shape
    x, y = membrane.x0_mm + membrane.step_mm * np.arange(nx), membrane.y0_mm + membrane.step_mm * np.arange(ny)
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=2).reshape(-1, 2)
    fall, slope = (field.ravel() for field in _falls(membrane, room))
    is_free = shapely.contains_xy(free, grid[:, 0], grid[:, 1]) & (slope < _STEEPEST_KEY_DEG)
    places, slope, level, fall = grid[is_free], slope[is_free], membrane.height_mm.ravel()[is_free], fall[is_free]
    chosen: list[int] = []
    while len(chosen) < min(N_KEYS, len(places)):
        middle = places.mean(axis=0)
        gap = np.min([np.linalg.norm(places - places[k], axis=1) for k in chosen] or [np.linalg.norm(places - middle, axis=1)], axis=0)
        k = int(np.argmax(gap - 0.1 * slope))
        if chosen and gap[k] < 2 * room:
            break
        chosen.append(k)
    sizes = [LARGE_KEY * diameter_mm] + [diameter_mm] * N_KEYS
    return tuple(Key(places[k], float(level[k]), float(fall[k]), size, ground) for k, size in zip(chosen, sizes, strict=False))


def key_layer(membrane: Membrane, diameter_mm: float) -> Solid:
    """All that lies so near to the parting surface that a key may reach it: only what is in it has to be kept clear of keys."""
    room = LARGE_KEY * diameter_mm / 2 + 2.0
    deep = _FOOT_MM + 2.0 * room * float(np.tan(np.radians(_STEEPEST_KEY_DEG))) + 1.0
    above, below = (replace(membrane, height_mm=membrane.height_mm + shift) for shift in (_HEIGHT * LARGE_KEY * diameter_mm + 3.0, -deep))
    end = float(below.height_mm.min()) - 1.0
    return under_membrane(above, end) - under_membrane(below, end - 1.0)


def _falls(membrane: Membrane, reach_mm: float) -> tuple[FloatArray, FloatArray]:
    """(nx, ny) how far the parting surface falls within the reach of each place, and its mean slope there between highest and lowest, degrees."""
    from scipy.ndimage import maximum_filter, minimum_filter

    n = int(np.ceil(reach_mm / membrane.step_mm))
    cells = np.arange(-n, n + 1)
    disc = np.hypot(*np.meshgrid(cells, cells)) <= n + 0.5
    low, high = minimum_filter(membrane.height_mm, footprint=disc), maximum_filter(membrane.height_mm, footprint=disc)
    return membrane.height_mm - low, np.degrees(np.arctan((high - low) / (2 * n * membrane.step_mm)))


def clear_of(block: Block, sides: Sequence[Solid]) -> Block:
    """The block with an outline that leaves out where side pieces are, seen from above."""
    outline = block.outline
    for side in sides:
        outline = outline.difference(seen_from_above(side))
    return replace(block, outline=outline)


def seen_from_above(solid: Solid) -> Any:
    """The outline of a body on the table (shapely geometry)."""
    import shapely

    loops = [shapely.Polygon(loop).buffer(0) for loop in solid.project().to_polygons() if len(loop) > 2]
    return shapely.union_all(loops)


def wrong_way_misfit(keys: Sequence[Key]) -> float | None:
    """How far a key stands off the nearest socket in the best wrong position of the upper half, in mm; None where the keys allow none.

    The large key fits its own socket only, so wrong positions are turns about it that bring one small key to another's socket.
    """
    if len(keys) < 2:
        return 0.0
    small = np.array([key.place for key in keys[1:]]) - keys[0].place
    turn = np.arctan2(small[:, 1], small[:, 0])
    misfit = np.inf
    for i in range(len(small)):
        for j in range(len(small)):
            if i != j:
                c, s = np.cos(turn[j] - turn[i]), np.sin(turn[j] - turn[i])
                moved = np.column_stack([c * small[:, 0] - s * small[:, 1], s * small[:, 0] + c * small[:, 1]])
                apart = np.linalg.norm(moved[:, None] - small[None], axis=2)
                if (apart.argmin(axis=1) != np.arange(len(small))).any():  # else it is a little turn about the right position
                    misfit = min(misfit, float(apart.min(axis=1).max()))
    return misfit if np.isfinite(misfit) else None


def high_points(mesh: Mesh, up: FloatArray, least_mm: float) -> tuple[tuple[FloatArray, float], ...]:
    """Where air is caught while a cavity of this shape fills from below: points (3,) higher than all around them, highest first, each with its
    prominence: how far one has to come down along the surface to reach a higher point. The highest one's is the height of the whole.

    Method: merging of the parts of the surface above a falling level (persistence of the height function).
    """
    height = np.einsum("ij,j->i", mesh.vertices, up)
    order = np.argsort(-height, kind="stable")
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    edges = np.sort(rank[np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])], axis=1)
    edges = np.unique(edges, axis=0)
    edges = edges[np.argsort(edges[:, 1], kind="stable")]
    prominence = np.zeros(len(order))
    _merge_down(edges, height[order], prominence)
    normals = np.zeros((len(order), 3))
    vectors = area_vectors(mesh.vertices, mesh.faces)
    for corner in range(3):
        np.add.at(normals, mesh.faces[:, corner], vectors)
    is_peak = (prominence >= least_mm) & (np.einsum("ij,j->i", normals[order], up) > 0.0)
    return tuple((mesh.vertices[order[k]], float(prominence[k])) for k in np.flatnonzero(is_peak))


@compiled
def _merge_down(edges: Any, height: Any, prominence: Any) -> None:
    """Vertices in falling order; edges name the higher vertex first and come in the order of their lower one."""
    parent = np.arange(len(height))
    for k in range(len(height)):
        prominence[k] = height[k] - height[-1]
    for e in range(len(edges)):
        a, b = edges[e, 0], edges[e, 1]
        while parent[a] != a:
            parent[a] = parent[parent[a]]
            a = parent[a]
        while parent[b] != b:
            parent[b] = parent[parent[b]]
            b = parent[b]
        if a != b:
            high, low = min(a, b), max(a, b)
            prominence[low] = height[low] - height[edges[e, 1]]
            parent[low] = high


def plan_ports(mesh: Mesh, block: Block, pour_mm: float, vent_mm: float, least_mm: float) -> tuple[float, tuple[Port, ...]]:
    """Which half is on top while pouring (1 the upper, -1 the lower; the one with fewer high points), and its pour and vents.

    They run straight up, along the withdrawal of the half that they pass through, so that they hold nothing fast.
    """
    both = {way: high_points(mesh, np.array([0.0, 0.0, way]), least_mm) for way in (1.0, -1.0)}
    way = min(both, key=lambda way: (len(both[way]), -way))
    end = block.top_mm if way > 0 else -block.floor_mm
    ports: list[Port] = []
    for point, prominence in both[way]:
        kind, diameter = ("vent", vent_mm) if ports else ("pour", pour_mm)
        if any(np.linalg.norm(point[:2] - port.point[:2]) <= port.diameter_mm / 2 and point[2] * way <= port.point[2] * way + 1e-9
               and port.point[2] * way - point[2] * way <= _MOUTH_MM for port in ports):
            continue
        ports.append(Port(kind, point, prominence, diameter, _port_body(point, way, end, diameter, kind)))
    return way, tuple(ports)


def _port_body(point: FloatArray, way: float, end: float, diameter_mm: float, kind: str) -> Solid:
    import manifold3d

    start = float(point[2]) * way - _MOUTH_MM
    length = end - start + 1.0
    outer = diameter_mm if kind == "pour" else diameter_mm / 2
    body = manifold3d.Manifold.cylinder(length, diameter_mm / 2, outer, _ROUND).translate((0.0, 0.0, start))
    if way < 0:
        body = body.rotate((180.0, 0.0, 0.0))
    return body.translate((float(point[0]), float(point[1]), 0.0))
