"""The columns of each table, and the typed reading of single cells. What is wrong is noted, never raised, so all is told at once."""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from meshtools.errors import Problem, TablesError
from meshtools.files.tables import NUMBER, read_table, spreadsheet_beside
from meshtools.links import leads_out
from meshtools.split_numbers import split_number_rule

SLUG = re.compile(r"[a-z0-9][a-z0-9-]*")
DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
DATE_CELL = r"\d{4}-\d{2}(-\d{2}(T\S*)?)?"
NOT_A_NUMBER = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE)


# searching thousands of names for each of thousands of slips takes minutes, so after this many problems long lists are not searched
MOST_LONG_SEARCHES = 40
LONG_LIST = 250
LINK_RULE = "is a link that leads out of the batch; put the file itself there."
MOST_COMPARED = 5  # of the likest words, the first of which that has the same numbers is meant
LIKE_ANOTHER_WORD = 0.85  # how like another word for an option a slip must be; short words are never so like each other
LONGEST_SLIP = 200  # signs; comparing longer texts takes minutes and helps nobody


OTHER_WORDS: Mapping[str, tuple[str, ...]] = {
    "mm": ("millimeter", "millimeters", "millimetre", "millimetres"),
    "cm": ("centimeter", "centimeters", "centimetre", "centimetres", "zentimeter"),
    "m": ("meter", "meters", "metre", "metres"),
    "inch": ("in", "in.", "inches", '"', "zoll"),
    "none": ("unknown", "unitless", "unscaled", "-"),
    "left": ("l", "l.", "lt", "sin", "sin.", "sinister", "sinistra", "links"),
    "right": ("r", "r.", "rt", "dex", "dext", "dext.", "dexter", "dextra", "rechts"),
    "median": ("m", "mid", "middle", "midline", "medial", "axial", "unpaired", "single", "mitte"),
    "unknown": ("?", "unsure", "unsided", "indet", "indet.", "none", "-"),
    "paired": ("pair", "both", "bilateral"),
}
"""What people write where a table wants the word on the left, in the trade, in full or in another language; it looks too unlike to be found."""


@dataclass(frozen=True)
class TableShape:
    """A table's file name below config/, its columns in the order of the template, and those that every row must fill.

    `tells`: columns behind a number, each with the pattern of its cells: one found further right says that a decimal comma has split the number.
    """

    name: str
    columns: tuple[str, ...]
    required: tuple[str, ...]
    is_optional: bool = False
    tells: tuple[tuple[str, str], ...] = ()


BONES = TableShape(
    "bones.csv",
    (
        *("find", "catalogNumber", "organismID", "scientificName", "identificationQualifier", "lifeStage", "element", "side", "portion"),
        *("preserved_percent", "condition", "pathology", "deformation", "scan", "unit", "capture", "caliper_mm", "caliper_of"),
        *("second_caliper_mm", "second_caliper_of", "scale_point_a", "scale_point_b", "scale_distance_mm", "pieces", "support", "part_of"),
        *("replaces", "identifiedBy", "remarks"),
    ),
    ("find", "element", "side", "organismID", "scan"),
    tells=tuple((column, r"greatest-length|greatest-breadth|extent-[xyz]") for column in ("caliper_of", "second_caliper_of")),
)
SKELETON = TableShape(
    "skeleton.csv",
    ("element", "pairing", "series", "position", "region", "group", "uberon", "homologue_key", "joins"),
    ("element", "pairing"),
)
MEASUREMENTS = TableShape(
    "measurements.csv",
    (
        *("organismID", "find", "element", "side", "measurementID", "measurementType", "measurementValue", "measurementUnit"),
        *("measurementMethod", "measurementDeterminedBy", "measurementDeterminedDate"),
    ),
    ("measurementType", "measurementValue", "measurementUnit"),
    is_optional=True,
    tells=(("measurementUnit", r"mm|cm|m|inch|\[in_i\]"),),
)
DECISIONS = TableShape(
    "decisions.csv",
    ("target", "element", "find", "kind", "value", "by", "date", "reason", "evidence_key"),
    ("kind", "by", "date", "reason"),
    is_optional=True,
    tells=(("date", DATE_CELL),),
)
OPENINGS = TableShape(
    "openings.csv",
    ("find", "kind", "x", "y", "z", "diameter_mm", "action", "depth_mm", "passage"),
    ("find", "kind", "x", "y", "z", "diameter_mm", "action"),
    is_optional=True,
    tells=(("action", "keep|close|remove"),),
)
POSES = TableShape("poses.csv", ("find", "frame", "matrix", "by", "remarks"), ("find", "frame", "matrix"), is_optional=True)
JOINT_POSES = TableShape(
    "pose.csv",
    ("target", "parent", "child", "flexion_deg", "abduction_deg", "rotation_deg", "gap_mm", "by", "remarks"),
    ("parent", "child"),
    is_optional=True,
)
FIXINGS = TableShape(
    "fixings.csv",
    (
        *("target", "element", "last_element", "kind", "diameter_mm", "fit", "depth_mm", "from", "wall_mm", "bend_radius_mm", "turn_stop"),
        "remarks",
    ),
    ("element", "kind", "diameter_mm"),
    is_optional=True,
    tells=(("fit", "print|adhesive"),),
)
RECEIVED = TableShape(
    "received.csv",
    ("target", "element", "route", "part", "measure", "nominal_mm", "tolerance_mm", "measured_mm", "pattern_scale", "article", "by", "date",
     "remarks"),
    ("target", "element", "route", "measure", "measured_mm", "by", "date"),
    is_optional=True,
    tells=(("date", DATE_CELL),),
)
SHAPES = (BONES, SKELETON, MEASUREMENTS, DECISIONS, OPENINGS, POSES, JOINT_POSES, FIXINGS, RECEIVED)


