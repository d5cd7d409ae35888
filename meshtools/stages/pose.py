"""Pose a skeleton: every replica set in its place, joints turned and opened as pose.csv says. Surfaces in, places out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.column import end_face, meet_ends
from meshtools.geometry.posing import Seating, exact_place, pose_child, seat, surface_middle
from meshtools.geometry.transform import apply_matrix, chain, reflection_matrix, scaling_matrix
from meshtools.model import Element, FloatArray, JointPose, Mesh, Side
from meshtools.model_pose import Place

IN_FRAME, SEATED, MIRRORED, STACKED = "common frame", "posed", "mirrored", "stacked"
SAME_FACTOR = 1e-6  # relative: two factors that differ by no more are one, written or reckoned in two ways


@dataclass(frozen=True, eq=False)
class PosedBone:
    """A replica in its place: skeleton from replica (4, 4), a turn and a shift; basis: how its place is known; size_ratio: how much larger it is
    than the bone it is seated on, None where it lies there itself; doubt: why its place is not sure, empty where it is."""

    slug: str
    matrix: FloatArray
    basis: str
    size_ratio: float | None = None
    doubt: str = ""


@dataclass(frozen=True, eq=False)
class Frame:
    """What is known of the frame a skeleton is posed in.

    places by slug; mirrored: those of bones of the other side; surfaces of finds; factor: the target's size over the frame's, None: as the replicas
    turn out; left (3,), and mirror (4, 4), the reflection across the mid-plane, None where they are not known.
    """

    places: Mapping[str, Place]
    mirrored: Mapping[str, Place]
    surfaces: Mapping[str, Mesh]
    factor: float | None
    left: FloatArray | None
    mirror: FloatArray | None


def pose_skeleton(
    elements: Sequence[Element], replicas: Mapping[str, Mesh], frame: Frame, rows: Sequence[JointPose]
) -> tuple[tuple[PosedBone, ...], dict[str, str]]:
    """Set the replicas of one target in their places. Returns the bones by slug, and for each that has no place the sentence that says why.

    First the bones that the frame shows, then vertebrae of a series that lack only their own place, stacked on a placed neighbour; then the rows of
    pose.csv from the far ends inwards, so that a joint's axes stay with its parent bone.
    """
    left_out: dict[str, str] = {}
    bones: dict[str, PosedBone] = {}
    factor = frame.factor
    seatings = _seatings(replicas, frame, left_out)
    if factor is None:
        ratios = [seating.size_ratio for seating in seatings.values()]
        factor = float(np.exp(np.mean(np.log(ratios)))) if ratios else 1.0
    for slug, place in sorted(frame.places.items()):
        if slug in seatings:
            seating = seatings[slug].in_scaled_frame(replicas[slug], factor)
            bones[slug] = PosedBone(slug, seating.place_from_bone, SEATED, seating.size_ratio, "" if seating.is_trusted else seating.reason)
        elif slug in replicas and place.lies_at(frame.factor):
            bones[slug] = PosedBone(slug, exact_place(place), IN_FRAME)
    _mirror(replicas, frame, factor, bones, left_out)
    _stack(elements, replicas, rows, bones, left_out)
    _turn(elements, replicas, rows, frame.left, bones, left_out)
    for slug in replicas:
        if slug not in bones:
            left_out.setdefault(slug, "the frame has no bone of this element and side")
    return tuple(bones[slug] for slug in sorted(bones)), {slug: why for slug, why in left_out.items() if slug not in bones}


def beyond(child: Element, parent: Element, elements: Sequence[Element]) -> set[str]:
    """What moves with the child of a joint: all that is nearer to it than to the parent along the joints, and what is as near and of its side."""
    joins = {element.slug: element.joins for element in elements}
    sides = {element.slug: element.side for element in elements}
    of_child, of_parent = _steps(child.slug, joins), _steps(parent.slug, joins)
    far = len(joins) + 1
    nearer = {slug for slug in of_child if of_child[slug] < of_parent.get(slug, far)}
    equal = {slug for slug in of_child if of_child[slug] == of_parent.get(slug, far) and sides.get(slug) is child.side}
    return nearer if child.side is Side.MEDIAN else nearer | equal


def _steps(start: str, joins: Mapping[str, Sequence[str]]) -> dict[str, int]:
    steps, edge = {start: 0}, [start]
    while edge:
        edge = sorted({other for slug in edge for other in joins.get(slug, ()) if other not in steps})
        steps |= {slug: max(steps.values()) + 1 for slug in edge}
    return steps


def _seatings(replicas: Mapping[str, Mesh], frame: Frame, left_out: dict[str, str]) -> dict[str, Seating]:
    """The replicas that take the place of a bone of the frame, seated in the frame at its own size."""
    found = {}
    for slug, place in sorted(frame.places.items()):
        if slug not in replicas or place.lies_at(frame.factor):
            continue
        if place.find not in frame.surfaces:
            left_out[slug] = f"the scan of {place.find}, whose place it takes, cannot be used"
            continue
        pose = np.array(place.matrix, dtype=np.float64).reshape(4, 4)
        try:
            found[slug] = seat(replicas[slug], apply_matrix(frame.surfaces[place.find], pose))
        except GeometryError as error:
            left_out[slug] = str(error)
    return found


def _mirror(replicas: Mapping[str, Mesh], frame: Frame, factor: float, bones: dict[str, PosedBone], left_out: dict[str, str]) -> None:
    """Replicas reflected from placed bones of the other side go where these land across the mid-plane."""
    for slug, place in sorted(frame.mirrored.items()):
        if slug not in replicas or slug in bones:
            continue
        if frame.mirror is None:
            left_out[slug] = "only the bone of its other side lies in the frame, and the mid-plane of the frame is not known"
            continue
        if not np.isclose(place.factor, factor, rtol=SAME_FACTOR, atol=0.0):
            sizes = f"it is made {place.factor:.7g} times as large as that, the frame {factor:.7g} times"
            left_out[slug] = f"only the bone of its other side, {place.find}, lies in the frame, and {sizes}; look at its factor"
            continue
        made = chain(reflection_matrix(), scaling_matrix(place.factor))
        pose = np.array(place.matrix, dtype=np.float64).reshape(4, 4)
        matrix = chain(np.linalg.inv(made).astype(np.float64), pose, frame.mirror, scaling_matrix(place.factor))
        bones[slug] = PosedBone(slug, matrix, MIRRORED)


def _stack(
    elements: Sequence[Element], replicas: Mapping[str, Mesh], rows: Sequence[JointPose], bones: dict[str, PosedBone], left_out: dict[str, str]
) -> None:
    """Median members of a series that the frame lacks, each on the end face of its placed neighbour; from the placed ones outwards."""
    series: dict[str, dict[int, str]] = {}
    for element in elements:
        if element.series and element.position and element.side is Side.MEDIAN and element.slug in replicas:
            series.setdefault(element.series, {})[element.position] = element.slug
    for members in (series[name] for name in sorted(series)):
        for step in (1, -1):
            for place in sorted(members, reverse=step < 0):
                before, other = members.get(place - step), members.get(place - 2 * step)
                if members[place] in bones or before not in bones or other not in bones:
                    continue
                asked = [row.gap_mm for row in rows if {row.parent, row.child} == {members[place], before} and row.gap_mm is not None]
                placed = [apply_matrix(replicas[slug], bones[slug].matrix) for slug in (other, before)]
                try:
                    matrix = stack_on(replicas[members[place]], placed[1], placed[0], asked[0] if asked else None)
                except GeometryError as error:
                    left_out[members[place]] = str(error)
                    continue
                bones[members[place]] = PosedBone(members[place], matrix, STACKED)


def stack_on(bone: Mesh, neighbour: Mesh, farther: Mesh, gap_mm: float | None) -> FloatArray:
    """Where (4, 4) a vertebra goes that follows `neighbour` and `farther`, both placed: turned as the neighbour is, which it resembles, then set with
    its end face on the neighbour's. gap_mm: between the end faces; None: as between the other two, negative where these overlap. GeometryError where
    it does not resemble it.
    """
    seating = seat(bone, neighbour)
    if not seating.is_trusted:
        raise GeometryError(f"it cannot be told how it is turned against its neighbour: {seating.reason}")
    onward = surface_middle(neighbour) - surface_middle(farther)
    onward = onward / np.linalg.norm(onward)
    meeting, behind = end_face(neighbour, onward), end_face(neighbour, -onward)
    last = end_face(farther, onward)
    gap = float((behind.centre - last.centre) @ last.normal) if gap_mm is None else gap_mm
    turned = apply_matrix(bone, seating.place_from_bone)
    return chain(seating.place_from_bone, meet_ends(meeting, end_face(turned, -onward), gap))


def _turn(
    elements: Sequence[Element], replicas: Mapping[str, Mesh], rows: Sequence[JointPose], left: FloatArray | None, bones: dict[str, PosedBone],
    left_out: dict[str, str],
) -> None:  # fmt: skip
    by_slug = {element.slug: element for element in elements}
    known = [row for row in rows if row.parent in bones and row.child in bones]
    moving = {row: beyond(by_slug[row.child], by_slug[row.parent], elements) for row in known}
    for row in sorted(known, key=lambda row: (len(moving[row]), row.child)):
        parent, child = (apply_matrix(replicas[slug], bones[slug].matrix) for slug in (row.parent, row.child))
        opened = replace(row, gap_mm=None) if bones[row.child].basis == STACKED else row
        try:
            matrix = pose_child(parent, child, opened, left)
        except GeometryError as error:
            bones[row.child] = replace(bones[row.child], doubt=f"its row of pose.csv was not carried out: {error}")
            continue
        for slug in moving[row] & set(bones):
            bones[slug] = replace(bones[slug], matrix=chain(bones[slug].matrix, matrix))
