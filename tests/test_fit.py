"""Neighbours from different sources are held against each other at their joints."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from dog_individuals import read_bone, warp
from six_bones import bone, bonewright, build, edit

from meshtools.geometry.end_widths import EndWidths, end_widths
from meshtools.geometry.transform import scale
from meshtools.joints import Joint, joints_of
from meshtools.model import Element, EvidenceClass, Find, Mesh, Recipe, Register, Side, Unit
from meshtools.settings import FitSettings, Settings
from meshtools.stages.fit import check_fit

LONG = EndWidths(30.0, 20.0, 60.0, True)
FEMUR, TIBIA = Element("femur", Side.LEFT, joins=("tibia-left",)), Element("tibia", Side.LEFT, joins=("femur-left",))
FIND = Find(0, "a-femur", "femur", Side.LEFT, "ind-a", "scan.stl", Unit.MM)
B_FEMUR, B_TIBIA = replace(FIND, find="b-femur", organism_id="ind-b"), replace(FIND, find="b-tibia", element="tibia", organism_id="ind-b")
OWN = Recipe("mount", "femur-left", EvidenceClass.OWN, ("a-femur",), False, 1.0, None, "", "", (), "planned")
DONOR = replace(OWN, element="tibia-left", evidence=EvidenceClass.DON, finds=("b-tibia",), factor=1.1)


def register_of(*finds: Find) -> Register:
    return Register((), (FEMUR, TIBIA), finds, (), (), (), Settings())


def test_only_neighbours_of_different_sources_are_held_against_each_other() -> None:
    register = register_of(FIND, B_FEMUR, B_TIBIA)
    assert joints_of("mount", [OWN, DONOR], register) == (Joint("femur-left", "tibia-left", (("b-femur", "b-tibia"),)),)
    assert joints_of("mount", [replace(DONOR, element="femur-left", finds=("b-femur",)), DONOR], register) == ()
    assert joints_of("mount", [OWN], register) == ()


def test_an_individual_of_which_one_bone_is_incomplete_is_no_reference() -> None:
    (joint,) = joints_of("mount", [OWN, DONOR], register_of(FIND, replace(B_FEMUR, portion="distal half"), B_TIBIA))
    assert joint.references == ()


def test_the_end_of_a_bone_that_is_only_a_part_is_not_judged_unless_the_rest_is_supplied() -> None:
    register = register_of(replace(FIND, portion="proximal", preserved_percent=72.0), B_FEMUR, B_TIBIA)
    supplied = replace(OWN, finds=("a-femur", "b-femur"), partner="b-femur")
    stump, whole = (joints_of("mount", [recipe, DONOR], register)[0] for recipe in (OWN, supplied))
    assert (stump.unjudged, whole.unjudged) == ("a part", "")


def test_the_ends_of_a_frustum_are_as_wide_as_in_closed_form() -> None:
    """A truncated cone, radii 10 and 6 mm, 80 mm long: the outline of the outermost 8 % is the widest circle of each slab, 10 and 6.32 mm."""
    frustum = trimesh.creation.cylinder(radius=1.0, height=80.0, sections=256)
    vertices = np.array(frustum.vertices)
    vertices[:, :2] *= np.where(vertices[:, [2]] > 0, 10.0, 6.0)
    found = end_widths(Mesh.create(vertices, np.asarray(frustum.faces)))
    assert found.has_axis
    assert (found.wide_mm, found.narrow_mm) == pytest.approx((20.0, 12.64), rel=5e-3)


def test_a_ball_has_no_ends_and_its_own_diameter() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=7.0)
    found = end_widths(Mesh.create(np.asarray(ball.vertices), np.asarray(ball.faces)))
    assert not found.has_axis
    assert found.whole_mm == pytest.approx(14.0, rel=2e-3)


def test_a_replica_15_percent_too_large_for_its_neighbour_asks_for_review() -> None:
    big = EndWidths(30.0 * 1.15, 20.0 * 1.15, 60.0 * 1.15, True)
    row, findings = check_fit(("femur-left", "tibia-left"), (big, LONG), {"c": (LONG, LONG)}, FitSettings())
    assert (row["verdict"], row["departure_percent"]) == ("review", pytest.approx(15.0))
    assert [(f.code, f.severity.value) for f in findings] == [("joint-width", "review")]


def test_without_an_individual_that_has_both_the_joint_is_only_noted() -> None:
    row, findings = check_fit(("femur-left", "tibia-left"), (LONG, LONG), {}, FitSettings())
    assert (row["verdict"], row["expected_ratio"], row["ratio"], findings) == ("no reference", None, 1.0, ())


def test_the_size_of_a_whole_bone_and_the_width_of_an_end_are_not_divided_without_a_reference() -> None:
    row, _ = check_fit(("lumbar-01", "thoracic-04"), (replace(LONG, has_axis=False), LONG), {}, FitSettings())
    assert (row["ratio"], row["width_a_mm"], row["verdict"]) == (None, 60.0, "no reference")


def test_a_bone_without_ends_is_compared_as_a_whole() -> None:
    short = replace(LONG, has_axis=False)
    row, _ = check_fit(("femur-left", "patella-left"), (LONG, short), {"c": (LONG, LONG)}, FitSettings())
    assert (row["ends"], row["verdict"]) == (["wide", "whole"], "fits")


def test_real_bones_of_three_individuals_fit_at_the_knee_and_do_not_with_a_wrong_factor() -> None:
    """Warps of 1 % of the length, larger than the 0.2-0.4 % found between left and right long bones (tests/dog_individuals.py)."""

    def widths(name: str, seed: int, factor: float = 1.0) -> EndWidths:
        vertices, faces = read_bone(name)
        return end_widths(scale(Mesh.create(warp(vertices, 1.0, seed), faces), factor))

    reference = {"c": (widths("Femoris_L", 3, 0.8), widths("Tibia_L", 4, 0.8))}
    right, wrong = (check_fit(("f", "t"), (widths("Femoris_L", 1), widths("Tibia_L", 2, k)), reference, FitSettings())[0] for k in (1.0, 0.85))
    assert abs(right["departure_percent"]) < 5
    assert wrong["departure_percent"] == pytest.approx(100 * ((1 + right["departure_percent"] / 100) / 0.85 - 1), abs=0.01)
    assert (right["verdict"], wrong["verdict"]) == ("fits", "review")


@pytest.mark.slow
def test_a_wrong_factor_is_seen_on_the_index_before_anything_is_made_ready(batch: Path) -> None:
    vertices, faces = bone("a-femur-left")
    trimesh.Trimesh(vertices * 0.9, faces, process=False).export(batch / "scans/b-femur-left.stl")
    with (batch / "config/bones.csv").open("a", encoding="utf-8") as stream:
        stream.write("b-femur-left,femur,left,ind-b,Fictotherium exemplum,adult,98,b-femur-left.stl,mm,,\n")
    edit(batch / "config/skeleton.csv", "UBERON:0000979,,", "UBERON:0000979,,femur")
    answer = build(batch)
    rows = {row["a"]: row for row in json.loads((batch / "results/mount/fit.json").read_text(encoding="utf-8"))["facts"]["rows"]}
    assert {name: row["verdict"] for name, row in rows.items()} == {"femur-left": "fits", "femur-right": "fits"}
    assert abs(rows["femur-left"]["departure_percent"]) < 4  # the factor of the tibia is 1.12, that of the femurs 1 / 0.9
    assert answer["joints"] == []
    with (batch / "config/decisions.csv").open("a", encoding="utf-8") as stream:
        stream.write("mount,tibia-left,,factor,0.95,A. Curator,2026-03-01,a guess,\n")
    (finding,) = build(batch)["joints"]
    assert re.match(r"review: femur-left and tibia-left: at their joint femur-left is 1\d % wider than tibia-left asks for", finding)
    assert "wider than tibia-left asks for" in (batch / "results/index.html").read_text(encoding="utf-8")
    assert bonewright("status", "--batch", batch).returncode == 1
