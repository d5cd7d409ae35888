"""Complete a damaged bone: a median bone from its own other half, a paired bone from its counterpart.

The original's skin stays as it is, vertex for vertex. What it has lost is taken over from the partner (its own mirror image, or the
counterpart), which is laid on the original's skin first and bent so that it meets the original's rim; a narrow seam joins the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from meshtools.geometry.asymmetry import Differences, spread_differences
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import FacingNearest, FacingSurface, unit_normals
from meshtools.geometry.partner import Partner, SkinTrees
from meshtools.geometry.pieces import mesh_areas, take_faces
from meshtools.geometry.pose_prior import PosedPartner, PosePrior, SkinSample, fit_pose
from meshtools.geometry.restore_body import Body, Scale, make_ready, ready_counterpart, scale_of
from meshtools.geometry.restore_body import Rows as Rows
from meshtools.geometry.restore_figures import N_COVER_SAMPLES, Laid, describe, share_uncovered
from meshtools.geometry.restore_figures import Restoration as Restoration
from meshtools.geometry.restore_join import Joined, Original, join_taken
from meshtools.geometry.rims import find_rims
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.takeover import (
    BoolArray,
    Tolerance,
    face_points,
    faces_a_fill,
    find_false_faces,
    find_missing_skin,
    flip_small_patches,
    grow_false_faces,
    patch_labels,
    settle_cavities,
    winding,
    without_teeth,
)
from meshtools.geometry.transform import apply_matrix, reflection_matrix
from meshtools.geometry.trench import cut_trench
from meshtools.model import FloatArray, Mesh
from meshtools.settings import RestoreSettings

N_POSE_SAMPLES = 4000
N_RIM_SAMPLES = 600
N_SKIN_SAMPLES = 500
FINE, FINEST = 0.1, 0.02  # of what is the same skin
COARSER = 2.0  # how much larger the patches are from which a fracture is followed over what both sides have lost
SLIGHT_SHARE = 0.001  # of a surface
SAME_WAY_COSINE = 0.6
STEEP = 0.7  # a point on the other rim counts where the way to it is this steep


def restore_across_plane(mesh: Mesh, normal: Sequence[float], offset_mm: float, rows: Rows, settings: RestoreSettings) -> Restoration:
    """Complete a median bone from its own mirror image across the plane normal . x = offset_mm.

    mesh: an open scan or a solid with a fracture surface, consistent and outward, in mm. Faces of rows.fills are never taken for
    bone. What is lost on both sides stays lost; a solid is closed there by a cap with the row of the seam. GeometryError for a mesh that is
    empty, wholly filled, or has edges with more than two faces.
    """
    body = make_ready(mesh, rows)
    matrix = reflection_matrix(normal, offset_mm)
    image = replace(body, mesh=apply_matrix(body.mesh, matrix))
    scale = scale_of(body, image, settings)
    sd = np.radians(settings.plane_rotation_deg), scale.mm(settings.plane_shift_percent)
    fresh = Partner(image.mesh, image.is_false, image.is_filled, True, SkinTrees(body.mesh), matrix)
    return _restore(body, fresh, _prior(image, sd, scale), rows, scale)


def restore_from_counterpart(
    part: Mesh, counterpart: Mesh, counterpart_pose_prior: FloatArray | None, rows: Rows, settings: RestoreSettings
) -> Restoration:
    """Complete a broken paired bone from its counterpart, which is already reflected, scaled and whole.

    counterpart_pose_prior (4, 4): where the counterpart is believed to lie in the part's frame, None for where it lies now. The part
    corrects that pose only as far as it informs. rows.fills hold for both; fills of the counterpart are taken over where there is
    nothing better, with the row that rows.taken gives them. GeometryError as for `restore_across_plane`.
    """
    body, whole = make_ready(part, rows), ready_counterpart(counterpart, rows)
    pose = np.eye(4) if counterpart_pose_prior is None else counterpart_pose_prior
    whole = replace(whole, mesh=apply_matrix(whole.mesh, pose))
    scale = scale_of(whole, whole, settings)
    sd = np.radians(settings.counterpart_rotation_deg), scale.mm(settings.counterpart_shift_percent)
    fresh = Partner(whole.mesh, whole.is_false, whole.is_filled, False, SkinTrees(whole.mesh), np.eye(4))
    return _restore(body, fresh, _prior(whole, sd, scale), rows, scale)


def _prior(partner: Body, sd: tuple[float, float], scale: Scale) -> PosePrior:
    x, y, z = (partner.mesh.vertices.min(axis=0) + partner.mesh.vertices.max(axis=0)) / 2
    exact = scale.mm(scale.settings.least_difference_percent)
    return PosePrior((float(x), float(y), float(z)), float(sd[0]), sd[1], scale.mm(scale.settings.patch_percent), exact)


@dataclass(frozen=True, eq=False)
class _Attempt:
    """A bone completed one way; removed: share of the area that was skin and went."""

    body: Body
    bent: Partner
    joined: Joined
    limit_mm: float
    removed: float


def _restore(body: Body, fresh: Partner, prior: PosePrior, rows: Rows, scale: Scale) -> Restoration:
    is_image, same = fresh.is_image, scale.mm(scale.settings.same_skin_percent)
    posed, pose = _lay_on(body, fresh, prior, (3 * same, same))
    known, bent = body.is_false, posed
    for _ in range(2):
        limit = _limit(body, bent, scale)
        is_core = _without_small(body, find_false_faces(body.mesh, known, bent, Tolerance(limit, same)), known, scale)
        body = replace(body, is_false=is_core)
        posed, pose = _lay_on(body, _image_false(fresh, is_core), prior, (2 * same, same))
        bent = _bend(body, posed, scale)
        is_false = grow_false_faces(body.mesh, is_core, bent, Tolerance(_limit(body, bent, scale, FINEST), same))
        is_false = without_teeth(body.mesh, _without_small(body, is_false, known, scale), known)
        body = replace(body, is_false=is_false)
        posed = _image_false(posed, is_false)
    if is_image:
        is_unopposed = _unopposed_fills(body, bent, same)
        body, known = replace(body, is_false=body.is_false & ~is_unopposed), known & ~is_unopposed
        posed = _image_false(posed, body.is_false)
    none = np.zeros_like(body.is_false)
    is_sure, is_broken = _broken_beyond(body, known, bent, scale) if is_image else (none, none)
    is_broken &= ~body.is_false
    done = _attempt(body, posed, is_broken, rows, scale)
    if is_broken.any():
        is_all = without_teeth(body.mesh, body.is_false | is_sure | is_broken, known)
        wide = _attempt(replace(body, is_false=is_all), posed, is_broken, rows, scale)
        done = wide if _is_no_worse(wide, done, is_broken) else done
    left = replace(done.body, is_false=done.body.is_false | is_broken)
    steps = _steps_mm(left, done.joined.is_kept, _image_false(posed, left.is_false), same)
    laid = Laid(pose, steps, _image_false(done.bent, left.is_false), same)
    return describe(left, done.joined, laid, rows, max(done.limit_mm, 3 * scale.mm(scale.settings.seam_width_percent)))


def _unopposed_fills(body: Body, bent: Partner, same_mm: float) -> BoolArray:
    """Large fills that the partner has nothing for, which stay, and whose images are taken over as fills."""
    is_fill = body.is_false & body.is_filled & (np.arange(len(body.is_false)) < body.n_own)
    if not is_fill.any():
        return is_fill
    rows, labels = np.flatnonzero(is_fill), patch_labels(body.mesh, is_fill)
    points = body.mesh.vertices[body.mesh.faces[rows]].mean(axis=1)
    is_lonely = bent.evidence.nearest(points, unit_normals(body.mesh)[rows]).distance_mm > same_mm
    is_lonely &= winding(bent.mesh, points) < 0.5
    areas = mesh_areas(body.mesh)[rows]
    of_patch = np.bincount(labels[rows], np.where(is_lonely, areas, -areas))
    return np.asarray(is_fill & (of_patch[np.maximum(labels, 0)] > 0))


def _broken_beyond(body: Body, known: BoolArray, bent: Partner, scale: Scale) -> tuple[BoolArray, BoolArray]:
    """What is surely fracture, and where it goes on in about its direction, over a place that both sides have lost (no patch to more than double).

    Both are seen with a coarser eye: a single face of skin among the fracture would take all skin beyond along.
    """
    limit, same = _limit(body, bent, scale), scale.mm(scale.settings.same_skin_percent)
    is_sure = _without_small(body, find_false_faces(body.mesh, known, bent, Tolerance(max(limit, same / 5), same)), known, scale, COARSER)
    is_grown = grow_false_faces(body.mesh, is_sure, bent, Tolerance(limit, same))
    is_sure = without_teeth(body.mesh, _without_small(body, is_grown, known, scale, COARSER), known)
    body = replace(body, is_false=is_sure)
    normals, areas = unit_normals(body.mesh), mesh_areas(body.mesh)
    is_fracture = body.is_false & ~known
    mean = (normals * areas[:, None])[is_fracture].sum(axis=0)
    along = normals @ (mean / max(float(np.sqrt(mean @ mean)), 1e-300)) > SAME_WAY_COSINE
    is_false = grow_false_faces(body.mesh, body.is_false, bent, Tolerance(limit, same), along) | body.is_false
    is_broken = without_teeth(body.mesh, _without_small(body, is_false, known, scale, COARSER), known) & ~body.is_false
    labels = patch_labels(body.mesh, is_fracture | is_broken)
    surplus = np.bincount(labels[labels >= 0], np.where(is_broken, -areas, areas)[labels >= 0], minlength=1)
    return is_sure, np.asarray(is_broken & (surplus[np.maximum(labels, 0)] >= 0))


def _attempt(body: Body, posed: Partner, is_broken: BoolArray, rows: Rows, scale: Scale) -> _Attempt:
    """Bend the partner and take over what the body lacks. Images of broken faces that come along are no skin and get the seam's row."""
    bent = _bend(body, _image_false(posed, body.is_false), scale)
    limit = _limit(body, bent, scale)
    joined = _take_over(body, bent, is_broken, limit, rows, scale)
    is_gone = ~joined.is_kept & ~body.is_false
    area = mesh_areas(body.mesh)
    return _Attempt(body, bent, joined, limit, float(area[is_gone].sum() / area.sum()))


