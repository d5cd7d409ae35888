"""A row of bones.csv whose side or element the shape contradicts. Real dog bones; individuals by smooth warps of known size."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from dog_individuals import read_bone, warp, write_scan
from made_once import made_once, own_copy
from six_bones import bonewright, build

from meshtools.comparisons import Partner, checked_finds, partners_of, settled_by
from meshtools.geometry.transform import reflect, scale
from meshtools.model import Decision, Element, EvidenceClass, Find, Mesh, Recipe, Register, Severity, Side, Unit
from meshtools.settings import Settings
from meshtools.stages.siding import ComparedFind, Comparison, check_siding, is_settled, judge, vote

FIND = Find(0, "a-humerus-l", "humerus", Side.LEFT, "ind-a", "scan.stl", Unit.MM)


def find(name: str, element: str = "humerus", side: Side = Side.LEFT, **columns: Any) -> Find:
    return replace(FIND, find=name, element=element, side=side, organism_id=f"ind-{name[0]}", **columns)


def register_of(*finds: Find) -> Register:
    series = [Element(f"rib-{k:02d}", side, "rib", k) for k in (1, 2, 3, 7) for side in (Side.LEFT, Side.RIGHT)]
    elements = (Element("humerus", Side.LEFT), Element("humerus", Side.RIGHT), *series)
    return Register((), elements, tuple(finds), (), (), (), Settings())


def test_whole_finds_of_other_individuals_are_compared_first_and_four_at_most() -> None:
    own = find("a-1", side=Side.RIGHT)
    others = [find(f"{letter}-1") for letter in "bcdef"]
    assert [p.find for p in partners_of(FIND, register_of(FIND, own, *others))] == ["b-1", "c-1", "d-1", "e-1"]
    assert [p.find for p in partners_of(FIND, register_of(own, others[2], FIND))] == ["d-1", "a-1"]


def test_an_incomplete_find_is_compared_with_whole_ones_only() -> None:
    part, other_part = find("b-1", portion="distal half"), find("c-1", preserved_percent=40.0)
    assert [p.find for p in partners_of(part, register_of(part, other_part, FIND))] == ["a-humerus-l"]
    assert [p.find for p in partners_of(FIND, register_of(part, other_part, FIND))] == ["b-1", "c-1"]


def test_finds_of_unknown_side_or_doubtful_identity_say_nothing() -> None:
    assert partners_of(FIND, register_of(FIND, find("b-1", side=Side.UNKNOWN), find("c-1", identification_qualifier="cf."))) == ()


def test_a_scan_is_not_compared_with_other_scans_of_the_same_bone() -> None:
    """Two half shells show opposite sides of one bone, and each is nearer to the mirror image of the other."""
    shells = find("a-top"), find("a-bottom", part_of="a-top"), find("a-end", part_of="a-top")
    assert [partners_of(shell, register_of(*shells)) for shell in shells] == [(), (), ()]
    assert [partner.find for partner in partners_of(shells[1], register_of(*shells, find("b-1")))] == ["b-1"]


def test_neighbours_come_from_the_series_of_the_partner_and_of_its_individual() -> None:
    ribs = [find(f"{who}-rib-{k}", f"rib-{k:02d}") for who in "ab" for k in (1, 2, 3, 7)]
    assert partners_of(ribs[0], register_of(*ribs)) == (Partner("b-rib-1", ("b-rib-2", "b-rib-3")),)


def test_a_find_that_claims_the_place_of_a_used_one_is_checked_too() -> None:
    recipe = Recipe("mount", "humerus-left", EvidenceClass.OWN, ("a-humerus-l",), False, 1.0, None, "", "", (), "ask")
    assert checked_finds(recipe, (FIND, find("a-2"), find("a-3", side=Side.RIGHT), find("b-1"))) == ("a-2", "a-humerus-l")


def test_only_a_decision_on_the_source_settles_a_find() -> None:
    close = Decision(0, "", "", "a-humerus-l", "close", "yes", "A. Curator", "2031-01-01", "looked")
    donor = replace(close, kind="donor", element="humerus-left")
    assert (settled_by(FIND, [close]), settled_by(FIND, [close, donor])) == (None, donor)


@pytest.mark.parametrize(
    ("residuals", "expected"),
    [
        ((0.5, 1.5, None), ("agrees", "cannot say")),
        ((1.5, 0.5, None), ("contradicts", "cannot say")),
        ((1.5, 0.5, 0.9), ("contradicts", "cannot say")),  # the mirror image fits best: the side is wrong, not the name
        ((1.5, 1.4, 0.5), ("cannot say", "contradicts")),
        ((1.0, 1.1, 0.9), ("cannot say", "cannot say")),
        ((4.0, 2.6, None), ("cannot say", "cannot say")),  # nothing fits, so nothing is believed
    ],
)
def test_what_fits_best_is_believed_where_it_fits_clearly_better(residuals: Any, expected: tuple[str, str]) -> None:
    assert judge(*residuals) == expected


def test_one_for_and_one_against_cannot_say_and_another_comparison_is_needed() -> None:
    assert (vote(["contradicts", "agrees"]), is_settled(["contradicts", "agrees"])) == ("cannot say", False)
    assert (vote(["contradicts", "contradicts"]), is_settled(["contradicts", "contradicts"])) == ("contradicts", True)


def test_one_contradiction_among_four_comparisons_is_too_little() -> None:
    assert vote(["cannot say", "contradicts", "cannot say", "cannot say"]) == "cannot say"


def individual(name: str, seed: int, factor: float = 1.0) -> Mesh:
    """A dog bone as another individual has it: warped, and of another size."""
    vertices, faces = read_bone(name)
    return scale(Mesh.create(warp(vertices - vertices.mean(axis=0), 0.7, seed), faces), factor)


def compared(who: str, element: str, side: Side, mesh: Mesh) -> ComparedFind:
    return ComparedFind(f"{who}-{element}-{side.value}", element, side, True, mesh)


def codes(findings: Sequence[Any]) -> list[str]:
    return [f.code for f in findings if f.severity is Severity.REVIEW]


@pytest.mark.slow
def test_crossed_metacarpals_contradict_their_element_and_correct_ones_do_not() -> None:
    """By its names the dog has `Os_metacarpale_V_R` beside `Os_metacarpale_V_L`; by their shapes the right two are crossed."""
    shapes = {"metacarpal-05": "Os_metacarpale_V_L", "metacarpal-06": "Os_metacarpale_V_L.001"}
    other = {element: compared("b", element, Side.LEFT, individual(bone, 5, 0.9)) for element, bone in shapes.items()}
    for element, rival in (("metacarpal-05", "metacarpal-06"), ("metacarpal-06", "metacarpal-05")):
        against = [Comparison(other[element], (other[rival],))]
        for side, expected in (("_R", ["element-contradicted"]), ("_L", [])):
            bone = shapes[element].replace("_L", side)
            find = compared("a", element, Side.RIGHT if side == "_R" else Side.LEFT, individual(bone, 7))
            assert codes(check_siding(find, against)[1]) == expected, (element, side)


@pytest.mark.slow
def test_a_find_that_a_person_decided_on_keeps_a_note() -> None:
    find = compared("a", "patella", Side.LEFT, reflect(individual("Patella_L", 1)))
    against = [Comparison(compared("b", "patella", Side.LEFT, individual("Patella_L", 2)))]
    (finding,) = check_siding(find, against, "A. Curator decided so.")[1]
    assert (finding.code, finding.severity) == ("side-contradicted", Severity.NOTE)


ROWS = """find,element,side,organismID,scientificName,lifeStage,preserved_percent,scan,unit
a-left,humerus,left,dog-a,Canis lupus familiaris,adult,98,a-left.stl,mm
a-right,humerus,right,dog-a,Canis lupus familiaris,adult,98,a-right.stl,mm
b-wrong,humerus,right,dog-b,Canis lupus familiaris,adult,98,b-wrong.stl,mm
"""
TABLES = {
    "bones.csv": ROWS,
    "skeleton.csv": "element,pairing,series,position,region,group\nhumerus,paired,,,arm,forelimb\n",
    "config.yaml": "targets:\n  first:\n    individual: dog-a\n  second:\n    individual: dog-b\n",
}


@pytest.fixture(scope="module")
def dogs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two individuals; the left humerus of the second is registered as a right one."""
    return own_copy(tmp_path_factory, made_once(tmp_path_factory, "dogs", make_dogs))


