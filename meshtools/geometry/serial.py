"""A bone between two neighbours of its series: the nearer one, bent part of the way towards the other and brought to the size between them.

What comes out is a conjecture. It is set beside the scaled neighbour, from which it differs little (measured on lumbar vertebrae:
benchmarks/serial_trials.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.asymmetry import Differences, spread_differences
from meshtools.geometry.distance import Surface
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.registration import register
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.transform import apply_matrix, scale
from meshtools.model import FloatArray, Mesh

REACHES = (0.5, 0.3, 0.18, 0.1)  # of the length: the bend is found from coarse to fine
SHORT_REACH_RATIO = 1 / 3
SMOOTHINGS = (1.0, 1.6, 2.6)  # a bend under which the surface would cross itself is found again, so much smoother
N_SEEN = 600  # samples of each of the two surfaces
N_MEASURED = 20_000
MIN_COSINE, MAX_GAP_RATIO = 0.5, 0.08  # partner points face the same way and lie within this share of the length


@dataclass(frozen=True, eq=False)
class Interpolation:
    """A bone between two others, in the frame of the nearer one, its template.

    size_factor: its size over the template's. is_bent: the shape was changed too; where it was not, `reason` says why, and the mesh is the
    template scaled. fit_residual_percent: rms distance, both ways, that a template bent all the way keeps from the other bone, in percent of
    the template's greatest length (without a bend: the misfit of the two bones as they are laid on one another). deviation_rms_mm and
    deviation_max_mm: from the template that was only scaled. sizes_mm: greatest lengths of the bone before, the new one, and the one after.
    """

    mesh: Mesh
    is_from_before: bool
    size_factor: float
    is_bent: bool
    reason: str
    fit_residual_percent: float
    deviation_rms_mm: float
    deviation_max_mm: float
    sizes_mm: tuple[float, float, float]


def interpolate_between(before: Mesh, after: Mesh, fraction: float) -> Interpolation:
    """The bone that lies at `fraction` (0 to 1, both excluded) of the way from one neighbour of a series to another.

    before, after: closed or open, in mm, each in its own frame. The nearer one (the first at one half) is the template: corners, faces,
    source, colour and frame of the result are its own. Its size goes by even steps of ratio, size_before^(1 - f) size_after^f; its shape by the
    same share of a smooth displacement towards the other bone at equal size. A bend that would add self-intersections is made smoother, and
    left out where that does not help; so is one between bones whose pose on one another is not sure. GeometryError for another fraction or a
    mesh without surface. Method: our own, on the registration and the smooth field of this package.
    """
    if not 0.0 < fraction < 1.0:
        raise GeometryError(f"a bone can only be interpolated between two others, not at the fraction {fraction:g} of the way")
    is_from_before = fraction <= 0.5
    template, other, share = (before, after, fraction) if is_from_before else (after, before, 1.0 - fraction)
    placed = register(other, template, "similarity")
    lengths = greatest_length(template.vertices), greatest_length(other.vertices)
    growth = 1.0 / placed.scale if placed.is_trusted else lengths[1] / lengths[0]
    factor = float(growth**share)
    bend, residual, reason = np.zeros_like(template.vertices), placed.whole_misfit_percent, placed.reason
    if placed.is_trusted:
        bend, residual, reason = _find_bend(template, apply_matrix(other, placed.fixed_from_moving), share, lengths[0])
    mesh = scale(template.replaced(vertices=template.vertices + share * bend), factor)
    rms, most = _gap_mm(mesh, scale(template, factor))
    sizes = (lengths[0], greatest_length(mesh.vertices), lengths[1])
    return Interpolation(
        mesh, is_from_before, factor, bool(np.any(bend)), reason, residual, rms, most, sizes if is_from_before else sizes[::-1])  # fmt: skip


def _find_bend(template: Mesh, other: Mesh, share: float, length_mm: float) -> tuple[FloatArray, float, str]:
    """Displacement (n, 3) of the template's corners onto the other bone, the misfit that it leaves in percent, and why there is none."""
    n_before = count_self_intersections(template).n_pairs
    for smoothing in SMOOTHINGS:
        bend = bend_towards(template, other, length_mm, smoothing)
        bent = template.replaced(vertices=template.vertices + share * bend)
        if count_self_intersections(bent).n_pairs <= n_before:
            rms, _ = _gap_mm(template.replaced(vertices=template.vertices + bend), other)
            return bend, 100.0 * rms / length_mm, ""
    rms, _ = _gap_mm(template, other)
    return np.zeros_like(template.vertices), 100.0 * rms / length_mm, "bent towards its neighbour the surface would pass through itself"


def bend_towards(template: Mesh, other: Mesh, length_mm: float, smoothing: float = 1.0) -> FloatArray:
    """Smooth displacement (n, 3) in mm that lays the template's corners on another bone of the same size and pose.

    Partner points are the nearest ones, both ways, that face the same way; only their gap along the normal counts, and a smooth field
    follows it (asymmetry.spread_differences), from a long reach to a short one, in shares of length_mm times `smoothing`. So nothing slides
    along the surface, equal bones stay as they are, and a process that is much longer on one bone is drawn out only in part.
    """
    points = template.vertices
    for reach in REACHES:
        seen = _see_gaps(template.replaced(vertices=points), other, length_mm)
        long_mm = smoothing * reach * length_mm
        points = points + spread_differences(seen, points, (long_mm, SHORT_REACH_RATIO * long_mm))
    return np.asarray(points - template.vertices)


def _see_gaps(bent: Mesh, other: Mesh, length_mm: float) -> Differences:
    """How far the other surface lies above the bent one, at samples of both."""
    near_points, near_faces = sample_surface(bent, N_SEEN)
    far_points, far_faces = sample_surface(other, N_SEEN, 1)
    normals, other_normals = _face_normals(bent), _face_normals(other)
    _, faces, ends = Surface(other).project(near_points)
    _, back_faces, starts = Surface(bent).project(far_points)
    places = np.concatenate([near_points, starts])
    own = np.concatenate([normals[near_faces], normals[back_faces]])
    theirs = np.concatenate([other_normals[faces], other_normals[far_faces]])
    gaps = np.concatenate([ends, far_points]) - places
    is_pair = (np.einsum("ij,ij->i", own, theirs) > MIN_COSINE) & (np.linalg.norm(gaps, axis=1) < MAX_GAP_RATIO * length_mm)
    return Differences(places[is_pair], own[is_pair], np.einsum("ij,ij->i", gaps, own)[is_pair])


def _face_normals(mesh: Mesh) -> FloatArray:
    vectors = area_vectors(mesh.vertices, mesh.faces)
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)[:, None])


def _gap_mm(a: Mesh, b: Mesh) -> tuple[float, float]:
    """Root mean square and greatest distance of even samples of two surfaces, both ways."""
    ways = [Surface(to).distance(sample_surface(of, N_MEASURED)[0])[0] for of, to in ((a, b), (b, a))]
    distances = np.concatenate(ways)
    return float(np.sqrt(np.mean(distances**2))), float(distances.max())
