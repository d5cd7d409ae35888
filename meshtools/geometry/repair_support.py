"""A table or block that was scanned with the bone and is one surface with it: found as a plane that the bone stands on, and cut off.

Our own method. What tells a table from a flat end of a bone: its surface looks towards the bone (a sawn end looks away from it), it goes
on beyond the foot of what stands on it, and beneath it there is nothing but the flat sides of a block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.pieces import Pieces, area_vectors, flat_share, heaviest_direction, steady_normals, take_faces, thinned, thinned_rows
from meshtools.geometry.selection import Choice
from meshtools.model import Find, Finding, FloatArray, Mesh, Severity

MOST_PLANES = 6
ANGLE_DEG = 8.0
CENTRINGS = 5
FLAT_WITHIN = 0.003
"""Faces of a table lie within this share of the diagonal of its plane (0.6 mm on 200 mm)."""
LEAST_SHARE = 0.1
"""A table holds at least this share of the area; of the dog bones none has such a plane with bone on the side it looks to (measured)."""
LEAST_ABOVE = 0.03
BENEATH_FLAT = 0.8
ABOVE_PLANE = 2.0
"""The cut lies this many times FLAT_WITHIN above the plane, so that the fillet between table and bone goes with the table."""


@dataclass(frozen=True, eq=False)
class Support:
    """A support's top: points x with normal . x = offset_mm, the bone on the side of the normal. Share of the scan's area in the plane and
    the two widths of that part of the plane in mm."""

    normal: FloatArray
    offset_mm: float
    share_percent: float
    widths_mm: tuple[float, float]
    cut_mm: float
    """Offset of the plane to cut along, a little above."""


def find_support(mesh: Mesh) -> Support | None:
    """The table or block that the bone is one surface with, or None. The mesh must be wound consistently, either way round."""
    normals = steady_normals(mesh, thinned_rows(mesh))
    mesh = thinned(mesh)
    vectors = area_vectors(mesh.vertices, mesh.faces)
    area = np.linalg.norm(vectors, axis=1)
    total = float(area.sum())
    if total == 0.0:
        return None
    centres = mesh.vertices[mesh.faces].mean(axis=1)
    width = FLAT_WITHIN * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    remaining = area.copy()
    for _ in range(MOST_PLANES):
        axis = _centred(normals, remaining, heaviest_direction(normals, remaining, ANGLE_DEG))
        axis, is_member = _refined(vectors, centres, _heaviest_slab(normals, centres, remaining, axis, width), width)
        if not is_member.any() or remaining[is_member].sum() < LEAST_SHARE * total:
            break
        for direction in (axis, -axis):
            support = _as_support(mesh, (centres, normals, area), is_member, direction, width)
            if support is not None:
                return support
        remaining[is_member] = 0.0
    return None


def _centred(normals: FloatArray, area: FloatArray, axis: FloatArray) -> FloatArray:
    """A direction brought to the middle of those that lie around it."""
    for _ in range(CENTRINGS):
        is_near = normals @ axis > np.cos(np.radians(ANGLE_DEG))
        axis = unit_vectors((normals[is_near] * area[is_near, None]).sum(axis=0)[None])[0] if is_near.any() else axis
    return axis


def _heaviest_slab(normals: FloatArray, centres: FloatArray, area: FloatArray, axis: FloatArray, width: float) -> NDArray[np.bool_]:
    """Faces along an axis's plane within a slab of two widths that holds most of their area."""
    is_aligned = (normals @ axis > np.cos(np.radians(ANGLE_DEG))) & (area > 0)
    slot = np.floor((centres @ axis) / width).astype(np.int64)
    slot -= slot.min()
    weight = np.bincount(slot, np.where(is_aligned, area, 0.0))
    best = int((weight + np.append(weight[1:], 0.0)).argmax())
    return np.asarray(is_aligned & ((slot == best) | (slot == best + 1)))


