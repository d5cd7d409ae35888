"""Several partial scans of one find: laid on each other where they overlap, checked where they only touch.

The scans show one and the same surface, so the right pose is not the one that covers most but the one in which the shared part agrees to the
scan's own noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.pieces import area_vectors, mesh_areas
from meshtools.geometry.registration_poses import Poses, distinct_poses, join_poses
from meshtools.geometry.registration_refine import Pairs, Refiner
from meshtools.geometry.registration_search import SearchPlan, sample_bone, search_poses
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.model import FloatArray, Mesh

WIDE_PLAN = SearchPlan((), ((0.13, 0.26, 0.4), (0.2, 0.4), (0.3, 0.6)), 30)
TIGHT_RATIO, SAME_RATIO = 0.004, 0.02  # of the length: surfaces this near are the same skin; poses this near are one
MIN_OVERLAP_PERCENT, MAX_RATIO, MAX_RESIDUAL_RATIO = 20.0, 0.8, 0.0012  # measured: wrong poses have a residual of 0.0016 or more
TOUCH_RATIO = 0.06  # of the length: break faces this near to each other face each other across the break
MAX_GAP_RATIO = 0.01
N_CONTACT_SAMPLES = 2000


@dataclass(frozen=True, eq=False)
class Joined:
    """Parts of one find in one frame.

    poses (k, 4, 4): from each part's own coordinates into the first part's frame, the first one the identity. overlap_percent (k - 1,): share of
    each later part that repeats skin of the earlier ones. residual_mm: rms distance of the repeated skin over all joins (0 where nothing repeats).
    gap_mm (k - 1,): median distance across the break, negative where the parts run into each other, nan where no break faces another.
    reasons: one sentence for each doubt; without any the poses are trusted.
    """

    poses: FloatArray
    overlap_percent: FloatArray
    residual_mm: float
    gap_mm: FloatArray
    is_trusted: bool
    reasons: tuple[str, ...]


def join_fragments(parts: Sequence[Mesh], poses: Sequence[FloatArray] | None = None, names: Sequence[str] = ()) -> Joined:
    """Lay each part on the parts before it where their skins overlap; with `poses` (k of (4, 4), into the first part's frame) only check them.
    names: what the doubts call the parts, `part 2` without.

    Two halves that only touch share no skin: give their poses, as laid together by a person. GeometryError for fewer than two parts, or a
    number of poses that differs from the number of parts.
    """
    if len(parts) < 2:
        raise GeometryError("two or more partial scans are needed to join them")
    if poses is not None and len(poses) != len(parts):
        raise GeometryError(f"{len(parts)} parts need {len(parts)} poses, not {len(poses)}")
    placed, matrices, doubts = [parts[0]], [np.eye(4)], []
    overlaps, gaps, squares = [], [], []
    if poses is not None:
        placed[0] = apply_matrix(parts[0], np.asarray(poses[0]))
        matrices[0] = np.asarray(poses[0], dtype=np.float64)
    for number, part in enumerate(parts[1:], 2):
        before, name = concatenate(placed), names[number - 1] if names else f"part {number}"
        if poses is None:
            matrix, said = _align(part, before)
            doubts += [f"{name}: {doubt}" for doubt in said]
        else:
            matrix = np.asarray(poses[number - 1], dtype=np.float64)
        contact = _contact(apply_matrix(part, matrix), before)
        doubts += [f"{name}: {doubt}" for doubt in (_doubts_of_contact(contact) if poses is not None else ())]
        placed.append(apply_matrix(part, matrix))
        matrices.append(matrix)
        overlaps.append(contact.overlap_percent)
        gaps.append(contact.gap_mm)
        squares.append(contact.squared_mm2)
    shared = np.concatenate(squares)
    residual = float(np.sqrt(shared.mean())) if len(shared) else 0.0
    return Joined(np.stack(matrices), np.array(overlaps), residual, np.array(gaps), not doubts, tuple(doubts))


def in_contact(parts: Sequence[Mesh], first: int = 0) -> list[int]:
    """The order in which placed parts are put together, from the first one: next comes always the one with the most skin near what is there."""
    diagonal = max(diagonal_mm(part.vertices) for part in parts)
    surfaces = [Surface(part) for part in parts]
    near = np.zeros((len(parts), len(parts)))
    for i, part in enumerate(parts):
        points, area_mm2 = sample_surface(part, N_CONTACT_SAMPLES)[0], float(mesh_areas(part).sum())
        for j, surface in enumerate(surfaces):
            near[i, j] = 0.0 if i == j else area_mm2 * float((surface.distance(points)[0] < MAX_GAP_RATIO * diagonal).mean())
    near += near.T
    order = [first]
    while len(order) < len(parts):
        order.append(max((k for k in range(len(parts)) if k not in order), key=lambda k: (float(near[k, order].sum()), -k)))
    return order


def _align(part: Mesh, before: Mesh) -> tuple[FloatArray, list[str]]:
    """Pose of a part on the earlier ones, and doubts about it."""
    fixed, moving = sample_bone(before), sample_bone(part, 1)
    refiner = Refiner(fixed, moving, False)
    found, _ = search_poses(fixed, moving, WIDE_PLAN)
    rough = join_poses(*(refiner.refine_through(found.pick(k), 300, np.geomspace(0.03, 2 * TIGHT_RATIO, 8)) for k in range(len(found))))
    scores = np.array([_same_skin(refiner.pairs(rough.pick(k), 600), 2 * TIGHT_RATIO) for k in range(len(rough))])
    leading = rough.pick(distinct_poses(rough, scores, moving.points[:50], SAME_RATIO, 6))
    fine = join_poses(*(refiner.refine_through(leading.pick(k), 1500, np.geomspace(0.01, TIGHT_RATIO, 12)) for k in range(len(leading))))
    pairs = [refiner.pairs(fine.pick(k), 1500) for k in range(len(fine))]
    scores = np.array([_same_skin(pair, TIGHT_RATIO) for pair in pairs])
    order = distinct_poses(fine, scores, moving.points[:50], SAME_RATIO, len(fine))
    best = refiner.refine_through(fine.pick(order[0]), 3000, np.full(4, TIGHT_RATIO))
    ratio = max(float(scores[order[1]]), 0.0) / max(float(scores[order[0]]), 1e-9) if len(order) > 1 else 0.0
    return refiner.matrix_mm(best), _doubts_of_pose(refiner, best, ratio)


def _same_skin(pairs: Pairs, width: float) -> float:
    """How much skin two scans share, less what lies near without being the same: wrong poses have much of the second kind."""
    distance = np.sqrt(pairs.squared)
    is_same, is_beside = (distance < width) & pairs.agrees, (distance > 2 * width) & (distance < 10 * width) & pairs.agrees
    ways = (slice(0, pairs.n_moving), slice(pairs.n_moving, None))
    return float(sum(is_same[way].mean() - 0.5 * is_beside[way].mean() for way in ways))


def _doubts_of_pose(refiner: Refiner, pose: Poses, ratio: float) -> list[str]:
    pairs = refiner.pairs(pose, 3000)
    is_same = (pairs.squared < TIGHT_RATIO**2) & pairs.agrees
    shared = 100 * float(is_same[: pairs.n_moving].mean())
    doubts = []
    if shared < MIN_OVERLAP_PERCENT:
        doubts.append(f"only {shared:.0f} % of its skin repeats the parts before it; give its pose or scan it with more overlap")
    if ratio > MAX_RATIO:
        doubts.append(f"another pose agrees almost as well (ratio {ratio:.2f}); give its pose")
    if is_same.any() and np.sqrt(pairs.squared[is_same].mean()) > MAX_RESIDUAL_RATIO:
        doubts.append("the shared skin does not agree: is it a scan of the same bone?")
    return doubts


@dataclass(frozen=True, eq=False)
class _Contact:
    overlap_percent: float
    squared_mm2: FloatArray
    gap_mm: float
    nearest_mm: float
    length_mm: float


def _contact(part: Mesh, before: Mesh) -> _Contact:
    """How a placed part meets the parts before it: repeated skin, and the gap between break faces that look at each other."""
    moving, surface = sample_bone(part, 1), Surface(before)
    points = moving.points * moving.length_mm + moving.centre_mm
    distance, faces, nearest = surface.project(points)
    normals = unit_vectors(area_vectors(before.vertices, before.faces)[faces])
    cosine = (normals * moving.normals).sum(axis=1)
    length = max(moving.length_mm, sample_bone(before).length_mm)
    is_same = (distance < TIGHT_RATIO * length) & (cosine > 0.3)
    is_facing = (distance < TOUCH_RATIO * length) & (cosine < -0.5)
    signed = ((points - nearest) * normals).sum(axis=1)[is_facing]
    gap = float(np.median(signed)) if len(signed) >= 10 else float("nan")
    return _Contact(100 * float(is_same.mean()), distance[is_same] ** 2, gap, float(distance.min()), length)


def _doubts_of_contact(contact: _Contact) -> list[str]:
    limit = MAX_GAP_RATIO * contact.length_mm
    if contact.overlap_percent >= MIN_OVERLAP_PERCENT:
        return []
    if abs(contact.gap_mm) > limit:
        what = "a gap" if contact.gap_mm > 0 else "an overlap"
        return [f"the given pose leaves {what} of {abs(contact.gap_mm):.1f} mm at the break"]
    if contact.nearest_mm > limit:
        return [f"it does not touch the parts before it; they are {contact.nearest_mm:.1f} mm apart"]
    return []