def _slight_caps(body: Body, bent: Partner, limit_mm: float, least_mm2: float) -> BoolArray:
    """(m,) caps of an open scan that are smaller than what is restored at all, or that lie on the partner's skin wholly, where a loss took off a
    tip and no more: they close their rims if nothing else does. A cap across the mouth of a crevice may lie so too, though what is beyond is lost
    and can be taken over."""
    is_cap = np.arange(len(body.is_false)) >= body.n_own
    result, rows = np.zeros_like(is_cap), np.flatnonzero(is_cap)
    if body.was_closed or not len(rows):
        return result
    labels = patch_labels(body.mesh, is_cap)[rows]
    found = bent.evidence.nearest(face_points(body.mesh, rows).reshape(-1, 3), np.repeat(unit_normals(body.mesh)[rows], 4, axis=0))
    is_off = ((found.distance_mm > limit_mm) | found.is_on_rim).reshape(-1, 4).any(axis=1)
    area = np.bincount(labels, mesh_areas(body.mesh)[rows])
    result[rows] = ((np.bincount(labels, is_off) == 0) | (area < least_mm2))[labels]
    return result


def _is_no_worse(one: _Attempt, other: _Attempt, is_broken: BoolArray) -> bool:
    """Whether one attempt covers as much of the partner's skin as the other (to one sample), with no more skin removed and no more crossings.

    That skin is what the other attempt takes for skin, or the one that gives more of it up would be asked for less. Images of broken faces are none.
    """
    bent = other.bent
    skin = take_faces(bent.mesh, ~bent.is_false & ~is_broken if bent.is_image else ~bent.is_false)
    ours, others = (share_uncovered(done.joined.mesh, skin, other.limit_mm) for done in (one, other))
    is_sound = one.joined.n_tangled <= other.joined.n_tangled and one.joined.n_failed <= other.joined.n_failed
    return is_sound and ours <= others + 1.5 / N_COVER_SAMPLES and one.removed <= other.removed + SLIGHT_SHARE


