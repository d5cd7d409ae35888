"""The straight bore for a rod along a bone, or into one end of it: by the line that leaves the most wall, proven along its whole length."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.bore_search import Looks, look, prove_least, square_to, widen
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.mouths import Mouth, counted_skin
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.winding import is_inside
from meshtools.model import FloatArray, Mesh

N_LOOKS = 160  # places along the axis that the search looks from; the proof after it looks everywhere
N_GRID = 7  # lines tried to begin with go through a grid of so many points in either direction near both ends
N_STARTS, N_FINISHED = 6, 2  # so many are moved once, and the best of them to the end
MOST_STARTS = 24  # as long as none keeps the wall that is asked for
STATIONS = (0.12, 0.88)  # of the bone's length: where those grids lie
SPREAD_DEG = 40.0  # a blind bore from a given point is sought within this angle of square to the skin
MOUTH_ROUNDS = 3


@dataclass(frozen=True)
class BoreAsked:
    """What is asked of a bore: radius of the hole and least wall in mm; depth_mm: blind, so deep along the axis, None: through the bone.

    entry: a point (x, y, z) at the skin where it begins; towards: else a direction, it begins at the end that lies farthest that way.
    """

    radius_mm: float
    wall_mm: float
    depth_mm: float | None = None
    entry: tuple[float, float, float] | None = None
    towards: tuple[float, float, float] | None = None

    @property
    def clear_mm(self) -> float:
        """Radius and wall together."""
        return self.radius_mm + self.wall_mm


@dataclass(frozen=True, eq=False)
class Bore:
    """A straight bore: its axis from the skin at `start` (3,) to the skin at `end` (3,), or to its bottom where it is blind.

    wall_mm: the least wall that was found, at `thinnest` (3,) on the axis; proven_wall_mm: no place has less. Negative where it breaks through.
    """

    start: FloatArray
    end: FloatArray
    radius_mm: float
    is_blind: bool
    wall_mm: float
    proven_wall_mm: float
    thinnest: FloatArray

    @property
    def axis(self) -> FloatArray:
        """Unit direction (3,) from start to end."""
        return np.asarray((self.end - self.start) / self.depth_mm)

    @property
    def depth_mm(self) -> float:
        """Length of the axis in the bone."""
        return float(np.linalg.norm(self.end - self.start))

    def keeps(self, wall_mm: float) -> bool:
        """True where the wall is proven to be nowhere thinner."""
        return self.proven_wall_mm >= wall_mm


def lay_bore(mesh: Mesh, asked: BoreAsked) -> Bore:
    """The bore with the most wall. Lines through grids near both ends are compared, the best are moved until their wall grows no more; where none of
    them keeps the wall that is asked for, further ones are tried before it is refused.

    What counts as wall and what as mouth: geometry/mouths.py. The search is local, so a better line may exist; the wall of the line returned is
    proven by a bound, whatever the search did. GeometryError where no line meets the bone, or none is as deep as asked.
    """
    bone = _Bone(mesh)
    starts, bore = _starts(bone, asked), None
    for first in range(0, len(starts), N_STARTS):
        line = _best_of(bone, starts[first : first + N_STARTS], asked, N_FINISHED if first == 0 else N_STARTS)
        found = None if line is None else _proven(bone, line, asked)
        if found is not None and (bore is None or found.proven_wall_mm > bore.proven_wall_mm):
            bore = found
        if bore is not None and bore.keeps(asked.wall_mm):
            break
    if bore is None:
        depth = "" if asked.depth_mm is None else f" to a depth of {asked.depth_mm:g} mm"
        raise GeometryError(f"no straight bore was found that stays inside the bone{depth}; give another end or a smaller depth")
    return bore


def _best_of(bone: _Bone, starts: list[FloatArray], asked: BoreAsked, n_finished: int) -> FloatArray | None:
    """The line that comes out best of some to begin with; None where none meets the bone."""
    begun = [settled for line in starts if (settled := _settled(bone, line, asked, 1)) is not None]
    begun.sort(key=lambda settled: -settled[0])
    finished = [_settled(bone, line, asked, MOUTH_ROUNDS) for _, line in begun[:n_finished]]
    return max((settled for settled in finished if settled is not None), key=lambda settled: settled[0], default=(0.0, None))[1]


def check_bore(mesh: Mesh, line: tuple[FloatArray, FloatArray], asked: BoreAsked) -> Bore | None:
    """The wall of the bore along a given line (two points), proven; None where the line does not meet the bone."""
    return _proven(_Bone(mesh), np.stack(line), asked)


class _Bone:
    """A mesh with its tree, its long axis and its size."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh, self.skin = mesh, Surface(mesh)
        middles, areas = mesh.vertices[mesh.faces].mean(axis=1), mesh_areas(mesh)
        self.middle = (areas[:, None] * middles).sum(axis=0) / areas.sum()
        local = middles - self.middle
        axis = np.linalg.eigh((local * areas[:, None]).T @ local)[1][:, -1]
        self.axis = axis * (1.0 if axis[int(np.abs(axis).argmax())] > 0 else -1.0)
        self.size_mm = diagonal_mm(mesh.vertices)

    def depth(self, points: FloatArray) -> FloatArray:
        """Distance (n,) to the skin, negative outside the bone."""
        distance, _ = self.skin.distance(points)
        return np.where(is_inside(self.mesh, points), distance, -distance)


