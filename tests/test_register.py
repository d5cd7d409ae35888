"""The tables of a batch are read together: every mistake at once, contradictions as findings, order without effect."""

from __future__ import annotations

import dataclasses
import random
import re
import shutil
from pathlib import Path

import pytest

from meshtools.errors import TablesError
from meshtools.model import Caliper, Element, Find, Register, ScalePoints, Severity, Side, Target, Unit, plain
from meshtools.register import load_register
from meshtools.register_cells import SHAPES
from meshtools.register_checks import minimum_individuals, place_of
from meshtools.register_finds import CALIPER_NAMES
from meshtools.settings import Settings
from meshtools.settings_file import GROUP_SECTIONS, SECTIONS
from meshtools.settings_ready import Machine

TEMPLATE = Path(__file__).resolve().parent.parent / "config"
SKELETON = """element,pairing,series,position,region,group,uberon,homologue_key,joins
skull,median,,,head,skull,UBERON:0003128,,
cervical,median,cervical,1-7,neck,vertebra,,,after:skull
thoracic,median,thoracic,1..3,trunk,vertebra,,,after:cervical
rib,paired,rib,1..3,trunk,rib,,,thoracic-* apart
hip-bone,paired,,,,girdle,,,opposite
femur,paired,,,hindlimb,limb,UBERON:0000981,,hip-bone
"""
CONFIG = """targets:
  adult: {individual: EX-1}
  small: {relative_to: EX-1, factor: 0.8}
scans:
  folders:
    arm: {unit: cm, capture: structured light}
"""
BONES = """find,organismID,element,side,scan,unit
fem-l,EX-1,femur,left,fem-l.ply,mm
skull-a,EX-1,skull,median,arm/skull.ply,
"""


def write_batch(folder: Path, **tables: str) -> Path:
    """A small batch; `bones=`, `decisions=` and so on replace or add a table."""
    (folder / "config").mkdir(parents=True, exist_ok=True)
    for name, text in {"config": CONFIG, "skeleton": SKELETON, "bones": BONES, **tables}.items():
        (folder / "config" / f"{name}{'.yaml' if name == 'config' else '.csv'}").write_text(text, encoding="utf-8")
    for scan in ("fem-l.ply", "arm/skull.ply", "b.ply"):
        (folder / "scans" / scan).parent.mkdir(parents=True, exist_ok=True)
        (folder / "scans" / scan).touch()
    return folder


def problems_of(folder: Path, **tables: str) -> list[str]:
    with pytest.raises(TablesError) as caught:
        load_register(write_batch(folder, **tables))
    return [str(problem) for problem in caught.value.problems]


def findings_of(folder: Path, **tables: str) -> dict[str, str]:
    return {finding.code: finding.message for finding in load_register(write_batch(folder, **tables)).findings}


def bones_with(**cells: str) -> str:
    """A bones table of one sound row with some cells replaced or added."""
    row = {"find": "fem-l", "organismID": "EX-1", "element": "femur", "side": "left", "scan": "fem-l.ply", "unit": "mm"} | cells
    return ",".join(row) + "\n" + ",".join(row.values()) + "\n"


def element_of(register: Register, slug: str) -> Element:
    return next(element for element in register.elements if element.slug == slug)


def without_rows(register: Register) -> Register:
    tables = ("finds", "measurements", "decisions", "openings")
    cleared = {name: tuple(dataclasses.replace(value, row=0) for value in getattr(register, name)) for name in tables}
    return dataclasses.replace(register, **cleared)


def test_a_sound_batch_is_read_without_findings(tmp_path: Path) -> None:
    register = load_register(write_batch(tmp_path))
    assert (register.findings, register.min_individuals, len(register.elements)) == ((), 1, 1 + 7 + 3 + 6 + 2 + 2)
    assert register.targets == (Target("adult", "EX-1"), Target("small", "EX-1", 0.8))
    assert register.finds[0] == Find(2, "fem-l", "femur", Side.LEFT, "EX-1", "scans/fem-l.ply", Unit.MM)


def test_a_folder_declares_unit_and_capture_once_and_the_find_says_so(tmp_path: Path) -> None:
    find = load_register(write_batch(tmp_path)).finds[1]
    assert (find.unit, find.unit_source, find.capture, find.capture_source) == (Unit.CM, "folder scans/arm", "structured light", "folder scans/arm")


def test_a_row_that_states_its_unit_wins_over_its_folder(tmp_path: Path) -> None:
    find = load_register(write_batch(tmp_path, bones=bones_with(scan="scans/arm/skull.ply"))).finds[0]
    assert (find.scan, find.unit, find.unit_source) == ("scans/arm/skull.ply", Unit.MM, "row")


