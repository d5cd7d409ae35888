"""Where a mirror plane may lie: an even search over directions and offsets, and pairs of points that could be each other's image.

Lengths in this module and in mirror_fit are shares of the bone's diagonal, measured from the mean of its samples: a `Skin` is a bone
without its size and place. A plane is a row (4,) of unit normal and offset. Our own method.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.mirror_noise import level_noise
from meshtools.geometry.pieces import rank_pieces, take_pieces, vertex_normals
from meshtools.geometry.sample import sample_measured, sample_surface
from meshtools.model import FloatArray, Mesh

N_SAMPLES = 16_000
N_NEIGHBOURS = 24  # over which normals and heights are smoothed
N_NEAREST = 12  # the same where the noise was levelled before
SMALLEST_PIECE = 0.05  # a loose piece below this share of the largest one's area says nothing about the plane
CELLS = 48  # of the lookup grid, along the diagonal
REACH = 0.12  # the grid knows the nearest sample this far from the surface
N_OFFSETS, N_PAIRS = 11, 1_500
N_PROBES = 300
PROBE_WIDTH = 0.04


@dataclass(frozen=True, eq=False)
class Skin:
    """Even samples of a bone's surface: points (n, 3) as shares of the diagonal from the centre, with noise smoothed out, unit normals (n, 3)
    smoothed likewise, and the places (n, 3) in mm from which they were made.

    tree finds neighbours by place and normal together (see `features`); cells (x, y, z) hold the nearest sample of each cell of a grid
    that starts at `low`, or -1 where the surface is far.
    """

    points: FloatArray
    normals: FloatArray
    places_mm: FloatArray
    mesh: Mesh
    centre_mm: FloatArray
    diagonal_mm: float
    tree: Any
    cells: NDArray[np.int32]
    low: FloatArray

    def lookup(self, points: FloatArray) -> NDArray[np.int32]:
        """A sample near each point (..., 3), to about one cell; -1 where the surface is far."""
        place = np.floor((points - self.low) * CELLS).astype(np.int32)
        shape = np.array(self.cells.shape, dtype=np.int32)
        is_inside = ((place >= 0) & (place < shape)).all(axis=-1)
        place = place.clip(0, shape - 1)
        found = self.cells[place[..., 0], place[..., 1], place[..., 2]]
        return np.where(is_inside, found, -1)


def features(points: FloatArray, normals: FloatArray) -> FloatArray:
    """Place and normal as one vector (n, 6): normals that differ by a right angle count like 7 % of the diagonal apart."""
    return np.concatenate([points, normals * 0.05], axis=1)


def read_skin(mesh: Mesh, seed: int) -> Skin:
    """Sample a bone evenly. Loose crumbs are left out. Raises GeometryError where the mesh has no area."""
    pieces = rank_pieces(mesh)
    if len(pieces) > 1:
        mesh = take_pieces(mesh, pieces, np.flatnonzero(pieces.area >= SMALLEST_PIECE * pieces.area[0]).tolist())
    places, faces = sample_surface(mesh, N_SAMPLES, seed)
    return _skin_at(mesh, places, faces, (places.mean(axis=0), diagonal_mm(mesh.vertices)), N_NEIGHBOURS)


def read_measured_skin(skin: Skin, seed: int) -> Skin:
    """The same bone about the same centre, its noise levelled (`level_noise`), sampled where it was measured (`sample_measured`).

    For the last digits of a plane that is found. Lengths stay shares of the same diagonal.
    """
    mesh = level_noise(skin.mesh)
    places, faces = sample_measured(mesh, N_SAMPLES, seed)
    return _skin_at(mesh, places, faces, (skin.centre_mm, skin.diagonal_mm), N_NEAREST)


def _skin_at(mesh: Mesh, places: FloatArray, faces: NDArray[np.int32], frame: tuple[FloatArray, float], n_near: int) -> Skin:
    """A skin from places (n, 3) in mm on the faces (n,), smoothed over n_near neighbours; frame: centre and diagonal in mm."""
    from scipy.spatial import cKDTree

    centre, diagonal = frame
    points = (places - centre) / diagonal
    by_place = cKDTree(points)
    corner_normals = vertex_normals(mesh.vertices, mesh.faces)[mesh.faces[faces]].sum(axis=1)
    near = by_place.query(points, k=n_near, workers=1)[1]
    normals = _smoothed(unit_vectors(corner_normals), near)
    points = _levelled(points, normals, near)
    low = points.min(axis=0) - REACH
    return Skin(points, normals, places, mesh, centre, diagonal, cKDTree(features(points, normals)), _nearest_cells(points, low, by_place), low)


def _smoothed(normals: FloatArray, near: NDArray[np.int64]) -> FloatArray:
    """Normals averaged over neighbours that face the same way, twice."""
    for _ in range(2):
        around = normals[near]
        weight = np.einsum("ijk,ik->ij", around, normals).clip(0.0)
        normals = unit_vectors(np.einsum("ij,ijk->ik", weight, around))
    return normals


def _levelled(points: FloatArray, normals: FloatArray, near: NDArray[np.int64]) -> FloatArray:
    """Points moved along their normals to the mean height of the neighbours that face the same way: less noise, on both sides alike."""
    weight = (np.einsum("ijk,ik->ij", normals[near], normals) - 0.5).clip(0.0)
    height = np.einsum("ijk,ik->ij", points[near] - points[:, None], normals)
    move = np.einsum("ij,ij->i", weight, height) / weight.sum(axis=1)
    return np.asarray(points + move[:, None] * normals)


def _nearest_cells(points: FloatArray, low: FloatArray, tree: Any) -> NDArray[np.int32]:
    shape = np.ceil((points.max(axis=0) + REACH - low) * CELLS).astype(int)
    middles = np.stack(np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"), axis=-1).reshape(-1, 3)
    distance, nearest = tree.query((middles + 0.5) / CELLS + low, distance_upper_bound=REACH, workers=1)
    return np.where(np.isfinite(distance), nearest, -1).astype(np.int32).reshape(tuple(shape))


def reflected(points: FloatArray, normals: FloatArray, planes: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points and normals (s, 3) reflected across planes (k, 4): (k, s, 3) both, and each point's height above each plane (k, s)."""
    height = np.einsum("sj,kj->ks", points, planes[:, :3]) - planes[:, 3:]
    lean = np.einsum("sj,kj->ks", normals, planes[:, :3])
    axis = planes[:, None, :3]
    return points - 2 * height[..., None] * axis, normals - 2 * lean[..., None] * axis, height


