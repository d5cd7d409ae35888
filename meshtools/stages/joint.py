"""One joint: the replicas of two neighbours set as their frame and pose.csv say, and the gap between them. Surfaces in, a row and findings out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.joint_ends import JointContact, measure_joint
from meshtools.geometry.measure import diagonal_mm
from meshtools.geometry.posing import Seating, exact_place, pose_child, seat
from meshtools.geometry.transform import apply_matrix, chain, scaling_matrix
from meshtools.model import Finding, FloatArray, JointPose, Mesh, Severity
from meshtools.model_pose import JointPlaces, Place
from meshtools.settings import FitSettings

COMMON, POSED = "common frame", "posed"
NO_FRAME = "no frame of poses.csv holds bones of both elements"
SIZE_NOTE_PERCENT = 5.0  # a replica that differs by more from the bone whose place it takes is named with its size
KEYS = ("gap_mm", "median_gap_mm", "p95_gap_mm", "overlap_mm", "patch_area_mm2", "centre_mm", "axis", "gap_basis", "gap_reason", "frame",
        "frame_gap_mm", "frame_overlap_mm", "size_ratio_a", "size_ratio_b", "place_a", "place_b")  # fmt: skip


@dataclass(frozen=True, eq=False)
class PlacedJoint:
    """Two replicas in their joint, in the frame (at the target's size): places (4, 4) frame from replica, and the seating of those that do not lie in
    the frame themselves. models: the frame's own bones at the same size, where they are not the replicas."""

    places: tuple[FloatArray, FloatArray]
    seatings: tuple[Seating | None, Seating | None]
    models: tuple[Mesh, Mesh] | None


def check_joint(
    places: JointPlaces | None, replicas: tuple[Mesh | None, Mesh | None], surfaces: Mapping[str, Mesh], row: JointPose | None, settings: FitSettings,
    left: FloatArray | None = None,
) -> tuple[dict[str, Any], tuple[Finding, ...]]:  # fmt: skip
    """Set two replicas into their joint and measure it.

    places: how they lie in a frame, None where no frame shows it; surfaces: clean surfaces of the frame's finds; row: what pose.csv says; left (3,):
    the animal's left in the frame, None where it is not known. The row of facts has gap_mm None, with gap_reason, where nothing can be measured.
    """
    facts: dict[str, Any] = dict.fromkeys(KEYS)
    one, other = replicas
    reason = NO_FRAME if places is None else ""
    if one is None or other is None:
        reason = "one of the replicas was not made"
    if places is None or one is None or other is None:
        return facts | {"gap_reason": reason}, ()
    missing = [place.find for place in (places.a, places.b) if not place.is_exact and place.find not in surfaces]
    if missing:
        return facts | {"gap_reason": f"the scan of {' and '.join(missing)} cannot be used", "frame": places.frame}, ()
    try:
        placed = place_joint(places, (one, other), surfaces)
        if left is not None and places.is_common and places.a.reflect:
            left = left * np.array([1.0, -1.0, -1.0])  # the frame is reflected with its bones: what was right in it is left now
        if row is not None:
            placed = pose_joint(placed, places, (one, other), row, left)
        contact = measure_joint(apply_matrix(one, placed.places[0]), apply_matrix(other, placed.places[1]))
        model = measure_joint(*placed.models) if placed.models and not (row and row.is_turned) else None
    except GeometryError as error:
        return facts | {"gap_reason": str(error), "frame": places.frame}, ()
    facts |= _facts(places, placed, contact, model, row)
    size_mm = min(diagonal_mm(one.vertices), diagonal_mm(other.vertices))
    limits = settings.joint_overlap_review_percent / 100 * size_mm, settings.joint_gap_review_percent / 100 * size_mm
    return facts, _findings(places, placed, contact, model, limits, row.gap_mm if row else None)


def place_joint(places: JointPlaces, replicas: tuple[Mesh, Mesh], surfaces: Mapping[str, Mesh]) -> PlacedJoint:
    """Where both replicas go: as their own bones lie, or seated on the bones whose place they take, the frame brought to the target's size."""
    sides = tuple(zip((places.a, places.b), replicas, strict=True))
    if places.is_common:
        return PlacedJoint(tuple(exact_place(place) for place, _ in sides), (None, None), None)  # type: ignore[arg-type]
    seatings = {place.slug: seat(mesh, placed_model(place, surfaces, 1.0)) for place, mesh in sides if not place.is_exact}
    factor = places.factor or float(np.exp(np.mean([np.log(seating.size_ratio) for seating in seatings.values()])))
    found = tuple(seatings[place.slug].in_scaled_frame(mesh, factor) if place.slug in seatings else None for place, mesh in sides)
    matrices = tuple(exact_place(place) if s is None else s.place_from_bone for (place, _), s in zip(sides, found, strict=True))
    models = tuple(apply_matrix(mesh, exact_place(p)) if p.is_exact else placed_model(p, surfaces, factor) for p, mesh in sides)
    return PlacedJoint(matrices, found, models)  # type: ignore[arg-type]


def placed_model(place: Place, surfaces: Mapping[str, Mesh], factor: float) -> Mesh:
    """The bone of the frame in its place, the whole frame scaled by `factor`."""
    return apply_matrix(surfaces[place.find], chain(_matrix(place), scaling_matrix(factor)))


def pose_joint(placed: PlacedJoint, places: JointPlaces, replicas: tuple[Mesh, Mesh], row: JointPose, left: FloatArray | None) -> PlacedJoint:
    """Turn the child of a joint and leave the gap that its row of pose.csv asks for. GeometryError where left is needed and not known."""
    is_a_child = row.child == places.a.slug
    child_from = placed.places[0 if is_a_child else 1]
    parent, child = (apply_matrix(replicas[k], placed.places[k]) for k in ((1, 0) if is_a_child else (0, 1)))
    moved = pose_child(parent, child, row, left)
    after = chain(child_from, moved)
    return PlacedJoint((after, placed.places[1]) if is_a_child else (placed.places[0], after), placed.seatings, placed.models)


def _matrix(place: Place) -> FloatArray:
    return np.array(place.matrix, dtype=np.float64).reshape(4, 4)


def _facts(places: JointPlaces, placed: PlacedJoint, contact: JointContact, model: JointContact | None, row: JointPose | None) -> dict[str, Any]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 4)

    def listed(values: FloatArray) -> Any:
        return (values.round(9) + 0.0).tolist() if np.isfinite(values).all() else None

    ratios = [None if s is None else round(s.size_ratio, 6) for s in placed.seatings]
    return {
        "gap_mm": rounded(contact.min_gap_mm), "median_gap_mm": rounded(contact.median_gap_mm), "p95_gap_mm": rounded(contact.p95_gap_mm),
        "overlap_mm": rounded(contact.overlap_mm), "patch_area_mm2": rounded((contact.area_a_mm2 + contact.area_b_mm2) / 2),
        "centre_mm": listed(contact.centre), "axis": listed(contact.axis), "gap_basis": COMMON if places.is_common and row is None else POSED,
        "gap_reason": "", "frame": places.frame, "frame_gap_mm": rounded(model.min_gap_mm) if model else None,
        "frame_overlap_mm": rounded(model.overlap_mm) if model else None, "size_ratio_a": ratios[0], "size_ratio_b": ratios[1],
        "place_a": listed(placed.places[0]), "place_b": listed(placed.places[1]),
    }  # fmt: skip


