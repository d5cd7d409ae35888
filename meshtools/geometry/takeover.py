"""Which of the original's faces are no bone (fracture, caps), and which of the partner's skin the original has lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import FacingSurface, unit_normals
from meshtools.geometry.orient import enclosed_volumes, paired_faces
from meshtools.geometry.partner import BoolArray as BoolArray
from meshtools.geometry.partner import Partner
from meshtools.geometry.pieces import mesh_areas, patches_by_edges, piece_labels
from meshtools.model import FloatArray, IntArray, Mesh

CREASE_COSINE = float(np.cos(np.radians(50.0)))
LEAST_TURN_RAD = float(np.radians(15.0))
TURN_FACTOR = 4.0
_PLACES = np.array([[1 / 3, 1 / 3, 1 / 3], [0.7, 0.15, 0.15], [0.15, 0.7, 0.15], [0.15, 0.15, 0.7]])


@dataclass(frozen=True)
class Tolerance:
    """skin_mm: skin nearer than this is the same skin. fill_mm: so far from a fill that lies over it nothing can be said about skin."""

    skin_mm: float
    fill_mm: float


def face_points(mesh: Mesh, rows: NDArray[np.int64] | None = None) -> FloatArray:
    """Four points within each face, its middle first: (m, 4, 3)."""
    corners = mesh.vertices[mesh.faces if rows is None else mesh.faces[rows]]
    return np.asarray(np.einsum("pk,mkj->mpj", _PLACES, corners))


def winding(mesh: Mesh, points: FloatArray) -> FloatArray:
    """How many times the surface goes around each point (n,): 1 inside, 0 outside (Barill et al. 2018, fast winding numbers)."""
    import igl

    if not len(points):
        return np.zeros(0)
    centre = mesh.vertices.mean(axis=0)
    return np.asarray(igl.fast_winding_number(mesh.vertices - centre, mesh.faces.astype(np.int64), np.ascontiguousarray(points - centre)))


def find_false_faces(mesh: Mesh, is_known: BoolArray, partner: Partner, tolerance: Tolerance) -> BoolArray:
    """(m,) True for faces that are no skin: the known ones, and those that the partner shows to lie within the bone.

    A face is within the bone where no skin of the partner that faces its way is near and the partner's body surrounds it, or where it
    looks straight at its own image across a gap no wider than the tolerance, as a fracture close to the median plane does. Where the
    partner has a fill or a cap, it shows nothing: a cap that spans a hollow has sound skin under it, which is no fracture.
    """
    is_lonely = _lonely_share(mesh, partner.skin, tolerance.skin_mm) >= 0.5
    candidates = np.flatnonzero(is_lonely & ~is_known)
    candidates = candidates[~faces_a_fill(mesh, candidates, partner.fills, tolerance.fill_mm)]
    points = face_points(mesh, candidates)
    is_within = (winding(partner.mesh, points.reshape(-1, 3)) > 0.5) & ~_is_nearest_filled(partner, points.reshape(-1, 3))
    is_inside = is_within.reshape(-1, 4).mean(axis=1) >= 0.5
    if partner.is_image and len(candidates):
        is_inside |= _faces_own_image(mesh, partner, candidates, tolerance.skin_mm)
    is_false = is_known.copy()
    is_false[candidates[is_inside]] = True
    return is_false


def _is_nearest_filled(partner: Partner, points: FloatArray) -> BoolArray:
    """Per point, whether a fill or a cap is what the partner has nearest to it."""
    if not partner.is_filled.any():
        return np.zeros(len(points), dtype=bool)
    return np.asarray(partner.is_filled[partner.surface.distance(points)[1]])


def faces_a_fill(mesh: Mesh, rows: NDArray[np.int64], fills: FacingSurface, reach_mm: float) -> BoolArray:
    """Per row, whether the middle of that face lies over or under a fill, within the reach."""
    if not len(fills.rows):
        return np.zeros(len(rows), dtype=bool)
    found = fills.nearest(face_points(mesh, rows)[:, 0], unit_normals(mesh)[rows])
    return np.asarray((found.distance_mm <= reach_mm) & ~found.is_on_rim)


def _lonely_share(mesh: Mesh, skin: FacingSurface, tolerance_mm: float) -> FloatArray:
    """Share of each face's points without skin of the same direction within the tolerance."""
    points = face_points(mesh)
    found = skin.nearest(points.reshape(-1, 3), np.repeat(unit_normals(mesh), 4, axis=0))
    return np.asarray((found.distance_mm > tolerance_mm).reshape(-1, 4).mean(axis=1))