def nearest(value: str, options: Iterable[str]) -> str:
    """The option most like `value`, upper and lower case being equal, or the one that `value` is another word for; empty where none is near.
    Ties go to the first by alphabet."""
    if len(value) > LONGEST_SLIP:
        return ""
    by_fold = {option.casefold(): option for option in sorted(options, reverse=True)}
    meant = [word for word, others in OTHER_WORDS.items() if word in by_fold and value.casefold() in others]
    if meant:
        return by_fold[meant[0]]
    close = difflib.get_close_matches(value.casefold(), sorted(by_fold), n=MOST_COMPARED, cutoff=0.6)
    alike = next((by_fold[option] for option in close if _numbers(option) in ([], _numbers(value))), "")
    return alike or _nearest_other_word(value, by_fold)


def _nearest_other_word(value: str, by_fold: Mapping[str, str]) -> str:
    """The option that `value`, slips forgiven, is another word for: `milimeter` for mm."""
    words = {other: by_fold[word] for word, others in OTHER_WORDS.items() if word in by_fold for other in others}
    close = difflib.get_close_matches(value.casefold(), sorted(words), n=1, cutoff=LIKE_ANOTHER_WORD)
    return words[close[0]] if close else ""


def _numbers(text: str) -> list[int]:
    """The numbers in a name: a bone with another number is another bone, and no slip of the pen."""
    return [int(digits) for digits in re.findall("[0-9]+", text)]


def number_of(text: str) -> tuple[float | None, str]:
    """Read a decimal number: (number, "") or (None, the rule that the text breaks). Decimal commas, NaN and infinity are refused."""
    if DECIMAL_COMMA.fullmatch(text):
        return None, f"has a decimal comma; write {text.replace(',', '.')} with a decimal point."
    if NOT_A_NUMBER.fullmatch(text):
        return None, "is not a finite number; leave the cell empty where nothing was measured."
    if not NUMBER.fullmatch(text):
        return None, "is not a number; write digits with a decimal point and nothing else."
    number = float(text)
    return (number, "") if math.isfinite(number) else (None, "is too large to be a number.")