def _findings(
    places: JointPlaces, placed: PlacedJoint, contact: JointContact, model: JointContact | None, limits: tuple[float, float], asked_mm: float | None
) -> tuple[Finding, ...]:
    """limits: of overlap and of gap, in mm, the latter beyond the frame's own gap or the one that pose.csv asks for, asked_mm."""
    names = f"{places.a.slug} and {places.b.slug}"
    findings = []
    overlap_limit, gap_limit = limits
    why = "".join(_size_words(place, seating, places.frame) for place, seating in zip((places.a, places.b), placed.seatings, strict=True))
    if contact.overlap_mm > overlap_limit:
        own = f" The bones of frame {places.frame} overlap by {model.overlap_mm:.1f} mm themselves." if model and model.overlap_mm > 0 else ""
        message = f"{names} overlap by {contact.overlap_mm:.1f} mm in their joint.{why}{own} Look at factor, pose and choice of bones."
        findings.append(Finding(Severity.REVIEW, "joint-overlap", message, round(contact.overlap_mm, 4), round(overlap_limit, 4), "mm"))
    usual = model.min_gap_mm if model else 0.0
    allowed = max(usual, asked_mm or 0.0)
    if contact.min_gap_mm - allowed > gap_limit:
        own = f", where the bones of frame {places.frame} are {usual:.1f} mm apart" if model else ""
        own += "" if asked_mm is None else f", where pose.csv asks for a gap of {asked_mm:.1f} mm"
        message = f"{names} are {contact.min_gap_mm:.1f} mm apart in their joint{own}.{why} Look at factor, pose and choice of bones."
        findings.append(Finding(Severity.REVIEW, "joint-gap", message, round(contact.min_gap_mm, 4), round(gap_limit + allowed, 4), "mm"))
    for place, seating in zip((places.a, places.b), placed.seatings, strict=True):
        if seating is not None and not seating.is_trusted:
            message = f"{names}: how {place.slug} sits in the place of {place.find} is not sure ({seating.reason}), so their gap is not either."
            findings.append(Finding(Severity.REVIEW, "joint-pose-doubtful", message))
    return tuple(findings)


def _size_words(place: Place, seating: Seating | None, frame: str) -> str:
    percent = 100 * (seating.size_ratio - 1.0) if seating else 0.0
    if abs(percent) <= SIZE_NOTE_PERCENT:
        return ""
    which = "larger" if percent > 0 else "smaller"
    return f" {place.slug} is {abs(percent):.0f} % {which} than the bone whose place it takes in frame {frame}, {place.find}."
