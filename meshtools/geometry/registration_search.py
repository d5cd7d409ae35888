"""The wide search of registration: thousands of starts, all of them improved together on a coarse sampling of the two bones.

Lengths here are shares of each bone's own greatest length, about its own centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.compiled import given
from meshtools.geometry.fitting import tukey_weight, unit_vectors
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.pieces import area_vectors, rank_pieces, take_pieces
from meshtools.geometry.registration_poses import Poses, axis_rotations, distinct_poses, join_poses, principal_axes, spread_rotations
from meshtools.geometry.sample import sample_surface
from meshtools.model import FloatArray, Mesh

N_SAMPLES = 3000
N_ROTATIONS = 700
N_GRID_SAMPLES = 2000
N_CELLS = 50_000
PARTIAL_SCALES = (1.0, 0.85, 0.7, 0.55)  # a fragment is shorter than its bone: of that share of the bone's length
MIN_SCALE, MAX_SCALE = 0.4, 1.3  # of the fixed bone's length: a smaller result has shrunk into a corner of it
SMALL_PIECE_RATIO = 0.01  # pieces below this share of the largest one's area are floaters
MIN_COSINE = 0.3  # paired normals must agree at least so well


@dataclass(frozen=True, eq=False)
class Sampled:
    """A bone ready for the search: the mesh without floaters, in its own frame (centre at zero, greatest length one), samples, normals."""

    mesh: Mesh
    points: FloatArray
    normals: FloatArray
    centre_mm: FloatArray
    length_mm: float


def sample_bone(mesh: Mesh, seed: int = 0) -> Sampled:
    """Draw the samples of a bone. Raises GeometryError for a mesh without area."""
    if not len(mesh.faces):
        raise GeometryError("the surface has no faces, so it cannot be laid on another; check the scan")
    pieces = rank_pieces(mesh)
    kept = [place for place in range(len(pieces)) if pieces.area[place] >= SMALL_PIECE_RATIO * pieces.area[0]]
    main = take_pieces(mesh, pieces, kept)
    raw, _ = sample_surface(main, N_SAMPLES, seed)
    centre, length = raw.mean(axis=0), greatest_length(main.vertices)
    local = main.replaced(vertices=(main.vertices - centre) / length)
    points, faces = sample_surface(local, N_SAMPLES, seed)
    normals = unit_vectors(area_vectors(local.vertices, local.faces)[faces])
    return Sampled(local, points, _smooth_normals(points, normals), centre, length)


def _smooth_normals(points: FloatArray, normals: FloatArray) -> FloatArray:
    """Each normal averaged with those of its eight nearest samples that face its way."""
    from scipy.spatial import cKDTree

    near = normals[cKDTree(points).query(points, k=9)[1]]
    agree = np.maximum(np.einsum("nkj,nj->nk", near, normals), 0.0)
    total = np.einsum("nk,nkj->nj", agree, near)
    return unit_vectors(total)


class NearestGrid:
    """For every cell of a box around a bone the nearest sample, so that a nearest sample is a look-up."""

    def __init__(self, bone: Sampled, n_cells: int = N_CELLS) -> None:
        from meshtools.geometry.registration_kernels import nearest_of_cells

        self.points, self.normals = bone.points[:N_GRID_SAMPLES], bone.normals[:N_GRID_SAMPLES]
        margin = 0.15
        self.low = bone.points.min(axis=0) - margin
        extent = np.ptp(bone.points, axis=0) + 2 * margin
        self.step = float((extent.prod() / n_cells) ** (1 / 3))
        self.shape = np.maximum(np.ceil(extent / self.step).astype(np.int64), 1)
        near = np.empty(self.shape, np.int32)
        nearest_of_cells(given(self.points.T, np.float64), given(self.low, np.float64), self.step, given(self.shape, np.int64), near)
        self.near = near.ravel()

    @cached_property
    def for_loops(self) -> tuple[Any, ...]:
        """The same for compiled loops: see `registration_kernels.cover`."""
        samples = np.concatenate([self.points, self.normals], axis=1)
        return given(self.near, np.int32), given(self.low, np.float64), self.step, given(self.shape, np.int64), given(samples, np.float64)

    def lookup(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Nearly nearest samples of points (.., 3), all of them finite, and their normals."""
        place = points - self.low
        place /= self.step
        cell = np.clip(place, 0, self.shape - 1, out=place).astype(np.int32)
        near = self.near[(cell[..., 0] * self.shape[1] + cell[..., 1]) * self.shape[2] + cell[..., 2]]
        return self.points.take(near, axis=0), self.normals.take(near, axis=0)


def dots(vectors: FloatArray, others: FloatArray | None = None) -> FloatArray:
    """Scalar products (..) of vectors (.., 3) with others, or with themselves; three times as fast as a sum along the last axis."""
    other = vectors if others is None else others
    return np.asarray(np.einsum("...j,...j->...", vectors, other))


