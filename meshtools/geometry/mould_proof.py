"""Two proofs that do not rely on how a mould was cut: its pieces are moved out and watched, and the cavity they leave is held against the bone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.body import surface_of
from meshtools.geometry.distance import Surface
from meshtools.geometry.mould_pieces import SPECK_MM3, MouldPiece
from meshtools.geometry.pieces import area_vectors, piece_labels, take_faces
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.shadow import Solid, joined, solid_of, without
from meshtools.geometry.undercuts import SHALLOW_MM, Undercuts, is_open_beside
from meshtools.geometry.unite import signed_volume_mm3
from meshtools.geometry.winding import is_inside, is_surely_inside
from meshtools.model import FloatArray, Mesh

TOUCH_MM3 = 0.01  # an overlap below this is rounding where surfaces slide along each other
MOST_SLIVERS_MM3 = 10.0  # and above this it is an overlap: slivers of a large mould came to 0.1
INWARD_MM = 2e-3  # rays start this far inside a piece
_SHARES = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 0.8, 1.1)  # of the way out
_RAYS = 6000
_INWARD_SHARES = (0.1, 0.5, 0.9)  # of the way from a face to the middle of a body


@dataclass(frozen=True)
class WayOut:
    """How one piece came out: the largest overlap with what is still in place, over how many positions; how many of how many rays from all
    over it met something."""

    name: str
    overlap_mm3: float
    n_positions: int
    n_hits: int
    n_rays: int

    @property
    def is_free(self) -> bool:
        """True where nothing was met, by either way of looking."""
        return self.overlap_mm3 <= TOUCH_MM3 and self.n_hits == 0


def as_made(pieces: Sequence[MouldPiece], meshes: Sequence[Mesh]) -> tuple[MouldPiece, ...]:
    """The pieces with the bodies that their meshes bound once they are tidied and written: it is these that have to come out."""
    return tuple(replace(piece, solid=solid_of(mesh.vertices, mesh.faces)) for piece, mesh in zip(pieces, meshes, strict=True))


def prove_withdrawal(pieces: Sequence[MouldPiece], bone: Solid) -> tuple[WayOut, ...]:
    """Move each piece out along its direction, in order, past the bone and the pieces still in place.

    Overlaps are volumes of exact intersections at positions from half a thousandth of the way to beyond the block; rays run from all over
    a piece along its direction and see what lies between those positions.
    """
    return tuple(prove_piece(piece, [bone, *(later.solid for later in pieces[k + 1 :])]) for k, piece in enumerate(pieces))


def prove_piece(piece: MouldPiece, staying: Sequence[Solid]) -> WayOut:
    """Move one piece out along its direction past bodies that stay."""
    boxes = np.array([solid.bounding_box() for solid in (piece.solid, *staying)])
    way = float(np.linalg.norm(boxes[:, 3:].max(axis=0) - boxes[:, :3].min(axis=0)))
    overlap = 0.0
    for share in _SHARES:
        moved = piece.solid.translate(tuple(float(x) for x in share * way * piece.direction))
        overlap = max(overlap, *(overlap_mm3(moved, solid) for solid in staying))
    mesh = surface_of(piece.solid)
    points, faces = sample_surface(mesh, _RAYS, 0)
    vectors = area_vectors(mesh.vertices, mesh.faces)[faces]
    start = points - INWARD_MM * vectors / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)[:, None]
    along = np.tile(piece.direction, (len(start), 1))
    # where a piece is about as thin as the step inwards, a ray would start beside it or on its other skin
    is_within = is_inside(mesh, start) & (Surface(mesh).distance(start)[0] > INWARD_MM / 2)
    start, along = start[is_within], along[is_within]
    is_hit = [np.isfinite(Surface(surface_of(solid)).first_hit(start, along)) for solid in staying]
    n_hits = sum(int(np.count_nonzero(is_surely_inside(mesh, start[hit]))) for hit in is_hit)
    return WayOut(piece.name, overlap, len(_SHARES), n_hits, len(start))


def overlap_mm3(one: Solid, other: Solid) -> float:
    """Volume that two bodies share. Where their surfaces slide along each other the kernel now and then shows a sliver that lies in one of them only:
    so what it shows beyond rounding is asked again, by the exact winding numbers of points within it. What is no sliver any more is not."""
    shared = one ^ other
    if not TOUCH_MM3 < shared.volume() <= MOST_SLIVERS_MM3:
        return float(shared.volume())
    return sum(float(body.volume()) * _share_in(body, (one, other)) for body in shared.decompose())


def _share_in(body: Solid, bodies: Sequence[Solid]) -> float:
    """The share of points within a body that lie in all the others too; 1 where no point within it is found."""
    mesh = surface_of(body)
    corners = mesh.vertices[mesh.faces]
    towards = mesh.vertices.mean(axis=0) - corners
    points = np.concatenate([(corners + share * towards).mean(axis=1) for share in _INWARD_SHARES])
    points = points[is_surely_inside(mesh, points)]
    return float(np.all([is_surely_inside(surface_of(other), points) for other in bodies], axis=0).mean()) if len(points) else 1.0


@dataclass(frozen=True)
class Rejoined:
    """The cavity of the assembled pieces against the bone. volume_ratio: its volume, without pour, vents, crumbs and filled undercuts,
    over the bone's, less one; off_mm: the largest difference, over n points of the bone away from pour, vents and crumbs, between the distance to the
    cavity's wall and the depth of undercut stated there (0 nearly everywhere); fattest_mm: how far from the bone the cavity's wall lies at
    most."""

    volume_ratio: float
    off_mm: float
    fattest_mm: float
    n_points: int


def rejoin(
    block: Solid, pieces: Sequence[MouldPiece], ports: Sequence[Solid], bone: Mesh, undercuts: Undercuts, crumbs: Sequence[Solid] = ()
) -> Rejoined:
    """Put the pieces back into their block, and compare what is left free with the bone (a closed mesh in the mould's frame)."""
    cavity = without(block, [piece.solid for piece in pieces])
    bite, left_out, kept_off = 0.0, float(sum(crumb.volume() for crumb in crumbs)), [*ports, *crumbs]
    if ports:
        cavity = without(cavity, list(ports))
        bite = float((joined(list(ports)) ^ solid_of(bone.vertices, bone.faces)).volume())
    inside = solid_of(bone.vertices, bone.faces)
    room, volume = _with_bone(surface_of(cavity), inside)
    hollow, own = Surface(room), signed_volume_mm3(bone.vertices, bone.faces)
    is_clear = ~_near_bodies(undercuts.points, kept_off)
    there, _ = hollow.distance(undercuts.points[is_clear])
    off = float(np.abs(there - undercuts.depth_mm[is_clear]).max(initial=0.0))
    fattest, n_walls = _fattest(hollow, bone, kept_off)
    ratio = (volume + bite - undercuts.volume_mm3 - left_out) / own - 1.0
    return Rejoined(ratio, off, fattest, len(there) + n_walls)


def _fattest(hollow: Surface, bone: Mesh, kept_off: Sequence[Solid]) -> tuple[float, int]:
    """How far the wall of a cavity lies off the bone at most, and over how many points; seams of pieces that touch are no wall."""
    walls, faces = sample_surface(hollow.mesh, 20_000, 1)
    is_clear = ~_near_bodies(walls, kept_off)
    walls, faces = walls[is_clear], faces[is_clear]
    off, _ = Surface(bone).distance(walls)
    far = np.flatnonzero(off > SHALLOW_MM)
    off[far[~is_open_beside(hollow, walls[far], faces[far])]] = 0.0
    return float(off.max(initial=0.0)), len(walls)


def _with_bone(cavity: Mesh, bone: Solid) -> tuple[Mesh, float]:
    """The bodies of a cavity that hold bone, and their volume. Bodies that hold none are the clearances of keys and the seams of pieces that touch,
    which rounding gives a volume of either sign; those of negative volume are voids, so mould that hangs in the cavity. Bodies are told apart on
    the mesh, because the kernel gives each of them a copy of the whole."""
    labels = piece_labels(cavity)
    n_faces = np.bincount(labels)
    middles = cavity.vertices[cavity.faces].mean(axis=1)
    about = np.stack([np.bincount(labels, middles[:, axis]) / n_faces for axis in range(3)], axis=1)[labels]
    a, b, c = (cavity.vertices[cavity.faces[:, corner]] - about for corner in range(3))
    volumes = np.bincount(labels, np.einsum("ij,ij->i", np.cross(a, b), c)) / 6.0
    is_kept = volumes < -SPECK_MM3
    for number in np.flatnonzero(volumes > SPECK_MM3):
        part = take_faces(cavity, labels == number)
        held = float((solid_of(part.vertices, part.faces) ^ bone).volume())
        is_kept[number] = held > 0.5 * volumes[number]
    return take_faces(cavity, is_kept[labels]), float(volumes[is_kept].sum())


def _near_bodies(points: FloatArray, bodies: Sequence[Solid]) -> NDArray[np.bool_]:
    is_near = np.zeros(len(points), bool)
    for body in bodies:
        box = np.array(body.bounding_box())
        is_near |= ((points >= box[:3] - 0.5) & (points <= box[3:] + 0.5)).all(axis=1)
    return is_near
