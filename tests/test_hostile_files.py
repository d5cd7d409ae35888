"""Hostile files: each is read or refused by one sentence, within ten seconds and a gigabyte, and nothing outside the batch is touched.

Every reading runs in a process of its own that is watched (watched_reading.py); the files are made by hostile_files.py. Files in hostile/ were
found by fuzzing (fuzz_readers.py) and are read again here.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from fuzz_readers import FOUND, Targets, is_sentence
from hostile_files import CANARY, Hostile, outside, scan_cases, slow_cases, table_cases, write
from made_once import made_once
from six_bones import make_six_bones_tables
from watched_reading import LONGEST_S, Outcome, read_watched

from meshtools.files.tables import spreadsheet_text
from meshtools.visible import visible

MOST_MB = 1000.0  # VmHWM
SCANS, TABLES = scan_cases(), table_cases()


def read_all(folder: Path, cases: Mapping[str, Hostile]) -> dict[str, Outcome]:
    """Lay each scan down in a batch of its own beside a folder that nobody may read, and read them all."""
    folder.mkdir(exist_ok=True)
    outside(folder)
    requests = []
    for number, case in enumerate(cases.values()):
        batch = folder / f"b{number}"
        (batch / "scans").mkdir(parents=True)
        for name, content in {**case.beside, case.name: case.content}.items():
            write(batch / "scans" / name, content)
        requests.append({"kind": "scan", "batch": str(batch), "scan": f"scans/{case.name}"})
    before = tree(folder)
    outcomes = dict(zip(cases, read_watched(requests), strict=True))
    assert tree(folder) == before, "reading wrote something"
    return outcomes


def tree(folder: Path) -> set[str]:
    """Every name below a folder."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Outcome]:
    return made_once(tmp_path_factory, "hostile scans", lambda folder: read_all(folder, SCANS))


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Outcome]:
    return made_once(tmp_path_factory, "hostile tables", read_tables)


def read_tables(folder: Path) -> dict[str, Outcome]:
    folder.mkdir()
    outside(folder)
    requests = []
    for number, case in enumerate(TABLES.values()):
        batch = make_six_bones_tables(folder / f"b{number}")
        path = batch / "config" / case.file
        sound = path.read_bytes()
        if case.is_place:
            path.unlink()
            case.change(path)  # type: ignore[arg-type]
        else:
            path.write_bytes(case.change(sound))  # type: ignore[arg-type]
        requests.append({"kind": "batch", "batch": str(batch)})
    return dict(zip(TABLES, read_watched(requests), strict=True))


def assert_harmless(outcome: Outcome) -> None:
    assert outcome.ending in ("read", "refused"), outcome
    assert outcome.seconds < LONGEST_S, outcome
    assert outcome.peak_mb < MOST_MB, outcome
    assert CANARY not in outcome.text


def assert_ends_as_it_must(case: Hostile, outcome: Outcome) -> None:
    assert_harmless(outcome)
    if case.refusal:
        label = visible(case.name, 120)
        assert outcome.ending == "refused", outcome
        assert outcome.text.startswith((label, case.refusal)), outcome.text
        assert is_sentence(outcome.text), outcome.text
        assert case.refusal in outcome.text
    else:
        assert (outcome.ending, outcome.n_faces, outcome.has_colour) == ("read", case.n_faces, case.has_colour), outcome
        assert case.note in outcome.text


@pytest.mark.parametrize("case", SCANS)
def test_a_hostile_scan_is_read_or_refused_by_one_sentence(scans: dict[str, Outcome], case: str) -> None:
    assert_ends_as_it_must(SCANS[case], scans[case])


@pytest.mark.slow
def test_scans_that_want_much_get_little(tmp_path: Path) -> None:
    """A packed gigabyte, seven million tags, and the largest picture that is allowed."""
    cases = slow_cases()  # made by whoever runs this, not by each process that collects tests
    for case, outcome in read_all(tmp_path, cases).items():
        assert_ends_as_it_must(cases[case], outcome)


@pytest.mark.parametrize("case", TABLES)
def test_a_hostile_table_is_read_or_refused_by_sentences(tables: dict[str, Outcome], case: str) -> None:
    """Every line names its file, can be printed, and is of bounded length."""
    wanted, outcome = TABLES[case].problem, tables[case]
    assert_harmless(outcome)
    assert (outcome.ending == "refused") == bool(wanted), outcome.text[:2000]
    if wanted:
        assert wanted in outcome.text
        for line in outcome.text.splitlines():
            assert line.startswith("config/")
            assert visible(line) == line
            assert len(line) < 1000


@pytest.mark.parametrize("path", sorted(FOUND.glob("*.bin")), ids=lambda path: path.stem)
def test_what_fuzzing_found_is_no_find_any_more(tmp_path: Path, path: Path) -> None:
    name = path.stem.rpartition("-")[0]
    assert Targets(tmp_path).problem(name, path.read_bytes()) == ""


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=cmd|' /C calc'!A0", "'=cmd|' /C calc'!A0"), ("@SUM(A1)", "'@SUM(A1)"), ("+1+cmd|''!A0", "'+1+cmd|''!A0"), ("-2+3", "'-2+3"), ("-", "'-"),
        ("\t=1", "'\t=1"), ("\r=1", "'\r=1"), ("\n=1", "'\n=1"),
        ("-12.5", "-12.5"), ("+3e-4", "+3e-4"), ("-.5", "-.5"), ("12", "12"), ("", ""), ("a-b", "a-b"), ("femur = left", "femur = left"),
    ],
)  # fmt: skip
def test_no_cell_that_is_written_is_run_as_a_formula_and_numbers_stay_numbers(cell: str, written: str) -> None:
    """The prefix is the usual rule for spreadsheets (OWASP, CSV injection): an apostrophe before =, +, -, @, tab and line breaks."""
    assert spreadsheet_text(cell) == written
