"""A column of vertebrae: the end faces of each centrum, and the centra set along a curve with a stated gap between neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.fitting import tukey_weight
from meshtools.geometry.pieces import face_areas, label_pieces
from meshtools.model import FloatArray, IntArray, Mesh

END_CONE_DEG = 40.0  # skin of an end face looks along the column within this angle. Our own choice; dog end faces are domed by up to 30 degrees
ROBUST_STEPS = 12
TUKEY = 4.685 * 1.4826  # of the median distance: 95 % efficiency for normal errors (Huber & Ronchetti 2009, Robust Statistics)


@dataclass(frozen=True, eq=False)
class EndFace:
    """One end of a centrum, in mm: centre (3,), outward unit normal (3,), radius_mm of the disc of its area, rms_mm of its skin from the plane,
    and the faces of the mesh."""

    centre: FloatArray
    normal: FloatArray
    radius_mm: float
    rms_mm: float
    faces: IntArray


@dataclass(frozen=True, eq=False)
class CentrumEnds:
    """Both end faces of a centrum; up (3,): unit, square to the line between their centres, towards the neural arch."""

    cranial: EndFace
    caudal: EndFace
    up: FloatArray

    @property
    def length_mm(self) -> float:
        """Distance of the two centres."""
        return float(np.linalg.norm(self.caudal.centre - self.cranial.centre))


def centrum_ends(mesh: Mesh, towards_tail: FloatArray) -> CentrumEnds:
    """Find the two end faces of a vertebra's centrum, given roughly (within about 20 degrees) where the tail is.

    GeometryError where there are none, or no arch.
    """
    direction = np.asarray(towards_tail, dtype=np.float64) / np.linalg.norm(towards_tail)
    cranial, caudal = end_face(mesh, -direction), end_face(mesh, direction)
    line = caudal.centre - cranial.centre
    line = line / max(float(np.linalg.norm(line)), 1e-300)
    areas = face_areas(mesh.vertices, mesh.faces)
    middle = (areas[:, None] * mesh.vertices[mesh.faces].mean(axis=1)).sum(axis=0) / areas.sum()
    up = middle - (cranial.centre + caudal.centre) / 2
    up = up - (up @ line) * line
    if not np.linalg.norm(up) > 0:
        raise GeometryError("the vertebra's arch is not to be told from its centrum; place it in poses.csv")
    return CentrumEnds(cranial, caudal, up / np.linalg.norm(up))


def end_face(mesh: Mesh, outward: FloatArray, near: FloatArray | None = None) -> EndFace:
    """The articular end that looks along `outward` (3,): the largest connected patch of skin within 40 degrees of it, or the one nearest to a
    landmark `near` (3,), with a plane fitted robustly (iterated least squares, Tukey's weights, by area). GeometryError where no skin looks there."""
    areas = face_areas(mesh.vertices, mesh.faces)
    rows = np.flatnonzero(unit_normals(mesh) @ outward >= np.cos(np.radians(END_CONE_DEG)))
    if not len(rows) or not areas[rows].sum() > 0:
        raise GeometryError("no skin of the bone looks along the column, so it has no end face there; look at the direction")
    labels = label_pieces(mesh.faces[rows], len(mesh.vertices))
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    chosen = np.bincount(labels, areas[rows]).argmax() if near is None else labels[((middles[rows] - near) ** 2).sum(axis=1).argmin()]
    patch = rows[labels == chosen]
    return _fitted(middles[patch], areas[patch], outward, patch.astype(np.int32))


def _fitted(points: FloatArray, areas: FloatArray, outward: FloatArray, faces: IntArray) -> EndFace:
    weight = areas.copy()
    for _ in range(ROBUST_STEPS):
        centre = weight @ points / weight.sum()
        spread = ((points - centre) * weight[:, None]).T @ (points - centre)
        normal = np.linalg.eigh(spread)[1][:, 0]
        off = (points - centre) @ normal
        width = max(TUKEY * float(np.median(np.abs(off))), 1e-9)
        weight = areas * tukey_weight(off**2, width) + 1e-12 * areas
    normal = normal * (1.0 if normal @ outward >= 0 else -1.0)
    rms = float(np.sqrt(weight @ off**2 / weight.sum()))
    return EndFace(centre, normal, float(np.sqrt(areas.sum() / np.pi)), rms, faces)


def stack_column(column: Sequence[CentrumEnds], gaps_mm: Sequence[float], curve: FloatArray, up: FloatArray) -> list[FloatArray]:
    """Set vertebrae along a curve, head to tail: for each a matrix (4, 4) place from bone.

    curve (k, 3): a polyline in mm from the first cranial face on; beyond its end it goes on straight. Each centrum is the chord between two points
    of the curve as far apart as its faces; a gap, one less than there are bones, is left along the curve after each. The end planes are so parallel
    to the curve's normal within half the bend of one centrum, and tilted evenly where a centrum is a wedge. up (3,): where the arches point.
    GeometryError for a curve without length.
    """
    if len(gaps_mm) != len(column) - 1:
        raise GeometryError(f"a column of {len(column)} vertebrae has {len(column) - 1} gaps, not {len(gaps_mm)}")
    path, at, places = _Path(curve), 0.0, []
    for bone, gap in zip(column, (*gaps_mm, 0.0), strict=True):
        end = path.chord_end(at, bone.length_mm)
        places.append(_between(bone, path.point(at), path.point(end), up))
        at = end + gap
    return places


def _between(bone: CentrumEnds, start: FloatArray, end: FloatArray, up: FloatArray) -> FloatArray:
    """Place from bone: its faces' middle plane square to the chord, their middle on the chord's middle, its arch towards up."""
    axis = bone.caudal.normal - bone.cranial.normal  # the mean of both normals: the end planes lie evenly tilted to the chord
    frame, target = _axes(axis, bone.up), _axes(end - start, up)
    matrix = np.eye(4)
    matrix[:3, :3] = target.T @ frame
    matrix[:3, 3] = (start + end) / 2 - matrix[:3, :3] @ ((bone.cranial.centre + bone.caudal.centre) / 2)
    return matrix


def _axes(along: FloatArray, up: FloatArray) -> FloatArray:
    """Rows (3, 3): unit along, up made square to it, and the third."""
    first = along / max(float(np.linalg.norm(along)), 1e-300)
    second = up - (up @ first) * first
    if not np.linalg.norm(second) > 1e-6 * max(float(np.linalg.norm(up)), 1e-300):
        raise GeometryError("the arches cannot point along the column; give another direction for up")
    second = second / np.linalg.norm(second)
    return np.stack([first, second, np.cross(first, second)])


class _Path:
    """A polyline by its length; beyond its end it goes on straight."""

    def __init__(self, curve: FloatArray) -> None:
        steps = np.sqrt((np.diff(curve, axis=0) ** 2).sum(axis=1)) if len(curve) > 1 else np.zeros(0)
        if not steps.sum() > 0:
            raise GeometryError("the curve of the column has no length; give two or more points")
        kept = np.concatenate([[True], steps > 0])
        self._points = curve[kept]
        self._at = np.concatenate([[0.0], np.cumsum(steps[steps > 0])])

    def point(self, at_mm: float) -> FloatArray:
        """The point (3,) at a length from the start."""
        place = int(np.searchsorted(self._at, at_mm, side="right").clip(1, len(self._at) - 1))
        share = (at_mm - self._at[place - 1]) / (self._at[place] - self._at[place - 1])
        return np.asarray(self._points[place - 1] + share * (self._points[place] - self._points[place - 1]))

    def chord_end(self, at_mm: float, chord_mm: float) -> float:
        """The length at which the point first is chord_mm away from the one at at_mm (bisection)."""
        start = self.point(at_mm)
        low, high = at_mm, at_mm + chord_mm
        while np.linalg.norm(self.point(high) - start) < chord_mm:
            low, high = high, high + chord_mm / 4
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if np.linalg.norm(self.point(middle) - start) < chord_mm else (low, middle)
        return high


def meet_ends(end: EndFace, other: EndFace, gap_mm: float) -> FloatArray:
    """The motion (4, 4) of the bone of `other` after which both end planes are parallel, face each other and lie gap_mm apart, centre on centre. It
    turns the bone no farther than that."""
    axis = np.cross(other.normal, -end.normal)
    sine, cosine = float(np.linalg.norm(axis)), float(-other.normal @ end.normal)
    matrix = np.eye(4)
    if sine > 1e-12:
        x, y, z = axis / sine
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        matrix[:3, :3] += sine * cross + (1.0 - cosine) * cross @ cross
    elif cosine < 0:
        raise GeometryError("the two end faces look the same way, so the bones cannot be set on each other; look at their poses")
    matrix[:3, 3] = end.centre + gap_mm * end.normal - matrix[:3, :3] @ other.centre
    return matrix