class Cells:
    """One row of a table, read cell by cell. Every reading that fails adds a Problem to the list shared by all tables."""

    def __init__(self, file: str, row: int, values: Mapping[str, str], problems: list[Problem]) -> None:
        self.file, self.row, self._values, self._problems = file, row, values, problems
        self.is_sound = True
        self.is_aligned = True  # False: more cells than columns, so no cell can be trusted to stand below its name

    def problem(self, column: str, rule: str, near: str = "") -> None:
        """Note that the cell breaks a rule; `near` is the valid value that was perhaps meant."""
        self.is_sound = False
        self._problems.append(Problem(self.file, self.row, column, self.text(column), rule, near))

    def nearest(self, text: str, options: Collection[str]) -> str:
        """The option most like `text`, see the function of that name; empty for long lists once many problems are known."""
        return "" if len(options) > LONG_LIST and len(self._problems) > MOST_LONG_SEARCHES else nearest(text, options)

    def text(self, column: str) -> str:
        """The cell's text, empty where the cell or the whole column is absent."""
        return self._values.get(column, "")

    def filled(self, column: str) -> str:
        """The text of a cell that must not be empty. An absent column is noted once for the table, not in every row."""
        if column not in self._values:
            self.is_sound = False
        elif not self._values[column]:
            self.problem(column, "is empty; every row must fill it.")
        return self.text(column)

    def choice(self, column: str, allowed: Iterable[str]) -> str:
        """A word of a closed list in the list's own spelling (case is forgiven), or empty where the cell is empty or wrong."""
        words = {word.casefold(): word for word in allowed}
        text = self.text(column)
        if text and text.casefold() not in words:
            self.problem(column, f"is not one of {', '.join(words.values())}.", nearest(text, words.values()))
        return words.get(text.casefold(), "")

    def number(self, column: str) -> float | None:
        """A finite number, or None where the cell is empty or wrong."""
        if not self.text(column):
            return None
        number, rule = number_of(self.text(column))
        if number is None:
            self.problem(column, rule)
        return number

    def positive(self, column: str, most: float = math.inf) -> float | None:
        """A number above zero and at most `most`, or None where the cell is empty or wrong."""
        number = self.number(column)
        if number is not None and not 0 < number <= most:
            self.problem(column, "is not above zero." if most == math.inf else f"is not above 0 and at most {most:g}.")
            return None
        return number

    def numbers(self, column: str, count: int) -> tuple[float, ...] | None:
        """`count` numbers separated by blanks, or None where the cell is empty or wrong. The apostrophe that keeps a spreadsheet from running what
        begins with a minus (`csv_row`) is none of them."""
        if not self.text(column).strip():
            return None
        parts = self.text(column).removeprefix("'").split()
        read = [number_of(part) for part in parts]
        wrong = next((rule for number, rule in read if number is None), "")
        if wrong or len(parts) != count:
            self.problem(column, wrong or f"does not hold {count} numbers separated by blanks.")
            return None
        return tuple(number for number, _ in read if number is not None)

    def date(self, column: str) -> str:
        """A date or time in ISO 8601 (2024-05-31, 2024-05 or 2024-05-31T14:00+02:00), or empty where the cell is empty or wrong."""
        text = self.text(column)
        if text and not _is_iso_date(text):
            self.problem(column, "is not a date as ISO 8601 writes it, such as 2024-05-31; format the cell as text so that it stays so.")
            return ""
        return text


def _is_iso_date(text: str) -> bool:
    if re.fullmatch(r"\d{4}(-(0[1-9]|1[0-2]))?", text, re.ASCII):
        return True
    try:
        datetime.datetime.fromisoformat(text)
    except ValueError:
        return False
    return text.isascii() and "-" in text


OTHER_MARKS = ("|", ":", "  ")  # what else may stand between the cells of a header; names of columns hold none


def open_table(config: Path, shape: TableShape, problems: list[Problem]) -> list[Cells]:
    """Read one table below the folder `config` and bind its cells to columns. An optional table that is absent is empty."""
    path = config / shape.name
    if shape.is_optional and not path.exists() and spreadsheet_beside(path) is None:
        return []
    if leads_out(config.parent, path):
        problems.append(Problem(f"config/{shape.name}", None, "", "", LINK_RULE))
        return []
    try:
        header, rows = read_table(path)
    except TablesError as error:
        problems.extend(error.problems)
        return []
    file = f"config/{shape.name}"
    bound = []
    _check_header(file, shape, header.number, header.cells, problems)
    for row in rows:
        n_columns = len(header.cells)
        padded = (row.cells + ("",) * n_columns)[:n_columns]
        # of a column given twice the first counts; the header check has noted it
        cells = Cells(file, row.number, dict(zip(reversed(header.cells), reversed(padded), strict=True)), problems)
        if len(row.cells) > n_columns and any(" = " in cell for cell in row.cells):
            cells.is_aligned = False
            cells.problem("", f"has {len(row.cells)} cells where the header has {n_columns}: paste only what follows ' = ', not the columns "
                          "before it.")
        elif rule := split_number_rule(shape.tells, header.cells, row.cells):
            cells.is_aligned = False
            cells.problem("", rule)
        elif len(row.cells) > n_columns:
            cells.is_aligned = False
            cells.problem("", f"has {len(row.cells)} cells where the header has {n_columns}; put texts that hold the separator in quotation marks "
                          "and write numbers with a decimal point.")
        bound.append(cells)
    return bound


def _check_header(file: str, shape: TableShape, number: int, names: tuple[str, ...], problems: list[Problem]) -> None:
    if len(names) == 1 and names[0] not in shape.columns and (mark := next((mark for mark in OTHER_MARKS if mark in names[0]), "")):
        rule = f"is a header whose cells are separated by '{mark}'; save the table as CSV, with comma, semicolon or tab between cells."
        problems.append(Problem(file, number, "", names[0], rule))
        return
    for index, name in enumerate(names):
        if not name:
            problems.append(Problem(file, number, "", "", f"has no name above column {index + 1}; name it or delete the column."))
        elif name in names[:index]:
            problems.append(Problem(file, number, name, "", "is a column that stands in the header twice; delete one."))
        elif name not in shape.columns:
            problems.append(Problem(file, number, name, "", "is not a column of this table.", nearest(name, set(shape.columns) - set(names))))
    for name in shape.required:
        if name not in names:
            problems.append(Problem(file, number, name, "", "is a column that the table must have and has not."))
