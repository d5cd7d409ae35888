"""Take a shear or a bend of the ground out of a bone, by landmark pairs that were mirror images of one another before.

Only what breaks the left-right symmetry can be seen and undone. A bone that was pressed flat along its mirror plane, or stretched in it, is as
symmetric as before: that cannot be recovered, and every result says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.transform import apply_matrix, move_points
from meshtools.model import FloatArray, Mesh

N_PAIRS = 8  # with fewer a fall of the residual proves nothing
N_PARTS = 5
CLEAR_RATIO = 0.5
LEAST_RESIDUAL_PERCENT = 0.3  # natural left-right differences are of this size (0.2-0.4 % of length, measured on real pairs of long bones)
MOST_LEAN_DEG = 60.0
LINE_RATIO = 0.02  # middles of pairs that spread less than this across their line give no plane
STIFFNESS_RATIO = 0.005  # of the landmarks' greatest distance, the spline's smoothing: landmarks are set with an error
CANNOT_RECOVER = "compression or stretching along the mirror plane leaves both sides alike, so it cannot be seen or recovered from them"

Warp = Callable[[FloatArray], FloatArray]
Fit = Callable[[FloatArray], Warp]


@dataclass(frozen=True, eq=False)
class Retrodeformation:
    """A bone with its left-right symmetry restored as far as landmarks show it, or as it was.

    matrix (4, 4): the affine map that was found, in mm, None for a bend. residual_before_percent and residual_after_percent: rms distance between
    each right landmark and the mirror image of its left one, across the plane that fits the landmarks best, in percent of their greatest
    distance; after: of pairs that were left out of the fit in turn (five parts). is_clearly_better: the rule of `is_clear` holds, and a bend
    adds no self-intersection; only then the mesh was changed. largest_displacement_mm: how far the mesh's corners were moved at most, or would
    have been. `reason` is a sentence.
    """

    mesh: Mesh
    matrix: FloatArray | None
    residual_before_percent: float
    residual_after_percent: float
    largest_displacement_mm: float
    is_clearly_better: bool
    reason: str
    cannot_recover: str = CANNOT_RECOVER


def unshear(mesh: Mesh, pairs: FloatArray, midline: FloatArray | None = None) -> Retrodeformation:
    """Undo the even shear that keeps landmark pairs from being mirror images, by the affine map that changes the shape least.

    pairs (k, 2, 3): left and right, in mm of the mesh; midline (j, 3): points that lay on the mirror plane. In a sheared bone all lines from left
    to right still run one way a, and all their middles still lie in one plane, with normal b; in a symmetric one a = b. The map is the pure
    stretch (no turn, volume kept) of least strain that brings them together. GeometryError for fewer than 3 pairs, or pairs that give no
    direction or no plane. Method: our own closed form.
    """
    landmarks = _landmarks(pairs, midline)

    def fit(some: FloatArray) -> Warp:
        matrix = _least_stretch(some)
        return lambda points: move_points(points, matrix)

    return _judged(mesh, landmarks, fit, _least_stretch(landmarks))


def unbend(mesh: Mesh, pairs: FloatArray, midline: FloatArray | None = None) -> Retrodeformation:
    """Undo a smooth uneven deformation: every landmark goes half of the way to the mirror image of its partner, and the bone with them.

    pairs, midline: as for unshear. The landmarks are reflected across the plane that fits them best and averaged (Gunz et al. 2009, Journal of
    Human Evolution 57, 48-62); a thin-plate spline (Bookstein 1989, IEEE TPAMI 11, 567-585; in space its kernel is the distance) carries the
    surface along, smoothed a little because landmarks have errors. Between landmarks nothing is known: set them all over the bone.
    GeometryError for fewer than 4 landmarks that span space.
    """
    return _judged(mesh, _landmarks(pairs, midline), _spline, None)


def is_clear(n_pairs: int, before_percent: float, after_percent: float) -> bool:
    """The rule for applying: at least 8 pairs, a residual of 0.3 % or more before, and at most half of it after in pairs the fit has not seen."""
    return n_pairs >= N_PAIRS and before_percent >= LEAST_RESIDUAL_PERCENT and after_percent <= CLEAR_RATIO * before_percent


def mirror_plane(landmarks: FloatArray) -> tuple[FloatArray, float]:
    """Unit normal (3,) and offset of the plane across which left landmarks fall nearest to right ones (least squares, closed form).

    landmarks (n, 2, 3); a point of the midline is its own partner. Of all reflections about the common centre c, the sum of squares
    |R l - r|^2 is least for the normal that is the last eigenvector of the sum of (l - c)(r - c)^T + (r - c)(l - c)^T.
    """
    centre = landmarks.mean(axis=(0, 1))
    left, right = landmarks[:, 0] - centre, landmarks[:, 1] - centre
    product = left.T @ right
    normal = np.linalg.eigh(product + product.T)[1][:, 0]
    return np.asarray(normal), float(normal @ centre)


def residual_percent(landmarks: FloatArray, plane: tuple[FloatArray, float], length_mm: float) -> FloatArray:
    """Distance (n,) of each right landmark from its mirrored left one, in percent of a length."""
    gaps = _mirrored(landmarks[:, 0], plane) - landmarks[:, 1]
    return np.asarray(100.0 * np.linalg.norm(gaps, axis=1) / length_mm)


def _landmarks(pairs: FloatArray, midline: FloatArray | None) -> FloatArray:
    """(n, 2, 3) with the points of the midline, each as its own partner, at the end."""
    both = np.asarray(pairs, dtype=np.float64).reshape(-1, 2, 3)
    middle = np.zeros((0, 3)) if midline is None else np.asarray(midline, dtype=np.float64).reshape(-1, 3)
    landmarks = np.concatenate([both, np.repeat(middle[:, None, :], 2, axis=1)])
    if len(both) < 3 or not np.isfinite(landmarks).all():
        raise GeometryError(f"{len(both)} landmark pairs say nothing about a deformation; give 8 or more, all over the bone")
    return landmarks


def _judged(mesh: Mesh, landmarks: FloatArray, fit: Fit, matrix: FloatArray | None) -> Retrodeformation:
    """Apply what was found where it clearly helps landmarks that it has not seen."""
    is_pair = np.any(landmarks[:, 0] != landmarks[:, 1], axis=1)
    length_mm = greatest_length(landmarks.reshape(-1, 3))
    before = _rms(residual_percent(landmarks, mirror_plane(landmarks), length_mm)[is_pair])
    after = _rms(_unseen_residuals(landmarks, fit, length_mm)[is_pair])
    moved = fit(landmarks)(mesh.vertices)
    most_mm = float(np.sqrt(((moved - mesh.vertices) ** 2).sum(axis=1).max()))
    n_pairs = int(is_pair.sum())
    is_better = is_clear(n_pairs, before, after)
    words = f"left against right {before:.2f} % rms before, {after:.2f} % after in pairs that were left out in turn ({n_pairs} pairs)"
    if not is_better:
        wanted = f"wanted are {N_PAIRS} pairs, {LEAST_RESIDUAL_PERCENT:g} % or more before, and at most half of it after"
        return Retrodeformation(mesh, matrix, before, after, most_mm, False, f"not applied: {words}; {wanted}")
    if matrix is not None:
        return Retrodeformation(apply_matrix(mesh, matrix), matrix, before, after, most_mm, True, words)
    bent = mesh.replaced(vertices=moved)
    n_added = count_self_intersections(bent).n_pairs - count_self_intersections(mesh).n_pairs
    if n_added > 0:
        why = f"not applied: the surface would pass through itself ({n_added} pairs of faces more); {words}"
        return Retrodeformation(mesh, None, before, after, most_mm, False, why)
    return Retrodeformation(bent, None, before, after, most_mm, True, words)


def _unseen_residuals(landmarks: FloatArray, fit: Fit, length_mm: float) -> FloatArray:
    """Residual (n,) of each landmark under the fit and the plane of the other four fifths; every fifth one is left out together."""
    part = np.arange(len(landmarks)) % N_PARTS
    residuals = np.zeros(len(landmarks))
    for number in range(N_PARTS):
        is_seen = part != number
        if is_seen.all():
            continue
        moved = fit(landmarks[is_seen])(landmarks.reshape(-1, 3)).reshape(landmarks.shape)
        residuals[~is_seen] = residual_percent(moved[~is_seen], mirror_plane(moved[is_seen]), length_mm)
    return residuals


def _least_stretch(landmarks: FloatArray) -> FloatArray:
    """The affine map (4, 4) about the landmarks' centre that makes the lines from left to right square to the plane of their middles.

    A symmetric S with S a parallel to b and least strain acts in the plane of a and b alone, with axes at 45 degrees to the line midway between
    them and stretches 1 / k and k, k = tan(45 deg - lean / 2); the map is its square root, as the symmetric form of a metric is (closed form).
    """
    across, normal, centre = _lean(landmarks)
    lean = float(np.arccos(np.clip(across @ normal, -1.0, 1.0)))
    if np.degrees(lean) > MOST_LEAN_DEG:
        raise GeometryError("the lines from left to right run nearly in the plane of their middles; check which landmark is left and which right")
    matrix = np.eye(4)
    aside = normal - across
    if np.linalg.norm(aside) < 1e-12:
        return matrix
    midway, aside = (vector / np.linalg.norm(vector) for vector in (normal + across, aside))
    ratio = float(np.tan(np.pi / 4 - lean / 2))
    wide, narrow = (midway + aside) / np.sqrt(2.0), (midway - aside) / np.sqrt(2.0)
    for axis, stretch in ((wide, ratio**-0.5), (narrow, ratio**0.5)):
        matrix[:3, :3] += (stretch - 1.0) * np.outer(axis, axis)
    matrix[:3, 3] = centre - matrix[:3, :3] @ centre
    return matrix


def _lean(landmarks: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The way from left to right and the normal of the plane of the middles, unit vectors on one side of one another, and the centre."""
    middles = landmarks.mean(axis=1)
    centre = middles.mean(axis=0)
    _, spread, axes = np.linalg.svd(middles - centre, full_matrices=False)
    if len(middles) < 3 or spread[1] < LINE_RATIO * spread[0]:
        raise GeometryError("the middles of the landmark pairs lie on one line, so they give no plane; add pairs or midline points off that line")
    lines = landmarks[:, 1] - landmarks[:, 0]
    _, length, ways = np.linalg.svd(lines, full_matrices=False)
    if length[0] == 0.0:
        raise GeometryError("left and right landmarks are the same points; check the table")
    across, normal = ways[0], axes[2]
    return across, normal if across @ normal >= 0 else -normal, centre