def score_poses(grid: NearestGrid, moving: Sampled, poses: Poses, n_points: int, width: float) -> FloatArray:
    """Score (k,) of poses, 0 to 1: how much of the moving bone lies within `width` of the fixed one with agreeing normals."""
    from meshtools.geometry.registration_kernels import cover

    scores = np.empty(len(poses))
    cover(_arrays(poses), _with_normals(moving, n_points), grid.for_loops, width, scores)
    return scores


def improve_poses(grid: NearestGrid, moving: Sampled, poses: Poses, n_points: int, widths: FloatArray, has_scale: bool) -> Poses:
    """Improve each pose: one robust point-to-plane step for each of the annealed `widths` (Tukey's weight)."""
    from meshtools.geometry.registration_kernels import add_up

    points = _with_normals(moving, n_points)
    system, right = np.empty((len(poses), 7, 7)), np.empty((len(poses), 7))
    for width in map(float, widths):
        add_up(_arrays(poses), points, grid.for_loops, (width, MIN_COSINE), system, right)
        poses = poses.moved(damped_steps(system, right, has_scale))
    return poses


def _arrays(poses: Poses) -> tuple[FloatArray, FloatArray, FloatArray]:
    return given(poses.rotation, np.float64), given(poses.shift, np.float64), given(poses.scale, np.float64)


def _with_normals(bone: Sampled, n: int) -> FloatArray:
    """The first n samples of a bone with their normals (n, 6)."""
    return given(np.concatenate([bone.points[:n], bone.normals[:n]], axis=1), np.float64)


def gauss_newton_steps(placed: FloatArray, gap: FloatArray, normals: FloatArray, weight: FloatArray, has_scale: bool) -> FloatArray:
    """One step (k, 7) for each of k poses that brings points `placed` (k, n, 3) onto the planes at placed + gap with these normals.

    Method: linearised point-to-plane least squares (Chen & Medioni 1992, Image and Vision Computing 10(3)), with a seventh unknown for the
    scale. The step is damped and limited to 0.3 rad, 0.1 of the length and 10 % of the scale.
    """
    return damped_steps(*normal_equations(placed, gap, normals, weight), has_scale)


def damped_steps(system: FloatArray, right: FloatArray, has_scale: bool) -> FloatArray:
    """The steps (k, 7) that solve normal equations (k, 7, 7) and (k, 7), damped and limited: see `gauss_newton_steps`."""
    n_free = 7 if has_scale else 6
    system, right = system[:, :n_free, :n_free], right[:, :n_free]
    damping = 1e-6 * np.trace(system, axis1=1, axis2=2)[:, None, None] + 1e-9
    step = np.zeros((len(right), 7))
    step[:, :n_free] = np.linalg.solve(system + damping * np.eye(n_free), right[..., None])[..., 0]
    for part, limit in ((slice(0, 3), 0.3), (slice(3, 6), 0.1), (slice(6, 7), 0.1)):
        size = np.linalg.norm(step[:, part], axis=1)
        step[:, part] *= np.minimum(1.0, limit / np.maximum(size, 1e-300))[:, None]
    return step


