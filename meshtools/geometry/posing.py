"""Set bones in a pose: seat one on the bone whose place it takes, turn it in its joint, leave a stated gap. No bone changes its size."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.joint_ends import JointContact, Skin, measure_joint
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.registration import register
from meshtools.geometry.registration_poses import rotations_from_vectors
from meshtools.geometry.transform import apply_matrix, chain, move_points, reflection_matrix, scaling_matrix, translation_matrix
from meshtools.model import FloatArray, JointPose, Mesh
from meshtools.model_pose import Place

ROUND_ENOUGH = 0.05  # a joint turns about the centre of a ball that fits a patch to this share of its radius. Our own choice
LARGEST_RADIUS = 1.5  # of the patch's spread: a flatter joint turns about the middle of its patches. Dog hip and shoulder: 1.3 and 1.4 (measured)
GAP_STEPS, GAP_EXACT_MM = 20, 0.01


@dataclass(frozen=True, eq=False)
class Seating:
    """Where a bone goes: place_from_bone (4, 4), a turn and a shift; size_ratio: how much larger than the bone it is seated on; is_trusted and
    reason: whether that can be believed (geometry/registration)."""

    place_from_bone: FloatArray
    size_ratio: float
    is_trusted: bool
    reason: str

    def in_scaled_frame(self, bone: Mesh, factor: float) -> Seating:
        """The seating of the bone where the whole frame is scaled by factor: the bone's middle goes with the frame, its size stays."""
        at = move_points(surface_middle(bone)[None], self.place_from_bone)[0]
        moved = chain(self.place_from_bone, translation_matrix(tuple((factor - 1.0) * at)))
        return replace(self, place_from_bone=moved, size_ratio=self.size_ratio / factor)


def seat(bone: Mesh, model: Mesh) -> Seating:
    """Seat a bone where `model`, the same bone of a placed skeleton, lies. The size is found too, and then left as it is, about the middle of the
    bone's surface: laid on without it, a bone of the wrong size slips along the other until one end fits. GeometryError as in registration."""
    found = register(bone, model, "similarity")
    ratio = 1.0 / found.scale
    return Seating(without_scale(found.fixed_from_moving, surface_middle(bone)), ratio, found.is_trusted, found.reason)


def without_scale(matrix: FloatArray, about: FloatArray) -> FloatArray:
    """The turn of a similarity (4, 4), moved so that it takes the point `about` (3,) where the similarity takes it."""
    rigid = np.eye(4)
    rigid[:3, :3] = matrix[:3, :3] / np.cbrt(np.linalg.det(matrix[:3, :3]))
    rigid[:3, 3] = matrix[:3, :3] @ about + matrix[:3, 3] - rigid[:3, :3] @ about
    return rigid


def surface_middle(mesh: Mesh) -> FloatArray:
    """Middle (3,) of a surface by area, in mm. GeometryError for one without area."""
    areas = mesh_areas(mesh)
    if not areas.sum() > 0:
        raise GeometryError("a bone without a surface cannot be placed; check the scan")
    return np.asarray((areas[:, None] * mesh.vertices[mesh.faces].mean(axis=1)).sum(axis=0) / areas.sum())


def exact_place(place: Place) -> FloatArray:
    """Frame from replica (4, 4) of a replica whose own bone lies in the frame; the frame is reflected and scaled as the replica was."""
    made = chain(*([reflection_matrix()] if place.reflect else []), scaling_matrix(place.factor))
    return chain(np.linalg.inv(made).astype(np.float64), np.array(place.matrix, dtype=np.float64).reshape(4, 4), made)


def left_of(pairs: list[tuple[Mesh, Mesh]]) -> FloatArray | None:
    """The animal's left (3,), unit, from placed pairs of left and right bones; None without any."""
    between = [surface_middle(left) - surface_middle(right) for left, right in pairs]
    total = np.sum([vector / max(float(np.linalg.norm(vector)), 1e-300) for vector in between], axis=0) if between else np.zeros(3)
    length = float(np.linalg.norm(total))
    return np.asarray(total / length) if length > 0.5 else None


@dataclass(frozen=True, eq=False)
class JointAxes:
    """How a bone turns in its joint: the centre (3,) and, as unit vectors, the axes of flexion, abduction and rotation (3,) each.

    away: from the centre to the middle of the bone, the axis of rotation. flexion: the animal's left, square to it. abduction: square to both.
    """

    centre: FloatArray
    flexion: FloatArray
    abduction: FloatArray
    away: FloatArray


def joint_axes(contact: JointContact, child: Mesh, left: FloatArray) -> JointAxes:
    """Axes of the joint in which `child` (bone b of the contact) turns; left (3,): towards the animal's left.

    GeometryError where no skin faces the other bone, or where the bone points to the left or right.
    """
    centre = turning_centre(contact)
    away = unit_vectors(surface_middle(child) - centre)
    flexion = left - (left @ away) * away
    if not np.linalg.norm(flexion) > 0.2 * np.linalg.norm(left):
        raise GeometryError("the bone points sideways from its joint, so its flexion axis is not defined; place it in poses.csv")
    flexion = unit_vectors(flexion)
    return JointAxes(centre, flexion, np.cross(flexion, away), away)


