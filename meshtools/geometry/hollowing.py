"""Hollow a solid to a wall of even thickness: one cavity, its wall measured, with a vent at its highest and a drain at its lowest place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.body import frame_about, parts_of, rod, solid_from, solid_of, surface_of, without_chips
from meshtools.geometry.contour import contour
from meshtools.geometry.distance import Surface
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.shared_edges import part_shared_edges
from meshtools.geometry.simplify import simplify_around
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh

LEAST_SHARE = 0.98  # of the wished wall, everywhere
_STEPS_PER_WALL = 2.5
_MOST_STEPS = 300  # along the longest side of a part
_KEEPING_ROUNDS = 4
_FEWER_ROUNDS, _FEWER_SHARE = 3, 0.4  # how often the cavity is simplified, and to which share of its faces each time
_FIRST_MARGIN = 1.04  # of the wall: laid out first, as simplifying takes some away
_MOST_TRIALS = 4
_LEAST_CAVITY_MM3 = 500.0
_SUMP_SHARES = (0.02, 0.05, 0.1, 0.2)  # of the cavity's height, within which a place still counts as its lowest where none lower is clear
_N_OPENINGS_TRIED, _N_SECTIONS_TRIED = 400, 60
_OPEN_ENOUGH = 0.6  # of a hole's section
LEAST_OPEN_SHARE = 0.25  # of a hole's section: a cavity that opens less than this would keep its resin or powder


@dataclass(frozen=True, eq=False)
class Cavity:
    """A cavity to be taken out of a solid.

    solid: the cavity itself; least_wall_mm: exact least distance from it to the outer skin (never above searched_mm, up to which it was looked
    for); n_left_solid, left_solid_mm3: smaller cavities that stay solid, so that there is one.
    """

    solid: Any
    volume_mm3: float
    least_wall_mm: float
    searched_mm: float
    n_left_solid: int
    left_solid_mm3: float


Bosses = tuple[tuple[FloatArray, float], ...]
"""Points (n, 3) and a radius around them, again and again: what stays solid."""


def find_cavity(solid: Any, mesh: Mesh, wall_mm: float, bosses: Bosses = ()) -> Cavity | None:
    """The largest body inside a solid that is everywhere at least LEAST_SHARE of the wall away from its skin; None where there is none of size.

    mesh: the solid's surface. bosses: places that stay solid. The body is the level set of the exact
    distance to the skin on a grid, a little further in than the wall; its distance from the skin is then measured face to face, and the body is
    moved further in where it comes out short.
    """
    extents = np.ptp(mesh.vertices, axis=0)
    step = max(wall_mm / _STEPS_PER_WALL, float(extents.max()) / _MOST_STEPS)
    inside = _Inside(mesh, bosses)
    searched = 1.1 * wall_mm
    outside = _complement(solid, mesh)
    target = _FIRST_MARGIN * wall_mm
    for _ in range(_MOST_TRIALS):
        cavity, dropped = _level_body(inside, mesh, target, step)
        if cavity is None or cavity.volume() < _LEAST_CAVITY_MM3:
            return None
        least = float(outside.min_gap(cavity, searched))
        if least >= LEAST_SHARE * wall_mm:
            return Cavity(cavity, float(cavity.volume()), least, searched, len(dropped), float(sum(body.volume() for body in dropped)))
        target += wall_mm - least
    return None


def _level_body(inside: _Inside, mesh: Mesh, target_mm: float, step_mm: float) -> tuple[Any, list[Any]]:
    """The largest body further in than the target, without voids, and the smaller ones."""
    box = mesh.vertices.min(axis=0) - 1.5 * step_mm, mesh.vertices.max(axis=0) + 1.5 * step_mm
    # The middle of a kept cell lies deeper than target - half diagonal. A point of it beyond the skin is then less than 2 half diagonals -
    # target away from the skin: while the half diagonal is below the target, it stays below zero even when taken for one within.
    vertices, faces = contour(lambda points, is_within: inside.depth_beyond(points, target_mm, is_within), box, step_mm, 0.99 * target_mm)
    if not len(faces):
        return None, []
    bodies, _ = parts_of(solid_from(vertices, faces))
    if not bodies:
        return None, []
    lighter, _ = parts_of(solid_of(_with_fewer_faces(surface_of(bodies[0]))))  # a thin neck may come apart with fewer faces
    return (lighter[0], [*lighter[1:], *bodies[1:]]) if lighter else (None, [])


def _with_fewer_faces(mesh: Mesh) -> Mesh:
    """The cavity with fewer faces, as long as it comes out closed and without crossings; the wall is measured afterwards."""
    for _ in range(_FEWER_ROUNDS):
        lighter = _simplified(mesh)
        if lighter is None:
            break
        mesh = lighter
    return mesh


def _simplified(mesh: Mesh) -> Mesh | None:
    """One round of simplification. Where faces come out crossing, those around are kept and it is done again."""
    from scipy.spatial import cKDTree

    is_kept = np.zeros(len(mesh.faces), dtype=bool)
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    for _ in range(_KEEPING_ROUNDS):
        lighter = simplify_around(mesh, is_kept, _FEWER_SHARE * len(mesh.faces))
        lighter = None if lighter is None else part_shared_edges(lighter, 0.0)
        if lighter is None or not audit_topology(lighter).is_closed:
            return None
        crossings = count_self_intersections(lighter)
        if not crossings.n_pairs:
            return lighter
        corners = lighter.vertices[lighter.faces[crossings.faces]]
        reach = 2.0 * float(np.sqrt(((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2)).max())
        is_kept |= cKDTree(corners.reshape(-1, 3)).query(middles)[0] < reach
    return None


def _complement(solid: Any, mesh: Mesh) -> Any:
    """All space around a solid, as far as matters."""
    import manifold3d

    low, high = mesh.vertices.min(axis=0) - 10.0, mesh.vertices.max(axis=0) + 10.0
    return manifold3d.Manifold.cube(tuple(high - low)).translate(tuple(low)) - solid


class _Inside:
    """How far inside a closed surface points lie."""

    def __init__(self, mesh: Mesh, bosses: Bosses) -> None:
        from scipy.spatial import cKDTree

        self.surface, self.mesh = Surface(mesh), mesh
        self.bosses = [(cKDTree(points), radius) for points, radius in bosses if len(points) and radius > 0.0]

    def depth_beyond(self, points: FloatArray, target_mm: float, is_within: bool) -> FloatArray:
        """Distance (n,) inside the skin less the target, below zero outside; near a boss what lacks to its edge where that is less.

        is_within: all points are known to lie inside.
        """
        depth, _ = self.surface.distance(points)
        if not is_within:
            depth = np.where(is_inside(self.mesh, points), depth, -depth)
        beyond = depth - target_mm
        for tree, radius in self.bosses:
            beyond = np.minimum(beyond, tree.query(points)[0] - radius)
        return np.asarray(beyond)


@dataclass(frozen=True, eq=False)
class Opening:
    """A round hole from the cavity to the outside: start in the cavity and mouth on the skin (3,), diameter; how far it lies from the cavity's
    very lowest or highest place; whether it is clear of what it should stay away from; open_share of its section that opens into the cavity."""

    start: FloatArray
    mouth: FloatArray
    diameter_mm: float
    off_extreme_mm: float
    is_clear: bool
    open_share: float


def place_opening(cavity: Any, skin: Surface, up: FloatArray, diameter_mm: float, keep_off: tuple[FloatArray, FloatArray]) -> Opening:
    """A hole near the place of the cavity that lies farthest along -up (give -up for a vent at the top), through the thinnest wall there.

    keep_off: points (n, 3) and how far (n,) the hole's mouth stays from each. The lowest clear place is taken where most of the hole's section opens
    into the cavity: its very lowest place is often a narrow end. Where there is none the widest clear one is taken, else the lowest.
    """
    corners = np.asarray(cavity.to_mesh64().vert_properties, dtype=np.float64)[:, :3]
    heights, mesh = corners @ up, surface_of(cavity)
    order = np.argsort(np.round(heights, 6), kind="stable")
    best: Opening | None = None
    for share in _SUMP_SHARES:
        is_near = heights[order] <= heights.min() + max(share * float(np.ptp(heights)), 1.0)
        chosen = _some(order[: max(int(is_near.sum()), 1)], _N_OPENINGS_TRIED)
        mouths = skin.project(corners[chosen])[2]
        clear = _is_clear(mouths, keep_off, diameter_mm / 2.0)
        rows = _some(np.flatnonzero(clear), _N_SECTIONS_TRIED) if clear.any() else np.array([0])
        starts, shares = _ways_in(mesh, corners[chosen[rows]], mouths[rows], diameter_mm)
        is_wide = shares >= _OPEN_ENOUGH
        row = int(np.argmax(is_wide) if is_wide.any() else np.argmax(shares))
        place = rows[row]
        off = float(heights[chosen[place]] - heights.min())
        found = Opening(starts[row], mouths[place], diameter_mm, off, bool(clear[place]), float(shares[row]))
        if best is None or (found.is_clear, found.open_share) > (best.is_clear, best.open_share):
            best = found
        if best.is_clear and best.open_share >= _OPEN_ENOUGH:
            break
    assert best is not None
    return best


def _some(rows: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most so many of the rows, spread evenly, the first among them."""
    return rows[np.unique(np.linspace(0, len(rows) - 1, min(most, len(rows))).astype(np.int64))]