def test_all_problems_of_all_tables_are_told_at_once(tmp_path: Path) -> None:
    problems = problems_of(
        tmp_path,
        config=CONFIG + "clean: {part_tolerence_mm: 1, caliper_limit_mm: 900}\n",
        bones=BONES.replace("femur,left", "femurr,lft").replace("unit\n", "unit,catalognumber\n"),
        skeleton=SKELETON.replace("UBERON:0000981", "981"),
        measurements="find,measurementType,measurementValue,measurementUnit\nfem-l,greatest-length,'12,5',mm\n".replace("'", '"'),
        decisions="target,element,kind,value,by,date,reason\nadult,femur-lfet,factor,-1,,31.5.2031,\n",
        openings="find,kind,x,y,z,diameter_mm,action\nfem-x,hole,nan,0,0,3,keep\n",
    )
    starts = [re.sub(r":.*", "", problem) for problem in problems]
    assert starts == [
        "config/bones.csv row 1, catalognumber",
        "config/bones.csv row 2, side",
        "config/bones.csv row 2, element",
        "config/config.yaml row 7, clean",
        "config/config.yaml row 7, clean.caliper_limit_mm",
        *(f"config/decisions.csv row 2, {column}" for column in ("by", "reason", "element", "date", "value")),
        "config/measurements.csv row 2, measurementValue",
        *(f"config/openings.csv row 2, {column}" for column in ("find", "kind", "x")),
        "config/skeleton.csv row 7, uberon",
    ]
    hints = [re.search(r"Did you mean '(.*)'", problem) for problem in problems]
    assert [hint[1] for hint in hints if hint] == ["catalogNumber", "left", "femur", "part_tolerance_mm", "femur-left", "fem-l"]


def test_a_broken_row_or_table_is_told_once_and_not_again_where_it_is_named(tmp_path: Path) -> None:
    decisions = "target,element,find,kind,value,by,date,reason\nadult,femur-left,fem-l,donor,,A. Keeper,2031-05-06,best\n"
    assert len(problems_of(tmp_path / "a", decisions=decisions, skeleton=SKELETON.replace("femur,paired", "femur,pair"))) == 1
    assert len(problems_of(tmp_path / "b", decisions=decisions, bones=BONES.replace("ply,mm", "ply,mm,5"))) == 1
    assert len(problems_of(tmp_path / "c", decisions=decisions, bones='"find')) == 1
    assert len(problems_of(tmp_path / "d", decisions=decisions, skeleton="")) == 1
    assert len(problems_of(tmp_path / "e", decisions=decisions, config="targets: [")) == 1
    assert len(problems_of(tmp_path / "f", config=CONFIG.replace("unit: cm", "unit: ft"))) == 1


@pytest.mark.parametrize(("column", "named", "told"), [
    ("part_of", "fem-l", []),
    ("replaces", "fem-l", []),
    ("part_of", "fem-r", ["'fem-r' is not another find of config/bones.csv. Did you mean 'fem-l'?"]),
])  # fmt: skip
def test_a_row_that_names_a_find_of_a_broken_row_is_not_told_that_there_is_no_such_find(
    tmp_path: Path, column: str, named: str, told: list[str]
) -> None:
    """The mistyped row is told; one that names no row is told as well, with the name of that row where it is the nearest."""
    head, first, last = BONES.replace("unit\n", f"unit,{column}\n").splitlines()
    broken = first.replace(",femur,", ",femurr,") + ","
    found = problems_of(tmp_path, bones=f"{head}\n{broken}\n{last},\nfem-2,EX-1,femur,left,b.ply,mm,{named}\n")
    assert (len(found), "femurr" in found[0], [problem.split(": ", 1)[1] for problem in found[1:]]) == (1 + len(told), True, told)


def test_rows_in_any_order_and_comments_anywhere_give_the_same_register(tmp_path: Path) -> None:
    tables = {
        "bones": BONES + "b,unassociated,femur,left,b.ply,m\nc,EX-1,femur,left,gone.ply,mm\nd,EX-2,rib-02,unknown,b.ply,mm\n",
        "skeleton": SKELETON,
        "measurements": "find,measurementType,measurementValue,measurementUnit\nfem-l,length,212,mm\nfem-l,length,21.9,cm\nb,length,9,[in_i]\n",
        "decisions": "element,find,kind,value,by,date,reason\nfemur-left,b,donor,,A,2031-05-06,best\nskull,,class,none,A,2031-05-07,left out\n",
        "openings": "find,kind,x,y,z,diameter_mm,action\nfem-l,foramen,1,2,3,4,keep\nfem-l,support,0,0,0,40,remove\n",
    }
    expected = load_register(write_batch(tmp_path / "a", **tables))
    shuffle = random.Random(7)
    for name, text in tables.items():
        header, *rows = text.splitlines()
        shuffle.shuffle(rows)
        tables[name] = "\r\n".join([header, "# a comment", *rows, "#another"])
    found = load_register(write_batch(tmp_path / "b", **tables))
    assert len(found.findings) == 5
    assert without_rows(found) == without_rows(expected)
    assert plain(found.findings) == plain(expected.findings)