def normal_equations(placed: FloatArray, gap: FloatArray, normals: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Normal equations (k, 7, 7) and (k, 7) of the linearised point-to-plane problem."""
    rows = similarity_columns(placed, normals)
    distance = dots(gap, normals)
    weighted = (rows * weight[..., None]).swapaxes(-1, -2)
    return np.matmul(weighted, rows), np.matmul(weighted, distance[..., None])[..., 0]


def similarity_columns(placed: FloatArray, normals: FloatArray) -> FloatArray:
    """How far points (.., 3) move along their normals (.., 3) for each of the seven unknowns (.., 7): rotation vector, shift, change of ln scale."""
    x, y, z = placed[..., 0], placed[..., 1], placed[..., 2]
    a, b, c = normals[..., 0], normals[..., 1], normals[..., 2]
    return np.stack([y * c - z * b, z * a - x * c, x * b - y * a, a, b, c, x * a + y * b + z * c], axis=-1)


@dataclass(frozen=True)
class SearchPlan:
    """How wide to search: sizes as shares of the fixed bone's length (empty: the true size), shifts of the centre along the fixed bone's three
    principal axes as shares of its extent there, and how many poses to return."""

    scales: tuple[float, ...] = ()
    shift_shares: tuple[tuple[float, ...], ...] = ((0.13, 0.26), (0.2,), ())
    n_found: int = 20


def starting_poses(fixed: Sampled, moving: Sampled, plan: SearchPlan) -> Poses:
    """Every rotation of the grid and of the principal axes, with every shift, at every size of the plan."""
    axes = principal_axes(fixed.points)
    rotations = np.concatenate([axis_rotations(axes, principal_axes(moving.points)), spread_rotations(N_ROTATIONS)])
    reach = np.ptp(fixed.points @ axes, axis=0)
    offsets = [np.zeros(3)]
    for axis, shares in enumerate(plan.shift_shares):
        offsets += [sign * share * reach[axis] * axes[:, axis] for share in shares for sign in (1.0, -1.0)]
    shifts = np.stack(offsets)
    n, m = len(rotations), len(shifts)
    scales = plan.scales or (moving.length_mm / fixed.length_mm,)
    sets = [Poses(np.repeat(rotations, m, axis=0), np.tile(shifts, (n, 1)), np.full(n * m, scale)) for scale in scales]
    return join_poses(*sets)


def improve_both_ways(grids: tuple[NearestGrid, NearestGrid], bones: tuple[Sampled, Sampled], poses: Poses, widths: FloatArray,
                      has_scale: bool, n_points: int = 300) -> Poses:
    """As improve_poses, with partners sought from the fixed bone to the moving one as well. grids and bones: fixed, moving."""
    for width in widths:
        placed, gap, normals, agree = partners_both_ways(grids, bones, poses, n_points)
        weight = tukey_weight(dots(gap), width) * (agree > MIN_COSINE)
        poses = poses.moved(gauss_newton_steps(placed, gap, normals, weight, has_scale))
    return poses


def partners_both_ways(grids: tuple[NearestGrid, NearestGrid], bones: tuple[Sampled, Sampled], poses: Poses,
                       n_points: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Points on the moving bone, gaps to their partners, normals of the surface sought on, and agreement of the normals, for each pose.

    The first n_points of every pose were drawn on the moving bone, the others on the fixed one. GeometryError for a pose that is not finite.
    """
    fixed, moving = bones
    if not all(np.isfinite(part).all() for part in (poses.rotation, poses.shift, poses.scale)):
        raise GeometryError("a pose on the way to lay two bones on each other is no finite one; check both scans for points far off the bone")
    placed = poses.apply(moving.points[:n_points])
    near, near_normals = grids[0].lookup(placed)
    agree = dots(near_normals, poses.turn(moving.normals[:n_points]))
    target = fixed.points[:n_points]
    local = np.matmul(target[None] - poses.shift[:, None], poses.rotation) / poses.scale[:, None, None]
    found, found_normals = grids[1].lookup(local)
    to_fixed = poses.rotation.transpose(0, 2, 1)
    back = np.matmul(found, to_fixed) * poses.scale[:, None, None] + poses.shift[:, None]
    back_normals = np.matmul(found_normals, to_fixed)
    back_agree = dots(back_normals, fixed.normals[None, :n_points])
    join = np.concatenate
    return (join([placed, back], axis=1), join([near - placed, target - back], axis=1),
            join([near_normals, back_normals], axis=1), join([agree, back_agree], axis=1))  # fmt: skip


def search_poses(fixed: Sampled, moving: Sampled, plan: SearchPlan) -> tuple[Poses, FloatArray]:
    """The best distinct poses of a wide search, best first, and their scores (coverage both ways, 0 to 1)."""
    grids, bones, probes = (NearestGrid(fixed), NearestGrid(moving)), (fixed, moving), moving.points[:20]
    has_scale = len(plan.scales) > 0
    poses = starting_poses(fixed, moving, plan)
    scores = score_poses(grids[0], moving, poses, 64, 0.10)
    poses = poses.pick(np.argsort(-scores, kind="stable")[:1500])
    poses = improve_poses(grids[0], moving, poses, 96, np.geomspace(0.3, 0.12, 6), False)
    scores = score_poses(grids[0], moving, poses, 200, 0.05)
    poses = poses.pick(distinct_poses(poses, scores, probes, 0.03, 200))
    poses = improve_poses(grids[0], moving, poses, 200, np.geomspace(0.15, 0.06, 8), has_scale)
    is_likely = (poses.scale > MIN_SCALE) & (poses.scale < MAX_SCALE)
    if has_scale and is_likely.any():
        poses = poses.pick(np.flatnonzero(is_likely))
    scores = score_poses(grids[0], moving, poses, 400, 0.03)
    poses = poses.pick(distinct_poses(poses, scores, probes, 0.02, 2 * plan.n_found))
    poses = improve_both_ways(grids, bones, poses, np.geomspace(0.1, 0.04, 8), has_scale)
    _, gap, _, agree = partners_both_ways(grids, bones, poses, 600)
    scores = np.asarray((np.exp(-dots(gap) / 0.04**2) * np.maximum(agree, 0.0)).mean(axis=1))
    order = distinct_poses(poses, scores, probes, 0.02, plan.n_found)
    return poses.pick(order), scores[order]
