"""Read the tables of a batch, separated by comma, semicolon or tab, the way spreadsheets save them (RFC 4180)."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from meshtools.errors import Problem, TablesError

QUOTES_RULE = (
    "has a quotation mark that never closes or stands in the wrong place; put the whole text in quotation marks and double those inside it."
)
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
MOST_TABLE_BYTES = 64 << 20
SPREADSHEETS = (".xlsx", ".ods", ".xls")


class Row(NamedTuple):
    """One row of a table: its number as a spreadsheet shows it (the first is 1) and its cells without blanks around them."""

    number: int
    cells: tuple[str, ...]


def spreadsheet_text(text: str) -> str:
    """A cell that no spreadsheet runs as a formula: an apostrophe goes before =, @, a tab, a line break, + and -, numbers excepted."""
    is_formula = text.startswith(("=", "@", "\t", "\r", "\n")) or (text.startswith(("+", "-")) and not NUMBER.fullmatch(text))
    return f"'{text}" if is_formula else text


def csv_row(cells: Sequence[str]) -> str:
    """Cells as a row of a table, quoted where needed; none of them is run as a formula by a spreadsheet."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="").writerow([spreadsheet_text(cell) for cell in cells])
    return stream.getvalue()


def table_name(path: Path) -> str:
    """The table's name as messages give it, `config/bones.csv`: its folder and file name, never a path of the machine."""
    return f"{path.parent.name}/{path.name}" if path.parent.name else path.name


def spreadsheet_beside(path: Path) -> Path | None:
    """The spreadsheet of a table's name in the same folder, if there is one: the table was filled in there and never saved as CSV."""
    return next((beside for suffix in SPREADSHEETS if (beside := path.with_suffix(suffix)).is_file()), None)


def read_text(path: Path) -> str:
    """Read a UTF-8 text file with or without byte order mark. Raises TablesError with one sentence where that fails."""
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            raise _failure(path, None, "is not an ordinary file; put the table itself there.")
        if path.is_file() and path.stat().st_size > MOST_TABLE_BYTES:
            raise _failure(path, None, f"is larger than {MOST_TABLE_BYTES >> 20} MB, which no table is; look at what was saved.")
        raw = path.read_bytes()
    except FileNotFoundError:
        beside = spreadsheet_beside(path)
        saved = f"is missing, but {beside.name} stands there: open that and save it as 'CSV UTF-8' under the name {path.name}." if beside else ""
        raise _failure(path, None, saved or "is missing; copy it from the template that 'bonewright new' writes.") from None
    except OSError as error:
        raise _failure(path, None, f"cannot be read ({error.strerror}).") from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = raw.count(b"\n", 0, error.start) + 1
        raise _failure(path, row, "is not UTF-8 text; save the table again as 'CSV UTF-8'.") from error
    if "\0" in text:
        raise _failure(path, None, "is not UTF-8 text; save the table again as 'CSV UTF-8'.")
    return text


def read_table(path: Path) -> tuple[Row, tuple[Row, ...]]:
    """Read a table: (header, rows), every cell a text without surrounding blanks, in the order of the file.

    Comma, semicolon or tab is told from the header: whichever stands in it most. A line that starts with # is a comment; it counts in the row
    numbers, as it does in a spreadsheet, and so does an empty line. A cell that spans lines is one row. Empty cells at the end of a row are dropped.
    Raises TablesError where the file is missing, not UTF-8, holds no header or an unclosed quotation mark.
    """
    records = list(_records(path, read_text(path)))
    if not records:
        raise _failure(path, None, "holds no header row; copy the header from the template.")
    return records[0], tuple(records[1:])


def _records(path: Path, text: str) -> Iterator[Row]:
    delimiter, lines = _delimiter_and_lines(text)
    for number in itertools.count(1):
        line = next(lines, None)
        if line is None:
            return
        if line.lstrip().startswith("#"):
            continue  # not parsed: a comment may hold a lone quotation mark
        # the reader takes further lines only while a quoted cell is open
        reader = csv.reader(itertools.chain([line], lines), delimiter=delimiter, strict=True, skipinitialspace=True)
        try:
            cells = [cell.strip() for cell in next(reader)]
        except csv.Error as error:
            is_long = "field larger" in str(error)
            rule = f"holds a cell of more than {csv.field_size_limit()} signs, or {QUOTES_RULE.removeprefix('has ')}" if is_long else QUOTES_RULE
            raise _failure(path, number, rule) from error
        while cells and not cells[-1]:
            cells.pop()
        if cells and not cells[0].startswith("#"):
            yield Row(number, tuple(cells))


def _delimiter_and_lines(text: str) -> tuple[str, Iterator[str]]:
    lines = list(io.StringIO(text, newline=""))
    told = re.fullmatch(r"sep=([,;\t])\s*", lines[0]) if lines else None
    if told:  # a hint that some spreadsheets write and hide again when they show the table
        return told[1], iter(lines[1:])
    header = next((line for line in lines if line.strip(" \t\r\n,;\"") and not line.lstrip(' \t"').startswith("#")), "")
    bare = re.sub(r'"[^"]*"', "", header)
    return max(",;\t", key=bare.count), iter(lines)  # a comma where nothing separates


def _failure(path: Path, row: int | None, rule: str) -> TablesError:
    return TablesError([Problem(table_name(path), row, "", "", rule)])
