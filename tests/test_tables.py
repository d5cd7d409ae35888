"""Tables are read the way spreadsheets save them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshtools.errors import TablesError
from meshtools.files.tables import read_table
from meshtools.register_cells import nearest, number_of

PLAIN = "find,side,remarks\nfemur-a,left,short\nulna-b,right,\n"
EXPECTED = (("femur-a", "left", "short"), ("ulna-b", "right"))


def table(folder: Path, content: str | bytes) -> Path:
    path = folder / "config" / "bones.csv"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    "content",
    [
        PLAIN,
        "\ufeff" + PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        "sep=;\r\n" + PLAIN.replace(",", ";"),
        "sep=\t\r\n" + PLAIN.replace(",", "\t"),
        PLAIN.rstrip("\n"),
        PLAIN.replace("\n", ",,,\n") + ",,,,,\n,,\n\n",
        PLAIN.replace(",", " , "),
        'find,side,remarks\n"femur-a","left","short"\n"ulna-b",right,""\n',
        PLAIN.replace("femur-a", "# it's 5\" wide\nfemur-a") + "#end,,\n",
        PLAIN + '"# a comment, as a spreadsheet saves it",,\n',
    ],
    ids=[
        "plain", "byte order mark", "CRLF", "CR", "semicolon", "tab", "separator hint", "separator hint of a tab", "no last line end",
        "trailing blanks", "blanks", "quoted", "comments", "quoted comment",
    ],
)  # fmt: skip
def test_every_spreadsheet_habit_reads_as_the_same_table(tmp_path: Path, content: str) -> None:
    header, rows = read_table(table(tmp_path, content))
    assert (header.cells, tuple(row.cells for row in rows)) == (("find", "side", "remarks"), EXPECTED)


def test_row_numbers_are_those_a_spreadsheet_shows(tmp_path: Path) -> None:
    """Comments and empty rows count; a cell that spans lines is one row."""
    text = 'find,remarks\n\n# a remark\nfemur-a,"two\nlines"\n,\nulna-b,\n'
    header, rows = read_table(table(tmp_path, text))
    assert (header.number, [row.number for row in rows]) == (1, [4, 6])


def test_quoted_cells_keep_separators_quotes_and_line_ends(tmp_path: Path) -> None:
    """RFC 4180 section 2, rules 5 to 7."""
    _, rows = read_table(table(tmp_path, 'find,remarks\na,"one, ""two""\r\nthree # four"\n'))
    assert rows[0].cells[1] == 'one, "two"\r\nthree # four'


@given(cells=st.lists(st.lists(st.text(st.characters(exclude_categories=("C", "Z")), max_size=6), min_size=1, max_size=4), max_size=5))
def test_what_a_csv_writer_writes_is_read_back(tmp_path_factory: pytest.TempPathFactory, cells: list[list[str]]) -> None:
    quoted = [",".join('"' + cell.replace('"', '""') + '"' for cell in ["x", *row]) for row in cells]
    _, rows = read_table(table(tmp_path_factory.mktemp("t"), "\n".join(["a,b", *quoted])))
    expected = [["x", *row] for row in cells]
    for row in expected:
        while not row[-1]:
            row.pop()
    assert [list(row.cells) for row in rows] == expected


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"find\nf\xe9mur\n", "config/bones.csv row 2: is not UTF-8 text"),
        ("find\na\n".encode("utf-16"), "config/bones.csv row 1: is not UTF-8 text"),
        (b"\n# only a comment\n", "config/bones.csv: holds no header row"),
        (b'find,remarks\na,b\nc,"open\nd,e\n', "config/bones.csv row 3: has a quotation mark that never closes"),
    ],
)
def test_a_file_that_cannot_be_read_says_so_in_one_sentence(tmp_path: Path, content: bytes, sentence: str) -> None:
    with pytest.raises(TablesError) as caught:
        read_table(table(tmp_path, content))
    assert str(caught.value).startswith(sentence)
    assert "\n" not in str(caught.value)


def test_a_missing_table_is_named_without_the_machines_folders(tmp_path: Path) -> None:
    with pytest.raises(TablesError) as caught:
        read_table(tmp_path / "config" / "bones.csv")
    assert str(caught.value).startswith("config/bones.csv: is missing")


@pytest.mark.parametrize(("text", "number"), [("12.5", 12.5), ("-3", -3.0), (".5", 0.5), ("1e3", 1000.0), ("+2.", 2.0)])
def test_numbers_have_a_decimal_point(text: str, number: float) -> None:
    assert number_of(text) == (number, "")


@pytest.mark.parametrize(
    ("text", "rule"),
    [("12,5", "write 12.5 with a decimal point"), ("nan", "not a finite number"), ("-Infinity", "not a finite number"), ("1e999", "too large"),
     ("1_000", "is not a number"), ("1.234,5", "is not a number"), ("85 %", "is not a number"), ("٣", "is not a number")],
)
def test_what_is_no_plain_finite_number_is_refused_with_a_sentence(text: str, rule: str) -> None:
    number, sentence = number_of(text)
    assert number is None
    assert rule in sentence


def test_a_name_with_another_number_is_no_slip_of_the_pen() -> None:
    """Vertebrae differ in nothing else: to take the nearest would put the bone in another place."""
    names = ("cervical-07", "caudal-01", "caudal-11")
    assert [nearest(text, names) for text in ("cervical-02", "caudal-1", "cuadal-11", "Cervical-7")] == ["", "caudal-01", "caudal-11", "cervical-07"]


def test_the_nearest_word_ignores_case() -> None:
    assert [nearest("LFT", ("left", "right")), nearest("catalognumber", ("catalogNumber", "find")), nearest("xyz", ("left",))] == [
        "left", "catalogNumber", ""]


def test_a_table_that_was_never_saved_as_csv_is_told_by_its_spreadsheet(tmp_path: Path) -> None:
    (tmp_path / "bones.xlsx").write_bytes(b"PK")
    with pytest.raises(TablesError, match=r"bones\.csv: is missing, but bones\.xlsx stands there: open that and save it as 'CSV UTF-8'"):
        read_table(tmp_path / "bones.csv")


@pytest.mark.parametrize(("slip", "meant"), [("milimeter", "mm"), ("Millimetr", "mm"), ("centimetr", "cm"), ("inchs", "inch"), ("furlong", "")])
def test_a_slip_in_another_word_for_a_unit_finds_the_unit(slip: str, meant: str) -> None:
    assert nearest(slip, ("mm", "cm", "m", "inch", "none")) == meant
