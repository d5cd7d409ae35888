"""Put the scans and pieces of one bone together: laid on each other, or where a person says, and joined by seams."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import count_edges
from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.pieces import mesh_areas, take_faces
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.model import Finding, FloatArray, Mesh, Severity
from meshtools.settings import RestoreSettings

SURE_TURN_DEG, SURE_SHIFT_PERCENT = 0.1, 0.1  # a pose that was found or given is corrected by little more than this
STEP_REVIEW_PERCENT = 0.25  # of the diagonal: a step that is felt and seen, 0.5 mm on 200 mm (our default)
LOST_PERCENT = 1.0  # of a part's skin; right poses and poses 1 to 6 mm off left up to 0.2 % outside, dropped fragments 14 % and more (measured)
N_LOST_SAMPLES = 3000
OUTSIDE_COSINE = 0.3  # a point stands outside a surface where the way to it leaves the surface's face so steeply


@dataclass(frozen=True, eq=False)
class Part:
    """One scan or piece: its find, its surface in mm with rows of the replica's source table, and where it lies (4, 4) if a person says."""

    find: str
    mesh: Mesh
    pose: FloatArray | None


@dataclass(frozen=True, eq=False)
class Composition:
    """Parts as one surface in the frame of the first; side by side where they could not be joined, as a person placed them or else as scanned.

    poses (k, 4, 4) into the first part's frame. is_filled (m,) of the mesh's faces. is_placed: False where how they lie on each other is not known.
    """

    mesh: Mesh
    is_filled: Any
    poses: tuple[FloatArray, ...]
    facts: dict[str, Any]
    findings: tuple[Finding, ...]
    is_placed: bool = True


def compose(element: str, parts: Sequence[Part], seam_row: int, fill_rows: Sequence[int], settings: RestoreSettings) -> Composition:
    """Join two or more parts of one bone. Where all have a pose from a person these are used, else the parts are laid on each other by the
    skin that they share. The first part keeps all its skin; each later one adds what is missing so far, and no part's skin may be lost on the way.
    fill_rows: rows of filled faces."""
    from meshtools.geometry.fragments import in_contact, join_fragments

    given = [part.pose for part in parts if part.pose is not None]
    relative = [np.linalg.inv(given[0]) @ pose for pose in given] if len(given) == len(parts) else None
    order = in_contact([apply_matrix(part.mesh, pose) for part, pose in zip(parts, relative, strict=True)]) if relative else [*range(len(parts))]
    in_turn = [parts[k] for k in order]
    joined = join_fragments([part.mesh for part in in_turn], relative and [relative[k] for k in order], [part.find for part in in_turn])
    found = dict(zip(order, (np.asarray(pose, dtype=np.float64) for pose in joined.poses), strict=True))
    poses = tuple(found[k] for k in range(len(parts)))
    names = ", ".join(part.find for part in parts)
    facts: dict[str, Any] = {
        "finds": [part.find for part in in_turn], "poses_by": "poses.csv" if relative else "shared skin",
        "poses": [pose.tolist() for pose in found.values()],
        "overlap_percent": [round(float(x), 4) for x in joined.overlap_percent], "residual_mm": round(joined.residual_mm, 6),
        "gap_mm": [round(float(x), 4) if np.isfinite(x) else None for x in joined.gap_mm], "is_joined": True,
    }  # fmt: skip
    doubts = [Finding(Severity.REVIEW, "pose-doubtful", f"{element}: {reason}.") for reason in joined.reasons]
    if not joined.is_trusted and relative is None:
        message = (
            f"{element}: how {names} lie on each other is not sure ({'; '.join(joined.reasons)}); they are left as they lie in their scans. "
            f"Write their poses into poses.csv (`bonewright lay {parts[0].find}` drafts them from a whole bone of the kind and the breaks), or scan "
            "them with more overlap."
        )
        return _as_scanned(parts, fill_rows, facts, Finding(Severity.REVIEW, "parts-not-joined", message, len(parts)))
    try:
        mesh, step_mm = _joined(parts, poses, seam_row, fill_rows, settings)
    except GeometryError as error:
        if relative is None:
            message = f"{element}: {names} could not be joined ({error}); they are left as they lie in their scans."
            return _as_scanned(parts, fill_rows, facts, Finding(Severity.REVIEW, "parts-not-joined", message, len(parts)))
        message = (
            f"{element}: {names} could not be joined by a seam ({error}); they stand as they are where poses.csv puts them. Look whether they meet "
            "there: correct their poses, or sign the replica off."
        )
        placed = [apply_matrix(part.mesh, pose) for part, pose in zip(parts, poses, strict=True)]
        mesh, doubts = concatenate(placed), [Finding(Severity.REVIEW, "parts-not-joined", message, len(parts)), *doubts]
        return Composition(mesh, np.isin(mesh.source, fill_rows), poses, facts | {"is_joined": False}, tuple(doubts))
    how = "as poses.csv says" if relative else f"by the skin they share, which agrees to {joined.residual_mm:.2f} mm (rms)"
    seams_mm = [mm for mm in step_mm.values() if mm is not None]
    findings = [_joined_finding(f"{element}: {names} were put together {how}", seams_mm, diagonal_mm(mesh.vertices))]
    findings += [*(_idle_finding(element, find) for find, mm in step_mm.items() if mm is None), *doubts]
    return Composition(mesh, np.isin(mesh.source, fill_rows), poses, facts, tuple(findings))