def probe_scores(skin: Skin, planes: FloatArray, n_probes: int = N_PROBES, width: float = PROBE_WIDTH) -> FloatArray:
    """Share (k,) of the skin that lands on skin facing the same way when reflected, by the grid; near misses count in part."""
    scores = []
    for block in range(0, len(planes), 400):
        places, facing, _ = reflected(skin.points[:n_probes], skin.normals[:n_probes], planes[block : block + 400])
        found = skin.lookup(places)
        gap = places - skin.points[found]
        squared = np.einsum("ksi,ksi->ks", gap, gap) / width**2
        agree = np.einsum("ksi,ksi->ks", facing, skin.normals[found])
        fit = np.where(found >= 0, (1 - squared).clip(0.0) * ((agree - 0.5) * 2).clip(0.0), 0.0)
        scores.append(fit.mean(axis=1))
    return np.concatenate(scores)


def offsets_along(skin: Skin, directions: FloatArray) -> FloatArray:
    """Planes (k, 4) across each direction (n, 3) at eleven offsets from 20 to 80 % of the extent.

    The offsets matter: where a side is lost, the middle of what is left lies off the plane.
    """
    heights = np.einsum("sj,kj->ks", skin.points[:1000], directions)
    low, high = heights.min(axis=1), heights.max(axis=1)
    offsets = low[:, None] + np.linspace(0.2, 0.8, N_OFFSETS) * (high - low)[:, None]
    return np.concatenate([np.repeat(directions, N_OFFSETS, axis=0), offsets.reshape(-1, 1)], axis=1)


def pair_planes(skin: Skin, seed: int) -> FloatArray:
    """Planes (k, 4) between pairs of points whose normals mirror each other, at most 1,500."""
    random = np.random.default_rng(seed)
    first, second = random.integers(0, len(skin.points), (2, 60_000))
    apart = skin.points[first] - skin.points[second]
    is_far = np.einsum("ij,ij->i", apart, apart) > 0.1**2
    first, second, axis = first[is_far], second[is_far], unit_vectors(apart[is_far])
    lean = np.einsum("ij,ij->i", skin.normals[first], axis)
    image = skin.normals[first] - 2 * lean[:, None] * axis
    agree = np.einsum("ij,ij->i", image, skin.normals[second])
    chosen = np.flatnonzero(agree > 0.97)[:N_PAIRS]
    middle = (skin.points[first[chosen]] + skin.points[second[chosen]]) / 2
    return np.concatenate([axis[chosen], np.einsum("ij,ij->i", middle, axis[chosen])[:, None]], axis=1)


def apart(planes: FloatArray, plane: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angle in degrees and difference of offsets between each of the planes (k, 4) and one (4,), whichever way the normals point."""
    cosine = np.einsum("kj,j->k", planes[:, :3], plane[:3])
    sine = np.sqrt((1 - cosine**2).clip(0.0))
    return np.degrees(np.arctan2(sine, np.abs(cosine))), np.abs(planes[:, 3] * np.where(cosine < 0, -1.0, 1.0) - plane[3])


def keep_distinct(planes: FloatArray, scores: FloatArray, n: int, angle_deg: float, offset: float) -> NDArray[np.int64]:
    """Indices of up to n planes, best score first, each farther than `angle_deg` or `offset` from all better ones kept."""
    order = np.argsort(-scores, kind="stable")
    is_free = np.ones(len(planes), dtype=bool)
    kept = []
    for place in order.tolist():
        if is_free[place]:
            kept.append(place)
            if len(kept) == n:
                break
            angle, gap = apart(planes, planes[place])
            is_free &= (angle > angle_deg) | (gap > offset)
    return np.array(kept, dtype=np.int64)
