"""Turn rows of bones.csv into finds, noting every rule that a cell breaks."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from meshtools.model import Caliper, Find, ScalePoints, Side, Unit
from meshtools.plain_names import plain_name
from meshtools.register_cells import SLUG, Cells, nearest
from meshtools.register_skeleton import Skeleton
from meshtools.settings_file import ScanFolder, folder_of

UNASSOCIATED = "unassociated"
# the names of meshtools.geometry.measure.CALIPER_MEASURES, which a test compares: the tables do not load geometry
CALIPER_NAMES = ("greatest-length", "greatest-breadth", "extent-x", "extent-y", "extent-z")
CONDITIONS = ("good", "worn", "weathered", "cracked", "broken", "crushed", "repaired", "restored")
WHOLE_WORDS = ("", "whole", "complete", "entire")
SUPPORT_WORDS = ("keep", "remove")
SCALE_COLUMNS = ("scale_point_a", "scale_point_b", "scale_distance_mm")
LONGEST_FIND = 80
LONGEST_FILE_NAME, LONGEST_PATH = 255, 2000  # bytes that a folder can hold, and signs with room for the batch's own path


def is_whole(find: Find) -> bool:
    """True where the row says that the find is the whole bone: portion empty, whole, complete or entire."""
    return find.portion.casefold() in WHOLE_WORDS


def primary_finds(finds: Iterable[Find]) -> tuple[Find, ...]:
    """The finds that stand for a bone: without further scans or pieces of another find, and without those that another one replaces."""
    finds = tuple(finds)
    replaced = {find.replaces for find in finds if find.replaces}
    return tuple(find for find in finds if not find.part_of and find.find not in replaced)


def element_and_side(cells: Cells, skeleton: Skeleton) -> tuple[str, Side]:
    """Read `element` and `side` and hold them against the skeleton."""
    name = cells.text("element").casefold()
    side_text = cells.choice("side", [side.value for side in Side])
    side = Side(side_text) if side_text else Side.UNKNOWN
    sides = skeleton.sides_by_name.get(name)
    if name and sides is None and skeleton.judges(name):
        near = cells.nearest(re.sub(r"-(left|right)$", "", name), skeleton.sides_by_name)
        cells.problem("element", "is not an element of config/skeleton.csv; write its name without a side.", near)
    elif sides and side_text and (Side.MEDIAN in sides) != (side is Side.MEDIAN):
        rule = "median, so its side is median." if Side.MEDIAN in sides else "paired, so its side is left, right or unknown."
        cells.problem("side", f"does not fit: {name} is {rule}", "median" if Side.MEDIAN in sides else "")
    return name, side


def find_from(cells: Cells, skeleton: Skeleton, folders: Sequence[ScanFolder] | None) -> Find | None:
    """One row of bones.csv as a Find, `scan` relative to the batch (`scans/..`); None where a rule is broken.

    `folders` None means that config.yaml could not be read, so a missing unit is not told.
    """
    for column in ("element", "side"):
        cells.filled(column)
    name, organism = _find_name(cells), cells.filled("organismID")
    element, side = element_and_side(cells, skeleton)
    scan = _scan_path(cells)
    folder = folder_of(scan, folders or ())
    unit, unit_source = _unit(cells, folder, is_judged=folders is not None)
    capture, capture_source = cells.text("capture"), "row"
    if not capture and folder is not None and folder.capture:
        capture, capture_source = folder.capture, folder.place
    first, second, scale_points = _lengths(cells, unit)
    portion, preserved, condition = _portion(cells), cells.positive("preserved_percent", 100.0), cells.choice("condition", CONDITIONS)
    pieces, support = _pieces(cells), cells.choice("support", SUPPORT_WORDS)
    if not cells.is_sound or unit is None:
        return None
    return Find(
        row=cells.row, find=name, element=element, side=side, scan=scan, unit=unit, unit_source=unit_source,
        organism_id=UNASSOCIATED if organism.casefold() == UNASSOCIATED else organism,
        capture=capture, capture_source=capture_source, catalog_number=cells.text("catalogNumber"),
        scientific_name=cells.text("scientificName"), identification_qualifier=cells.text("identificationQualifier"),
        life_stage=cells.text("lifeStage"), portion=portion, preserved_percent=preserved, condition=condition,
        pathology=cells.text("pathology"), deformation=cells.text("deformation"), caliper=first, second_caliper=second,
        scale_points=scale_points, pieces=pieces, support=support,
        part_of=cells.text("part_of"), replaces=cells.text("replaces"), identified_by=cells.text("identifiedBy"), remarks=cells.text("remarks"),
    )


def _lengths(cells: Cells, unit: Unit | None) -> tuple[Caliper | None, Caliper | None, ScalePoints | None]:
    """The lengths that check or give the scale, and that a model without unit has one that gives it."""
    first, second = _caliper(cells, "caliper"), _caliper(cells, "second_caliper")
    scale_points = _scale_points(cells)
    if second is not None and not cells.text("caliper_mm"):
        cells.problem("second_caliper_mm", "is a second length without a first; write it in caliper_mm and caliper_of.")
    given = ("caliper_mm", "caliper_of", *SCALE_COLUMNS)
    if unit is Unit.NONE and not any(cells.text(column) for column in given):
        cells.problem("unit", f"leaves the model without scale; fill caliper_mm and caliper_of, or {', '.join(SCALE_COLUMNS)}.")
    return first, second, scale_points


def _portion(cells: Cells) -> str:
    portion = cells.text("portion")
    likely = nearest(portion, WHOLE_WORDS[1:]) if portion.casefold() not in WHOLE_WORDS and len(portion) <= len("complete") + 1 else ""
    if likely:
        cells.problem("portion", "is nearly the word for a whole bone but not quite, and it matters which.", likely)
    return portion


def _find_name(cells: Cells) -> str:
    name = cells.filled("find")
    if name and (not SLUG.fullmatch(name) or len(name) > LONGEST_FIND):
        near = plain_name(name)[:LONGEST_FIND]
        cells.problem("find", f"names files, so it is small letters a-z, digits and hyphens, at most {LONGEST_FIND}, no hyphen first.", near)
    return name


def _scan_path(cells: Cells) -> str:
    """The scan's path relative to the batch, with forward slashes: always below scans/."""
    text = cells.filled("scan").replace("\\", "/")
    if is_outside(text):
        cells.problem("scan", "leads out of the batch; give the path below its scans folder.")
        return ""
    parts = [part for part in text.split("/") if part not in ("", ".")]
    if any(len(part.encode()) > LONGEST_FILE_NAME for part in parts) or len(text) > LONGEST_PATH:
        cells.problem("scan", f"is longer than a path can be; rename the file to at most {LONGEST_FILE_NAME} bytes.")
        return ""
    if text and not parts:
        cells.problem("scan", "names no file.")
        return ""
    return "/".join(parts if len(parts) > 1 and parts[0] == "scans" else ["scans", *parts])