def turning_centre(contact: JointContact) -> FloatArray:
    """Centre (3,) about which a joint turns: that of the ball that fits one of the patches, the rounder one, or else the patches' middle.

    Algebraic least squares (Coope 1993, Circle fitting by linear and nonlinear least squares), weighed by area. GeometryError where no skin faces
    the other bone.
    """
    if contact.median_gap_mm is None:
        raise GeometryError("no skin of one bone faces the other, so they have no joint in this place; look at their poses")
    balls = [_ball(patch) for patch in (contact.patch_a, contact.patch_b) if len(patch.area_mm2)]
    round_ones = [(off, place) for place, (_, off) in enumerate(balls) if off <= ROUND_ENOUGH]
    return balls[min(round_ones)[1]][0] if round_ones else contact.centre


def _ball(patch: Skin) -> tuple[FloatArray, float]:
    """Centre (3,) of the ball that fits a patch, and its rms distance as a share of the radius; infinite where the patch is too flat for a ball."""
    middle = (patch.area_mm2[:, None] * patch.middle).sum(axis=0) / patch.area_mm2.sum()
    local, root = patch.middle - middle, np.sqrt(patch.area_mm2)
    squared = (local**2).sum(axis=1)
    x, y, z, rest = np.linalg.lstsq(np.column_stack([2 * local, np.ones(len(local))]) * root[:, None], squared * root, rcond=None)[0]
    centre = np.array([x, y, z])
    radius = float(np.sqrt(max(rest + centre @ centre, 0.0)))
    off = np.sqrt(((local - centre) ** 2).sum(axis=1)) - radius
    spread, rms = (float(np.sqrt(patch.area_mm2 @ values / patch.area_mm2.sum())) for values in (squared, off**2))
    return middle + centre, rms / radius if 0 < radius <= LARGEST_RADIUS * spread else np.inf


def turn(axes: JointAxes, angles_deg: tuple[float, float, float], is_right: bool = False) -> FloatArray:
    """Matrix (4, 4) that turns a bone in its joint by flexion, abduction and rotation, in this order, about axes that stay with the parent bone.

    Positive: flexion swings the far end of a hanging bone backward, abduction away from the mid-plane (of a median bone: to the left), rotation turns
    the front outward (of a median bone: to the left). is_right: abduction and rotation are those of a bone of the right side, mirrored.
    """
    sign = -1.0 if is_right else 1.0
    turns = [
        _turn_about(axes.flexion, angles_deg[0], axes.centre),
        _turn_about(axes.abduction, -sign * angles_deg[1], axes.centre),
        _turn_about(axes.away, -sign * angles_deg[2], axes.centre),
    ]
    return chain(*turns)


def leave_gap(parent: Mesh, child: Mesh, gap_mm: float) -> FloatArray:
    """Shift (4, 4) of the child after which the median gap of the joint is gap_mm, each step along the axis in which the two face each other then.

    GeometryError where the two do not face each other, or where no shift tried leaves that gap.
    """
    shift = np.zeros(3)
    for _ in range(GAP_STEPS):
        contact = measure_joint(parent, apply_matrix(child, translation_matrix(tuple(shift))))
        if contact.median_gap_mm is None:
            raise GeometryError("no skin of one bone faces the other, so no gap can be left between them; look at their poses")
        if abs(gap_mm - contact.median_gap_mm) <= GAP_EXACT_MM:
            return translation_matrix(tuple(shift))
        shift = shift + (gap_mm - contact.median_gap_mm) * contact.axis
    raise GeometryError(f"a gap of {gap_mm:g} mm cannot be left between the two as they are turned; write another turn or gap into pose.csv")


def pose_child(parent: Mesh, child: Mesh, row: JointPose, left: FloatArray | None) -> FloatArray:
    """The motion (4, 4) of a placed child that its row asks for: first the turn, then the gap."""
    matrix = np.eye(4)
    if row.is_turned:
        if left is None:
            raise GeometryError("the frame holds no pair of left and right bones, so the animal's left is not known and no joint can be turned in it")
        axes = joint_axes(measure_joint(parent, child), child, left)
        matrix = turn(axes, (row.flexion_deg, row.abduction_deg, row.rotation_deg), row.child.endswith("-right"))
    if row.gap_mm is not None:
        matrix = chain(matrix, leave_gap(parent, apply_matrix(child, matrix), row.gap_mm))
    return matrix


def _turn_about(axis: FloatArray, angle_deg: float, centre: FloatArray) -> FloatArray:
    """Right-handed turn (4, 4) about the line through `centre` (3,) along the unit vector `axis` (3,)."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotations_from_vectors(np.radians(angle_deg) * axis[None])[0]
    matrix[:3, 3] = centre - move_points(centre[None], matrix)[0]
    return matrix