def _as_scanned(parts: Sequence[Part], fill_rows: Sequence[int], facts: dict[str, Any], finding: Finding) -> Composition:
    """The parts as they lie in their scans; the poses that were not believed are in no figure."""
    mesh, poses = concatenate([part.mesh for part in parts]), tuple(np.eye(4) for _ in parts)
    facts = facts | {"poses": [pose.tolist() for pose in poses], "is_joined": False}
    return Composition(mesh, np.isin(mesh.source, fill_rows), poses, facts, (finding,), is_placed=False)


def _idle_finding(element: str, find: str) -> Finding:
    """A question about a part of which nothing is in the bone: it may be a scan of what was there, or a piece that was placed within another."""
    message = (
        f"{element}: {find} shows no skin that the others lack, so nothing of it is in the replica. If it is a piece of its own, it lies within "
        "another one: correct its pose in poses.csv, or look at its scan. If it shows what was there already, delete its row, or sign it off."
    )
    return Finding(Severity.REVIEW, "part-adds-nothing", message, find)


def _joined_finding(what: str, steps_mm: Sequence[float], length_mm: float) -> Finding:
    """That parts were put together, and a question where they meet in a step. Where a break runs deep its faces pass for skin here and there, and the
    greatest steps found are then none; so the figures are those that three quarters of each seam keep within. There may be no seam."""
    limit_mm = STEP_REVIEW_PERCENT / 100.0 * length_mm
    if not steps_mm:
        return Finding(Severity.NOTE, "parts-joined", f"{what}; there is no seam.", None, round(limit_mm, 4), "mm")
    step_mm = max(steps_mm)
    message = f"{what}; along a quarter of the seam the skin steps by {step_mm:.2f} mm or more."
    if step_mm <= limit_mm:
        return Finding(Severity.NOTE, "parts-joined", message, round(step_mm, 4), round(limit_mm, 4), "mm")
    message += f" That is more than {limit_mm:.2f} mm: look at the seam and state better poses in poses.csv, or sign it off if the break is bent."
    return Finding(Severity.REVIEW, "part-step", message, round(step_mm, 4), round(limit_mm, 4), "mm")


def _joined(
    parts: Sequence[Part], poses: Sequence[FloatArray], seam_row: int, fill_rows: Sequence[int], settings: RestoreSettings
) -> tuple[Mesh, dict[str, float | None]]:
    """The parts joined from the first one on, or where that fails from the largest one on, which has the most skin for a seam to end at."""
    from meshtools.geometry.fragments import in_contact

    placed = [apply_matrix(part.mesh, pose) for part, pose in zip(parts, poses, strict=True)]
    largest = int(np.argmax([float(mesh_areas(part.mesh).sum()) for part in parts]))
    failed: list[GeometryError] = []
    for first in dict.fromkeys((0, largest)):
        order = in_contact(placed, first)
        try:
            return _joined_one_by_one([parts[k] for k in order], [poses[k] for k in order], seam_row, fill_rows, settings)
        except GeometryError as error:
            failed.append(error)
    raise failed[0]


def _joined_one_by_one(
    parts: Sequence[Part], poses: Sequence[FloatArray], seam_row: int, fill_rows: Sequence[int], settings: RestoreSettings
) -> tuple[Mesh, dict[str, float | None]]:
    """One surface, and for each later part the step that three quarters of its seam keep within, None where it adds nothing. GeometryError where a
    part would be lost or hang loose."""
    from meshtools.geometry.restore import Rows, restore_from_counterpart

    rows = Rows(tuple(range(max(seam_row, *(int(part.mesh.source.max()) for part in parts)) + 1)), seam_row, tuple(fill_rows))
    sure = replace(settings, counterpart_rotation_deg=SURE_TURN_DEG, counterpart_shift_percent=SURE_SHIFT_PERCENT)
    mesh, step_mm = apply_matrix(parts[0].mesh, poses[0]), dict[str, float | None]()
    for part, pose in zip(parts[1:], poses[1:], strict=True):
        added = restore_from_counterpart(mesh, part.mesh, pose, rows, sure)
        _, n_crowded, n_inconsistent = count_edges(added.mesh.faces, len(added.mesh.vertices))
        if n_crowded or n_inconsistent:
            raise GeometryError(f"the seam to {part.find} leaves {n_crowded + n_inconsistent} edges that no solid has")
        mesh = added.mesh
        step_mm[part.find] = added.seam_step_p75_mm if added.is_changed else None
        if added.is_changed and not added.n_seams:
            raise GeometryError(f"{part.find} meets the others nowhere in a seam")
    for part, pose in zip(parts, poses, strict=True):
        lost = _lost_percent(part.mesh, pose, mesh, fill_rows, settings)
        if lost > LOST_PERCENT:
            raise GeometryError(f"about {lost:.2g} % of the skin of {part.find} found no place in the joined bone")
    return mesh, step_mm


def _lost_percent(part: Mesh, pose: FloatArray, whole: Mesh, fill_rows: Sequence[int], settings: RestoreSettings) -> float:
    """Of a placed part's scanned skin, what stands outside the whole surface by more than skin that is the same. Its break lies inside."""
    skin = take_faces(part, ~np.isin(part.source, fill_rows))
    if not len(skin.faces):
        return 0.0
    points, _ = sample_surface(apply_matrix(skin, pose), N_LOST_SAMPLES)
    distance, faces, nearest = Surface(whole).project(points)
    height = ((points - nearest) * unit_normals(whole)[faces]).sum(axis=1)
    is_lost = (distance > settings.same_skin_percent / 100.0 * diagonal_mm(whole.vertices)) & (height > OUTSIDE_COSINE * distance)
    return 100.0 * float(is_lost.mean())
