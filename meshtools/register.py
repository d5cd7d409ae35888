"""Read all tables of a batch into one Register: every problem of every table is told at once, contradictions become findings."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from meshtools.config_nodes import CONFIG_FILE
from meshtools.counted import counted
from meshtools.errors import Problem, TablesError
from meshtools.model import Decision, Find, JointPose, Measurement, Opening, Pose, Received, Register
from meshtools.model_fixings import Fixing
from meshtools.register_cells import (
    BONES,
    DECISIONS,
    FIXINGS,
    JOINT_POSES,
    MEASUREMENTS,
    OPENINGS,
    POSES,
    RECEIVED,
    SKELETON,
    Cells,
    TableShape,
    nearest,
    open_table,
)  # fmt: skip
from meshtools.register_checks import check_register, minimum_individuals
from meshtools.register_finds import UNASSOCIATED, find_from
from meshtools.register_fixings import fixing_from
from meshtools.register_rows import Known, decision_from, joint_pose_from, measurement_from, opening_from, pose_from, received_from
from meshtools.register_skeleton import Skeleton, skeleton_from
from meshtools.settings import Settings
from meshtools.settings_file import ConfigFile, read_config


def load_register(batch: Path) -> Register:
    """Read and cross-check the tables in `batch`/config.

    Every tuple is sorted by content, so the order of rows changes nothing but the `row` fields. `Find.scan` is relative to the batch
    (`scans/..`). measurements.csv, decisions.csv and openings.csv may be absent. Raises TablesError with all problems of all tables.
    """
    problems: list[Problem] = []
    config = read_config(batch / "config" / "config.yaml", problems)
    tables = _Tables(batch / "config", problems)
    skeleton_rows = tables.rows(SKELETON)
    skeleton = skeleton_from(skeleton_rows, SKELETON.name not in tables.unread)
    bone_rows = tables.rows(BONES)
    finds = _finds(bone_rows, skeleton, config)
    _check_parts(bone_rows, finds)
    named = {cells.text("find"): finds.get(cells.row) for cells in reversed(bone_rows)}
    is_column_lost = set(named) == {""}
    known = Known(skeleton, None if BONES.name in tables.unread or is_column_lost else named, config.target_names if config else None)
    measurement_rows = tables.rows(MEASUREMENTS)
    _check_measurement_ids(measurement_rows)
    measurements: list[Measurement] = _made(measurement_rows, lambda cells: measurement_from(cells, known))
    decisions: list[Decision] = _made(tables.rows(DECISIONS), lambda cells: decision_from(cells, known))
    opening_rows = tables.rows(OPENINGS)
    _check_passages(opening_rows)
    openings: list[Opening] = _made(opening_rows, lambda cells: opening_from(cells, known))
    pose_rows = tables.rows(POSES)
    _check_single_poses(pose_rows)
    poses: list[Pose] = _made(pose_rows, lambda cells: pose_from(cells, known))
    joint_rows = tables.rows(JOINT_POSES)
    _check_single_joints(joint_rows)
    joint_poses: list[JointPose] = _made(joint_rows, lambda cells: joint_pose_from(cells, known))
    fixings: list[Fixing] = _made(tables.rows(FIXINGS), lambda cells: fixing_from(cells, known))
    received: list[Received] = _made(tables.rows(RECEIVED), lambda cells: received_from(cells, known))
    if config is not None and BONES.name not in tables.unread:
        organisms = {cells.text("organismID") for cells in (*bone_rows, *measurement_rows)} - {""}
        _check_config(config, skeleton, {name for name in organisms if name.casefold() != UNASSOCIATED}, problems)
    if problems:
        raise TablesError(sorted(problems, key=lambda p: (p.file, p.row or 0)))
    register = Register(
        targets=config.targets if config else (), elements=skeleton.elements, finds=_sorted(finds.values()), measurements=_sorted(measurements),
        decisions=_sorted(decisions), openings=_sorted(openings), settings=config.settings if config else Settings(),
        min_individuals=minimum_individuals(finds.values(), skeleton.elements), poses=_sorted(poses), joint_poses=_sorted(joint_poses),
        fixings=_sorted(fixings),
        received=_sorted(received),
    )
    return dataclasses.replace(register, findings=check_register(batch, register))


class _Tables:
    """Opens tables and remembers which could not be read at all."""

    def __init__(self, config: Path, problems: list[Problem]) -> None:
        self._config, self._problems = config, problems
        self.unread: set[str] = set()

    def rows(self, shape: TableShape) -> list[Cells]:
        n_before = len(self._problems)
        rows = open_table(self._config, shape, self._problems)
        if not rows and len(self._problems) > n_before:
            self.unread.add(shape.name)
        return rows


def _finds(rows: Sequence[Cells], skeleton: Skeleton, config: ConfigFile | None) -> dict[int, Find]:
    """Row number -> Find of every sound row; a find that stands twice is noted in its second row."""
    first_rows: dict[str, int] = {}
    finds = {}
    for cells in rows:
        name = cells.text("find")
        if name and name in first_rows:
            cells.problem("find", f"names a find that row {first_rows[name]} has already; every find is one row.")
        first_rows.setdefault(name, cells.row)
        find = find_from(cells, skeleton, config.folders if config else None) if cells.is_aligned else None
        if find is not None:
            finds[cells.row] = find
    return finds


def _check_parts(rows: Sequence[Cells], finds: dict[int, Find]) -> None:
    """`part_of` and `replaces` name another find of the same bone, which is not itself a part or replaced by a part. Nothing is said of a find whose
    own row is wrong: that is told there."""
    named = {cells.text("find"): finds.get(cells.row) for cells in reversed(rows) if cells.text("find")}
    for cells in rows:
        find = finds.get(cells.row)
        for column in ("part_of", "replaces"):
            name = cells.text(column)
            if not name or find is None:
                continue
            if name not in named or name == find.find:
                cells.problem(column, "is not another find of config/bones.csv.", cells.nearest(name, sorted(set(named) - {find.find})))
            elif (other := named[name]) is None:
                continue
            elif (other.element, other.side, other.organism_id) != (find.element, find.side, find.organism_id):
                cells.problem(column, f"is a {other.side.value} {other.element} of {other.organism_id}; both must be of one bone.")
            elif other.part_of:
                cells.problem(column, f"is itself a part of {other.part_of}; name that one.")
            elif column == "replaces" and other.replaces == find.find:
                cells.problem(column, "replaces this one in turn; one of the two rows must give way.")


def _check_single_poses(rows: Sequence[Cells]) -> None:
    seen: dict[str, int] = {}
    for cells in rows:
        if cells.text("find") in seen:
            cells.problem("find", f"has a pose in row {seen[cells.text('find')]} already; every find has one.")
        seen.setdefault(cells.text("find"), cells.row)


def _check_single_joints(rows: Sequence[Cells]) -> None:
    """A joint has one row for a target, whichever of its bones is the parent."""
    seen: dict[tuple[str, ...], int] = {}
    for cells in rows:
        joint = (cells.text("target"), *sorted(cells.text(column).casefold() for column in ("parent", "child")))
        if joint in seen and all(joint[1:]):
            cells.problem("child", f"has a pose in row {seen[joint]} already; every joint of a target has one.")
        seen.setdefault(joint, cells.row)


def _made(rows: Sequence[Cells], make: Callable[[Cells], Any]) -> list[Any]:
    made = [make(cells) for cells in rows if cells.is_aligned]
    return [value for value in made if value is not None]


def _sorted(values: Any) -> tuple[Any, ...]:
    """Values in an order of their content alone: every field but the row, compared as text."""
    return tuple(sorted(values, key=lambda value: [str(getattr(value, f.name)) for f in dataclasses.fields(value) if f.name != "row"]))


def _check_measurement_ids(rows: Sequence[Cells]) -> None:
    seen: dict[str, int] = {}
    for cells in rows:
        name = cells.text("measurementID")
        if name and name in seen and cells.is_aligned:
            cells.problem("measurementID", f"is the id of row {seen[name]} already; every measurement has its own.")
        seen.setdefault(name, cells.row)


def _check_passages(rows: Sequence[Cells]) -> None:
    """A passage has two ends: the same word stands in exactly two rows of a find. Not judged while a row's cells stand in the wrong columns."""
    ends: dict[tuple[str, str], list[Cells]] = {}
    for cells in rows if all(cells.is_aligned for cells in rows) else ():
        if cells.text("passage"):
            ends.setdefault((cells.text("find"), cells.text("passage").casefold()), []).append(cells)
    for group in ends.values():
        if len(group) != 2:
            group[-1].problem("passage", f"stands in {counted(len(group), 'row')} of this find; a passage has two ends, each with a row of its own.")


