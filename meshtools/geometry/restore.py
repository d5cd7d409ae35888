"""Complete a damaged bone: a median bone from its own other half, a paired bone from its counterpart.

The original's skin stays as it is, vertex for vertex. What it has lost is taken over from the partner (its own mirror image, or the
counterpart), which is laid on the original's skin first and bent so that it meets the original's rim; a narrow seam joins the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.asymmetry import Differences, spread_differences
from meshtools.geometry.audit import audit_topology, count_edges
from meshtools.geometry.facing import FacingSurface, unit_normals
from meshtools.geometry.pieces import face_areas, take_faces
from meshtools.geometry.pose_prior import PosedPartner, PosePrior, SkinSample, fit_pose
from meshtools.geometry.restore_join import Joined, Original, join_taken
from meshtools.geometry.rims import close_rims_listed, find_rims
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.takeover import BoolArray, Partner, find_false_faces, find_missing_skin, flip_small_patches, grow_false_faces, without_teeth
from meshtools.geometry.transform import apply_matrix, reflection_matrix
from meshtools.geometry.trench import cut_trench
from meshtools.geometry.unite import unite_pieces
from meshtools.model import FloatArray, Mesh
from meshtools.settings import RestoreSettings

N_POSE_SAMPLES = 4000
N_RIM_SAMPLES = 600
N_SKIN_SAMPLES = 500
_FILLED_BIT = 1 << 15


@dataclass(frozen=True, eq=False)
class Restoration:
    """A completed bone and what it took.

    mesh: original faces keep their source, taken-over faces have source_taken, seam faces and caps source_seam. area_added_mm2 and
    added_percent (of the area): taken-over and seam faces; volume_added_mm3: None unless closed before and after. seam_step: height of
    the partner's skin over the original's at the rim after laying it on, before it is bent; the bent partner meets the rim.
    original_skin_moved_max_mm: 0 by construction, measured. is_changed: False where nothing is lost. pose_informed: share of the partner's
    pose, in its least certain direction, that the original decided; the prior decided the rest. fit_rms_mm: of the skin both have.
    n_tangled_faces: faces at the seam that still cross others.
    """

    mesh: Mesh
    is_changed: bool
    area_added_mm2: float
    volume_added_mm3: float | None
    added_percent: float
    seam_step_max_mm: float
    seam_step_p95_mm: float
    original_skin_moved_max_mm: float
    n_pieces_before: int
    n_pieces_after: int
    is_closed: bool
    n_seams: int
    n_capped_rims: int
    false_area_removed_mm2: float
    original_from_partner: FloatArray
    pose_informed: float
    fit_rms_mm: float
    n_tangled_faces: int


@dataclass(frozen=True, eq=False)
class _Body:
    """A bone made ready: pieces united, rims capped. is_false: caps and fills. n_own: faces before the caps. was_closed: as it came."""

    mesh: Mesh
    is_false: BoolArray
    n_own: int
    was_closed: bool
    n_pieces: int


@dataclass(frozen=True, eq=False)
class _Scale:
    """Lengths that the settings give for a bone of this size."""

    diagonal_mm: float
    settings: RestoreSettings

    def mm(self, percent: float) -> float:
        return percent / 100.0 * self.diagonal_mm


def restore_across_plane(
    mesh: Mesh, normal: Sequence[float], offset_mm: float, source_taken: int, source_seam: int, settings: RestoreSettings,
    is_filled: BoolArray | None = None,
) -> Restoration:  # fmt: skip
    """Complete a median bone from its own mirror image across the plane normal . x = offset_mm.

    mesh: an open scan or a solid with a fracture surface, consistent and outward, in mm. is_filled (m,): faces that were filled while
    cleaning and are never taken for bone. What is lost on both sides stays lost; a solid is closed there by a cap with source_seam.
    GeometryError for a mesh that is empty or has edges with more than two faces.
    """
    body = _make_ready(mesh, is_filled, source_seam)
    matrix = reflection_matrix(normal, offset_mm)
    image = replace(body, mesh=apply_matrix(body.mesh, matrix))
    scale = _scale_of(body, image, settings)
    sd = np.radians(settings.plane_rotation_deg), scale.mm(settings.plane_shift_percent)
    return _restore(body, image, True, _prior(image, sd, scale), (source_taken, source_seam), scale)


def restore_from_counterpart(
    part: Mesh, counterpart: Mesh, counterpart_pose_prior: FloatArray | None, source_taken: int, source_seam: int, settings: RestoreSettings,
    is_filled: BoolArray | None = None,
) -> Restoration:  # fmt: skip
    """Complete a broken paired bone from its counterpart, which is already reflected, scaled and whole.

    counterpart_pose_prior (4, 4): where the counterpart is believed to lie in the part's frame, None for where it lies now. The part
    corrects that pose only as far as it informs. GeometryError as for `restore_across_plane`.
    """
    body = _make_ready(part, is_filled, source_seam)
    whole = _make_ready(counterpart, None, source_seam)
    pose = np.eye(4) if counterpart_pose_prior is None else counterpart_pose_prior
    whole = replace(whole, mesh=apply_matrix(whole.mesh, pose))
    scale = _scale_of(whole, whole, settings)
    sd = np.radians(settings.counterpart_rotation_deg), scale.mm(settings.counterpart_shift_percent)
    return _restore(body, whole, False, _prior(whole, sd, scale), (source_taken, source_seam), scale)


def _make_ready(mesh: Mesh, is_filled: BoolArray | None, source_cap: int) -> _Body:
    n_open, n_crowded, n_inconsistent = count_edges(mesh.faces, len(mesh.vertices))
    if not len(mesh.faces) or n_crowded or n_inconsistent:
        raise GeometryError(f"the bone has {n_crowded} edges with more than two faces and {n_inconsistent} with disagreeing ones; clean it first")
    is_filled = np.zeros(len(mesh.faces), dtype=bool) if is_filled is None else np.asarray(is_filled, dtype=bool)
    if not n_open and audit_topology(mesh).n_pieces > 1:
        marked = unite_pieces(mesh.replaced(source=mesh.source + is_filled.astype(np.uint16) * _FILLED_BIT)).mesh
        is_filled = np.asarray(marked.source >= _FILLED_BIT)
        mesh = marked.replaced(source=marked.source & (_FILLED_BIT - 1))
    closing = close_rims_listed(mesh, find_rims(mesh), source_cap)
    n_caps = len(closing.mesh.faces) - len(mesh.faces)
    is_false = np.concatenate([is_filled, np.ones(n_caps, dtype=bool)])
    return _Body(closing.mesh, is_false, len(mesh.faces), not n_open, audit_topology(mesh).n_pieces)


def _scale_of(one: _Body, other: _Body, settings: RestoreSettings) -> _Scale:
    points = np.concatenate([one.mesh.vertices, other.mesh.vertices])
    return _Scale(float(np.sqrt((np.ptp(points, axis=0) ** 2).sum())), settings)


def _prior(partner: _Body, sd: tuple[float, float], scale: _Scale) -> PosePrior:
    x, y, z = (partner.mesh.vertices.min(axis=0) + partner.mesh.vertices.max(axis=0)) / 2
    exact = scale.mm(scale.settings.least_difference_percent)
    return PosePrior((float(x), float(y), float(z)), float(sd[0]), sd[1], scale.mm(scale.settings.patch_percent), exact)


def _restore(body: _Body, partner: _Body, is_image: bool, prior: PosePrior, sources: tuple[int, int], scale: _Scale) -> Restoration:
    fresh, same = Partner(partner.mesh, partner.is_false, is_image), scale.mm(scale.settings.same_skin_percent)
    posed, pose = _lay_on(body, fresh, prior, (3 * same, same))
    known, bent = body.is_false, posed
    for least in (same / 10, same / 5):
        limit = max(_limit(body, bent, scale), least)
        is_core = _without_small(body, find_false_faces(body.mesh, known, bent, limit), known, scale)
        body = replace(body, is_false=is_core)
        posed, pose = _lay_on(body, _image_false(fresh, is_core), prior, (2 * same, same))
        bent, _ = _bend(body, posed, scale)
        is_false = grow_false_faces(body.mesh, is_core, bent, _limit(body, bent, scale))
        is_false = without_teeth(body.mesh, _without_small(body, is_false, known, scale), known)
        body = replace(body, is_false=is_false)
        posed = _image_false(posed, is_false)
    bent, steps = _bend(body, posed, scale)
    joined = _take_over(body, bent, (_limit(body, bent, scale), same), sources, scale)
    return _described(body, joined, steps, (pose, sources), scale)


def _limit(body: _Body, partner: Partner, scale: _Scale) -> float:
    """How far apart skin of both bones can be that is the same skin: four times the spread of what is found, within bounds."""
    same = scale.mm(scale.settings.same_skin_percent)
    seen, _ = _observe(body, partner, 1, 3000, same)
    spread = 1.4826 * float(np.median(np.abs(seen.heights_mm))) if len(seen.heights_mm) else same
    return float(np.clip(4 * spread, same / 10, same))


def _image_false(partner: Partner, is_false: BoolArray) -> Partner:
    """The partner without the images of the original's false faces."""
    return replace(partner, is_false=is_false.copy()) if partner.is_image else partner