def test_a_range_makes_a_series_whose_neighbours_join(tmp_path: Path) -> None:
    register = load_register(write_batch(tmp_path))
    assert element_of(register, "cervical-01").joins == ("cervical-02", "skull")
    assert element_of(register, "cervical-07").joins == ("cervical-06", "thoracic-01")
    assert element_of(register, "rib-02-left") == Element("rib-02", Side.LEFT, "rib", 2, "trunk", "rib", joins=("thoracic-02",))
    assert element_of(register, "hip-bone-left").joins == ("femur-left", "hip-bone-right")


def test_the_number_of_vertebrae_is_a_figure_to_edit(tmp_path: Path) -> None:
    register = load_register(write_batch(tmp_path, skeleton=SKELETON.replace("1-7", "1-13")))
    assert element_of(register, "thoracic-01").joins == ("cervical-13", "rib-01-left", "rib-01-right", "thoracic-02")


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("ulna,paired,,7-Jan,,,,,", "position: '7-Jan' is not a whole number from 1 or a rising range"),
        ("ulna,paired,,7-1,,,,,", "position: '7-1' is not a whole number from 1 or a rising range"),
        ("ulna-left,paired,,,,,,,", "element: 'ulna-left' is not a name"),
        ("femur,paired,,,,,,,", "element: 'femur' makes femur-left, which row 7 makes already"),
        ("atlas,median,cervical,1,,,,,", "position: '1' gives atlas the place in series cervical that cervical-01 in row 3 has"),
        ("ulna,paired,,,,,,,femru", "joins: 'femru' names 'femru', which is no element or series of this table. Did you mean 'femur'?"),
        ("ulna,paired,,2..4,,,,,rib-*", "joins: 'rib-*' names 'rib-04', which is no element"),
    ],
)
def test_a_skeleton_row_that_makes_no_sense_is_told(tmp_path: Path, row: str, told: str) -> None:
    assert [problem.removeprefix("config/skeleton.csv row 8, ")[: len(told)] for problem in problems_of(tmp_path, skeleton=SKELETON + row)] == [told]


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"unit": ""}, "unit: is empty and scans.folders in config/config.yaml declares none"),
        ({"unit": "none"}, "unit: 'none' leaves the model without scale"),
        ({"find": "Fem L"}, "find: 'Fem L' names files"),
        ({"organismID": ""}, "organismID: is empty"),
        ({"side": "median"}, "side: 'median' does not fit: femur is paired"),
        ({"element": "skull"}, "side: 'left' does not fit: skull is median"),
        ({"element": "femur-left"}, "element: 'femur-left' is not an element of config/skeleton.csv"),
        ({"scan": "../other/a.ply"}, "scan: '../other/a.ply' leads out of the batch"),
        ({"scan": "C:\\scans\\a.ply"}, "scan: 'C:\\scans\\a.ply' leads out of the batch"),
        ({"caliper_mm": "212"}, "caliper_of: is empty although caliper_mm is filled"),
        ({"caliper_mm": "212", "caliper_of": "greatest-lenght"}, "caliper_of: 'greatest-lenght' is not one of greatest-length"),
        ({"caliper_mm": "-1", "caliper_of": "extent-x"}, "caliper_mm: '-1' is not above zero"),
        ({"caliper_mm": "inf", "caliper_of": "extent-x"}, "caliper_mm: 'inf' is not a finite number"),
        ({"caliper_mm": '"212,5"', "caliper_of": "extent-x"}, "caliper_mm: '212,5' has a decimal comma; write 212.5"),
        ({"scale_point_a": "0 0 0"}, "scale_point_b: is empty"),
        ({"preserved_percent": "120"}, "preserved_percent: '120' is not above 0 and at most 100"),
        ({"condition": "godo"}, "condition: 'godo' is not one of good"),
        ({"portion": "whloe"}, "portion: 'whloe' is nearly the word for a whole bone"),
        ({"pieces": "1 x"}, "pieces: '1 x' is not a list"),
    ],
)
def test_a_bone_row_that_breaks_a_rule_is_told(tmp_path: Path, cells: dict[str, str], told: str) -> None:
    assert problems_of(tmp_path, bones=bones_with(**cells))[0].removeprefix("config/bones.csv row 2, ").startswith(told)


