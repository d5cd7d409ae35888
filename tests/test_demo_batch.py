"""The demo batch: its tables load, its size is bounded, and its truth holds for the tables and the scans."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "sample_meshes" / "demo"
TRUTH = {entry["find"]: entry for entry in json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["finds"]}
ROWS = {row["find"]: row for row in csv.DictReader((DEMO / "config" / "bones.csv").read_text(encoding="utf-8").splitlines())}


@pytest.fixture
def generator(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "sample_meshes"))
    yield
    for name in ("fields", "bones", "limbs", "axial", "scanning", "finds", "scanned_find", "batch_tables", "scan_files", "make_demo"):
        sys.modules.pop(name, None)


def read_in_bone_frame(find):
    """Vertices of a scan carried back into the frame of its bone, in mm, and the faces."""
    from meshtools.files.read_scan import read_scan

    scan = read_scan(DEMO / ROWS[find]["scan"])
    bone = np.linalg.inv(np.array(TRUTH[find]["scan_from_bone"]))
    return scan.vertices @ bone[:3, :3].T + bone[:3, 3], scan.faces


def test_the_batch_loads_without_a_problem_in_its_tables():
    from meshtools.register import load_register

    register = load_register(DEMO)
    assert len(register.finds) == len(TRUTH) == 43
    assert len(register.elements) == 40
    assert {target.name for target in register.targets} == {"adult", "small"}


def test_the_batch_stays_small_enough_for_a_repository():
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) <= 15_000_000


@pytest.mark.parametrize("find", sorted(TRUTH))
def test_the_caliper_agrees_with_the_true_length_within_half_a_millimetre(find):
    row, truth = ROWS[find], TRUTH[find]
    assert float(row["caliper_mm"]) == pytest.approx(truth["greatest_length_mm"], abs=0.5)
    if row["second_caliper_mm"]:
        assert row["second_caliper_of"] == truth["second_length_of"]
        assert float(row["second_caliper_mm"]) == pytest.approx(truth["second_length_mm"], abs=0.5)


def test_one_row_says_the_wrong_side_and_one_scan_cannot_be_read():
    from meshtools.errors import ScanError
    from meshtools.files.read_scan import read_scan

    assert [find for find in ROWS if ROWS[find]["side"] != TRUTH[find]["side"]] == ["c-humerus-r"]
    unreadable = [find for find in TRUTH if not TRUTH[find]["is_readable"]]
    assert unreadable == ["a-femur-r"]
    with pytest.raises(ScanError):
        read_scan(DEMO / ROWS["a-femur-r"]["scan"])


@pytest.mark.parametrize(("left", "right"), [("a-rib-01-l", "a-rib-01-r"), ("a-humerus-l", "a-humerus-r")])
def test_a_right_scan_is_the_reflected_left_one_and_not_the_left_one(left, right):
    from meshtools.geometry.distance import Surface
    from meshtools.geometry.transform import reflect
    from meshtools.model import Mesh

    whole = Mesh.create(*read_in_bone_frame(left))
    vertices, faces = read_in_bone_frame(right)
    points = vertices[np.unique(faces)]
    if TRUTH[right]["element"] == "humerus":  # only the lower half is there, and its broken face has no counterpart
        points = points[points[:, 2] < points[:, 2].min() + 75.0]
    assert np.median(Surface(reflect(whole)).distance(points)[0]) < 0.1
    assert np.percentile(Surface(reflect(whole)).distance(points)[0], 98) < 0.5  # the rest lies over a hole of the left scan
    assert np.median(Surface(whole).distance(points)[0]) > 1.0


@pytest.mark.parametrize("find", ["a-femur-l", "a-thoracic-01", "a-tibia-r", "b-ulna-l", "c-ulna-r"])
def test_a_true_surface_is_closed_faces_outwards_and_lies_on_its_scan(find):
    from meshtools.files.read_scan import read_scan
    from meshtools.geometry.audit import audit_topology
    from meshtools.geometry.distance import Surface
    from meshtools.model import Mesh

    raw = read_scan(DEMO / "truth" / f"{find}.ply")
    audit = audit_topology(Mesh.create(raw.vertices, raw.faces))
    assert audit.is_closed
    assert audit.is_outward
    assert audit.volume_mm3 == pytest.approx(TRUTH[find]["volume_mm3"], rel=1e-4)
    scan = read_scan(DEMO / ROWS[find]["scan"])
    gaps = Surface(Mesh.create(raw.vertices, raw.faces)).distance(scan.vertices * TRUTH[find]["mm_per_unit"])[0]
    assert np.percentile(gaps, 95) < 0.25


def test_the_plan_shows_every_class_that_the_demo_was_made_for():
    from meshtools.plan import make_plan
    from meshtools.register import load_register

    plan = make_plan(load_register(DEMO))
    for target in ("adult", "small"):
        classes = {recipe.evidence.value for recipe in plan.recipes if recipe.target == target}
        assert classes == {"OWN", "OWN-R", "DON", "DON-R", "NONE"} | ({"OWN-C"} if target == "adult" else set())
        assert {"planned", "gap"} <= {recipe.status for recipe in plan.recipes if recipe.target == target}


def test_the_command_line_names_elements_in_the_order_of_the_index():
    from meshtools.commands_batch import element_rows
    from meshtools.jobs.index import _index
    from meshtools.workspace import open_workspace

    workspace = open_workspace(DEMO)
    rows = element_rows(workspace, frozenset())
    listed = [row for target in _index(workspace.worklist.jobs["index"]["index"], rows[::-1], {}, [])["targets"] for row in target["rows"]]
    names = [(row["target"], row["element"]) for row in rows]
    assert names == [(row["target"], row["element"]) for row in listed] != sorted(names)


@pytest.mark.usefixtures("generator")
def test_the_generator_makes_the_same_bytes_twice_and_the_stored_scan():
    """One scan stands for all, so that the test stays fast: its noise, floaters, pose and file form.

    Equal bytes are promised on one type of machine; the stored scan may come from another, so it is held to a micrometre.
    """
    from finds import SCANS
    from scan_files import encode_scan
    from scanned_find import ScannedFind

    scan = next(scan for scan in SCANS if scan.find == "d-rib-01-r")
    first, second = ScannedFind(scan), ScannedFind(scan)
    made = [encode_scan(one.posed(one.mesh[0]), one.mesh[1], one.colours(), scan.kind, scan.unit) for one in (first, second)]
    assert made[0] == made[1]
    vertices, faces = read_in_bone_frame("d-rib-01-r")
    np.testing.assert_array_equal(faces, first.mesh[1])
    np.testing.assert_allclose(vertices, first.mesh[0], atol=1e-3)


@pytest.mark.usefixtures("generator")
@pytest.mark.parametrize("element", ["femur", "rib-04"])
def test_the_true_right_bone_is_the_reflected_left_one(element):
    from fields import volume
    from scanning import true_surface

    left, right = (true_surface("ind-b", element, side, 2000) for side in ("left", "right"))
    np.testing.assert_array_equal(right[0], left[0] * [-1, 1, 1])
    assert volume(*right) == pytest.approx(volume(*left), rel=1e-9)
    assert volume(*right) > 0