def _lay_on(body: _Body, partner: Partner, prior: PosePrior, reach_mm: tuple[float, float]) -> tuple[Partner, PosedPartner]:
    skin = take_faces(body.mesh, ~body.is_false)
    points, faces = sample_surface(skin, N_POSE_SAMPLES)
    sample = SkinSample(points, unit_normals(skin)[faces], float(face_areas(skin.vertices, skin.faces).sum()))
    pose = fit_pose(sample, partner.skin, prior, reach_mm)
    return replace(partner, mesh=apply_matrix(partner.mesh, pose.original_from_partner)), pose


def _without_small(body: _Body, is_false: BoolArray, is_known: BoolArray, scale: _Scale) -> BoolArray:
    """False faces without the patches too small to be a fracture; known ones stay."""
    least = float(face_areas(body.mesh.vertices, body.mesh.faces).sum()) * scale.settings.least_patch_percent / 100.0
    return flip_small_patches(body.mesh, is_false, np.ones(len(is_false), dtype=bool), least) | is_known


def _rim_lines(body: _Body) -> list[FloatArray]:
    skin = take_faces(body.mesh, ~body.is_false)
    return [skin.vertices[rim.vertices] for rim in find_rims(skin)]


def _observe(body: _Body, partner: Partner, n_rim: int, n_skin: int, reach_mm: float) -> tuple[Differences, int]:
    """Heights of the original's skin over the partner's: along the rims first (their number is the second value), then everywhere."""
    skin = take_faces(body.mesh, ~body.is_false)
    normals = unit_normals(skin)
    points, facing = _along_rims(skin, normals, n_rim)
    even, faces = sample_surface(skin, n_skin, seed=1)
    found = partner.skin.nearest(np.concatenate([points, even]), np.concatenate([facing, normals[faces]]))
    is_seen = found.distance_mm < reach_mm
    planes = unit_normals(partner.mesh)[np.maximum(found.face, 0)]
    heights = ((np.concatenate([points, even]) - found.point) * planes).sum(axis=1)
    is_seen &= ~found.is_on_rim | (np.abs(heights) > 0.7 * found.distance_mm)
    return Differences(found.point[is_seen], planes[is_seen], heights[is_seen]), int(is_seen[: len(points)].sum())


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