def is_outside(path: str) -> bool:
    """True for a path, with forward slashes, that is absolute or climbs out of the folder it is relative to."""
    return path.startswith(("/", "~")) or re.match(r"[A-Za-z]:", path) is not None or ".." in path.split("/")


def _unit(cells: Cells, folder: ScanFolder | None, is_judged: bool) -> tuple[Unit | None, str]:
    if cells.text("unit"):
        word = cells.choice("unit", [unit.value for unit in Unit])
        return (Unit(word) if word else None), "row"
    if folder is not None and folder.unit is not None:
        return folder.unit, folder.place
    if is_judged and (folder is None or folder.is_sound):
        cells.problem("unit", "is empty and scans.folders in config/config.yaml declares none for the scan's folder; "
                      "a unit is never guessed: write mm, cm, m, inch or none.")
    return None, "row"


def _caliper(cells: Cells, column: str) -> Caliper | None:
    length, measure = cells.positive(f"{column}_mm"), cells.choice(f"{column}_of", CALIPER_NAMES)
    if bool(cells.text(f"{column}_mm")) != bool(cells.text(f"{column}_of")):
        empty, full = (f"{column}_of", f"{column}_mm") if cells.text(f"{column}_mm") else (f"{column}_mm", f"{column}_of")
        cells.problem(empty, f"is empty although {full} is filled; a length needs the name of what was measured, and the name a length.")
    return Caliper(length, measure) if length is not None and measure else None


def _scale_points(cells: Cells) -> ScalePoints | None:
    empty = [column for column in SCALE_COLUMNS if not cells.text(column)]
    if len(empty) == len(SCALE_COLUMNS):
        return None
    for column in empty:
        cells.problem(column, f"is empty; {', '.join(SCALE_COLUMNS)} are filled together or not at all.")
    a, b, distance = cells.numbers("scale_point_a", 3), cells.numbers("scale_point_b", 3), cells.positive("scale_distance_mm")
    if a is None or b is None or distance is None:
        return None
    if a == b:
        cells.problem("scale_point_b", "is the same point as scale_point_a.")
    return ScalePoints((a[0], a[1], a[2]), (b[0], b[1], b[2]), distance)


def _pieces(cells: Cells) -> tuple[int, ...]:
    parts = cells.text("pieces").split()
    if any(not re.fullmatch(r"[1-9]\d{0,6}", part, re.ASCII) for part in parts) or len(set(parts)) != len(parts):
        cells.problem("pieces", "is not a list of different piece numbers from 1, separated by blanks.")
        return ()
    return tuple(sorted(int(part) for part in parts))
