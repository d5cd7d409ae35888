"""The figures of a completed bone: what was added, what went, whether the original stayed as it was, and what nobody can restore."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.distance import Surface
from meshtools.geometry.partner import Partner
from meshtools.geometry.pieces import mesh_areas, take_faces
from meshtools.geometry.pose_prior import PosedPartner
from meshtools.geometry.restore_body import Body, Rows
from meshtools.geometry.restore_join import Joined
from meshtools.geometry.sample import sample_surface
from meshtools.model import FloatArray, Mesh

N_COVER_SAMPLES = 4000
N_CLOSED_FLAT_SAMPLES = 20_000


@dataclass(frozen=True, eq=False)
class Restoration:
    """A completed bone and what it took.

    mesh: original faces keep their source, taken-over faces have theirs by `Rows.taken`, seam faces and caps that of the seam.
    area_added_mm2 and added_percent (of the area): taken-over and seam faces; volume_added_mm3: None unless closed before and after.
    seam_step: height of the partner's skin over the original's at the rim after laying it on, before it is bent; the bent partner meets
    the rim. Of seam_step_p75_mm are only those between skin that is the same, if there is any: along a deep break some rims find other skin far
    below. original_skin_moved_max_mm: 0 by construction, measured against the mesh that came in (after the union of its pieces where it
    had several). is_changed: False where nothing is lost. false_area_removed_mm2: fracture, caps and fills that went; skin_removed_mm2: scanned
    skin that had to go where the seam crossed it, skin_removed_percent of the area before. flat_percent: of the area, what is still
    fracture, or is spanned by caps and wide seams because both sides have lost it. pose_informed: share of the partner's pose, in its
    least certain direction, that the original decided; the prior decided the rest. fit_rms_mm: of the skin both have. n_failed_seams:
    rims that could not be joined or closed. n_tangled_faces: faces at the seam that still cross others. uncovered_percent: of the partner's
    skin, what has nothing of the completed bone near it, because what was taken over there did not hold.
    """

    mesh: Mesh
    is_changed: bool
    area_added_mm2: float
    volume_added_mm3: float | None
    added_percent: float
    seam_step_max_mm: float
    seam_step_p95_mm: float
    seam_step_p75_mm: float
    original_skin_moved_max_mm: float
    n_pieces_before: int
    n_pieces_after: int
    is_closed: bool
    n_seams: int
    n_failed_seams: int
    n_capped_rims: int
    false_area_removed_mm2: float
    skin_removed_mm2: float
    skin_removed_percent: float
    flat_percent: float
    original_from_partner: FloatArray
    pose_informed: float
    fit_rms_mm: float
    n_tangled_faces: int
    uncovered_percent: float


@dataclass(frozen=True, eq=False)
class Laid:
    """How the partner lay on the original: its pose, the steps (k,) at the rims, the partner as it was taken over from, and how far apart the same
    skin of both may lie."""

    pose: PosedPartner
    steps_mm: FloatArray
    bent: Partner
    same_mm: float


def _quantile(steps_mm: FloatArray, share: float) -> float:
    return float(np.quantile(steps_mm, share)) if len(steps_mm) else 0.0


def describe(body: Body, joined: Joined, laid: Laid, rows: Rows, wide_mm: float) -> Restoration:
    """The figures of a join. wide_mm: what is farther than this from the skin of both bones spans what both have lost."""
    audit, own = audit_topology(joined.mesh), np.arange(len(body.mesh.faces)) < body.n_own
    before = audit_topology(take_faces(body.mesh, own))
    added = float(mesh_areas(joined.mesh)[joined.n_kept_faces :].sum())
    areas = mesh_areas(body.mesh)
    skin_removed = float(areas[own & ~joined.is_kept & ~body.is_false].sum())
    return Restoration(
        mesh=joined.mesh,
        is_changed=len(joined.mesh.faces) > joined.n_kept_faces or not joined.is_kept[: body.n_own].all(),
        area_added_mm2=added,
        volume_added_mm3=audit.volume_mm3 - before.volume_mm3 if audit.is_closed and before.is_closed else None,
        added_percent=100.0 * added / audit.area_mm2,
        seam_step_max_mm=float(laid.steps_mm.max(initial=0.0)),
        seam_step_p95_mm=_quantile(laid.steps_mm, 0.95),
        seam_step_p75_mm=_quantile(near_mm if len(near_mm := laid.steps_mm[laid.steps_mm <= laid.same_mm]) else laid.steps_mm, 0.75),
        original_skin_moved_max_mm=_moved_mm(body, joined),
        n_pieces_before=body.n_pieces,
        n_pieces_after=audit.n_pieces,
        is_closed=audit.is_closed,
        n_seams=joined.n_seams,
        n_failed_seams=joined.n_failed,
        n_capped_rims=joined.n_capped,
        false_area_removed_mm2=float(areas[own & ~joined.is_kept & body.is_false].sum()),
        skin_removed_mm2=skin_removed,
        skin_removed_percent=100.0 * skin_removed / before.area_mm2,
        flat_percent=_flat_percent(body, joined, laid.bent, rows, wide_mm) if joined.n_seams else 0.0,
        original_from_partner=laid.pose.original_from_partner,
        pose_informed=laid.pose.informed,
        fit_rms_mm=laid.pose.rms_mm,
        n_tangled_faces=joined.n_tangled,
        uncovered_percent=100.0 * share_uncovered(joined.mesh, take_faces(laid.bent.mesh, ~laid.bent.is_false), wide_mm),
    )


def share_uncovered(mesh: Mesh, skin: Mesh, reach_mm: float) -> float:
    """Share of a skin's area that is farther from the mesh than the reach, by samples."""
    return float((Surface(mesh).distance(sample_surface(skin, N_COVER_SAMPLES, seed=2)[0])[0] > reach_mm).mean())


def _moved_mm(body: Body, joined: Joined) -> float:
    """Largest shift of a corner of a kept face from where it came in."""
    is_kept = joined.is_kept[: body.n_own]
    came = body.mesh if body.came is None else body.came
    then = came.vertices[came.faces[: body.n_own][is_kept]]
    now = joined.mesh.vertices[joined.mesh.faces[: int(is_kept.sum())]]
    return float(np.abs(now - then).max(initial=0.0))


def _flat_percent(body: Body, joined: Joined, bent: Partner, rows: Rows, wide_mm: float) -> float:
    """Share of the area that is no skin and farther than wide_mm from the skin of both bones: fracture that stayed, caps and wide seams."""
    is_skin = np.arange(len(joined.mesh.faces)) >= joined.n_kept_faces
    is_skin[is_skin] = joined.mesh.source[is_skin] != rows.seam
    is_skin[: joined.n_kept_faces] = ~body.is_false[joined.is_kept]
    if is_skin.all() or not is_skin.any():
        return 0.0
    rest = take_faces(joined.mesh, ~is_skin)
    points, _ = sample_surface(rest, N_CLOSED_FLAT_SAMPLES)
    skins = take_faces(joined.mesh, is_skin), take_faces(bent.mesh, ~bent.is_false)
    is_wide = np.all([Surface(skin).distance(points)[0] > wide_mm for skin in skins], axis=0)
    area = float(mesh_areas(rest).sum())
    return 100.0 * area * float(is_wide.mean()) / audit_topology(joined.mesh).area_mm2