def _bend(body: _Body, posed: Partner, scale: _Scale) -> tuple[Partner, FloatArray]:
    """The partner bent onto the original's skin, and the absolute steps at the rims before."""
    settings = scale.settings
    seen, n_rim = _observe(body, posed, N_RIM_SAMPLES, N_SKIN_SAMPLES, _limit(body, posed, scale))
    reach = scale.mm(settings.fade_percent), scale.mm(settings.fade_short_percent)
    moved = spread_differences(seen, posed.mesh.vertices, reach)
    return replace(posed, mesh=posed.mesh.replaced(vertices=posed.mesh.vertices + moved)), np.abs(seen.heights_mm[:n_rim])


def _take_over(body: _Body, bent: Partner, tolerance_mm: tuple[float, float], sources: tuple[int, int], scale: _Scale) -> Joined:
    width = scale.mm(scale.settings.seam_width_percent), tolerance_mm[1]
    cut = cut_trench(bent.mesh, _rim_lines(body), width)
    is_skin = (cut.row >= 0) & ~bent.is_false[np.maximum(cut.row, 0)]
    skin = FacingSurface(body.mesh, ~body.is_false)
    is_taken = find_missing_skin(cut.mesh, is_skin, skin, tolerance_mm[0])
    areas = face_areas(cut.mesh.vertices, cut.mesh.faces)
    least = float(areas.sum()) * scale.settings.least_patch_percent / 100.0
    is_taken = flip_small_patches(cut.mesh, is_taken, is_skin, least)
    taken = take_faces(cut.mesh, is_taken)
    taken = taken.replaced(source=np.full(len(taken.faces), sources[0]))
    original = Original(body.mesh, body.is_false, None if body.was_closed else body.n_own)
    return join_taken(original, taken, 3 * max(width[0], tolerance_mm[0]), least, sources[1])


def _described(body: _Body, joined: Joined, steps: FloatArray, told: tuple[PosedPartner, tuple[int, int]], scale: _Scale) -> Restoration:
    pose, _ = told
    audit, before = audit_topology(joined.mesh), audit_topology(take_faces(body.mesh, np.arange(len(body.mesh.faces)) < body.n_own))
    areas = face_areas(joined.mesh.vertices, joined.mesh.faces)
    added = float(areas[joined.n_kept_faces :].sum())
    now, then = joined.mesh.faces[: joined.n_kept_faces], body.mesh.faces[joined.is_kept]
    moved = np.abs(joined.mesh.vertices[now] - body.mesh.vertices[then])
    lost = face_areas(body.mesh.vertices, body.mesh.faces)[: body.n_own][~joined.is_kept[: body.n_own]]
    return Restoration(
        joined.mesh, joined.n_seams > 0, added, audit.volume_mm3 - before.volume_mm3 if audit.is_closed and before.is_closed else None,
        100.0 * added / audit.area_mm2, float(steps.max(initial=0.0)), float(np.quantile(steps, 0.95)) if len(steps) else 0.0,
        float(moved.max(initial=0.0)), body.n_pieces, audit.n_pieces, audit.is_closed, joined.n_seams, joined.n_capped, float(lost.sum()),
        pose.original_from_partner, pose.informed, pose.rms_mm, joined.n_tangled,
    )  # fmt: skip