def test_a_model_without_unit_takes_its_scale_from_a_caliper_or_two_points(tmp_path: Path) -> None:
    caliper = load_register(write_batch(tmp_path, bones=bones_with(unit="none", caliper_mm="212.4", caliper_of="greatest-length"))).finds[0]
    assert caliper.caliper == Caliper(212.4, "greatest-length")
    points = bones_with(unit="none", scale_point_a="0 0 0.5", scale_point_b="1 0 0.5", scale_distance_mm="50", pieces="3 1")
    find = load_register(write_batch(tmp_path, bones=points)).finds[0]
    assert (find.scale_points, find.pieces) == (ScalePoints((0.0, 0.0, 0.5), (1.0, 0.0, 0.5), 50.0), (1, 3))


def test_a_table_with_tabs_is_read_and_one_with_another_separator_is_refused_by_what_was_found(tmp_path: Path) -> None:
    assert [find.find for find in load_register(write_batch(tmp_path / "tabs", bones=BONES.replace(",", "\t"))).finds] == ["fem-l", "skull-a"]
    problem, *more = problems_of(tmp_path / "pipes", bones=BONES.replace(",", "|"))
    assert "config/bones.csv" in problem
    assert "is a header whose cells are separated by '|'; save the table as CSV, with comma, semicolon or tab between cells" in problem
    assert not any("must have and has not" in other for other in more)


def test_a_find_that_stands_twice_is_told_with_both_rows(tmp_path: Path) -> None:
    assert problems_of(tmp_path, bones=BONES + "fem-l,EX-1,femur,right,b.ply,mm\n") == [
        "config/bones.csv row 4, find: 'fem-l' names a find that row 2 has already; every find is one row."
    ]


def test_headers_are_checked_for_unknown_double_and_missing_columns(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, bones="find,find,organismID,element,sid,unit\nfem-l,,EX-1,femur,left,mm\n")
    assert [re.sub(r"^config/bones.csv row 1, ", "", problem).split(".")[0] for problem in problems] == [
        "find: is a column that stands in the header twice; delete one",
        "sid: is not a column of this table",
        "side: is a column that the table must have and has not",
        "scan: is a column that the table must have and has not",
    ]


def test_measurements_are_brought_to_mm_and_take_the_bone_from_their_find(tmp_path: Path) -> None:
    rows = "organismID,find,element,side,measurementType,measurementValue,measurementUnit\n,fem-l,,,length,21.25,cm\nEX-1,,skull,,breadth,2,[in_i]\n"
    measurements = load_register(write_batch(tmp_path, measurements=rows)).measurements
    assert [(m.organism_id, m.element, m.side, m.value_mm) for m in measurements] == [
        ("EX-1", "femur", Side.LEFT, 212.5), ("EX-1", "skull", Side.MEDIAN, 50.8)]  # inch 25.4 mm, exact


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("EX-2,fem-l,,,length,1,mm", "organismID: 'EX-2' disagrees with the find, which says 'EX-1'"),
        ("EX-1,,femur,,length,1,mm", "find: is empty and so is side"),
        ("unassociated,,femur,left,length,1,mm", "organismID: 'unassociated' names no animal"),
        (",fem-l,,,length,1,feet", "measurementUnit: 'feet' is not one of mm, cm, m, [in_i], inch"),
        (",fem-l,,,length,0,mm", "measurementValue: '0' is not above zero"),
    ],
)
def test_a_measurement_that_cannot_be_placed_is_told(tmp_path: Path, row: str, told: str) -> None:
    table = f"organismID,find,element,side,measurementType,measurementValue,measurementUnit\n{row}\n"
    assert problems_of(tmp_path, measurements=table)[0].removeprefix("config/measurements.csv row 2, ").startswith(told)


OPENINGS = "find,kind,x,y,z,diameter_mm,action,depth_mm,passage\n"


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("fem-l,break,1.5,2.5,3.5,12,5,close", "a decimal comma, which makes {}; write 12.5, not 12,5."),
        ("fem-l,break,1.5,2.5,31,14,5,close", "a decimal comma, which makes {}; it is one of 31,14 and 14,5: write a decimal point."),
        ("fem-l,foramen,5,-3,75,3.5,12.5,keep", "a decimal comma, which makes {}; write -3.75, not -3,75."),  # no 5,-3
        ("fem-l,break,1,5,2,5,3,5,12,5,close", "4 decimal commas, each of which makes {}; write 1.5, 2.5, 3.5 and 12.5."),
        ("fem-l,break,1,5,2,5,3,12.5,close", "2 decimal commas, each of which makes {}; they are 2 of 1,5, 5,2, 2,5 and 5,3: write a decimal point."),
    ],
)
def test_a_decimal_comma_that_shifts_a_row_is_the_only_thing_told_of_it(tmp_path: Path, row: str, told: str) -> None:
    problems = problems_of(tmp_path, bones=bones_with(), openings=OPENINGS + row + "\n")
    assert problems == [f"config/openings.csv row 2: has {told.format('two cells of one number')}"]