def _refined(
    vectors: FloatArray, centres: FloatArray, is_member: NDArray[np.bool_], width: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The plane's direction from its own faces alone: twice, the faces nearer to their median height give a better one."""
    axis = np.array([0.0, 0.0, 1.0])
    for share in (1.0, 0.5, 0.25):
        if not is_member.any():
            break
        summed = vectors[is_member].sum(axis=0)
        axis = summed / max(float(np.linalg.norm(summed)), 1e-300)
        heights = centres @ axis
        order = np.argsort(heights[is_member])
        weight = np.cumsum(np.linalg.norm(vectors[is_member], axis=1)[order])
        middle = heights[is_member][order][int(np.searchsorted(weight, weight[-1] / 2))]
        is_member = is_member & (np.abs(heights - middle) <= share * width)
    return axis, is_member


def _as_support(
    mesh: Mesh, of_faces: tuple[FloatArray, FloatArray, FloatArray], is_member: NDArray[np.bool_], up: FloatArray, width: float
) -> Support | None:
    """The slab as the top of a support whose bone is on the side of `up`; None where what is above or beneath speaks against it. of_faces: centres,
    normals and areas."""
    centres, normals, area = of_faces
    heights = centres @ up
    offset = float(np.average(heights[is_member], weights=area[is_member]))
    is_above = heights > offset + ABOVE_PLANE * width
    is_beneath = ~is_above
    if area[is_above].sum() < LEAST_ABOVE * area.sum() or not _goes_beyond(mesh, centres, area, is_member, is_above, up):
        return None
    if flat_share(take_faces(mesh, is_beneath), normals[is_beneath]) < BENEATH_FLAT:
        return None
    # a surface whose normals look away from the bone is its own flat end, once the whole faces outwards
    looks_up = float((area_vectors(mesh.vertices, mesh.faces[is_member]) @ up).sum()) > 0
    if looks_up != _faces_outward(mesh, is_above, up, offset):
        return None
    share = 100.0 * float(area[is_member].sum() / area.sum())
    widths = _rectangle(mesh.vertices[np.unique(mesh.faces[is_member])], up)
    return Support(up, offset, share, widths, offset + ABOVE_PLANE * width)


def _rectangle(points: FloatArray, up: FloatArray) -> tuple[float, float]:
    """Longer and shorter side of the smallest rectangle around the points, seen along `up`, to a hundredth of a degree."""
    flat = points @ np.linalg.svd(np.eye(3) - np.outer(up, up))[0][:, :2]
    best_deg = 0.0
    for reach_deg, step_deg in ((45.0, 1.0), (1.0, 0.05), (0.05, 0.01)):
        turns_deg = best_deg + np.arange(-reach_deg, reach_deg + step_deg / 2, step_deg)
        sides = _sides_at(flat, turns_deg)
        best_deg = float(turns_deg[sides.prod(axis=0).argmin()])
    longer, shorter = sorted(_sides_at(flat, np.array([best_deg])).ravel().tolist(), reverse=True)
    return longer, shorter


def _sides_at(flat: FloatArray, turns_deg: FloatArray) -> FloatArray:
    """(2, k) sides of the rectangles around points (n, 2) that are turned so."""
    turn = np.radians(turns_deg)
    along = flat @ np.stack([np.cos(turn), np.sin(turn)]), flat @ np.stack([-np.sin(turn), np.cos(turn)])
    return np.stack([np.ptp(way, axis=0) for way in along])


def _goes_beyond(
    mesh: Mesh, centres: FloatArray, area: FloatArray, is_member: NDArray[np.bool_], is_above: NDArray[np.bool_], up: FloatArray
) -> bool:
    """Whether the plane's own box reaches beyond the foot of what stands on it, seen along the plane."""
    frame = np.linalg.svd(np.eye(3) - np.outer(up, up))[0][:, :2]
    height = centres @ up
    low = float(height[is_above].min())
    foot = is_above & (height < low + 0.1 * max(float(np.ptp(height[is_above])), 1e-9))
    plane, stood = (mesh.vertices[np.unique(mesh.faces[which])] @ frame for which in (is_member, foot))
    return bool(np.prod(np.ptp(plane, axis=0)) > 1.2 * np.prod(np.ptp(stood, axis=0)))


def _faces_outward(mesh: Mesh, is_above: NDArray[np.bool_], up: FloatArray, offset: float) -> bool:
    """Whether the part above the plane is wound outwards: its volume over the plane is positive."""
    corners = mesh.vertices[mesh.faces[is_above]]
    base = mesh.vertices[mesh.faces[is_above].ravel()].mean(axis=0)
    base = base + (offset - float(base @ up)) * up
    local = corners - base
    return float(np.einsum("ij,ij->i", local[:, 0], np.cross(local[:, 1], local[:, 2])).sum()) > 0


def cut_above(mesh: Mesh, normal: FloatArray, offset_mm: float) -> Mesh:
    """The part of a mesh with normal . x >= offset_mm; faces across the plane are divided on it, so that the rim is flat.

    Vertices keep their place; new ones on the plane take the colour between the ends of their edge.
    """
    height = mesh.vertices @ normal - offset_mm
    is_in = height >= 0
    n_in = is_in[mesh.faces].sum(axis=1)
    crossed = mesh.faces[(n_in == 1) | (n_in == 2)]
    source = mesh.source[(n_in == 1) | (n_in == 2)]
    edges = np.sort(np.stack([crossed, np.roll(crossed, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edges = np.unique(edges[is_in[edges[:, 0]] != is_in[edges[:, 1]]], axis=0)
    share = height[edges[:, 0]] / (height[edges[:, 0]] - height[edges[:, 1]])
    points = mesh.vertices[edges[:, 0]] + share[:, None] * (mesh.vertices[edges[:, 1]] - mesh.vertices[edges[:, 0]])
    number = {(int(u), int(v)): len(mesh.vertices) + k for k, (u, v) in enumerate(edges)}
    faces, sources = [mesh.faces[n_in == 3]], [mesh.source[n_in == 3]]
    parts, rows = [], []
    for face, row in zip(crossed.tolist(), source.tolist(), strict=True):
        k = next(k for k in range(3) if is_in[face[k]] != is_in[face[(k + 1) % 3]] and is_in[face[k]] != is_in[face[(k + 2) % 3]])
        a, b, c = face[k], face[(k + 1) % 3], face[(k + 2) % 3]
        ab, ca = number[min(a, b), max(a, b)], number[min(c, a), max(c, a)]
        new = [[a, ab, ca]] if is_in[a] else [[ab, b, c], [ab, c, ca]]
        parts += new
        rows += [row] * len(new)
    faces.append(np.array(parts, dtype=np.int32).reshape(-1, 3))
    sources.append(np.array(rows, dtype=np.uint16))
    colour = None
    if mesh.colour is not None:
        ends = mesh.colour[edges].astype(np.float64)
        colour = np.concatenate([mesh.colour, np.rint(ends[:, 0] + share[:, None] * (ends[:, 1] - ends[:, 0])).astype(np.uint8)])
    whole = Mesh.create(np.concatenate([mesh.vertices, points]), np.concatenate(faces), np.concatenate(sources), colour)
    return take_faces(whole, np.ones(len(whole.faces), dtype=bool))


def without_fused_support(mesh: Mesh, find: Find, has_loose: bool) -> tuple[Mesh, list[Finding]]:
    """The bone without the table that it is one surface with, where bones.csv says remove; else the mesh as it is and a proposal.

    What is left below the cut's rim goes; the rim stays open for closing to decide about. has_loose: there is, or was, a loose support.
    """
    support = find_support(mesh) if find.support != "keep" and not (has_loose and find.support != "remove") else None
    if support is None:
        if find.support != "remove" or has_loose:
            return mesh, []
        message = f"{find.find}: bones.csv says that a support is to be removed, but the scan shows none; look at it and correct the row."
        return mesh, [Finding(Severity.REVIEW, "support-not-found", message)]
    size = f"{support.widths_mm[0]:.0f} x {support.widths_mm[1]:.0f} mm, {support.share_percent:.0f} % of the scan's area in one plane"
    if find.support != "remove":
        message = (
            f"{find.find}: the bone stands on a flat surface ({size}) and is one surface with it, like a bone scanned on a table; it was kept. "
            "Write remove in the column support of bones.csv to cut it off a little above that plane, or keep where it is bone."
        )
        return mesh, [Finding(Severity.REVIEW, "support-fused", message, round(support.share_percent, 6), None, "%")]
    bone = cut_above(mesh, support.normal, support.cut_mm)
    message = (
        f"{find.find}: a table or block ({size}) was cut off {support.cut_mm - support.offset_mm:.2f} mm above its plane, as bones.csv says; "
        "the cut is an open rim."
    )
    return bone, [Finding(Severity.NOTE, "support-cut", message, round(support.share_percent, 6), None, "%")]


def support_findings(find: Find, mesh: Mesh, pieces: Pieces, choice: Choice, mm_per_unit: float) -> list[Finding]:
    """Loose pieces that look like supports, proposed for removal, and those that were removed."""
    findings = []
    for place, reason in enumerate(choice.reason):
        share = 100.0 * float(pieces.area[place] / pieces.area.sum())
        if choice.is_support_like[place] and find.support != "keep":
            points = mesh.vertices[mesh.faces[pieces.labels == place]]
            x, y, z = points.mean(axis=(0, 1)) / mm_per_unit
            size = " x ".join(f"{value:.0f}" for value in np.ptp(points.reshape(-1, 3), axis=0))
            message = (
                f"{find.find}: piece {place + 1} ({size} mm, {share:.0f} % of the scan's area) has flat sides like a support block or a table and "
                "was kept; write remove in the column support of bones.csv, or keep where it is bone, or add to openings.csv "
                f"a row of kind support, action remove, at {x:.4g}, {y:.4g}, {z:.4g}."
            )
            findings.append(Finding(Severity.REVIEW, "support-like", message, place + 1))
        if reason == "support":
            message = f"{find.find}: piece {place + 1}, {share:.1f} % of the scan's area, was removed as a support named in the tables."
            severity = Severity.REVIEW if place == 0 and find.support != "remove" else Severity.NOTE
            findings.append(Finding(severity, "support-removed", message, round(share, 6), None, "%"))
    return findings