def _turned_share(mesh: Mesh, skin: FacingSurface, tolerance_mm: float) -> FloatArray:
    """Share of each face's points that are lonely, or whose nearest skin is turned more than skin usually is against skin."""
    points, normals = face_points(mesh).reshape(-1, 3), np.repeat(unit_normals(mesh), 4, axis=0)
    found = skin.nearest(points, normals)
    is_near = found.distance_mm <= tolerance_mm
    cosine = np.where(is_near, (normals * skin.normals[found.face]).sum(axis=1), 0.0)
    usual = float(np.median(np.arccos(np.clip(cosine[is_near], -1.0, 1.0)))) if is_near.any() else 0.0
    return np.asarray((cosine < np.cos(max(LEAST_TURN_RAD, TURN_FACTOR * usual))).reshape(-1, 4).mean(axis=1))


def _faces_own_image(mesh: Mesh, partner: Partner, candidates: NDArray[np.int64], tolerance_mm: float) -> BoolArray:
    image = Mesh.create(partner.mesh.vertices, partner.mesh.faces[candidates])
    distance, face = Surface(image).distance(face_points(mesh, candidates)[:, 0])
    opposes = (unit_normals(image)[face] * unit_normals(mesh)[candidates]).sum(axis=1) < -0.5
    return np.asarray((distance <= tolerance_mm) & opposes)


def grow_false_faces(mesh: Mesh, is_core: BoolArray, partner: Partner, tolerance: Tolerance, is_beyond: BoolArray | None = None) -> BoolArray:
    """Spread the false faces to their edges: over neighbours without a crease between, as far as no skin of the partner is near.

    is_beyond (m,): faces that may be taken outside the partner too, far from all its skin, where both sides have lost it.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    is_lonely = _turned_share(mesh, partner.skin, tolerance.skin_mm) >= 0.5
    lonely = np.flatnonzero(is_lonely)
    is_lonely[lonely[faces_a_fill(mesh, lonely, partner.fills, tolerance.fill_mm)]] = False
    is_open = is_core | is_lonely
    near = np.flatnonzero(is_lonely & ~is_core)
    points = face_points(mesh, near)[:, 0]
    is_outside = (winding(partner.mesh, points) < 0.5) & (partner.surface.distance(points)[0] > tolerance.skin_mm)
    if is_beyond is not None:
        is_outside &= ~is_beyond[near] | (partner.skin.nearest(points, unit_normals(mesh)[near]).distance_mm <= tolerance.fill_mm)
    is_open[near[is_outside]] = False
    one, other, _ = paired_faces(mesh.faces, len(mesh.vertices))
    normals = unit_normals(mesh)
    is_smooth = (normals[one] * normals[other]).sum(axis=1) > CREASE_COSINE
    is_link = is_open[one] & is_open[other] & (is_smooth | (is_core[one] & is_core[other]))
    graph = coo_matrix((np.ones(int(is_link.sum()), np.int8), (one[is_link], other[is_link])), shape=(len(normals),) * 2)
    _, group = connected_components(graph, directed=False)
    has_core = np.zeros(int(group.max()) + 1 if len(group) else 0, dtype=bool)
    has_core[group[is_core]] = True
    return np.asarray(has_core[group] & is_open)


def without_teeth(mesh: Mesh, is_false: BoolArray, is_known: BoolArray) -> BoolArray:
    """The false faces with a smoother edge: a face that two found false neighbours hold on to is false as well (twice over)."""
    one, other, _ = paired_faces(mesh.faces, len(mesh.vertices))
    for _ in range(2):
        is_found = is_false & ~is_known
        n_held = np.bincount(one, is_found[other], len(is_false)) + np.bincount(other, is_found[one], len(is_false))
        is_false = is_false | (n_held >= 2)
    return is_false


def find_missing_skin(partner: Mesh, is_skin: BoolArray, original: FacingSurface, tolerance_mm: float) -> BoolArray:
    """(m,) True for faces of the partner's skin that the original lacks: its skin is far, or ends (its rim is nearest)."""
    rows = np.flatnonzero(is_skin)
    points = face_points(partner, rows)
    found = original.nearest(points.reshape(-1, 3), np.repeat(unit_normals(partner)[rows], 4, axis=0))
    is_lost = (found.distance_mm > tolerance_mm) | found.is_on_rim
    share = (is_lost.reshape(-1, 4) * [0.4, 0.2, 0.2, 0.2]).sum(axis=1)
    result = np.zeros(len(partner.faces), dtype=bool)
    result[rows] = share > 0.5
    return result


