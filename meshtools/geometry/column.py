"""The end faces of a vertebra's centrum, and the motion that sets one vertebra with its end face on its neighbour's, a stated gap between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.fitting import tukey_weight, unit_vectors
from meshtools.geometry.pieces import label_pieces, mesh_areas
from meshtools.geometry.registration_poses import rotations_from_vectors
from meshtools.model import FloatArray, Mesh

END_CONE_DEG = 40.0  # skin of an end face looks along the column within this angle. Our own choice; dog end faces are domed by up to 30 degrees
ROBUST_STEPS = 12
TUKEY = 4.685 * 1.4826  # of the median distance: 95 % efficiency for normal errors (Huber & Ronchetti 2009, Robust Statistics)


@dataclass(frozen=True, eq=False)
class EndFace:
    """One end of a centrum, in mm: centre (3,) and outward unit normal (3,)."""

    centre: FloatArray
    normal: FloatArray


def end_face(mesh: Mesh, outward: FloatArray) -> EndFace:
    """The articular end that looks along the unit vector `outward` (3,): the largest connected patch of skin within 40 degrees of it, with a plane
    fitted robustly (iterated least squares, Tukey's weights, by area). GeometryError where no skin looks there."""
    areas = mesh_areas(mesh)
    rows = np.flatnonzero(unit_normals(mesh) @ outward >= np.cos(np.radians(END_CONE_DEG)))
    if not len(rows) or not areas[rows].sum() > 0:
        raise GeometryError("no skin of the bone looks along the column, so it has no end face there; look at the direction")
    labels = label_pieces(mesh.faces[rows], len(mesh.vertices))
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    patch = rows[labels == np.bincount(labels, areas[rows]).argmax()]
    return _fitted(middles[patch], areas[patch], outward)


def _fitted(points: FloatArray, areas: FloatArray, outward: FloatArray) -> EndFace:
    weight = areas.copy()
    for _ in range(ROBUST_STEPS):
        centre = weight @ points / weight.sum()
        spread = ((points - centre) * weight[:, None]).T @ (points - centre)
        normal = np.linalg.eigh(spread)[1][:, 0]
        off = (points - centre) @ normal
        width = max(TUKEY * float(np.median(np.abs(off))), 1e-9)
        weight = areas * tukey_weight(off**2, width) + 1e-12 * areas
    return EndFace(centre, normal * (1.0 if normal @ outward >= 0 else -1.0))


def meet_ends(end: EndFace, other: EndFace, gap_mm: float) -> FloatArray:
    """The motion (4, 4) of the bone of `other` after which both end planes are parallel, face each other and lie gap_mm apart, centre on centre; a
    negative gap lets them overlap. It turns the bone no farther than that. GeometryError where both look exactly the same way."""
    axis = np.cross(other.normal, -end.normal)
    sine, cosine = float(np.linalg.norm(axis)), float(-other.normal @ end.normal)
    if cosine < 0 and sine <= 1e-12:
        raise GeometryError("the two end faces look the same way, so the bones cannot be set on each other; look at their poses")
    matrix = np.eye(4)
    matrix[:3, :3] = rotations_from_vectors(np.arctan2(sine, cosine) * unit_vectors(axis)[None])[0]
    matrix[:3, 3] = end.centre + gap_mm * end.normal - matrix[:3, :3] @ other.centre
    return matrix