RECEIVED = (
    "target,element,route,part,measure,nominal_mm,tolerance_mm,measured_mm,article,by,date,remarks\nadult,femur-left,print,,greatest-length,"
)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("100,1,100.2,,A. Maker,3 March 2031,2031-03-02 again", "row 2, date: '3 March 2031' is not a date"),
        ("100.5,1.5,100.2,,A. Maker,3 March 2031,2031-03-02", "row 2, date: '3 March 2031' is not a date"),  # nothing to split
        ("100.5,1.5,100,2,,A. Maker,2031-03-02T10:15,", "row 2: has a decimal comma, which makes two cells of one number; write 100.2, not 100,2."),
    ],
)
def test_a_date_further_right_tells_of_a_decimal_comma_only_where_it_is_all_of_its_cell(tmp_path: Path, row: str, told: str) -> None:
    problems = problems_of(tmp_path, bones=bones_with(), received=f"{RECEIVED}{row}\n")
    assert [problem.removeprefix("config/received.csv ")[: len(told)] for problem in problems] == [told]


def test_a_word_for_another_is_told_though_the_two_look_unlike(tmp_path: Path) -> None:
    assert problems_of(tmp_path, bones=bones_with(side="links", unit="meter"))[:2] == [
        "config/bones.csv row 2, side: 'links' is not one of left, right, median, unknown. Did you mean 'left'?",
        "config/bones.csv row 2, unit: 'meter' is not one of mm, cm, m, inch, none. Did you mean 'm'?",
    ]


DECISIONS = "target,element,find,kind,value,by,date,reason,evidence_key\n"


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("adult,femur-left,,class,OWN-X,A,2031-05-06,r,", "value: 'OWN-X' is not one of OWN, OWN-R"),
        ("adult,femur-left,,class,FILL,A,2031-05-06,r,", "value: 'FILL' is not one of OWN, OWN-R"),
        ("adult,femur-left,,class,SCU,A,2031-05-06,r,", "value: 'SCU' needs the file made by hand"),
        ("adult,femur-left,,class,SCU: ../a.ply,A,2031-05-06,r,", "value: 'SCU: ../a.ply' leads out of the batch"),
        ("adult,femur-left,,factor,0,A,2031-05-06,r,", "value: '0' is not above zero"),
        ("adult,femur-left,,factor,0.9 0.95 1.0,A,2031-05-06,r,", "value: '0.9 0.95 1.0' is not a factor, the lower and the upper end"),
        ("adult,femur-left,,factor,0.9 0.8,A,2031-05-06,r,", "value: '0.9 0.8' is neither one number nor three: the factor, and after it"),
        ("adult,femur-left,,donor,,A,2031-05-06,r,", "find: is empty; a donor decision names the find"),
        ("adult,,fem-l,plane,',A,2031-05-06,r,", "value: ''' does not hold 4 numbers separated by blanks"),
        ("adult,,fem-l,plane,0 0 0 1,A,2031-05-06,r,", "value: '0 0 0 1' has a normal of no length"),
        ("adult,femur-left,fem-l,missing-part,none,A,2031-05-06,r,", "value: 'none' says none, but find names a bone that supplies"),
        ("adult,femur-left,,missing-part,,A,2031-05-06,r,", "find: is empty"),
        ("adult,femur-left,fem-l,missing-part,half,A,2031-05-06,r,", "value: 'half' is neither empty nor none"),
        ("adult,femur-left,,close,perhaps,A,2031-05-06,r,", "value: 'perhaps' is not yes, no or"),
        ("adult,femur-left,,sign-off,,A,2031-05-06,r,", "evidence_key: is empty"),
        ("adlut,femur-left,,class,NONE,A,2031-05-06,r,", "target: 'adlut' is not a target of config/config.yaml. Did you mean 'adult'?"),
        ("adult,femur-left,,class,NONE,A,6.5.2031,r,", "date: '6.5.2031' is not a date as ISO 8601 writes it"),
        ("adult,femur-left,,class,NONE,A,2031-13-06,r,", "date: '2031-13-06' is not a date as ISO 8601 writes it"),
        ("adult,femur-left,,class,NONE,,2031-05-06,r,", "by: is empty"),
        ("adult,femur-left,,class,NONE,A,2031-05-06,,", "reason: is empty"),
    ],
)
def test_a_decision_that_cannot_be_carried_out_is_told(tmp_path: Path, row: str, told: str) -> None:
    problems = problems_of(tmp_path, decisions=DECISIONS + row + "\n")
    assert [problem.removeprefix("config/decisions.csv row 2, ")[: len(told)] for problem in problems] == [told]


