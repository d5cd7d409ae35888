"""Lengths that contradict each other: a unit stated wrongly is a finding on the bone. Invented animals and lengths."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from dog_individuals import write_scan
from six_bones import BONEWRIGHT, DECISIONS, edit, make_six_bones_tables
from solid_shapes import ball

from meshtools.model import Element, Find, Finding, Register, Severity, Side, Unit
from meshtools.settings import Settings
from meshtools.size_checks import SizedFind, find_words, size_checks, size_findings
from meshtools.workspace import open_workspace

LIMB = ("femur", "humerus", "patella", "radius", "tibia")


def find(name: str, unit: Unit = Unit.MM, **columns: Any) -> Find:
    """`a-tibia-l`: the left tibia of animal a."""
    animal, element, letter = name.split("-")
    side = {"l": Side.LEFT, "r": Side.RIGHT}[letter]
    return replace(Find(0, name, element, side, f"ind-{animal}", "scan.stl", unit), **columns)


def register_of(*finds: Find) -> Register:
    elements = tuple(Element(name, side, group="limb") for name in LIMB for side in (Side.LEFT, Side.RIGHT))
    elements += tuple(Element(f"caudal-{n:02d}", Side.MEDIAN, "caudal", n, "tail", "axial") for n in range(1, 21))
    return Register((), elements, finds, (), (), (), Settings())


def found(name: str, lengths_mm: Mapping[Find, float], why_sure: str = "", in_one_unit: bool = False) -> tuple[Finding, ...]:
    """The findings on one find, from the greatest lengths of all."""
    checks = size_checks(register_of(*lengths_mm), [name], [one.find for one in lengths_mm], in_one_unit)
    sized = {f.find: SizedFind(f.find, find_words(f), f.element, f.unit, mm, why_sure) for f, mm in lengths_mm.items()}
    return size_findings(checks[name], sized) if name in checks else ()


def test_sides_of_one_animal_that_differ_by_more_than_a_quarter_contradict_each_other() -> None:
    left, right = find("a-tibia-l", Unit.CM), find("a-tibia-r")
    assert not found("a-tibia-l", {left: 200.0, right: 162.0})
    message = found("a-tibia-l", {left: 2000.0, right: 200.0})[0].message
    assert message.startswith("a-tibia-l (left tibia of ind-a) is 2000 mm long, a-tibia-r (right tibia of ind-a) 200 mm: a ratio of 10.")
    assert "a-tibia-l in mm and not in cm (10 times smaller)" in message


@pytest.mark.parametrize(
    ("stated", "length_mm", "unit"),
    [(Unit.CM, 2.0, "m and not in cm (100 times larger)"), (Unit.INCH, 5000.0, "mm and not in inch (25.4 times smaller)"),
     (Unit.MM, 0.2, "m and not in mm (1000 times larger)"), (Unit.CM, 160.0, "")],
)  # fmt: skip
def test_a_bone_that_departs_from_the_ratio_of_the_other_bones_of_two_animals_names_the_unit_that_explains_it(
    stated: Unit, length_mm: float, unit: str
) -> None:
    others = {find(f"{animal}-{name}-l"): mm for animal, mm in (("a", 170.0), ("b", 200.0)) for name in ("femur", "humerus", "radius")}
    findings = found("a-tibia-l", others | {find("a-tibia-l", stated): length_mm, find("b-tibia-r"): 210.0})
    assert [f.severity for f in findings] == ([Severity.REVIEW] if unit else [])
    assert not unit or (unit in findings[0].message and "in the ratio femur 0.85, humerus 0.85, radius 0.85" in findings[0].message)


def test_one_wrong_bone_makes_no_finding_on_the_sound_ones_and_animals_of_other_size_none_at_all() -> None:
    lengths = {find(f"{animal}-{name}-l"): mm for animal, mm in (("a", 40.0), ("b", 200.0)) for name in ("femur", "humerus", "radius", "tibia")}
    assert not any(found(one.find, lengths) for one in lengths)
    wrong = {one: 100 * mm if one.find == "a-tibia-l" else mm for one, mm in lengths.items()}
    assert [one.find for one in wrong if found(one.find, wrong)] == ["a-tibia-l", "b-tibia-l"]


def test_animals_that_share_no_other_bone_may_differ_threefold_where_they_are_alike() -> None:
    ours, theirs = (find(name, scientific_name="Nusquamodon fabulae") for name in ("a-tibia-l", "b-tibia-l"))
    assert [len(found("a-tibia-l", {ours: 100.0, theirs: mm})) for mm in (290.0, 310.0)] == [0, 1]
    assert not found("a-tibia-l", {ours: 100.0, replace(theirs, life_stage="juvenile"): 310.0})
    assert not found("a-tibia-l", {replace(ours, scientific_name=""): 100.0, theirs: 310.0})


def test_animals_of_which_no_row_states_a_taxon_are_held_against_each_other_as_if_they_were_of_one() -> None:
    """An empty column must not switch the look at units off."""
    assert [len(found("a-tibia-l", {find("a-tibia-l"): 100.0, find("b-tibia-l"): mm})) for mm in (290.0, 310.0)] == [0, 1]


def test_a_cm_taken_for_an_inch_is_seen_where_no_other_bone_is_shared() -> None:
    ours, theirs = find("a-radius-l", Unit.INCH), find("b-radius-l", Unit.CM)
    assert not found("a-radius-l", {ours: 199.0, theirs: 100.0})
    message = found("a-radius-l", {ours: 254.0, theirs: 100.0})[0].message
    assert "should differ by less than 2 times, and these are stated in inch and cm." in message
    assert "It would fit with a-radius-l in cm and not in inch (2.54 times smaller)" in message
    assert not found("a-radius-l", {replace(ours, unit=Unit.CM): 254.0, theirs: 100.0})
    assert not found("a-radius-l", {replace(ours, unit=Unit.NONE): 254.0, theirs: 100.0})  # its size is from a caliper, and no unit is stated


def test_a_bone_in_another_unit_than_its_animal_is_asked_where_its_numbers_fit_the_unit_of_the_others() -> None:
    rest = {find("a-femur-l"): 230.0, find("a-humerus-l"): 210.0, find("a-tibia-l"): 247.0}
    assert "a-radius-r in mm and not in cm" in found("a-radius-r", rest | {find("a-radius-r", Unit.CM): 2127.0})[0].message
    assert not found("a-femur-l", rest | {find("a-radius-r", Unit.CM): 2127.0})
    assert not found("a-patella-r", rest | {find("a-patella-r", Unit.M): 14.0})  # in mm it would be 0.014 mm: small is no mistake here


@pytest.mark.parametrize(("length_mm", "stated", "unit"), [
    (9.7, Unit.MM, "inch and not in mm"), (0.25, Unit.MM, "m and not in mm"), (5200.0, Unit.INCH, "mm and not in inch"), (24.0, Unit.MM, ""),
    (10.4, Unit.MM, "inch and not in mm"), (10.6, Unit.MM, ""),
], ids=["an inch for a mm", "a metre for a mm", "a mm for an inch", "a kneecap", "20 times below two of three", "20 times below one"])  # fmt: skip
def test_a_bone_far_beyond_its_group_is_asked_although_all_are_stated_in_one_unit(length_mm: float, stated: Unit, unit: str) -> None:
    rest = {find(f"a-{name}-l", stated): mm for name, mm in (("femur", 230.0), ("humerus", 210.0), ("radius", 190.0), ("patella", 24.0))}
    lengths = rest | {find("a-tibia-r", stated): length_mm}
    told = [one.message for one in found("a-tibia-r", lengths, in_one_unit=True)]
    assert [f"a-tibia-r in {unit}" in message for message in told] == ([True] if unit else [])
    assert not any(found(one.find, lengths, in_one_unit=True) for one in rest)
    assert not found("a-tibia-r", lengths), "a page that looked at other bones of one unit would be made again with each of them"


def caudal(number: int, unit: Unit = Unit.MM) -> Find:
    return find(f"a-c{number}-l", unit, element=f"caudal-{number:02d}", side=Side.MEDIAN)


def test_a_vertebra_in_a_wrong_unit_is_seen_beside_those_that_stand_next_to_it() -> None:
    """A tail from 40 to 1.6 mm: the last vertebra is a twenty-fifth of the first, and no inch taken for a mm."""
    tail = {caudal(n): 40.0 * 1.6 ** (1 - n) if n < 8 else 1.6 for n in range(1, 21)}
    assert not any(found(one.find, tail, in_one_unit=True) for one in tail)
    message = found("a-c4-l", tail | {caudal(4): 9.77 / 25.4}, in_one_unit=True)[0].message
    assert "a-c4-l in inch and not in mm" in message
    rest = {one: mm for one, mm in tail.items() if one != caudal(4)}
    assert "a-c4-l in mm and not in inch" in found("a-c4-l", rest | {caudal(4, Unit.INCH): 248.0})[0].message


def test_a_wrong_unit_that_neither_of_two_units_explains_by_the_other_is_asked_too() -> None:
    """A tibia in inch, stated in mm, beside a femur in cm: in cm it would still be far too short."""
    message = found("a-tibia-r", {find("a-femur-l", Unit.CM): 212.5, find("a-tibia-r"): 5.94})[0].message
    assert "a-tibia-r in inch and not in mm (25.4 times larger)" in message


def test_a_find_whose_size_is_borne_out_gets_a_note() -> None:
    (finding,) = found("a-tibia-l", {find("a-tibia-l"): 100.0, find("a-tibia-r"): 200.0}, "its caliper bears its own size out.")
    assert (finding.severity, finding.message.endswith("It stays a note: its caliper bears its own size out.")) == (Severity.NOTE, True)


def test_incomplete_doubtful_deformed_and_further_scans_are_held_against_nothing() -> None:
    columns: list[dict[str, Any]] = [{"portion": "shaft"}, {"identification_qualifier": "cf."}, {"deformation": "crushed"}, {"part_of": "a-femur-l"}]
    others = [find("a-tibia-r", **column) for column in columns]
    assert [size_checks(register_of(find("a-tibia-l"), other), ["a-tibia-l"], ["a-tibia-l", "a-tibia-r"]) for other in others] == [{}] * 4


def jobs_of(batch: Path, **cells: str) -> Mapping[str, Mapping[str, Any]]:
    """The jobs of six bones; cells: the units of finds that are stated in another one than mm."""
    make_six_bones_tables(batch)
    for name, unit in cells.items():
        edit(batch / "config/bones.csv", f"{name}.stl,mm", f"{name}.stl,{unit}")
    (batch / "config/decisions.csv").write_text(DECISIONS + "mount,skull,a-skull,class,OWN,B. Decider,2024-05-01,measured,\n", encoding="utf-8")
    return open_workspace(batch).worklist.jobs


def asked_of(job: Mapping[str, Any]) -> list[str]:
    return [check["find"] for check in job.get("sizes", {}).get("checks", ())]


def test_bones_stated_in_one_unit_are_held_against_each_other_on_the_index_alone_and_others_on_their_pages_alone(tmp_path: Path) -> None:
    """Of six bones only skull and mandible are of one group and animal."""
    alike, unlike = jobs_of(tmp_path / "alike"), jobs_of(tmp_path / "unlike", **{"a-mandible": "cm"})
    assert [asked_of(jobs["index"]["index"]) for jobs in (alike, unlike)] == [["a-mandible", "a-skull"], []]
    assert {name: asked for name, job in alike["report"].items() if (asked := asked_of(job))} == {}
    pages = {name: asked for name, job in unlike["report"].items() if (asked := asked_of(job))}
    assert pages == {"mount/mandible": ["a-mandible"], "mount/skull": ["a-skull"]}
    keys = unlike["report"]["mount/skull"]["sizes"]["clean_keys"]
    assert keys == {name: unlike["clean"][name]["key"] for name in ("a-mandible", "a-skull")}


def test_only_a_decision_on_the_find_of_a_page_itself_settles_its_size(tmp_path: Path) -> None:
    """A person decided that the skull is used: on the page of the mandible that says nothing."""
    pages = jobs_of(tmp_path / "batch", **{"a-mandible": "cm"})["report"]
    settled = {name: {find: row["settled"] for find, row in pages[name]["sizes"]["finds"].items()} for name in ("mount/skull", "mount/mandible")}
    said = "B. Decider decided on 2024-05-01 that this find is used (measured)."
    assert settled == {"mount/skull": {"a-skull": said, "a-mandible": ""}, "mount/mandible": {"a-skull": "", "a-mandible": ""}}


def test_a_build_asks_about_a_wrong_unit_although_all_are_stated_in_one(tmp_path) -> None:
    """A jaw of an inch to the mm beside its skull: no page is made again with the scan of another bone, so the index and `status` tell it."""
    (tmp_path / "config").mkdir()
    (tmp_path / "scans").mkdir()
    rows = ["find,element,side,organismID,scan,unit"]
    for name, size_mm in (("skull", 127.0), ("mandible", 4.0)):
        mesh = ball(size_mm / 2, n_splits=3)
        write_scan(tmp_path / "scans" / f"{name}.stl", mesh.vertices * (1.0, 0.7, 0.5), mesh.faces)
        rows.append(f"a-{name},{name},median,ind-a,{name}.stl,mm")
    tables = {
        "bones.csv": "\n".join(rows) + "\n",
        "skeleton.csv": "element,pairing,region,group\nskull,median,head,axial\nmandible,median,head,axial\n",
        "config.yaml": "targets:\n  mount:\n    individual: ind-a\n",
    }
    for name, text in tables.items():
        (tmp_path / "config" / name).write_text(text, encoding="utf-8")
    done = subprocess.run([*BONEWRIGHT, "build", "--batch", str(tmp_path)], capture_output=True, text=True, check=False)
    told = [line for line in done.stdout.splitlines() if "a-mandible in inch and not in mm (25.4 times larger)" in line]
    assert (done.returncode, len(told), told[0].split(":")[0]) == (1, 1, "review")
    assert "a-mandible in inch and not in mm" in (tmp_path / "results" / "index.html").read_text(encoding="utf-8")