def _is_clear(mouths: FloatArray, keep_off: tuple[FloatArray, FloatArray], radius_mm: float) -> NDArray[np.bool_]:
    """(n,) True where a mouth is away from all points to keep off."""
    if not len(keep_off[0]):
        return np.ones(len(mouths), dtype=bool)
    gap = np.sqrt(((mouths[:, None, :] - keep_off[0][None]) ** 2).sum(axis=2)) - keep_off[1][None]
    return np.asarray((gap > radius_mm).all(axis=1))


def _ways_in(cavity: Mesh, places: FloatArray, mouths: FloatArray, diameter_mm: float) -> tuple[FloatArray, FloatArray]:
    """How far into the cavity the holes at places (n, 3) begin, up to their own diameter, so that most of their section opens; and the shares (n,)
    that do."""
    inward = (places - mouths) / np.sqrt(((places - mouths) ** 2).sum(axis=1))[:, None]
    turns = 2.0 * np.pi * np.arange(12) / 12
    rounds = np.concatenate([np.sqrt(share) * np.column_stack([np.cos(turns), np.sin(turns)]) for share in (0.125, 0.375, 0.625, 0.875)])
    discs = diameter_mm / 2.0 * np.stack([rounds @ frame_about(way)[:2] for way in inward])
    starts = places[:, None] + (np.linspace(0.125, 1.0, 8) * diameter_mm)[None, :, None] * inward[:, None]
    points = starts[:, :, None] + discs[:, None]
    shares = is_inside(cavity, points.reshape(-1, 3)).reshape(points.shape[:3]).mean(axis=2)
    is_wide = shares >= _OPEN_ENOUGH
    step = np.where(is_wide.any(axis=1), np.argmax(is_wide, axis=1), np.argmax(shares, axis=1))
    number = np.arange(len(places))
    return starts[number, step], shares[number, step]


def drill(solid: Any, openings: tuple[Opening, ...]) -> Any:
    """Cut round holes from the cavity to the outside."""
    import manifold3d

    rods = []
    for opening in openings:
        way = opening.mouth - opening.start
        way = way / np.sqrt(np.sum(way**2))
        radius = opening.diameter_mm / 2.0
        rods.append(rod(opening.start, opening.mouth + 1.5 * radius * way, radius))
    return without_chips(manifold3d.Manifold.batch_boolean([solid, *rods], manifold3d.OpType.Subtract))


def is_open(hollow: Any, outer_genus: int, n_openings: int, cavity_genus: int) -> bool:
    """Whether cavity and outside are one connected surface: one body of one surface, with the handles that as many open holes give it."""
    return len(hollow.decompose()) == 1 and int(hollow.genus()) == outer_genus + cavity_genus + n_openings - 1