def test_decisions_are_kept_in_one_spelling(tmp_path: Path) -> None:
    rows = "adult,Femur-left,,Class,scu:models\\a.PLY,A,2031-05-06T10:00+02:00,r,\n,femur-left,,donor,fem-l,A,2031-05-06,r,\n"
    rows += "adult,femur-left,,missing-part,None,A,2031-05-06,r,\nadult,femur-left,,plane,'-1 0 0 5,A,2031-05-06,r,\n"
    decisions = load_register(write_batch(tmp_path, decisions=DECISIONS + rows)).decisions
    assert [(d.kind, d.element, d.find, d.value) for d in decisions] == [
        ("donor", "femur-left", "fem-l", "fem-l"), ("class", "femur-left", "", "SCU: models/a.PLY"),
        ("missing-part", "femur-left", "", "none"), ("plane", "femur-left", "", "-1 0 0 5")]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("clean: {part_tolerance_mm: 900}", "clean.part_tolerance_mm: '900' is outside 0.01 to 10."),
        ("clean: {part_tolerance_mm: '0,5'}", "clean.part_tolerance_mm: '0,5' has a decimal comma"),
        ("plan: {min_lengths: 2.5}", "plan.min_lengths: '2.5' is not a whole number."),
        ("plan: {min_lengths: 1_000}", "plan.min_lengths: '1_000' is not a number"),
        ("plan: {min_lengths: }", "plan.min_lengths: has no value"),
        ("plan: {min_lengths: 3, min_lengths: 4}", "plan: 'min_lengths' stands twice"),
        ("cleam: {}", "'cleam' is not a section here. Did you mean 'clean'?"),
        ("class_order: {limb: [OWN, DONN]}", "class_order.limb: 'DONN' is not one of OWN"),
        ("allometry: {limb: 9.5}", "allometry.limb: '9.5' is not an exponent from 0.5 to 2."),
        ("allometry: {limbs: 0.95}", "allometry: 'limbs' is no group of config/skeleton.csv. Did you mean 'limb'?"),
        ("class_order: {limbs: [OWN]}", "class_order: 'limbs' is no group of config/skeleton.csv. Did you mean 'limb'?"),
        ("routes: 5", "routes: is not a mapping"),
        ("clean: [", "is not valid YAML"),
    ],
)
def test_a_setting_that_is_wrong_is_told_with_its_line(tmp_path: Path, change: str, told: str) -> None:
    problem = problems_of(tmp_path, config=CONFIG + change + "\n")[0]
    assert re.sub(r"^config/config.yaml row [78](, |: )", "", problem).startswith(told)


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ("{individual: EX-2}", "targets.adult: 'EX-2' is no organismID of config/bones.csv or config/measurements.csv."),
        ("{individual: EX1}", "targets.adult: 'EX1' is no organismID of config/bones.csv or config/measurements.csv. Did you mean 'EX-1'?"),
        ("{relative_to: EX-1}", "targets.adult: needs either"),
        ("{individual: EX-1, factor: 0.8}", "targets.adult: needs either"),
        ("{relative_to: EX-1, factor: 1}", "targets.adult.factor: '1' is not above 0"),
        ("{individual: EX-1, scale: 2}", "targets.adult: 'scale' is not a setting here."),
    ],
)
def test_a_target_is_an_individual_or_a_stated_size(tmp_path: Path, entry: str, told: str) -> None:
    problem = problems_of(tmp_path, bones=bones_with(), config=f"targets:\n  adult: {entry}\n")[0]
    assert problem.removeprefix("config/config.yaml row 2, ").startswith(told)


def test_settings_take_the_files_values_and_keep_the_other_defaults(tmp_path: Path) -> None:
    text = CONFIG + "clean: {part_tolerance_mm: 0.2}\nplan: {immature_stages: [calf]}\nclass_order: {limb: [OWN, DON]}\n"
    text += "machines: {a: {route: print, build_x_mm: 500}}\nallometry: {limb: 0.95}\n"
    settings, default = load_register(write_batch(tmp_path, config=text)).settings, Settings()
    assert settings == dataclasses.replace(
        default,
        clean=dataclasses.replace(default.clean, part_tolerance_mm=0.2),
        plan=dataclasses.replace(default.plan, immature_stages=("calf",)),
        class_order=(*default.class_order, ("limb", ("OWN", "DON"))),
        allometry=(("limb", 0.95),),
        machines=(Machine("a", "print", (("build_x_mm", 500.0),)),),
    )