def _limit(body: Body, partner: Partner, scale: Scale, finest: float = FINE) -> float:
    """How far apart skin of both bones can be that is the same skin: four times the spread of what is found, within bounds."""
    same = scale.mm(scale.settings.same_skin_percent)
    seen = _observe(body, partner, 1, 3000, same)
    spread = 1.4826 * float(np.median(np.abs(seen.heights_mm))) if len(seen.heights_mm) else same
    return float(np.clip(4 * spread, finest * same, same))


def _image_false(partner: Partner, is_false: BoolArray) -> Partner:
    """The partner without the images of the original's false faces."""
    return replace(partner, is_false=is_false.copy()) if partner.is_image else partner


def _lay_on(body: Body, partner: Partner, prior: PosePrior, reach_mm: tuple[float, float]) -> tuple[Partner, PosedPartner]:
    skin = take_faces(body.mesh, body.is_evidence)
    points, faces = sample_surface(skin, N_POSE_SAMPLES)
    sample = SkinSample(points, unit_normals(skin)[faces], float(mesh_areas(skin).sum()))
    pose = fit_pose(sample, partner.evidence, prior, reach_mm)
    moved = pose.original_from_partner
    return replace(partner, mesh=apply_matrix(partner.mesh, moved), pose=None if partner.pose is None else moved @ partner.pose), pose