def make_dogs(folder: Path) -> Path:
    for name, bone, factor in (("a-left", "humerus_L", 1.0), ("a-right", "humerus_R", 1.0), ("b-wrong", "humerus_L", 0.9)):
        mesh = individual(bone, len(name), factor)
        write_scan(folder / "scans" / f"{name}.stl", mesh.vertices, mesh.faces)
    (folder / "config").mkdir()
    for table, text in TABLES.items():
        (folder / "config" / table).write_text(text, encoding="utf-8")
    build(folder)
    return folder


@pytest.mark.slow
def test_a_wrong_side_is_a_finding_of_that_find_alone_on_the_pages_made_from_it(dogs: Path) -> None:
    records = {path.parent.name: json.loads(path.read_text(encoding="utf-8")) for path in dogs.glob("results/finds/*/siding.json")}
    found = {name: [f["code"] for f in record["findings"] if f["severity"] == "review"] for name, record in records.items()}
    assert found == {"a-left": [], "a-right": [], "b-wrong": ["side-contradicted"]}
    pages = {path.parent.relative_to(dogs / "results").as_posix(): path.read_text(encoding="utf-8") for path in dogs.glob("results/*/*/report.html")}
    assert {name for name, page in pages.items() if "only as a left humerus would" in page} == {"second/humerus-left", "second/humerus-right"}
    summary = (dogs / "results/summary.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[0] for line in summary if "side-contradicted" in line] == ["second", "second"]
    assert "only as a left humerus would" in (dogs / "results/index.html").read_text(encoding="utf-8")
    status = bonewright("status", "--batch", dogs, "--json")
    reasons = {f"{row['target']}/{row['element']}": (row["status"], row["why"]) for row in json.loads(status.stdout)["elements"]}
    assert reasons["second/humerus-right"][0] == "review"
    assert reasons["second/humerus-right"][1].startswith("b-wrong: the row says right")


@pytest.mark.slow
def test_the_corrected_row_is_no_finding(dogs: Path) -> None:
    bones = dogs / "config/bones.csv"
    bones.write_text(ROWS.replace("b-wrong,humerus,right", "b-wrong,humerus,left"), encoding="utf-8")
    answer = build(dogs)
    assert [name for name in answer["ran"] if name.startswith("siding")] == ["siding:a-left", "siding:a-right", "siding:b-wrong"]
    assert not [path for path in dogs.glob("results/finds/*/siding.json") if json.loads(path.read_text(encoding="utf-8"))["findings"]]
