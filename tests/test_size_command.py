"""The size of one individual against another from scans: the factor is measured, doubts are named, and the plan sends to it where it helps."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import pytest
from scanned_individuals import scanned, write_batch
from six_bones import bonewright, edit

from meshtools.factor import Length
from meshtools.model import Element, Find, Side, Unit
from meshtools.scale_statistics import pooled_factor
from meshtools.size_pairs import pairs_between
from meshtools.sizing import BoneRatio, length_slopes, pool_ratios

SIZE = 1.17
SKELETON = ("humerus,paired,limb", "femur,paired,limb", "tibia,paired,limb", "talus,paired,foot", "metatarsal,paired,foot")
TAXON = "Fictotherium exemplum"
BONES = (
    f"a-humerus,humerus,left,ind-a,{TAXON},98", f"a-femur,femur,left,ind-a,{TAXON},75", f"a-tibia,tibia,left,ind-a,{TAXON},98",
    f"a-talus,talus,left,ind-a,{TAXON},98",
    f"b-humerus,humerus,right,ind-b,{TAXON},98", f"b-femur,femur,left,ind-b,{TAXON},98", f"b-tibia,tibia,left,ind-b,{TAXON},75",
    f"b-talus,talus,left,ind-b,{TAXON},98", f"b-metatarsal,metatarsal,left,ind-b,{TAXON},98",
)  # fmt: skip


def make_batch(folder: Path, seed: int = 0) -> Path:
    """Two individuals, the first 1.17 times the second, 0.5 % apart in shape each, with a broken femur and a broken tibia."""
    scans = {
        "a-humerus": scanned("humerus_L", seed + 1, SIZE), "a-femur": scanned("Femoris_L", seed + 3, SIZE, lost=0.25),
        "a-tibia": scanned("Tibia_L", seed + 5, SIZE), "a-talus": scanned("Tibial_tarsal_L", seed + 7, SIZE),
        "b-humerus": scanned("humerus_R", seed + 9), "b-femur": scanned("Femoris_L", seed + 11), "b-tibia": scanned("Tibia_L", seed + 13, lost=0.25),
        "b-talus": scanned("Tibial_tarsal_L", seed + 15), "b-metatarsal": scanned("Metatarsi_L_3", seed + 17),
    }  # fmt: skip
    return write_batch(folder, BONES, SKELETON, scans)


def size_of(batch: Path, *arguments: str) -> tuple[int, dict[str, Any]]:
    done = bonewright("size", *arguments, "--batch", batch, "--json")
    assert done.returncode in (0, 1), done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_batch(tmp_path_factory.mktemp("size") / "batch")


@pytest.fixture(scope="module")
def answer(batch: Path) -> tuple[int, dict[str, Any]]:
    return size_of(batch, "mount", "ind-b")


@pytest.mark.slow
def test_the_factor_of_four_scanned_bones_is_the_true_one_within_a_percent(answer: tuple[int, dict[str, Any]]) -> None:
    code, facts = answer
    assert (code, facts["pooled"]["n"], facts["pooled"]["departing"]) == (0, 4, [])
    assert facts["pooled"]["factor"] == pytest.approx(SIZE, rel=0.01)
    low, high = facts["pooled"]["interval"]
    assert low < SIZE < high


@pytest.mark.slow
def test_every_bone_says_what_was_laid_on_what(answer: tuple[int, dict[str, Any]]) -> None:
    bones = {bone["element"]: bone for bone in answer[1]["bones"]}
    assert sorted(bones) == ["femur", "humerus", "talus", "tibia"]
    assert [name for name, bone in bones.items() if bone["is_reflected"]] == ["humerus"]
    assert all(bone["is_trusted"] and bone["ratio"] == pytest.approx(SIZE, rel=0.02) for bone in bones.values())


@pytest.mark.slow
def test_the_proposed_row_gives_the_waiting_bone_its_factor(batch: Path, answer: tuple[int, dict[str, Any]]) -> None:
    """Limb has its own factor from three bones; the metatarsal is of the foot, so that all four bones carry it."""
    facts = answer[1]
    (row,) = csv.reader([row for row in facts["decisions"] if "b-metatarsal" in row])
    numbers = [facts["pooled"]["factor"], *facts["pooled"]["interval"]]
    assert row == ["mount", "", "b-metatarsal", "factor", " ".join(f"{number:.4f}" for number in numbers), "", "", "registration of 4 bones", ""]
    assert sorted(facts["groups"]) == ["limb"]
    header = "target,element,find,kind,value,by,date,reason,evidence_key\n"
    signed = ",".join([*row[:5], "A. Keeper", "2031-05-06", *row[7:]])
    (batch / "config/decisions.csv").write_text(f"{header}{signed}\n", encoding="utf-8")
    plan = json.loads(bonewright("plan", "--batch", batch, "--json").stdout)
    (batch / "config/decisions.csv").unlink()
    (metatarsal,) = [element for element in plan["elements"] if element["element"] == "metatarsal-left"]
    assert (metatarsal["class"], [metatarsal["factor"], *metatarsal["factor_interval"]]) == ("DON", [round(number, 4) for number in numbers])


def test_the_plan_sends_to_the_scans_where_no_length_is_shared(tmp_path: Path) -> None:
    batch = write_batch(tmp_path / "batch", BONES, SKELETON, {})
    steps = json.loads(bonewright("plan", "--batch", batch, "--json").stdout)["next_steps"]
    wanted = "run `bonewright size mount ind-b`, which measures the factor from the scans of femur, humerus, talus and tibia"
    assert [step["message"].split(":")[0] for step in steps if "bonewright size" in step["message"]] == [wanted]


def test_two_individuals_without_a_bone_in_common_need_a_person(tmp_path: Path) -> None:
    batch = write_batch(tmp_path / "batch", [row for row in BONES if row.startswith("a-") or "metatarsal" in row], SKELETON, {})
    done = bonewright("size", "mount", "ind-b", "--batch", batch)
    assert (done.returncode, "No bone can be trusted" in done.stdout) == (1, True)


def test_an_unknown_individual_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    batch = write_batch(tmp_path / "batch", BONES, SKELETON, {})
    done = bonewright("size", "mount", "ind-bb", "--batch", batch)
    assert (done.returncode, "Did you mean 'ind-b'?" in done.stderr) == (2, True)


def test_scans_that_are_missing_are_named_and_nothing_is_proposed(tmp_path: Path) -> None:
    batch = write_batch(tmp_path / "batch", BONES, SKELETON, {})
    code, facts = size_of(batch, "mount", "ind-b")
    assert (code, facts["pooled"], facts["decisions"], len(facts["left_out"])) == (1, None, [], 8)


def test_lengths_stand_beside_the_scans_and_five_animals_give_a_slope(tmp_path: Path) -> None:
    """Six animals, equal but for one: the slope 1 is in the interval. 117 and 118 over 100 -> sqrt(1.17 * 1.18)."""
    batch = write_batch(tmp_path / "batch", BONES, SKELETON, {})
    rows = [f"ind-{name},{element},left,greatest length,{value},mm" for element, large in (("femur", 117), ("tibia", 118))
            for name, value in (("a", large), ("b", 100), *((str(n), 100 + 10 * n) for n in range(1, 5)))]  # fmt: skip
    header = "organismID,element,side,measurementType,measurementValue,measurementUnit"
    (batch / "config/measurements.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    _, facts = size_of(batch, "mount", "ind-b")
    assert (facts["measured"]["n"], facts["measured"]["factor"]) == (2, pytest.approx(math.sqrt(1.17 * 1.18), abs=1e-6))
    (slope,) = facts["slopes"]
    assert (slope["x"], slope["y"], slope["n"]) == ("femur greatest-length", "tibia greatest-length", 6)
    assert slope["isometry"] == "isometry not rejected (n = 6)"
    assert "isometry not rejected (n = 6)" in bonewright("size", "mount", "ind-b", "--batch", batch).stdout


@pytest.mark.slow
def test_a_scan_that_its_caliper_contradicts_is_not_trusted(tmp_path: Path) -> None:
    batch = write_batch(tmp_path / "batch", [row for row in BONES if "talus" in row], SKELETON, {
        "a-talus": scanned("Tibial_tarsal_L", 7, SIZE), "b-talus": scanned("Tibial_tarsal_L", 15)})  # fmt: skip
    edit(batch / "config/bones.csv", "scan,unit\n", "scan,unit,caliper_mm,caliper_of\n")
    edit(batch / "config/bones.csv", "a-talus.stl,mm", "a-talus.stl,mm,10,greatest-length")
    edit(batch / "config/bones.csv", "b-talus.stl,mm", "b-talus.stl,mm,,")
    code, facts = size_of(batch, "mount", "ind-b")
    assert (code, facts["bones"][0]["is_trusted"], facts["pooled"]) == (1, False, None)
    assert "caliper" in facts["bones"][0]["reason"]


def find(name: str, side: Side, organism: str, preserved: float | None = 98.0, **more: Any) -> Find:
    return Find(1, name, "femur", side, organism, "", Unit.MM, preserved_percent=preserved, **more)


def test_each_find_is_paired_with_its_own_side_and_with_the_other_only_without_one() -> None:
    rows = [find("a-l", Side.LEFT, "a"), find("b-l", Side.LEFT, "b"), find("b-r", Side.RIGHT, "b")]
    pairs, _ = pairs_between(rows, "a", "b")
    assert [(pair.target.find, pair.donor.find, pair.reflect) for pair in pairs] == [("a-l", "b-l", False), ("a-l", "b-r", True)]
    pairs, _ = pairs_between([*rows, find("a-r", Side.RIGHT, "a")], "a", "b")
    assert [(pair.target.find, pair.donor.find) for pair in pairs] == [("a-l", "b-l"), ("a-r", "b-r")]


def test_the_less_preserved_bone_is_laid_on_the_other_and_two_stubs_are_left_out() -> None:
    stub, whole = find("a-l", Side.LEFT, "a", 40.0), find("b-l", Side.LEFT, "b")
    assert [pair.is_donor_laid for pair in pairs_between([stub, whole], "a", "b")[0]] == [False]
    assert [pair.is_donor_laid for pair in pairs_between([stub, whole], "b", "a")[0]] == [True]
    pairs, left_out = pairs_between([stub, find("b-l", Side.LEFT, "b", 50.0)], "a", "b")
    assert (pairs, left_out) == ((), ("femur: neither individual has a whole one",))


def test_deformed_and_doubtful_finds_tell_no_size() -> None:
    crushed, doubtful = find("b-l", Side.LEFT, "b", deformation="crushed"), find("b-r", Side.RIGHT, "b", identification_qualifier="cf.")
    pairs, left_out = pairs_between([find("a-l", Side.LEFT, "a"), crushed, doubtful], "a", "b")
    assert (pairs, len(left_out)) == ((), 2)


def ratio(element: str, value: float, is_trusted: bool = True) -> BoneRatio:
    return BoneRatio(element, "t", "d", False, value, 0.5, 100.0, is_trusted, "")


def test_sides_of_an_element_count_once_and_untrusted_bones_not_at_all() -> None:
    elements = [Element(name, Side.LEFT, group="limb") for name in ("femur", "tibia", "humerus")]
    bones = [ratio("femur", 1.10), ratio("femur", 1.12), ratio("tibia", 1.15), ratio("humerus", 1.18), ratio("ulna", 9.0, False)]
    estimate = pool_ratios(bones, elements)
    expected = pooled_factor({"femur": math.sqrt(1.10 * 1.12), "tibia": 1.15, "humerus": 1.18})
    assert estimate.pooled == expected
    assert (estimate.for_group("limb"), estimate.for_group("foot"), estimate.is_founded) == ((expected, True), (expected, False), True)


def test_slopes_need_five_individuals_and_say_whether_isometry_is_rejected() -> None:
    """y = x^1.5 exactly: slope 1.5, interval of no width (closed form), so that isometry is rejected."""
    keys = ("femur", "greatest-length"), ("tibia", "greatest-length")
    lengths = {f"ind-{n}": {keys[0]: Length(100.0 + n, ("femur",)), keys[1]: Length((100.0 + n) ** 1.5, ("tibia",))} for n in range(5)}
    (slope,) = length_slopes(lengths)
    assert (slope.sma.slope, slope.words) == (pytest.approx(1.5), "isometry rejected (n = 5)")
    assert length_slopes({name: lengths[name] for name in list(lengths)[:4]}) == ()
    assert length_slopes({f"unassociated:{name}": one for name, one in lengths.items()}) == ()
