"""Put the scans and pieces of one bone together: laid on each other, or where a person says, and joined by seams."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import count_edges
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.model import Finding, FloatArray, Mesh, Severity
from meshtools.settings import RestoreSettings

SURE_TURN_DEG, SURE_SHIFT_PERCENT = 0.1, 0.1  # a pose that was found or given is corrected by little more than this


@dataclass(frozen=True, eq=False)
class Part:
    """One scan or piece: its find, its surface in mm with rows of the replica's source table, and where it lies (4, 4) if a person says."""

    find: str
    mesh: Mesh
    pose: FloatArray | None


@dataclass(frozen=True, eq=False)
class Composition:
    """Parts as one surface in the frame of the first, or side by side as they were scanned where they could not be joined.

    poses (k, 4, 4) into the first part's frame. is_filled (m,) of the mesh's faces.
    """

    mesh: Mesh
    is_filled: Any
    poses: tuple[FloatArray, ...]
    facts: dict[str, Any]
    findings: tuple[Finding, ...]


def compose(element: str, parts: Sequence[Part], seam_row: int, fill_rows: Sequence[int], settings: RestoreSettings) -> Composition:
    """Join two or more parts of one bone. Where all have a pose from a person these are used, else the parts are laid on each other by the
    skin that they share. The first part keeps all its skin; each later one adds what is missing so far. fill_rows: rows of filled faces."""
    from meshtools.geometry.fragments import join_fragments

    given = [part.pose for part in parts if part.pose is not None]
    relative = [np.linalg.inv(given[0]) @ pose for pose in given] if len(given) == len(parts) else None
    joined = join_fragments([part.mesh for part in parts], relative)
    poses = tuple(np.asarray(pose, dtype=np.float64) for pose in joined.poses)
    names = ", ".join(part.find for part in parts)
    facts: dict[str, Any] = {
        "finds": [part.find for part in parts], "poses_by": "poses.csv" if relative else "shared skin", "poses": [pose.tolist() for pose in poses],
        "overlap_percent": [round(float(x), 4) for x in joined.overlap_percent], "residual_mm": round(joined.residual_mm, 6),
        "gap_mm": [round(float(x), 4) if np.isfinite(x) else None for x in joined.gap_mm], "is_joined": True,
    }  # fmt: skip
    if not joined.is_trusted and relative is None:
        message = (
            f"{element}: how {names} lie on each other is not sure ({'; '.join(joined.reasons)}); they are left as they lie in their scans. "
            "Write their poses into poses.csv, or scan them with more overlap."
        )
        return _side_by_side(parts, fill_rows, facts, Finding(Severity.REVIEW, "parts-not-joined", message, len(parts)))
    try:
        mesh, is_filled, steps_mm = _joined_one_by_one(parts, poses, seam_row, fill_rows, settings)
    except GeometryError as error:
        message = f"{element}: {names} could not be joined ({error}); they are left as they lie in their scans."
        return _side_by_side(parts, fill_rows, facts, Finding(Severity.REVIEW, "parts-not-joined", message, len(parts)))
    how = "as poses.csv says" if relative else f"by the skin they share, which agrees to {joined.residual_mm:.2f} mm (rms)"
    message = f"{element}: {names} were put together {how}; the step at the seams was at most {max(steps_mm):.2f} mm."
    findings = [Finding(Severity.NOTE, "parts-joined", message, round(max(steps_mm), 4), None, "mm")]
    findings += [Finding(Severity.REVIEW, "pose-doubtful", f"{element}: {reason}.") for reason in joined.reasons]
    return Composition(mesh, is_filled, poses, facts, tuple(findings))


def _side_by_side(parts: Sequence[Part], fill_rows: Sequence[int], facts: dict[str, Any], finding: Finding) -> Composition:
    mesh = concatenate([part.mesh for part in parts])
    facts = facts | {"is_joined": False}
    return Composition(mesh, np.isin(mesh.source, fill_rows), tuple(np.eye(4) for _ in parts), facts, (finding,))


def _joined_one_by_one(
    parts: Sequence[Part], poses: Sequence[FloatArray], seam_row: int, fill_rows: Sequence[int], settings: RestoreSettings
) -> tuple[Mesh, Any, list[float]]:
    from meshtools.geometry.restore import Rows, restore_from_counterpart

    rows = Rows(tuple(range(max(seam_row, *(int(part.mesh.source.max()) for part in parts)) + 1)), seam_row, tuple(fill_rows))
    sure = replace(settings, counterpart_rotation_deg=SURE_TURN_DEG, counterpart_shift_percent=SURE_SHIFT_PERCENT)
    mesh, steps_mm = apply_matrix(parts[0].mesh, poses[0]), [0.0]
    for part, pose in zip(parts[1:], poses[1:], strict=True):
        added = restore_from_counterpart(mesh, part.mesh, pose, rows, sure)
        _, n_crowded, n_inconsistent = count_edges(added.mesh.faces, len(added.mesh.vertices))
        if n_crowded or n_inconsistent:
            raise GeometryError(f"the seam to {part.find} leaves {n_crowded + n_inconsistent} edges that no solid has")
        if not added.is_changed:
            raise GeometryError(f"{part.find} shows no skin that the others lack")
        mesh = added.mesh
        steps_mm.append(added.seam_step_max_mm)
    return mesh, np.isin(mesh.source, fill_rows), steps_mm
