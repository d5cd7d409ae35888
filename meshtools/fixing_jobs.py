"""The jobs of the armature: one for each row of bones that a tube goes through, one for each element with holes. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from meshtools.model import Fixing, Recipe, Register, Target, plain
from meshtools.model_fixings import ROW
from meshtools.model_pose import JointPose, Place
from meshtools.placing import frame_factor, left_pairs, place_in, rows_of
from meshtools.register_fixings import elements_between

Job = dict[str, Any]


@dataclass(frozen=True)
class BoneRow:
    """A row of bones of one target with its row of fixings.csv, the frame that shows most of them, and what poses them there.

    slugs: all elements of the row, in order; built: those that are made.
    """

    target: str
    fixing: Fixing
    slugs: tuple[str, ...]
    built: tuple[str, ...]
    frame: str
    places: tuple[tuple[str, Place], ...]
    factor: float | None
    poses: tuple[JointPose, ...]

    @property
    def name(self) -> str:
        """Name of the row's job, and the folder of its record below results/."""
        return f"{self.target}/rows/{self.fixing.name}"

    def left_pairs(self, register: Register) -> tuple[tuple[str, str], ...]:
        """Pairs of finds that show where left is; only a row that is turned in a joint needs them."""
        return left_pairs(self.frame, register) if self.frame and any(pose.is_turned for pose in self.poses) else ()

    def finds(self, register: Register) -> tuple[str, ...]:
        """The finds whose clean surfaces pose the row."""
        seats = {place.find for _, place in self.places if not place.lies_at(self.factor)}
        return tuple(sorted(seats | {find for pair in self.left_pairs(register) for find in pair}))


def fixings_of(target: str, fixings: Iterable[Fixing]) -> tuple[Fixing, ...]:
    """The rows of fixings.csv that hold for a target, in an order of their content alone."""
    return tuple(sorted((f for f in fixings if f.target in ("", target)), key=_content))


def _content(fixing: Fixing) -> str:
    return json.dumps({k: v for k, v in plain(fixing).items() if k != "row"}, sort_keys=True)


def bone_rows(register: Register, built: Iterable[Recipe]) -> tuple[BoneRow, ...]:
    """Every row of every target whose first and last element are there; of several rows of the same two elements the first."""
    recipes = {(recipe.target, recipe.element): recipe for recipe in built}
    found: dict[str, BoneRow] = {}
    for target in register.targets:
        for fixing in fixings_of(target.name, register.fixings):
            if fixing.kind != ROW:
                continue
            slugs = elements_between(fixing.element, fixing.last_element, register.elements)
            mine = [recipes[target.name, slug] for slug in slugs if (target.name, slug) in recipes]
            row = _posed(target, fixing, (slugs, mine), register)
            found.setdefault(row.name, row)
    return tuple(found[name] for name in sorted(found))


def _posed(target: Target, fixing: Fixing, row: tuple[tuple[str, ...], list[Recipe]], register: Register) -> BoneRow:
    """The row in the frame that shows most of its bones, of equal ones that in which most lie themselves, then the first by name."""
    slugs, recipes = row
    elements = {element.slug: element for element in register.elements}
    choices = []
    for frame in sorted({pose.frame for pose in register.poses}):
        places = tuple((r.element, place) for r in recipes if (place := place_in(r, elements[r.element], frame, register)))
        choices.append((-len(places), -sum(place.is_exact for _, place in places), frame, places))
    _, _, frame, places = min(choices, key=lambda choice: choice[:3]) if choices else (0, 0, "", ())
    built = tuple(recipe.element for recipe in recipes)
    factor = frame_factor([place for _, place in places], target, register) if places else None
    poses = tuple(pose for pose in rows_of(target.name, register.joint_poses) if pose.parent in built and pose.child in built)
    return BoneRow(target.name, fixing, slugs, built, frame, places, factor, poses)


def row_job(row: BoneRow, register: Register, before: Mapping[str, Mapping[str, Job]]) -> Job:
    """What the job of a row works on."""
    pairs = row.left_pairs(register)
    sides = {find for pair in pairs for find in pair}
    elements = [element for element in register.elements if element.slug in row.slugs]
    return {
        "fixings": _plain_rows([row.fixing]), "elements": plain(elements), "places": {slug: plain(place) for slug, place in row.places},
        "slugs": list(row.slugs), "frame": row.frame, "factor": row.factor, "joint_rows": _plain_rows(row.poses), "left_pairs": plain(pairs),
        "left_poses": {pose.find: list(pose.matrix) for pose in register.poses if pose.find in sides},
        "rebuild_keys": {slug: before["rebuild"][f"{row.target}/{slug}"]["key"] for slug in row.built},
        "clean_keys": {find: before["clean"][find]["key"] for find in row.finds(register)},
        "settings": plain(register.settings.fixings),
    }  # fmt: skip


def fixing_jobs(register: Register, built: Iterable[Recipe], rows: Iterable[BoneRow], before: Mapping[str, Mapping[str, Job]]) -> dict[str, Job]:
    """`target/element` -> what its job works on, for every element that is built and has holes of its own or lies in a row."""
    jobs = {}
    listed = list(rows)
    for recipe in built:
        name = f"{recipe.target}/{recipe.element}"
        own = [f for f in fixings_of(recipe.target, register.fixings) if f.element == recipe.element and f.kind != ROW]
        through = [row for row in listed if row.target == recipe.target and recipe.element in row.slugs]
        if own or through:
            jobs[name] = {
                "fixings": _plain_rows(own), "row_keys": {row.name: before["row"][row.name]["key"] for row in through},
                "rebuild_keys": {recipe.element: before["rebuild"][name]["key"]}, "settings": plain(register.settings.fixings),
            }  # fmt: skip
    return jobs


def _plain_rows(items: Iterable[Any]) -> list[Job]:
    return [{k: v for k, v in plain(item).items() if k != "row"} for item in items]
