"""From a replica to the mould around it: the pattern's size, the way the halves part, the fewest pieces that do."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.decimate import decimate_within
from meshtools.geometry.distance import Surface
from meshtools.geometry.mould_pieces import RigidMould, cut_rigid_mould, split_bodies
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.shadow import rotation_to_z
from meshtools.geometry.side_pieces import Cutting
from meshtools.geometry.simplify import simplify_around
from meshtools.geometry.transform import apply_matrix, chain, scaling_matrix
from meshtools.geometry.withdrawal import Pull, search_pulls
from meshtools.model import FloatArray, Mesh

WORK_FACES = 40_000  # a bone with more faces is decimated within the work tolerance first
SEARCH_FACES = 5_000  # directions and pieces are searched on a version with about so many
MOST_FACES = 50_000  # of a bone that a rigid mould is cut around: more take beyond five minutes
MOST_HIDDEN = 10_000  # faces in the shadow of others: as many again and it takes beyond five minutes
N_PULLS = 4  # directions for which pieces are planned, where the best one needs more than two


@dataclass(frozen=True, eq=False)
class Bed:
    """A bone laid into its mould: the working mesh in the mould's frame, z the way the halves part, the middle of its box at the origin;
    mould_from_replica (4, 4); how far the working mesh may lie from the pattern; the direction it was laid by; points (n, 3) of the replica that
    cuts stay away from."""

    mesh: Mesh
    mould_from_replica: FloatArray
    bound_mm: float
    pull: Pull
    keep_off_replica: FloatArray = field(default_factory=lambda: np.empty((0, 3)))

    @property
    def keep_off(self) -> FloatArray:
        """(n, 3) the points to stay away from in the mould's frame."""
        return np.asarray(self.keep_off_replica @ self.mould_from_replica[:3, :3].T + self.mould_from_replica[:3, 3])


def lay_bone(replica: Mesh, scale: float, tolerance_mm: float) -> tuple[Bed, tuple[Pull, ...]]:
    """The pattern of a replica, laid so that two halves part from it along z with the least undercut; and other ways that may do, best first."""
    pattern = apply_matrix(replica, scaling_matrix(scale)).replaced(colour=None)
    if len(pattern.faces) > WORK_FACES:
        light = decimate_within(pattern, tolerance_mm)
        pattern, bound = light.mesh, light.bound_mm
    else:
        bound = 0.0
    searched = lighter(pattern)
    pulls = search_pulls(searched.vertices, searched.faces, N_PULLS)
    return turn_to(pattern, pulls[0], scale, bound), pulls


def turn_to(pattern: Mesh, pull: Pull, scale: float, bound_mm: float) -> Bed:
    """Lay a pattern so that a direction points along z and the middle of its box lies at the origin."""
    turn = np.eye(4)
    turn[:3, :3] = rotation_to_z(pull.direction)
    turned = apply_matrix(pattern, turn)
    shift = np.eye(4)
    shift[:3, 3] = -(turned.vertices.min(axis=0) + turned.vertices.max(axis=0)) / 2
    return Bed(apply_matrix(turned, shift), chain(scaling_matrix(scale), turn, shift), bound_mm, pull)


def relaid(bed: Bed, pull: Pull, scale: float) -> Bed:
    """The same bone laid by another direction (given in the axes of the replica)."""
    mould_from_pattern: FloatArray = chain(scaling_matrix(1.0 / scale), bed.mould_from_replica)
    pattern_from_mould = np.asarray(np.linalg.inv(mould_from_pattern), np.float64)
    laid = turn_to(apply_matrix(bed.mesh, pattern_from_mould), pull, scale, bed.bound_mm)
    return replace(laid, keep_off_replica=bed.keep_off_replica)


def lighter(mesh: Mesh) -> Mesh:
    """A version to search on; the mesh itself where it is light, or where none of the same topology is found."""
    from meshtools.geometry.audit import audit_topology

    if len(mesh.faces) <= SEARCH_FACES:
        return mesh
    light = simplify_around(mesh, np.zeros(len(mesh.faces), bool), SEARCH_FACES)
    if light is None:
        return mesh
    audit = audit_topology(light)
    return light if audit.is_closed and audit.n_nonmanifold_edges == 0 and audit.is_outward else mesh


def hidden_faces(bed: Bed) -> tuple[int, FloatArray]:
    """How many faces of a bone are hidden by others along the way out that they look towards, and the middle (3,) of these on the replica."""
    mesh = bed.mesh
    rows = np.einsum("mij->mj", mesh.vertices[mesh.faces]) / 3.0
    up = np.where(area_vectors(mesh.vertices, mesh.faces)[:, 2] >= 0.0, 1.0, -1.0)[:, None] * np.array([0.0, 0.0, 1.0])
    is_hidden = np.isfinite(Surface(mesh).first_hit(rows + 1e-4 * up, up))
    if not is_hidden.any():
        return 0, np.zeros(3)
    replica_from_mould = np.linalg.inv(bed.mould_from_replica)
    return int(is_hidden.sum()), np.asarray(replica_from_mould[:3, :3] @ np.median(rows[is_hidden], axis=0) + replica_from_mould[:3, 3])


def fewest_pieces(bed: Bed, pulls: tuple[Pull, ...], cutting: Cutting, scale: float) -> tuple[Bed, RigidMould]:
    """The mould with the fewest pieces whose undercuts stay below the limit, over several ways to lay the bone; where none does, the one with the
    shallowest undercut. Planned on a lighter version, then cut around the bone itself."""
    if len(bed.mesh.faces) > MOST_FACES:
        raise GeometryError(
            f"the bone has {len(bed.mesh.faces)} faces within the work tolerance, and a rigid mould is cut around at most {MOST_FACES}; "
            "raise work_tolerance_mm, or take a flexible mould (kind: flexible) or a pattern"
        )
    n_hidden, place = hidden_faces(bed)
    if n_hidden > MOST_HIDDEN:
        at = ", ".join(f"{x:.0f}" for x in place)
        raise GeometryError(
            f"{n_hidden} faces of the bone lie in the shadow of others, in the middle of them x, y, z = {at} mm of the replica, and a rigid mould "
            f"reaches around at most {MOST_HIDDEN}; take a flexible mould (kind: flexible) or a pattern, or close its crevices first"
        )
    light = lighter(bed.mesh)
    is_light = light is not bed.mesh
    if len(light.faces) > 2 * SEARCH_FACES:  # nothing lighter encloses a solid: one way to lay it is all that is tried
        pulls = pulls[:1]
    best: tuple[tuple[bool, float, float], Bed, RigidMould] | None = None
    for pull in pulls:
        laid = relaid(Bed(light, bed.mould_from_replica, bed.bound_mm, bed.pull), pull, scale)
        mould = cut_rigid_mould(laid.mesh, cutting)
        deepest = mould.undercuts.deepest_mm
        n_bodies = len(split_bodies(mould.pieces))
        rank = (True, deepest, n_bodies) if deepest > cutting.limit_mm else (False, n_bodies, deepest)
        if best is None or rank < best[0]:
            best = rank, laid, mould
        if rank[:2] == (False, 2):
            break
    assert best is not None
    if not is_light:
        return best[1], best[2]
    laid = relaid(bed, best[1].pull, scale)
    # the lighter version's box has another middle, so its plans are moved along
    shift = laid.mould_from_replica[:3, 3] - best[1].mould_from_replica[:3, 3]
    plans = tuple(plan.moved(shift) for plan in best[2].windows)
    return laid, cut_rigid_mould(laid.mesh, cutting, plans)
