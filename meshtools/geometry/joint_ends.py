"""Where two bones of one frame face each other: the patches of a joint, the gap between them, how deep they overlap, and how the joint turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.pieces import face_areas
from meshtools.geometry.weld import group_rows
from meshtools.model import FloatArray, IntArray, Mesh

REACH_PERCENT = 3.0  # of the smaller bone's diagonal: skin this much farther apart than the nearest still belongs to the joint. Our own choice
GRAIN = 1 / 6  # of the reach: edge of the pieces that the skin near a joint is cut into
MOST_SPLITS = 6
OPPOSING_COSINE = -0.5  # skin that faces the other bone: normals at least 120 degrees apart
DIVIDED_AT = 40_000  # pieces of skin at most, so that a joint costs a second or two


@dataclass(frozen=True, eq=False)
class Skin:
    """Small pieces of skin: middle (n, 3) mm, normal (n, 3), area_mm2 (n,), the face each lies on (n,), and the corners (k, 3) of all."""

    middle: FloatArray
    normal: FloatArray
    area_mm2: FloatArray
    face: IntArray
    corners: FloatArray

    def only(self, keep: NDArray[np.bool_]) -> Skin:
        """Some of the pieces; the corners stay."""
        return Skin(self.middle[keep], self.normal[keep], self.area_mm2[keep], self.face[keep], self.corners)


@dataclass(frozen=True, eq=False)
class JointContact:
    """A joint of bone a with bone b, both in one frame, in mm.

    min_gap_mm: the least distance, 0 where they overlap; overlap_mm: how deep the deepest point of one lies inside the other. median_gap_mm and
    p95_gap_mm: over the facing patches by area, both ways, negative inside the other bone. area_a_mm2, area_b_mm2 and faces_a, faces_b: the
    patches. centre (3,): middle of the patches; axis (3,): unit, from a to b. None of the patches' figures where no skin faces the other bone.
    patch_a, patch_b: the pieces of skin.
    """

    min_gap_mm: float
    overlap_mm: float
    median_gap_mm: float | None
    p95_gap_mm: float | None
    area_a_mm2: float
    area_b_mm2: float
    centre: FloatArray
    axis: FloatArray
    patch_a: Skin
    patch_b: Skin

    @property
    def signed_gap_mm(self) -> float:
        """The least gap, negative where the bones overlap."""
        return -self.overlap_mm if self.overlap_mm > 0 else self.min_gap_mm


def measure_joint(a: Mesh, b: Mesh, reach_mm: float | None = None) -> JointContact:
    """Find the patches of two bones that face each other and measure the gap between them.

    A piece of skin belongs to the joint when the nearest skin of the other bone faces it (normals 120 degrees apart or more) and lies no more
    than `reach_mm` farther away than the nearest such piece; without reach_mm that is 3 % of the smaller bone's diagonal. Inside is told by the
    winding number (Jacobson et al. 2013, Robust inside-outside segmentation), so small holes do no harm. Distances are exact at the vertices and at
    points a sixth of the reach apart, or as near as 40 000 pieces allow. Our own method. GeometryError for a bone without faces.
    """
    reach = reach_mm or REACH_PERCENT / 100 * min(_size_mm(a), _size_mm(b))
    surfaces = Surface(a), Surface(b)
    least = min(_coarse_gap(a, surfaces[1]), _coarse_gap(b, surfaces[0]))
    skins = tuple(divided_skin(mesh, _near_faces(mesh, other, least + reach), GRAIN * reach) for mesh, other in ((a, surfaces[1]), (b, surfaces[0])))
    signed, corners = zip(*(_signed_skin(skin, other) for skin, other in zip(skins, surfaces[::-1], strict=True)), strict=True)
    facing = [_faces_other(skin, s[1], other) for skin, s, other in zip(skins, signed, surfaces[::-1], strict=True)]
    deepest = float(min(least, *(values.min(initial=np.inf) for values in (*corners, signed[0][0], signed[1][0]))))
    nearest = min((float(s[0][f].min(initial=np.inf)) for s, f in zip(signed, facing, strict=True)), default=np.inf)
    kept = [f & (s[0] <= max(nearest, 0.0) + reach) for s, f in zip(signed, facing, strict=True)]
    return _contact(deepest, [skin.only(k) for skin, k in zip(skins, kept, strict=True)], [s[0][k] for s, k in zip(signed, kept, strict=True)])


def _contact(deepest: float, patches: list[Skin], gaps: list[FloatArray]) -> JointContact:
    middles, normals = (np.concatenate([getattr(p, name) for p in patches]) for name in ("middle", "normal"))
    area, gap = np.concatenate([p.area_mm2 for p in patches]), np.concatenate(gaps)
    sign = np.repeat([1.0, -1.0], [len(p.area_mm2) for p in patches])
    has_patch = bool(area.sum() > 0)
    centre = (area[:, None] * middles).sum(axis=0) / area.sum() if has_patch else np.full(3, np.nan)
    axis = (sign * area) @ normals if has_patch else np.full(3, np.nan)
    median, p95 = weighted_quantiles(gap, area, (0.5, 0.95)) if has_patch else (None, None)
    return JointContact(
        max(deepest, 0.0), max(-deepest, 0.0), median, p95, float(patches[0].area_mm2.sum()), float(patches[1].area_mm2.sum()),
        centre, axis / max(float(np.linalg.norm(axis)), 1e-300), patches[0], patches[1])  # fmt: skip


def weighted_quantiles(values: FloatArray, weight: FloatArray, shares: tuple[float, ...]) -> tuple[float, ...]:
    """For each share the smallest value below which that share of the weight lies."""
    order = np.argsort(values, kind="stable")
    sums = np.cumsum(weight[order])
    places = np.searchsorted(sums, np.array(shares) * sums[-1]).clip(max=len(values) - 1)
    return tuple(float(values[order[place]]) for place in places)


def divided_skin(mesh: Mesh, faces: NDArray[np.int64], grain_mm: float) -> Skin:
    """The given faces cut into pieces: each is quartered until its longest edge is at most grain_mm, or there are 40 000 pieces."""
    corners, owner = mesh.vertices[mesh.faces[faces]], faces.astype(np.int64)
    for _ in range(MOST_SPLITS):
        longest = np.sqrt(((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2).max(axis=1, initial=0.0))
        is_long = longest > grain_mm
        if not is_long.any() or len(owner) + 3 * int(is_long.sum()) > DIVIDED_AT:
            break
        owner = np.concatenate([owner[~is_long], np.tile(owner[is_long], 4)])
        corners = np.concatenate([corners[~is_long], _quartered(corners[is_long])])
    flat = corners.reshape(-1, 3)
    pieces = np.arange(len(flat), dtype=np.int32).reshape(-1, 3)
    single, _ = group_rows(flat.view(np.int64))
    return Skin(corners.mean(axis=1), unit_normals(mesh)[owner], face_areas(flat, pieces), owner.astype(np.int32), flat[single])


def _quartered(corners: FloatArray) -> FloatArray:
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    d, e, f = (a + b) / 2, (b + c) / 2, (c + a) / 2
    return np.concatenate([np.stack(t, axis=1) for t in ((a, d, f), (d, b, e), (f, e, c), (d, e, f))])


def _size_mm(mesh: Mesh) -> float:
    if not len(mesh.faces):
        raise GeometryError("a bone without a surface has no joints; check the scan")
    return diagonal_mm(mesh.vertices[np.unique(mesh.faces)])


def _coarse_gap(mesh: Mesh, other: Surface) -> float:
    return float(other.distance(mesh.vertices[np.unique(mesh.faces)])[0].min())


def _near_faces(mesh: Mesh, other: Surface, limit_mm: float) -> NDArray[np.int64]:
    """Faces with a point that may lie within limit_mm of the other surface."""
    corners = mesh.vertices[mesh.faces]
    middle = corners.mean(axis=1)
    radius = np.sqrt(((corners - middle[:, None]) ** 2).sum(axis=2).max(axis=1))
    used = other.mesh.vertices[np.unique(other.mesh.faces)]
    outside = np.maximum(np.maximum(used.min(axis=0) - middle, middle - used.max(axis=0)), 0.0)
    rows = np.flatnonzero(np.sqrt((outside**2).sum(axis=1)) - radius <= limit_mm)
    is_near = other.distance(middle[rows])[0] - radius[rows] <= limit_mm
    is_near[~is_near] = _is_inside(middle[rows[~is_near]], other)
    return np.asarray(rows[is_near])


def _signed_skin(skin: Skin, other: Surface) -> tuple[tuple[FloatArray, IntArray], FloatArray]:
    """Distance to the other bone, negative inside it, of the pieces' middles (n,), with its nearest face (n,), and of all corners (k,)."""
    points = np.concatenate([skin.middle, skin.corners])
    distance, face = other.distance(points)
    signed, n = np.where(_is_inside(points, other), -distance, distance), len(skin.middle)
    return (signed[:n], face[:n]), signed[n:]


def _is_inside(points: FloatArray, other: Surface) -> NDArray[np.bool_]:
    import igl

    inside = np.zeros(len(points), dtype=bool)
    used = other.mesh.vertices[np.unique(other.mesh.faces)]
    low, high = used.min(axis=0), used.max(axis=0)
    rows = np.flatnonzero(((points > low) & (points < high)).all(axis=1))
    if len(rows):
        middle = (low + high) / 2
        queries = np.ascontiguousarray(points[rows] - middle)
        inside[rows] = igl.fast_winding_number(other.mesh.vertices - middle, other.mesh.faces.astype(np.int64), queries) > 0.5
    return inside


def _faces_other(skin: Skin, nearest_face: IntArray, other: Surface) -> NDArray[np.bool_]:
    return np.asarray((skin.normal * unit_normals(other.mesh)[nearest_face]).sum(axis=1) <= OPPOSING_COSINE)
