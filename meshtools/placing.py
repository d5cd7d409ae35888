"""Which frame of poses.csv shows how two neighbours of a target lie in their joint, and by which finds. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from meshtools.comparisons import looks_whole
from meshtools.model import Element, EvidenceClass, Find, JointPose, Pose, Recipe, Register, Side, Target
from meshtools.model_pose import JointPlaces, Place

FROM_ITS_BONE = (EvidenceClass.OWN, EvidenceClass.OWN_R, EvidenceClass.OWN_C, EvidenceClass.DON, EvidenceClass.DON_R)
MOST_PAIRS = 3


def joint_places(a: Recipe, b: Recipe, elements: tuple[Element, Element], register: Register) -> JointPlaces | None:
    """The best frame for a joint, None where none has both bones: first one in which both replicas lie themselves, then one of the target's own
    individual, then by name."""
    target = next((target for target in register.targets if target.name == a.target), Target(a.target, ""))
    finds = {find.find: find for find in register.finds}
    found = []
    for frame in sorted({pose.frame for pose in register.poses}):
        placed = [(finds[pose.find], pose) for pose in register.poses if pose.frame == frame and pose.find in finds]
        places = _common(frame, a, b, placed) or _seated(frame, (a, b), elements, placed, target)
        if places:
            is_own = target.individual in {finds[place.find].organism_id for place in (places.a, places.b)}
            found.append((not places.is_common, not is_own, frame, places))
    return min(found, key=lambda item: item[:3])[3] if found else None


def place_in(recipe: Recipe, element: Element, frame: str, register: Register) -> Place | None:
    """Where the replica of one element goes in a frame; None where the frame has no bone of that element and side."""
    finds = {find.find: find for find in register.finds}
    return _place(recipe, element, [(finds[pose.find], pose) for pose in register.poses if pose.frame == frame and pose.find in finds])


def mirrored_place(recipe: Recipe, frame: str, register: Register) -> Place | None:
    """The place of a replica that is the reflection of a find in the frame, that of its other side; None for any other."""
    pose = next((pose for pose in register.poses if pose.frame == frame and recipe.finds[:1] == (pose.find,)), None)
    if pose is None or not recipe.reflect or not _is_from_its_bone(recipe):
        return None
    return Place(recipe.element, pose.find, pose.matrix, False, True, recipe.factor)


def frame_factor(places: Iterable[Place], target: Target, register: Register) -> float | None:
    """How much larger the target is than the frame of these places: from its own animal's bones in it, or from a replica that lies in it."""
    finds = {find.find: find for find in register.finds}
    return _frame_factor([(place, finds[place.find]) for place in places], target)


def left_pairs(frame: str, register: Register) -> tuple[tuple[str, str], ...]:
    """Up to three pairs of placed finds (left, right) of one element, from which the animal's left is told in the frame."""
    finds = {find.find: find for find in register.finds}
    by_place = {(finds[p.find].element, finds[p.find].side): p.find for p in reversed(register.poses) if p.frame == frame and p.find in finds}
    lefts = sorted(element for element, side in by_place if side is Side.LEFT and (element, Side.RIGHT) in by_place)
    return tuple((by_place[name, Side.LEFT], by_place[name, Side.RIGHT]) for name in lefts[:MOST_PAIRS])


def rows_of(target: str, rows: Iterable[JointPose]) -> list[JointPose]:
    """The rows of pose.csv that hold for a target, one for each joint: one of the target itself goes before one for all."""
    by_joint: dict[frozenset[str], JointPose] = {}
    for row in rows:
        joint = frozenset((row.parent, row.child))
        if row.target == target or (not row.target and joint not in by_joint):
            by_joint[joint] = row
    return list(by_joint.values())


def row_of(target: str, a: str, b: str, rows: Iterable[JointPose]) -> JointPose | None:
    """The row of pose.csv for a joint; one of the target itself goes before one for all."""
    return next((row for row in rows_of(target, rows) if {row.parent, row.child} == {a, b}), None)


Placed = list[tuple[Find, Pose]]


def _common(frame: str, a: Recipe, b: Recipe, placed: Placed) -> JointPlaces | None:
    """Both replicas made from placed finds in the same way: as they lie in the frame, reflected and scaled with it."""
    lying = {find.find: (find, pose) for find, pose in placed}
    if (a.reflect, a.factor) != (b.reflect, b.factor) or not all(_is_from_its_bone(r) and r.finds[0] in lying for r in (a, b)):
        return None
    one, other = (Place(r.element, r.finds[0], lying[r.finds[0]][1].matrix, True, r.reflect, r.factor) for r in (a, b))
    return JointPlaces(frame, one, other, a.factor)


def _seated(frame: str, recipes: tuple[Recipe, Recipe], elements: tuple[Element, Element], placed: Placed, target: Target) -> JointPlaces | None:
    a, b = (_place(recipe, element, placed) for recipe, element in zip(recipes, elements, strict=True))
    if a is None or b is None:
        return None
    finds = {find.find: find for find, _ in placed}
    factor = _frame_factor([(place, finds[place.find]) for place in (a, b)], target)
    one, other = (Place(p.slug, p.find, p.matrix, p.is_exact and p.factor == factor, p.reflect, p.factor) for p in (a, b))
    return JointPlaces(frame, one, other, factor)


def _place(recipe: Recipe, element: Element, placed: Placed) -> Place | None:
    own = [(find, pose) for find, pose in placed if _is_from_its_bone(recipe) and not recipe.reflect and find.find == recipe.finds[0]]
    like = [(find, pose) for find, pose in placed if (find.element, find.side) == (element.name, element.side)]
    if not own and not like:
        return None
    find, pose = own[0] if own else min(like, key=lambda item: (not looks_whole(item[0]), item[0].find))
    return Place(recipe.element, find.find, pose.matrix, bool(own), recipe.reflect, recipe.factor)


def _is_from_its_bone(recipe: Recipe) -> bool:
    return recipe.evidence in FROM_ITS_BONE and bool(recipe.finds) and not recipe.model_file


def _frame_factor(places: Iterable[tuple[Place, Find]], target: Target) -> float | None:
    listed = list(places)
    if any(find.organism_id == target.individual for _, find in listed):
        return target.size_factor
    exact = sorted(place.factor for place, _ in listed if place.is_exact)
    return exact[0] if exact else None
