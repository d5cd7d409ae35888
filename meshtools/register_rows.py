"""Turn rows of the tables beside bones.csv and skeleton.csv into value types, noting every rule that a cell breaks."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from meshtools.model import MM_PER_UNIT, Decision, EvidenceClass, Find, JointPose, Measurement, Opening, Pose, Received, Side, Unit
from meshtools.register_cells import Cells, nearest, number_of
from meshtools.register_finds import UNASSOCIATED, element_and_side, is_outside
from meshtools.register_skeleton import Skeleton
from meshtools.settings_ready import ROUTES

MEASUREMENT_UNITS: Mapping[str, Unit] = {"mm": Unit.MM, "cm": Unit.CM, "m": Unit.M, "[in_i]": Unit.INCH, "inch": Unit.INCH}
DECISION_KINDS = ("class", "donor", "factor", "missing-part", "plane", "close", "sign-off")
DECIDED_CLASSES = tuple(c.value for c in EvidenceClass if c not in (EvidenceClass.FILL, EvidenceClass.MADE))
MODEL_SUFFIXES = (".stl", ".ply", ".obj")
OPENING_KINDS = ("foramen", "canal", "break", "support")
SLACK_OF_A_TURN = 1e-3
OPENING_ACTIONS = ("keep", "close", "remove")
ARTICLES = ("first", "delivery")
MOST_SCALE = 2.0  # of a pattern: half of it all shrink
LENGTHS_OF_A_PART = ("greatest-length", "greatest-breadth", "depth")
LENGTHS_OF_A_FILE = ("extent-x", "extent-y", "extent-z")


@dataclass(frozen=True)
class Known:
    """What rows may refer to. `finds` maps every find that bones.csv names to its value, None where its row is broken. `finds` or
    `targets` None: the table could not be read, so references to it are not judged."""

    skeleton: Skeleton
    finds: Mapping[str, Find | None] | None
    targets: frozenset[str] | None


def measurement_from(cells: Cells, known: Known) -> Measurement | None:
    """One row of measurements.csv in millimetres; a row that names only a find takes the rest from that find."""
    name, organism = _reference(cells, "find", known.finds), cells.text("organismID")
    element, side = element_and_side(cells, known.skeleton)
    kind, value = cells.filled("measurementType"), cells.positive("measurementValue")
    for column in ("measurementValue", "measurementUnit"):
        cells.filled(column)
    unit = cells.choice("measurementUnit", MEASUREMENT_UNITS)
    date = cells.date("measurementDeterminedDate")
    find = (known.finds or {}).get(name)
    if find is not None:
        _check_same(cells, {"organismID": find.organism_id, "element": find.element, "side": find.side.value})
        organism, element, side = find.organism_id, find.element, find.side
    elif not name:
        if known.skeleton.sides_by_name.get(element) == frozenset({Side.MEDIAN}):
            side = Side.MEDIAN
        missing = [column for column in ("organismID", "element", "side") if not cells.text(column)]
        if missing and not (missing == ["side"] and side is Side.MEDIAN):
            cells.problem("find", f"is empty and so is {' and '.join(missing)}; name the find, or the organismID with element and side.")
        if organism.casefold() == UNASSOCIATED:
            cells.problem("organismID", "names no animal; name the find that was measured.")
    if not cells.is_sound or value is None or (name and find is None):
        return None
    return Measurement(
        row=cells.row, organism_id=organism, element=element, side=side, measurement_type=kind,
        value_mm=value * MM_PER_UNIT[MEASUREMENT_UNITS[unit]], find=name, method=cells.text("measurementMethod"),
        determined_by=cells.text("measurementDeterminedBy"), determined_date=date,
    )


def _check_same(cells: Cells, expected: Mapping[str, str]) -> None:
    for column, value in expected.items():
        if cells.text(column) and cells.text(column).casefold() != value.casefold():
            cells.problem(column, f"disagrees with the find, which says '{value}' in config/bones.csv; leave it empty or correct one.")


_A = {"find": "a find", "element": "an element (its name, for one side with -left or -right)", "target": "a target"}


def _reference(cells: Cells, column: str, names: Collection[str] | None) -> str:
    name = cells.text(column).casefold() if column == "element" else cells.text(column)
    if name and names is not None and name not in names:
        where = {"find": "config/bones.csv", "element": "config/skeleton.csv", "target": "config/config.yaml"}[column]
        cells.problem(column, f"is not {_A[column]} of {where}.", cells.nearest(name, names))
    return name


def opening_from(cells: Cells, known: Known) -> Opening | None:
    """One row of openings.csv; x, y and z stay in scan units."""
    for column in ("find", "kind", "x", "y", "z", "diameter_mm", "action"):
        cells.filled(column)
    find = _reference(cells, "find", known.finds)
    kind, action = cells.choice("kind", OPENING_KINDS), cells.choice("action", OPENING_ACTIONS)
    x, y, z = (cells.number(column) for column in "xyz")
    diameter = cells.positive("diameter_mm")
    if action == "remove" and kind not in ("", "support"):
        cells.problem("action", f"is only for a support block; keep or close a {kind}.")
    depth, passage = cells.positive("depth_mm"), cells.text("passage").casefold()
    for column in ("depth_mm", "passage"):
        if cells.text(column) and (action not in ("", "keep") or kind not in ("", "foramen", "canal")):
            cells.problem(column, "is only for a foramen or canal that is kept; leave it empty.")
    if depth is not None and passage:
        cells.problem("passage", "stands beside a depth; a hole is a blind pit (depth_mm) or leads through the bone (passage), not both.")
    if x is None or y is None or z is None or diameter is None or not cells.is_sound:
        return None
    return Opening(cells.row, find, kind, x, y, z, diameter, action, depth, passage)


def pose_from(cells: Cells, known: Known) -> Pose | None:
    """One row of poses.csv: a rotation and a shift, as 4 x 4 or 3 x 4 numbers row by row."""
    for column in ("find", "frame", "matrix"):
        cells.filled(column)
    find, frame = _reference(cells, "find", known.finds), cells.text("frame").casefold()
    n_numbers = 12 if len(cells.text("matrix").split()) == 12 else 16
    numbers = cells.numbers("matrix", n_numbers)
    if numbers is None or not cells.is_sound:
        return None
    matrix = (*numbers, 0.0, 0.0, 0.0, 1.0)[:16]
    columns = [[matrix[4 * row + column] for row in range(3)] for column in range(3)]
    products = [sum(a * b for a, b in zip(columns[i], columns[j], strict=True)) for i in range(3) for j in range(3)]
    is_turn = all(abs(value - (1.0 if place % 4 == 0 else 0.0)) < SLACK_OF_A_TURN for place, value in enumerate(products))
    (a, b, c), (d, e, f), (g, h, i) = columns
    if not is_turn or a * (e * i - f * h) - d * (b * i - c * h) + g * (b * f - c * e) < 0 or matrix[12:] != (0.0, 0.0, 0.0, 1.0):
        cells.problem("matrix", "is no rotation with a shift: it scales, shears, reflects, or its last row is not 0 0 0 1.")
        return None
    return Pose(cells.row, find, frame, matrix, cells.text("by"))


def joint_pose_from(cells: Cells, known: Known) -> JointPose | None:
    """One row of pose.csv: two elements that join each other, turns in degrees and the gap to be left in mm."""
    elements = {element.slug: element for element in known.skeleton.elements}
    target = _reference(cells, "target", known.targets)
    parent, child = (cells.filled(column).casefold() for column in ("parent", "child"))
    for column, slug in (("parent", parent), ("child", child)):
        if slug and slug not in elements and known.skeleton.judges(slug):
            cells.problem(column, "is not an element of config/skeleton.csv, with its side.", cells.nearest(slug, elements))
    if parent in elements and child in elements and child not in elements[parent].joins:
        cells.problem("child", f"does not join {parent} in config/skeleton.csv.", cells.nearest(child, elements[parent].joins))
    flexion, abduction, rotation = (_angle(cells, column) for column in ("flexion_deg", "abduction_deg", "rotation_deg"))
    gap = cells.number("gap_mm")
    if gap is not None and gap < 0:
        cells.problem("gap_mm", "is below zero; bones do not go into each other.")
    if not cells.is_sound or parent not in elements or child not in elements:
        return None
    return JointPose(cells.row, target, parent, child, flexion, abduction, rotation, gap, cells.text("by"))


def received_from(cells: Cells, known: Known) -> Received | None:
    """One row of received.csv: a length of the finished part, or of one solid of its route, in mm."""
    for column in ("target", "element", "route", "measure", "measured_mm", "by", "date"):
        cells.filled(column)
    target = _reference(cells, "target", known.targets)
    element = cells.text("element").casefold()
    slugs = [one.slug for one in known.skeleton.elements]
    if element and element not in slugs and known.skeleton.judges(element):
        cells.problem("element", "is not an element of config/skeleton.csv, with its side.", cells.nearest(element, slugs))
    route, article = cells.choice("route", ROUTES), cells.choice("article", ARTICLES) or ARTICLES[-1]
    measured, nominal, tolerance = (cells.positive(column) for column in ("measured_mm", "nominal_mm", "tolerance_mm"))
    measure, part = cells.text("measure").casefold(), cells.text("part").casefold()
    if measure in LENGTHS_OF_A_FILE and not part:
        cells.problem("part", f"is empty; {measure} is that of one file of the route, so name it, such as 01 or upper.")
    elif measure and measure not in (*LENGTHS_OF_A_PART, *LENGTHS_OF_A_FILE) and nominal is None and not cells.text("nominal_mm"):
        words = ", ".join((*LENGTHS_OF_A_PART, *LENGTHS_OF_A_FILE))
        cells.problem("measure", f"is not one of {words}; any other length needs its nominal_mm.", nearest(measure, LENGTHS_OF_A_PART))
    date, scale = cells.date("date"), cells.positive("pattern_scale", MOST_SCALE)
    if cells.text("pattern_scale") and route and route != "mould":
        cells.problem("pattern_scale", f"stands on a row of route {route}; only a mould has one: leave it empty.")
    if not cells.is_sound or measured is None:
        return None
    return Received(cells.row, target, element, route, part, measure, measured, nominal, tolerance, article, cells.text("by"), date, scale)


def _angle(cells: Cells, column: str) -> float:
    angle = cells.number(column) or 0.0
    if abs(angle) > 180.0:
        cells.problem(column, "is outside -180 to 180.")
    return angle


def decision_from(cells: Cells, known: Known) -> Decision | None:
    """One row of decisions.csv, its value in one spelling: a class code, `SCU: <file>`, a number or numbers, yes or no."""
    for column in ("kind", "by", "date", "reason"):
        cells.filled(column)
    kind = cells.choice("kind", DECISION_KINDS)
    target = _reference(cells, "target", known.targets)
    element = cells.text("element").casefold()
    if known.skeleton.judges(element):
        _reference(cells, "element", known.skeleton.places)
    find = _reference(cells, "find", known.finds)
    date, value = cells.date("date"), _decided_value(cells, kind)
    needed = {"class": ("element",), "donor": ("element",), "missing-part": ("element", "find"), "sign-off": ("target", "element", "evidence_key")}
    for column in needed.get(kind, ())[: 1 if kind == "missing-part" and value == "none" else None]:
        cells.filled(column)
    if kind in ("factor", "plane", "close") and not element and not find:
        cells.problem("element", f"is empty and so is find; a {kind} decision names one of them.")
    if kind == "donor" and not find:
        if not value:
            cells.problem("find", "is empty; a donor decision names the find that is the donor.")
        elif known.finds is not None and value not in known.finds:
            cells.problem("value", "is not a find of config/bones.csv.", cells.nearest(value, known.finds))
        find = value
    if not cells.is_sound:
        return None
    return Decision(
        cells.row, target, element, find, kind, value, cells.text("by"), date, cells.text("reason"), cells.text("evidence_key"),
    )


def _decided_value(cells: Cells, kind: str) -> str:
    text = cells.text("value")
    if kind == "missing-part":
        return _missing_part(cells, text)
    if kind not in ("class", "factor", "plane", "close") or not text:
        if kind in ("class", "factor", "plane", "close"):
            cells.problem("value", f"is empty; a {kind} decision needs its value.")
        return text
    if kind == "class":
        return _decided_class(cells, text)
    if kind == "factor":
        _decided_factor(cells)
    elif kind == "plane":
        plane = cells.numbers("value", 4)
        if plane is not None and not any(plane[:3]):
            cells.problem("value", "has a normal of no length; write the normal's x, y, z and the offset in mm.")
    elif text.casefold() in ("yes", "no"):
        return text.casefold()
    elif (number_of(text)[0] or 0.0) <= 0:
        cells.problem("value", "is not yes, no or the largest span in mm that may be closed.")
    return text.removeprefix("'")  # as `Cells.numbers` reads it


def _decided_factor(cells: Cells) -> None:
    n_numbers = len(cells.text("value").split())
    if n_numbers == 1:
        cells.positive("value")
        return
    if n_numbers != 3:
        cells.problem("value", "is neither one number nor three: the factor, and after it the lower and the upper end of its 95 % interval.")
        return
    numbers = cells.numbers("value", 3)
    if numbers is not None and not 0 < numbers[1] <= numbers[0] <= numbers[2]:
        cells.problem("value", "is not a factor, the lower and the upper end of its 95 % interval, all above zero and the factor within.")


def _missing_part(cells: Cells, text: str) -> str:
    find = cells.text("find")
    if text.casefold() == "none" and find:
        cells.problem("value", "says none, but find names a bone that supplies the missing part; only one of them holds.")
    elif text.casefold() not in ("", "none", find):
        cells.problem("value", "is neither empty nor none; the bone that supplies the missing part stands in find.")
    return text.casefold()


def _decided_class(cells: Cells, text: str) -> str:
    path = (text[4:] if text.upper().startswith("SCU:") else text).strip().replace("\\", "/")
    if path.lower().endswith(MODEL_SUFFIXES):
        if is_outside(path):
            cells.problem("value", "leads out of the batch; give the file's path below the batch's folder.")
        return f"{EvidenceClass.SCU}: {'/'.join(part for part in path.split('/') if part not in ('', '.'))}"
    if text.upper().startswith(EvidenceClass.SCU):
        cells.problem("value", "needs the file made by hand, in mm: 'SCU: models/horn.ply' (.stl, .ply or .obj).")
    elif text.upper() not in DECIDED_CLASSES:
        cells.problem("value", f"is not one of {', '.join(DECIDED_CLASSES)}.", nearest(text, DECIDED_CLASSES))
    return text.upper()