def _spline(landmarks: FloatArray) -> Warp:
    """The smoothed thin-plate spline that takes landmarks half of the way to the mirror images of their partners."""
    from scipy.interpolate import RBFInterpolator

    plane = mirror_plane(landmarks)
    images = _mirrored(landmarks[:, ::-1], plane)
    shifts = (images - landmarks) / 2.0
    is_midline = np.all(landmarks[:, 0] == landmarks[:, 1], axis=1)
    places = np.concatenate([landmarks[:, 0], landmarks[~is_midline, 1]])
    moves = np.concatenate([shifts[:, 0], shifts[~is_midline, 1]])
    if len(np.unique(places, axis=0)) < len(places) or np.linalg.matrix_rank(places - places.mean(axis=0)) < 3:
        raise GeometryError("the landmarks must be different points that do not lie in one plane; check the table")
    spline = RBFInterpolator(places, moves, kernel="linear", degree=1, smoothing=STIFFNESS_RATIO * greatest_length(places))
    return lambda points: np.asarray(points + spline(np.asarray(points).reshape(-1, 3)).reshape(points.shape))


def _mirrored(points: FloatArray, plane: tuple[FloatArray, float]) -> FloatArray:
    normal, offset = plane
    return np.asarray(points - 2.0 * (points @ normal - offset)[..., None] * normal)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))