def _check_config(config: ConfigFile, skeleton: Skeleton, organisms: set[str], problems: list[Problem]) -> None:
    """Hold what config.yaml names against the tables: individuals against organismID, groups against the skeleton's."""
    for target in config.targets:
        if target.individual not in organisms:
            column = f"targets.{target.name}"
            rule = "is no organismID of config/bones.csv or config/measurements.csv."
            problems.append(Problem(CONFIG_FILE, config.rows[column], column, target.individual, rule, nearest(target.individual, organisms)))
    groups = {element.group for element in skeleton.elements} - {""}
    ordered, exponents = (tuple(name for name, _ in pairs) for pairs in (config.settings.class_order, config.settings.allometry))
    for section, names, options in (("class_order", ordered, groups | {"default"}), ("allometry", exponents, groups)):
        for group in names:
            row = config.rows.get(f"{section}.{group}")
            if row is not None and group not in options and skeleton.is_read and not skeleton.unjudged:
                problems.append(Problem(CONFIG_FILE, row, section, group, "is no group of config/skeleton.csv.", nearest(group, options)))
    _check_routes(config, skeleton, groups, problems)


def _check_routes(config: ConfigFile, skeleton: Skeleton, groups: set[str], problems: list[Problem]) -> None:
    """What takes routes is a group or an element of the skeleton, or an element of one target."""
    slugs = {element.slug for element in skeleton.elements}
    options = groups | slugs | {element.name for element in skeleton.elements} | {"default"}
    for key, _ in config.settings.routes:
        target, _, slug = key.rpartition("/")
        is_known = (target in config.target_names and slug in slugs) if target else key in options
        if not is_known and skeleton.is_read and not skeleton.unjudged:
            rule = "is no element or group of config/skeleton.csv, no target/element, and not default."
            problems.append(Problem(CONFIG_FILE, config.rows[f"routes.{key}"], "routes", key, rule, nearest(key, options)))