def test_a_missing_scan_is_a_finding_with_the_nearest_file(tmp_path: Path) -> None:
    found = load_register(write_batch(tmp_path, bones=bones_with(scan="Fem_L.ply"))).findings
    assert [(f.code, f.severity, f.value) for f in found] == [("scan-missing", Severity.REVIEW, "fem-l")]
    assert "Did you mean 'scans/fem-l.ply'?" in found[0].message


def test_a_scan_whose_name_differs_only_in_how_an_umlaut_is_written_is_not_suggested_by_a_name_that_looks_the_same(tmp_path: Path) -> None:
    """Some systems write ö as o and two dots."""
    batch = write_batch(tmp_path, bones=bones_with(scan="gr\u00f6sse.ply"))
    (batch / "scans/gro\u0308sse.ply").write_bytes(b"")
    (finding,) = load_register(batch).findings
    assert "A file of that name is there, but one of the two writes letters with marks" in finding.message
    assert "Did you mean" not in finding.message


def test_two_whole_left_femora_in_one_individual_are_a_finding_that_knows_its_rows(tmp_path: Path) -> None:
    register = load_register(write_batch(tmp_path, bones=BONES + "\n#x\nfem-2,EX-1,femur,left,b.ply,mm\n"))
    assert [(f.code, f.value, place_of(f, register)) for f in register.findings] == [
        ("duplicate-element", "fem-2, fem-l", "config/bones.csv rows 2 and 6")]


@pytest.mark.parametrize(
    "row", ["fem-2,unassociated,femur,left,b.ply,mm,", "fem-2,EX-2,femur,left,b.ply,mm,", "fem-2,EX-1,femur,left,b.ply,mm,distal end"])
def test_another_animal_or_a_part_is_no_duplicate(tmp_path: Path, row: str) -> None:
    assert findings_of(tmp_path, bones=BONES.replace("unit\n", "unit,portion\n") + row + "\n") == {}


def test_one_position_of_a_series_twice_in_an_individual_is_a_finding(tmp_path: Path) -> None:
    found = findings_of(tmp_path, bones=BONES + "c1,EX-1,cervical-03,median,b.ply,mm\nc2,EX-1,cervical-03,median,c.ply,mm\n")
    assert "position 3 of its cervical series" in found["duplicate-position"]


def test_one_scan_for_two_finds_is_a_finding_unless_each_has_its_pieces(tmp_path: Path) -> None:
    head, rows = BONES.replace("unit\n", "unit,pieces\n"), "r1,EX-1,rib-01,left,b.ply,mm,{}\nr2,EX-1,rib-02,left,b.ply,mm,{}\n"
    assert [list(findings_of(tmp_path, bones=head + rows.format(*pieces))) for pieces in (("", "2"), ("1 2", "2 3"), ("1 3", "2"))] == [
        ["scan-twice"], ["scan-twice"], []]


def test_what_is_unclear_or_perhaps_mistyped_is_a_finding(tmp_path: Path) -> None:
    head = "organismID,find,element,side,measurementType,measurementValue,measurementUnit\n"
    found = findings_of(
        tmp_path,
        bones=BONES + "u,ex 1,femur,unknown,b.ply,mm\n",
        measurements=head + "EX-9,,femur,left,greatest-length,20,mm\n,fem-l,,,greatest-length,212,mm\n,fem-l,,,greatest-length,212,cm\n"
        ",fem-l,,,greatest-lenght,9,mm\n",
    )
    assert sorted(found) == ["individual-without-find", "measurements-disagree", "side-unknown", "similar-individuals", "similar-measurement-type"]


def find_of(element: str, side: Side, organism: str = "unassociated", taxon: str = "", portion: str = "") -> Find:
    return Find(0, "x", element, side, organism, "x", Unit.MM, scientific_name=taxon, portion=portion)


@pytest.mark.parametrize(
    ("finds", "number"),
    [
        ([], 0),
        ([("femur", "left"), ("femur", "left"), ("femur", "right")], 2),
        ([("femur", "left"), ("femur", "unknown"), ("femur", "unknown")], 2),
        ([("skull", "median"), ("skull", "median"), ("femur", "left")], 2),
        ([("femur", "left", "A"), ("skull", "median", "B")], 2),
        ([("femur", "left", "unassociated", "Exemplum fictum"), ("femur", "right", "unassociated", "Exemplum alterum")], 2),
        ([("femur", "left", "unassociated", "Exemplum fictum"), ("femur", "right", "unassociated", "")], 1),
        ([("femur", "left", "unassociated", "", "distal"), ("femur", "left", "unassociated", "", "proximal")], 0),
    ],
    ids=["none", "larger side", "unsided in halves", "median count", "told apart", "taxa apart", "unnamed taxon", "parts"],
)
def test_the_minimum_number_of_individuals_is_what_the_whole_bones_need(finds: list[tuple[str, ...]], number: int) -> None:
    """Counts by hand; the practice is described in the function."""
    elements = [Element("skull", Side.MEDIAN), Element("femur", Side.LEFT), Element("femur", Side.RIGHT)]
    assert minimum_individuals([find_of(name, Side(side), *rest) for name, side, *rest in finds], elements) == number


