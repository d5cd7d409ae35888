"""Pieces of one broken bone laid together: each on a whole bone of its kind first, then break on break.

Laid on another bone, a piece is as far off as two bones differ in shape, a millimetre or two on a tibia. The breaks of the pieces themselves are one
surface seen from both sides, and where they are rough and near they bring the pieces home. Method: point to plane (Chen & Medioni 1992, Image and
Vision Computing 10(3)) with Tukey's weights, between faces that look at each other. Our own combination.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.fitting import tukey_weight
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.registration import Registration, register
from meshtools.geometry.registration_poses import rotations_from_vectors
from meshtools.geometry.registration_search import gauss_newton_steps
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.transform import apply_matrix, move_points, scale
from meshtools.geometry.unite import concatenate
from meshtools.model import FloatArray, Mesh

N_SAMPLES = 40_000
N_ROUNDS = 40
WIDEST_RATIO, NARROWEST_RATIO = 0.03, 0.003  # of the length of what is laid together: how far off the breaks may be at first, and in the end
LOOK_RATIO = 1.5  # points as near as that many of the widest are looked at
FACING_COSINE = -0.5
MIN_AREA_RATIO = 0.003  # of a piece's area that faces another break: less holds nothing
MET_RATIO = 0.6  # of what faces the other break: mean weight in the end, 1 where all of it lies exactly on it
ASIDE_RATIO = 0.012
STILL_RATIO = 0.04  # of the length: a break that goes farther from where the guide put it has met another place


@dataclass(frozen=True, eq=False)
class Laid:
    """Where one piece lies in the common frame.

    pose (4, 4): frame from the piece's own coordinates. found: how it lies on the guide. break_rms_mm: how well its break lies on the others',
    nan where it stays where the guide put it, for the reason `why`; of the first piece there is none. moved_mm: how far its break went from
    there (rms).
    """

    pose: FloatArray
    found: Registration
    break_rms_mm: float
    moved_mm: float
    why: str
    is_first: bool = False


@dataclass(frozen=True, eq=False)
class LaidPieces:
    """Pieces (k,) in the order given, in the frame of the guide brought to their size; guide_scale: what it was multiplied by for that."""

    pieces: tuple[Laid, ...]
    guide_scale: float


@dataclass(frozen=True, eq=False)
class _Met:
    move: FloatArray
    rms_mm: float
    moved_mm: float
    why: str = ""


def lay_pieces(pieces: Sequence[Mesh], guide: Mesh, is_same_size: bool) -> LaidPieces:
    """Lay two or more pieces of one bone together, with a whole bone of the same side for a guide (reflected before, if need be).

    is_same_size: the guide is of the same animal; otherwise the pieces tell how much larger or smaller it is. The largest piece stays where the
    guide has it; then comes, in turn, the piece with the most break facing what is there already. GeometryError for fewer than two pieces, and
    where one cannot be laid on the guide at all.
    """
    if len(pieces) < 2:
        raise GeometryError("two or more pieces are needed to lay them together")
    areas = [float(mesh_areas(piece).sum()) for piece in pieces]
    largest = int(np.argmax(areas))
    guide_scale = 1.0 if is_same_size else _guide_scale(pieces, areas, guide)
    sized = scale(guide, guide_scale)
    found = [register(piece, sized, "rigid") for piece in pieces]
    placed = {largest: apply_matrix(pieces[largest], found[largest].fixed_from_moving)}
    laid = {largest: Laid(found[largest].fixed_from_moving, found[largest], float("nan"), 0.0, "", is_first=True)}
    length_mm = diagonal_mm(sized.vertices)
    while len(placed) < len(pieces):
        there = Surface(concatenate(list(placed.values())))
        waiting = {k: apply_matrix(pieces[k], found[k].fixed_from_moving) for k in range(len(pieces)) if k not in placed}
        facing = {k: _facing(mesh, there, WIDEST_RATIO * LOOK_RATIO * length_mm) for k, mesh in waiting.items()}
        following = max(facing, key=lambda k: (len(facing[k][0]) / N_SAMPLES * areas[k], -k))
        met = _meet(*facing[following], there, length_mm)
        pose = met.move @ found[following].fixed_from_moving
        placed[following] = apply_matrix(pieces[following], pose)
        laid[following] = Laid(pose, found[following], met.rms_mm, met.moved_mm, met.why)
    return LaidPieces(tuple(laid[k] for k in range(len(pieces))), guide_scale)


def _guide_scale(pieces: Sequence[Mesh], areas: Sequence[float], guide: Mesh) -> float:
    """What brings the guide to the size of the pieces: the mean over them by area, of those that lie on it surely if there are any."""
    found = [register(piece, guide, "similarity") for piece in pieces]
    sure = [one.is_trusted for one in found]
    weights = np.array(areas) * (sure if any(sure) else np.ones(len(sure)))
    return float(np.exp(-(weights * np.log([one.scale for one in found])).sum() / weights.sum()))


def _facing(piece: Mesh, there: Surface, reach_mm: float) -> tuple[FloatArray, FloatArray]:
    """Points (n, 3) of a piece, and their normals, that look at a surface within reach which looks back."""
    points, faces = sample_surface(piece, N_SAMPLES, seed=1)
    normals = unit_normals(piece)[faces]
    distance, near, _ = there.project(points)
    is_facing = (distance < reach_mm) & ((unit_normals(there.mesh)[near] * normals).sum(axis=1) < FACING_COSINE)
    return points[is_facing], normals[is_facing]


def _meet(points: FloatArray, normals: FloatArray, there: Surface, length_mm: float) -> _Met:
    """The small motion (4, 4) that lays break points with their normals on the breaks there; none, and why, where they do not meet. It is sought from
    the place that the guide gives and from six beside it, since rough breaks catch each other in wrong places too."""
    if len(points) < MIN_AREA_RATIO * N_SAMPLES:
        return _not_met("its break faces no other near by")
    aside = ASIDE_RATIO * length_mm * np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)])
    fits = [fit for shift in aside if (fit := _fit_break(points, normals, there, length_mm, shift)) is not None]
    if not fits:
        return _not_met("the breaks do not fit each other")
    share, rms_mm, move = max(fits, key=lambda fit: fit[0])
    moved_mm = float(np.sqrt(((move_points(points, move) - points) ** 2).sum(axis=1).mean()))
    if share < MET_RATIO:
        return _not_met(f"the breaks fit each other in {100 * share:.0f} % of their area only")
    if moved_mm > STILL_RATIO * length_mm:
        return _not_met(f"the breaks fit only {moved_mm:.1f} mm from where the guide puts them")
    return _Met(move, rms_mm, moved_mm)


def _not_met(why: str) -> _Met:
    return _Met(np.eye(4), float("nan"), 0.0, why)


def _fit_break(
    points: FloatArray, normals: FloatArray, there: Surface, length_mm: float, shift_mm: FloatArray
) -> tuple[float, float, FloatArray] | None:
    """Share of the points that come to lie on the surface, the rms distance of these along its normals, and the motion (4, 4), begun with a shift;
    None where hardly a point does."""
    faced, middle, move = unit_normals(there.mesh), points.mean(axis=0), np.eye(4)
    move[:3, 3] = shift_mm
    for width in np.geomspace(WIDEST_RATIO, NARROWEST_RATIO, N_ROUNDS) * length_mm:
        moved = move_points(points, move)
        distance, near, nearest = there.project(moved)
        planes, gap = faced[near], nearest - moved
        is_facing = (planes * (normals @ move[:3, :3].T)).sum(axis=1) < FACING_COSINE
        weight = tukey_weight(distance**2, float(width)) * is_facing
        if (weight > 0).sum() < MIN_AREA_RATIO * N_SAMPLES:
            return None
        # about the middle of the break and in shares of the length, as the steps are limited
        step = gauss_newton_steps(((moved - middle) / length_mm)[None], (gap / length_mm)[None], planes[None], weight[None], False)[0]
        move = _rigid(step, middle, length_mm) @ move
    rms_mm = float(np.sqrt((weight * (gap * planes).sum(axis=1) ** 2).sum() / weight.sum()))
    return float(weight.mean()), rms_mm, move


def _rigid(step: FloatArray, middle: FloatArray, length_mm: float) -> FloatArray:
    """The matrix (4, 4) of a step (7,) about a point (3,), its shift in shares of the length."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotations_from_vectors(step[None, :3])[0]
    matrix[:3, 3] = middle + step[3:6] * length_mm - matrix[:3, :3] @ middle
    return matrix