def _ends(bone: _Bone, line: FloatArray, asked: BoreAsked) -> tuple[FloatArray, FloatArray] | None:
    """Where the line (2, 3), gone along from its first point to its second, first meets the skin, and where it ends."""
    way = line[1] - line[0]
    way = way / np.sqrt(np.sum(way**2))
    far = 2.0 * bone.size_mm * way
    hits = bone.skin.first_hit(np.stack([line[0] - far, line[1] + far]), np.stack([way, -way]))
    if not np.isfinite(hits).all():
        return None
    start = line[0] - far + hits[0] * way
    end = line[1] + far - hits[1] * way
    if asked.entry is not None:
        start = line[0]
    if asked.depth_mm is not None:
        if float((end - start) @ way) <= asked.depth_mm:
            return None
        return start, start + asked.depth_mm * way
    return (start, end) if float((end - start) @ way) > 0 else None


def _skin_for(bone: _Bone, ends: tuple[FloatArray, FloatArray], asked: BoreAsked) -> Surface:
    length = float(np.linalg.norm(ends[1] - ends[0]))
    way = (ends[1] - ends[0]) / length
    mouths = [Mouth(ends[0], -way)] + ([Mouth(ends[1], way)] if asked.depth_mm is None else [])
    return counted_skin(bone.mesh, mouths, asked.clear_mm, length)


def _settled(bone: _Bone, line: FloatArray, asked: BoreAsked, n_rounds: int) -> tuple[float, FloatArray] | None:
    """Move a line until its wall grows no more; its mouths move with it, so in rounds. The least distance and the line of the best round."""
    is_free = np.array([asked.entry is None, True])
    best: tuple[float, FloatArray] | None = None
    for number in range(n_rounds + 1):
        ends = _ends(bone, line, asked)
        if ends is None:
            break
        skin = _skin_for(bone, ends, asked)
        seen = _look(bone, skin, np.stack(ends), asked)
        if seen is None or (best is not None and seen.least_mm <= best[0]):
            break
        best = (seen.least_mm, np.stack(ends))
        if number < n_rounds:
            line, _ = widen(best[1], is_free, lambda corners, skin=skin: _look(bone, skin, corners, asked))  # type: ignore[misc]
    return best


def _look(bone: _Bone, skin: Surface, line: FloatArray, asked: BoreAsked) -> Looks | None:
    ends = _ends(bone, line, asked)
    if ends is None:
        return None
    points = ends[0] + np.linspace(0.0, 1.0, N_LOOKS)[:, None] * (ends[1] - ends[0])
    along = line[1] - line[0]
    return look(points, (0, 1), (points - line[0]) @ along / float(along @ along), skin)


def _proven(bone: _Bone, line: FloatArray, asked: BoreAsked) -> Bore | None:
    ends = _ends(bone, line, asked)
    if ends is None:
        return None
    start, end = ends
    length = float(np.linalg.norm(end - start))
    way = (end - start) / length
    least = prove_least(_skin_for(bone, ends, asked), lambda at: start + at[:, None] * way, 0.0, length)
    place = start + least.place_mm * way
    wall, proven = least.found_mm - asked.radius_mm, least.proven_mm - asked.radius_mm
    margin = min(asked.clear_mm, length / 4)
    points = start + np.linspace(margin, length - (margin if asked.depth_mm is None else 0.0), N_LOOKS)[:, None] * way
    outside = ~is_inside(bone.mesh, points)
    if outside.any():  # it leaves the bone on its way, through a hollow or beside it
        place = points[outside][0]
        wall = proven = -asked.radius_mm - float(bone.skin.distance(place[None])[0][0])
    return Bore(start, end, asked.radius_mm, asked.depth_mm is not None, wall, proven, place)


