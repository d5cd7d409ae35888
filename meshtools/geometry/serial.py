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

SMOOTHINGS = (1.0, 1.6, 2.6)  # a bend under which the surface would cross itself is found again, so much smoother
N_SEEN = 500  # samples of each of the two surfaces
DRIFT_REACH, DRIFT_STIFFNESS, N_DRIFTS = 0.2, 2.0, 30  # reach as a share of the length; the method's beta and lambda
FIRST_WIDTH, LAST_WIDTH, NORMAL_WEIGHT = 0.06, 0.004, 0.06  # as shares of the length; opposite normals count as twice that far apart
OUTLIER_SHARE = 0.05
FINE_REACHES = (0.12, 0.04)  # of the length, for what is left between the surfaces after the drift
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

    length_mm: the template's greatest length; all reaches are shares of it, times `smoothing`. First samples of the template drift together
    onto samples of the other bone, so that a longer process is drawn out; what gap is left along the normals is then followed by a smooth field
    (asymmetry.spread_differences). Method: coherent point drift (Myronenko & Song 2010, IEEE TPAMI 32, 2262-2275), with normals beside
    the points, which is our own.
    """
    points = template.vertices + _drift(template, other, length_mm, smoothing)
    return np.asarray(points + _close_gaps(template.replaced(vertices=points), other, length_mm, smoothing) - template.vertices)


def _drift(template: Mesh, other: Mesh, length_mm: float, smoothing: float) -> FloatArray:
    """Displacement (n, 3) of the template's corners by coherent point drift, in the notation of the paper: Y + G W onto X."""
    (y, y_faces), (x, x_faces) = sample_surface(template, N_SEEN), sample_surface(other, N_SEEN, 1)
    middle = y.mean(axis=0)
    y, x, reach = (y - middle) / length_mm, (x - middle) / length_mm, smoothing * DRIFT_REACH
    turned = NORMAL_WEIGHT**2 * _squared_distances(_face_normals(template)[y_faces], _face_normals(other)[x_faces])
    kernel = np.exp(-_squared_distances(y, y) / (2.0 * reach**2))
    weights, variance = np.zeros_like(y), FIRST_WIDTH**2
    for _ in range(N_DRIFTS):
        chance = np.exp(-(_squared_distances(y + kernel @ weights, x) + turned) / (2.0 * variance))
        chance /= chance.sum(axis=0) + (2.0 * np.pi * variance) ** 1.5 * OUTLIER_SHARE / (1.0 - OUTLIER_SHARE)
        mass = chance.sum(axis=1)
        system = mass[:, None] * kernel + DRIFT_STIFFNESS * variance * np.eye(len(y))
        weights = np.linalg.solve(system, chance @ x - mass[:, None] * y)
        spread = float((chance * _squared_distances(y + kernel @ weights, x)).sum() / (3.0 * mass.sum()))
        variance = max(spread, LAST_WIDTH**2)
    corners = (template.vertices - middle) / length_mm
    parts = np.array_split(corners, len(corners) // 4000 + 1)
    return length_mm * np.concatenate([np.exp(-_squared_distances(part, y) / (2.0 * reach**2)) @ weights for part in parts])


def _close_gaps(bent: Mesh, other: Mesh, length_mm: float, smoothing: float) -> FloatArray:
    """Displacement (n, 3) that follows the gaps along the normals between partner points: nearest ones, both ways, that face the same way."""
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
    seen = Differences(places[is_pair], own[is_pair], np.einsum("ij,ij->i", gaps, own)[is_pair])
    long_mm, short_mm = (smoothing * reach * length_mm for reach in FINE_REACHES)
    return spread_differences(seen, bent.vertices, (long_mm, short_mm))


def _squared_distances(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.maximum((a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1)[None, :] - 2.0 * a @ b.T, 0.0))


def _face_normals(mesh: Mesh) -> FloatArray:
    vectors = area_vectors(mesh.vertices, mesh.faces)
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)[:, None])


def _gap_mm(a: Mesh, b: Mesh) -> tuple[float, float]:
    """Root mean square and greatest distance of even samples of two surfaces, both ways."""
    ways = [Surface(to).distance(sample_surface(of, N_MEASURED)[0])[0] for of, to in ((a, b), (b, a))]
    distances = np.concatenate(ways)
    return float(np.sqrt(np.mean(distances**2))), float(distances.max())