def _without_small(body: Body, is_false: BoolArray, is_known: BoolArray, scale: Scale, coarser: float = 1.0) -> BoolArray:
    """False faces without the patches too small to be a fracture; known ones stay. coarser: how many times larger a patch must be."""
    least = coarser * float(mesh_areas(body.mesh).sum()) * scale.settings.least_patch_percent / 100.0
    return flip_small_patches(body.mesh, is_false, np.ones(len(is_false), dtype=bool), least) | is_known


def _rim_lines(body: Body) -> list[FloatArray]:
    skin = take_faces(body.mesh, ~body.is_false)
    return [skin.vertices[rim.vertices] for rim in find_rims(skin)]


def _observe(body: Body, partner: Partner, n_rim: int, n_skin: int, reach_mm: float) -> Differences:
    """Heights of the original's scanned skin over the partner's: along the rims, then everywhere."""
    skin, whole = take_faces(body.mesh, body.is_evidence), take_faces(body.mesh, ~body.is_false)
    points, facing = _along_rims(whole, unit_normals(whole), n_rim)
    even, faces = sample_surface(skin, n_skin, seed=1)
    points, facing = np.concatenate([points, even]), np.concatenate([facing, unit_normals(skin)[faces]])
    heights, found = _heights(points, facing, partner.evidence)
    is_seen = (found.distance_mm < reach_mm) & (~found.is_on_rim | (np.abs(heights) > STEEP * found.distance_mm))
    return Differences(found.point[is_seen], partner.evidence.normals[found.face[is_seen]], heights[is_seen])


def _heights(points: FloatArray, normals: FloatArray, skin: FacingSurface) -> tuple[FloatArray, FacingNearest]:
    """How far points lie above the nearest skin that faces their way, along its normal."""
    found = skin.nearest(points, normals)
    return ((points - found.point) * skin.normals[np.maximum(found.face, 0)]).sum(axis=1), found