def flip_small_patches(mesh: Mesh, is_chosen: BoolArray, is_eligible: BoolArray, least_area_mm2: float) -> BoolArray:
    """Drop chosen patches below an area, and choose the small patches that chosen ones surround. Patches hang together by edges."""
    areas = mesh_areas(mesh)
    result = is_chosen.copy()
    for value in (True, False):
        members = is_eligible & (result == value)
        labels = patch_labels(mesh, members)
        small = np.bincount(labels[members], areas[members], int(labels.max()) + 1 if members.any() else 0) < least_area_mm2
        rows = np.flatnonzero(members)
        is_small = small[labels[rows]]
        result[rows[is_small & _touches(mesh, rows, labels, result == (not value))]] = not value
    return result


def settle_cavities(partner: Mesh, is_lost: BoolArray, is_taken: BoolArray, original: Mesh) -> BoolArray:
    """The taken faces (m,), with the walls of closed cavities taken where the original has lost the bone around them, and only there.

    A cavity is a piece of negative volume, all of whose faces are lost (is_lost); it touches no other skin, so that its size says nothing.
    original: closed.
    """
    labels = piece_labels(partner)
    volumes = enclosed_volumes(partner, labels)
    is_cavity = (volumes < 0) & (np.bincount(labels, is_lost) == np.bincount(labels))
    rows = np.flatnonzero(is_cavity[labels])
    is_outside = winding(original, partner.vertices[partner.faces[rows]].mean(axis=1)) < 0.5
    share = np.bincount(labels[rows], is_outside, len(volumes)) / np.maximum(np.bincount(labels[rows], minlength=len(volumes)), 1)
    result = is_taken.copy()
    result[rows] = share[labels[rows]] >= 0.5
    return result


def _touches(mesh: Mesh, rows: NDArray[np.int64], labels: IntArray, is_other: BoolArray) -> BoolArray:
    """Per row, whether its patch has an edge in common with a face of the other kind, or (for a chosen patch) with nothing at all."""
    one, other, _ = paired_faces(mesh.faces, len(mesh.vertices))
    touched = np.zeros(int(labels.max()) + 2, dtype=bool)
    for a, b in ((one, other), (other, one)):
        touched[labels[a[(labels[a] >= 0) & is_other[b]]]] = True
    return np.asarray(touched[labels[rows]])


def patch_labels(mesh: Mesh, is_member: BoolArray) -> IntArray:
    """(m,) number of the patch of members joined by shared edges, from 0 in the order of their first faces; -1 elsewhere."""
    rows = np.flatnonzero(is_member)
    labels = np.full(len(mesh.faces), -1, dtype=np.int32)
    labels[rows] = patches_by_edges(mesh.faces[rows], len(mesh.vertices))
    return labels