def _starts(bone: _Bone, asked: BoreAsked) -> list[FloatArray]:
    """Lines (2, 3) to begin with, those with the most wall over their middle first."""
    pairs = _from_point(bone, asked) if asked.entry is not None and asked.depth_mm is not None else _through_grids(bone, asked)
    if not len(pairs):
        return []
    shares = np.linspace(0.0, 1.0, 25)[1:]
    points = pairs[:, None, 0] + shares[:, None] * (pairs[:, 1] - pairs[:, 0])[:, None]
    depths = bone.depth(points.reshape(-1, 3)).reshape(len(pairs), -1)
    if asked.entry is not None:  # near the given point all are as near to the skin
        depths = depths[:, len(shares) // 4 :]
    least = depths.min(axis=1)
    order = np.argsort(-least, kind="stable")
    chosen: list[int] = []
    apart = 0.01 * bone.size_mm
    for row in order:
        if least[row] > 0 and all(np.abs(pairs[row] - pairs[other]).max() > apart for other in chosen):
            chosen.append(int(row))
        if len(chosen) == MOST_STARTS:
            break
    return [pairs[row] for row in chosen or order[:1]]  # where none stays inside, the best shows where it comes out


def _through_grids(bone: _Bone, asked: BoreAsked) -> FloatArray:
    """Lines (n, 2, 3) through two slices of the bone, from the end where the bore begins."""
    towards = np.array(asked.towards if asked.towards is not None else -bone.axis)
    if asked.entry is not None:
        towards = np.array(asked.entry) - bone.middle
    way = bone.axis if bone.axis @ towards <= 0 else -bone.axis
    along = (bone.mesh.vertices - bone.middle) @ way
    low, length = float(along.min()), float(np.ptp(along))
    near, far = (low + share * length for share in STATIONS)
    if asked.depth_mm is not None:
        far = min(low + asked.depth_mm, far)
        near = min(near, low + 0.3 * asked.depth_mm)
    first = np.array(asked.entry)[None] if asked.entry is not None else _slice_points(bone, way, near)
    second = _slice_points(bone, way, far)
    if not len(first) or not len(second):
        raise GeometryError("the bone has no inside near one of its ends; look at the replica")
    one, other = np.meshgrid(np.arange(len(first)), np.arange(len(second)), indexing="ij")
    return np.stack([first[one.ravel()], second[other.ravel()]], axis=1)


def _slice_points(bone: _Bone, way: FloatArray, at_mm: float) -> FloatArray:
    """Points of a grid that lie inside the bone in a slice across `way`, and the one deepest inside."""
    sideways = square_to(way)
    local = bone.mesh.vertices - bone.middle
    near = np.abs(local @ way - at_mm) < 0.04 * bone.size_mm
    flat = local[near] @ sideways.T if near.any() else local @ sideways.T
    low, high = flat.min(axis=0), flat.max(axis=0)
    fine = [np.linspace(low[k], high[k], 4 * N_GRID + 1)[1:-1] for k in range(2)]
    grid = np.stack(np.meshgrid(*fine, indexing="ij"), axis=-1).reshape(-1, 2)
    points = bone.middle + at_mm * way + grid @ sideways
    depth = bone.depth(points)
    points, depth = points[depth > 0], depth[depth > 0]
    if not len(points):
        return np.asarray(points)
    order = np.argsort(-depth, kind="stable")[: N_GRID * N_GRID * 4]
    return np.asarray(points[order[:: max(1, len(order) // (N_GRID * N_GRID))]])


def _from_point(bone: _Bone, asked: BoreAsked) -> FloatArray:
    """Lines (n, 2, 3) from the skin at a given point, within 40 degrees of square to it."""
    start, inward = entry_at(bone.mesh, bone.skin, np.array(asked.entry), asked.radius_mm)
    sideways = square_to(inward)
    reach = np.tan(np.radians(SPREAD_DEG))
    steps = np.linspace(-reach, reach, N_GRID)
    aside = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)
    ways = inward + aside[(aside**2).sum(axis=1) <= reach**2 + 1e-9] @ sideways
    ways /= np.sqrt((ways**2).sum(axis=1))[:, None]
    return np.stack([np.broadcast_to(start, ways.shape), start + float(asked.depth_mm or 0.0) * ways], axis=1)


def entry_at(mesh: Mesh, skin: Surface, point: FloatArray, radius_mm: float) -> tuple[FloatArray, FloatArray]:
    """The skin's point (3,) nearest to a given one, and the unit direction (3,) into the bone: the mean of the skin within the hole's radius."""
    _, faces, nearest = skin.project(point[None])
    areas, normals = mesh_areas(mesh), unit_normals(mesh)
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    rows = np.flatnonzero(((middles - nearest[0]) ** 2).sum(axis=1) <= radius_mm**2)
    rows = np.union1d(rows, faces[:1])
    rows = rows[normals[rows] @ normals[faces[0]] > 0]
    inward = -(areas[rows, None] * normals[rows]).sum(axis=0)
    return np.asarray(nearest[0]), np.asarray(inward / np.sqrt(np.sum(inward**2)))