def _steps_mm(body: Body, is_kept: BoolArray, posed: Partner, same_mm: float) -> FloatArray:
    """How far the kept skin's rims lie above or below the posed partner's skin, however far that is.

    Where both have lost their skin there is no step: a rim point says nothing that meets the partner's own rim, unless that rim lies
    straight above or below it, nor one that the partner's fracture is nearer to than its skin, where that is not the same skin.
    """
    skin = take_faces(body.mesh, is_kept & ~body.is_false)
    points, normals = _along_rims(skin, unit_normals(skin), N_RIM_SAMPLES)
    heights, found = _heights(points, normals, posed.skin)
    is_near = found.distance_mm < same_mm
    is_step = (~found.is_on_rim | (np.abs(heights) > STEEP * found.distance_mm)) & (is_near | ~found.is_on_rim)
    if posed.is_false.any():
        to_fracture = Surface(take_faces(posed.mesh, posed.is_false)).distance(points)[0]
        is_step &= is_near | (found.distance_mm < to_fracture)
    return np.asarray(np.abs(heights[is_step & np.isfinite(found.distance_mm)]))


def _along_rims(skin: Mesh, normals: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """Points spread evenly along the open edges of a skin, and the normals of the faces they belong to."""
    from meshtools.geometry.orient import open_half_edges

    start, end, face = open_half_edges(skin.faces, len(skin.vertices))
    if not len(start):
        return np.zeros((0, 3)), np.zeros((0, 3))
    a, b = skin.vertices[start], skin.vertices[end]
    along = np.cumsum(np.sqrt(((b - a) ** 2).sum(axis=1)))
    places = (np.arange(n) + 0.5) / n * along[-1]
    edge = np.searchsorted(along, places).clip(max=len(along) - 1)
    share = ((along[edge] - places) / np.maximum(np.diff(along, prepend=0.0)[edge], 1e-300))[:, None]
    return a[edge] * share + b[edge] * (1 - share), normals[face[edge]]


def _bend(body: Body, posed: Partner, scale: Scale) -> Partner:
    """The partner bent onto the original's skin."""
    settings = scale.settings
    seen = _observe(body, posed, N_RIM_SAMPLES, N_SKIN_SAMPLES, _limit(body, posed, scale, FINEST))
    reach = scale.mm(settings.fade_percent), scale.mm(settings.fade_short_percent)
    moved = spread_differences(seen, posed.mesh.vertices, reach)
    return replace(posed, mesh=posed.mesh.replaced(vertices=posed.mesh.vertices + moved), pose=None)


def _take_over(body: Body, bent: Partner, is_broken: BoolArray, limit_mm: float, rows: Rows, scale: Scale) -> Joined:
    same = scale.mm(scale.settings.same_skin_percent)
    width = scale.mm(scale.settings.seam_width_percent), same
    cut = cut_trench(bent.mesh, _rim_lines(body), width)
    is_skin = (cut.row >= 0) & ~bent.is_false[np.maximum(cut.row, 0)]
    skin = bent.trees.skin(~body.is_false) if bent.is_image else FacingSurface(body.mesh, ~body.is_false)
    is_taken = find_missing_skin(cut.mesh, is_skin, skin, limit_mm)
    lost, kept_fills = np.flatnonzero(is_taken), FacingSurface(body.mesh, body.is_filled & ~body.is_false)
    is_taken[lost[faces_a_fill(cut.mesh, lost, kept_fills, same)]] = False
    areas = mesh_areas(cut.mesh)
    least = float(areas.sum()) * scale.settings.least_patch_percent / 100.0
    is_lost = is_taken
    is_taken = flip_small_patches(cut.mesh, is_lost, is_skin, least / 10)  # small ones go again where the original has no rim for them
    is_taken = settle_cavities(cut.mesh, is_lost, is_taken, body.mesh)
    taken = take_faces(cut.mesh, is_taken)
    sources = rows.of_taken(taken.source)
    if bent.is_image:
        sources[is_broken[cut.row[is_taken]]] = rows.seam
    taken = taken.replaced(source=sources)
    is_own = np.arange(len(body.is_false)) < body.n_own
    original = Original(body.mesh, body.is_false, body.was_closed, body.was_closed | is_own | _slight_caps(body, bent, limit_mm, least))
    return join_taken(original, taken, 3 * max(width[0], limit_mm), least, rows.seam)