def test_the_template_is_a_batch_without_problems_and_so_are_its_examples(tmp_path: Path) -> None:
    shutil.copytree(TEMPLATE, tmp_path / "config")
    assert [finding.code for finding in load_register(tmp_path).findings] == ["no-target", "no-finds"]
    for path in sorted((tmp_path / "config").glob("*.csv")):
        path.write_text(re.sub(r"^#(?! )", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE))
    config = tmp_path / "config" / "config.yaml"
    text = re.sub(r"^#  ", "  ", config.read_text(encoding="utf-8"), flags=re.MULTILINE)
    config.write_text(text.replace("targets: {}", "targets:").replace("folders: {}", "folders:"))
    register = load_register(tmp_path)
    assert {finding.code for finding in register.findings} == {"scan-missing", "model-missing"}
    assert (len(register.finds), len(register.targets)) == (3, 2)


def test_every_column_and_every_setting_is_explained_in_the_readme_with_its_default_and_bounds() -> None:
    text = (TEMPLATE / "README.md").read_text(encoding="utf-8")
    for shape in SHAPES:
        section = text.split(f"## {shape.name}")[1].split("\n## ")[0]
        assert re.findall(r"^\| `(\w+)` \| (?=\S)", section, re.MULTILINE)[: len(shape.columns)] == list(shape.columns)
        assert (TEMPLATE / shape.name).read_text(encoding="utf-8").splitlines()[0].split(",") == list(shape.columns)
    for stage in dataclasses.fields(Settings):
        for field in () if stage.name in GROUP_SECTIONS else dataclasses.fields(getattr(Settings(), stage.name)):
            default = f"[{', '.join(map(str, field.default))}]" if isinstance(field.default, tuple) else str(field.default)
            default = "see below" if isinstance(field.default, tuple) and "(" in default else default  # rows of their own
            low, high = field.metadata["low"], field.metadata["high"]
            words = ", ".join(field.metadata["choices"]) or ("any words" if "str" in field.type else "rows")
            bounds = words if low is None else f"{low:.15g} to {high:.15g}"
            assert f"| `{field.name}` | {default} | {bounds} | {field.metadata['meaning']} |" in text.split(f"### {stage.name}")[1].split("\n##")[0]
    assert [name for name in SECTIONS if f"`{name}`" not in text] == []


def test_the_caliper_names_are_those_that_can_be_measured() -> None:
    measure = pytest.importorskip("meshtools.geometry.measure")
    assert sorted(CALIPER_NAMES) == sorted(measure.CALIPER_MEASURES)


def test_a_passage_needs_two_rows_and_a_pit_no_passage(tmp_path: Path) -> None:
    table = "find,kind,x,y,z,diameter_mm,action,depth_mm,passage\nfem-l,canal,0,0,0,3,keep,,nerve\nfem-l,canal,1,0,0,3,keep,4,vein\n"
    problems = problems_of(tmp_path, openings=table + "fem-l,break,2,0,0,3,close,4,\n")
    assert [problem.split(",")[0] for problem in problems] == [f"config/openings.csv row {row}" for row in (2, 3, 3, 4)]
    assert ["two ends" in problems[0], "only for a foramen" in problems[3]] == [True, True]


def test_an_optional_table_that_is_a_spreadsheet_only_is_told_and_not_taken_for_empty(tmp_path: Path) -> None:
    batch = write_batch(tmp_path)
    assert load_register(batch).openings == ()
    (batch / "config/openings.xlsx").write_bytes(b"PK")
    assert "config/openings.csv: is missing, but openings.xlsx stands there" in problems_of(tmp_path)[0]


def test_a_row_pasted_with_its_columns_before_it_is_told_to_paste_only_the_row(tmp_path: Path) -> None:
    cells = "find,kind,x,y,z,diameter_mm,action"
    problems = problems_of(tmp_path, openings=f"{cells},depth_mm,passage\n{cells} = fem-l,break,1,2,3,4.0,close\n")
    assert len(problems) == 1
    assert "has 13 cells where the header has 9: paste only what follows ' = '" in problems[0]
