"""Holes of the armature in a build: what fixings.csv may say, what is cut, where it says the holes are, and what an edited row runs again."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from dog_individuals import read_bone, write_scan
from six_bones import bonewright, build, jobs_run_since, newest_ns
from solid_shapes import capsule
from test_register import problems_of
from tiny_batch import make_tiny_batch

from meshtools.files.mesh_ply import read_replica_ply, write_replica_ply
from meshtools.geometry.audit import audit_topology
from meshtools.jobs.fixings import drawings_of
from meshtools.model import EvidenceClass, Origin, SourceEntry
from meshtools.model_fixings import Fixing
from meshtools.settings_fixings import FixingSettings
from meshtools.stages.fixings import cut_fixings

OWN = (SourceEntry(EvidenceClass.OWN, "a", Origin.SCANNED),)
SHAFT = capsule(30.0, 200.0, 24, 4, 8)
FIXED = {"row": 2, "target": "mount", "element": "femur-left", "fit": "print"}


def codes(*fixings: Fixing) -> list[str]:
    return [finding.code for finding in cut_fixings(SHAFT, OWN, fixings, (), FixingSettings()).findings]


def test_a_hole_is_wider_than_its_rod_by_the_clearance_of_its_fit() -> None:
    """Rod 8: 8.4 in a print, 8.75 in adhesive; 2 x 8 deep and 10 mm free below [mount practice]."""
    socket = {"kind": "socket", "diameter_mm": 8.0, "point": (31.0, 0.0, 10.0), "turn_stop": "flat"}
    for fit, hole in (("print", 8.4), ("adhesive", 8.75)):
        made = cut_fixings(SHAFT, OWN, [Fixing(**FIXED | socket | {"fit": fit})], (), FixingSettings())
        facts = made.facts["holes"][0]
        assert (facts["hole_mm"], facts["depth_mm"], [finding.code for finding in made.findings]) == (hole, 26.0, ["datum-blunt"])
        assert facts["wall_mm"] >= 8.0


def test_what_is_not_as_usual_is_told() -> None:
    thin = Fixing(**FIXED, kind="bore", diameter_mm=12.0, wall_mm=5.0)
    short = Fixing(**FIXED, kind="socket", diameter_mm=8.0, depth_mm=10.0, point=(31.0, 0.0, 60.0))
    thick = Fixing(**FIXED, kind="bore", diameter_mm=30.0)
    assert codes(short)[:2] == ["engagement-short", "may-turn"]
    assert codes(thick) == ["bore-refused"]
    assert {"wall-asked-thin", "holes-meet"} <= set(codes(thin, Fixing(**FIXED, kind="socket", diameter_mm=8.0, point=(31.0, 0.0, 60.0))))


def test_two_dowels_are_parallel_with_one_wall_between_them() -> None:
    fixing = Fixing(**FIXED, kind="socket", diameter_mm=6.0, point=(31.0, 0.0, 10.0), turn_stop="dowels")
    first, second = (np.array(hole["points_mm"]) for hole in cut_fixings(SHAFT, OWN, [fixing], (), FixingSettings()).facts["holes"])
    between = (second - first)[0] - ((second - first)[0] @ (first[1] - first[0])) * (first[1] - first[0]) / 22.0**2
    assert np.linalg.norm(between) == pytest.approx(6.4 + 6.0, abs=1e-3)
    assert np.cross(second[1] - second[0], first[1] - first[0]) == pytest.approx(np.zeros(3), abs=1e-2)


def test_every_wrong_cell_of_the_table_is_told_with_its_rule(tmp_path: Path) -> None:
    header = "target,element,last_element,kind,diameter_mm,fit,depth_mm,from,wall_mm,bend_radius_mm,turn_stop\n"
    rows = ",femur-left,,bore,0,print,,,,,\n,femur-left,,drill,8,tight,,,,,\n,femur-left,,row,8,,5,+w,,4,flat\n,femur-left,,bore,8,,,up,,,flat\n"
    problems = problems_of(tmp_path, fixings=header + rows)
    rows_told = [int(problem.split(",")[0].removeprefix("config/fixings.csv row ")) for problem in problems]
    assert rows_told == [2, 3, 3, 4, 4, 4, 4, 4, 4, 5, 5]
    assert sum("only for a" in problem for problem in problems) == 4
    assert any("no tube is bent so tightly" in problem for problem in problems)


def test_one_file_is_bored_or_refused_with_the_place(tmp_path: Path) -> None:
    scan = tmp_path / "bone.ply"
    scan.write_bytes(write_replica_ply(capsule(30.0, 100.0, 24, 4, 8)))
    options = ("--unit", "mm", "--diameter-mm", "12", "-o", tmp_path / "out.ply", "--json")
    refused = bonewright("bore", scan, "--wall-mm", "26", *options)
    assert (refused.returncode, (tmp_path / "out.ply").exists()) == (1, False)
    assert "is asked for" in json.loads(refused.stdout)["findings"][0]["message"]
    made = bonewright("bore", scan, "--wall-mm", "12", "--depth-mm", "50", "--from", "+z", *options)
    assert made.returncode == 0, made.stderr
    hole = json.loads(made.stdout)["facts"]["holes"][0]
    assert hole["points_mm"] == [pytest.approx([0, 0, 80], abs=0.2), pytest.approx([0, 0, 30], abs=0.2)]
    assert audit_topology(read_replica_ply(tmp_path / "out.ply")).is_closed
    assert bonewright("bore", scan, "--wall-mm", "-1", *options).returncode == 2


@pytest.mark.slow
def test_a_row_of_fixings_makes_a_bored_replica_and_an_edited_row_runs_its_own_job_alone(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    table = batch / "config/fixings.csv"
    table.write_text("element,kind,diameter_mm,wall_mm,from\nfemur-left,bore,2,,\nfemur-right,socket,3,,+z\n", encoding="utf-8")
    build(batch)
    record = json.loads((batch / "results/mount/femur-left/armature/record.json").read_text(encoding="utf-8"))
    bored = read_replica_ply(batch / "results/mount/femur-left/armature/bored.ply")
    audit = audit_topology(bored)
    assert (record["status"], audit.is_closed, record["sources"][-1]["class"]) == ("ok", True, "MADE")
    assert [drawing.name for drawing in drawings_of(record)] == ["drill-1", "drill-1-out"]
    with (batch / "results/mount/femur-left/armature/holes.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len({row["frame"] for row in rows}) == 5
    rebuilt = json.loads((batch / "results/mount/femur-left/record.json").read_text(encoding="utf-8"))["facts"]["delivered_from_scan"]
    mouths = {row["frame"].split(",")[0]: row for row in rows if row["what"] == "mouth"}
    own, stl = mouths["replica.ply"], mouths["replica.stl"]
    to_stl = np.array(rebuilt["replica.stl"]) @ np.linalg.inv(rebuilt["replica.ply"])
    moved = to_stl @ [*(float(own[axis]) for axis in "xyz"), 1.0]
    assert moved[:3] == pytest.approx([float(stl[axis]) for axis in "xyz"], abs=1.1e-3)  # both are written to 0.001 mm
    moment = newest_ns(batch)
    table.write_text(table.read_text(encoding="utf-8").replace("bore,2", "bore,3"), encoding="utf-8")
    build(batch)
    assert jobs_run_since(batch, moment) == {"fixings-mount-femur-left", "report-mount-femur-left", "index-index"}
    page = (batch / "results/mount/femur-left/report.html").read_text(encoding="utf-8")
    assert ("Holes for the armature" in page, 'href="armature/holes.csv"' in page, "bore, through the bone" in page) == (True, True, True)
    assert bonewright("verify", "--batch", batch).returncode == 0
    table.unlink()
    build(batch)
    assert not (batch / "results/mount/femur-left/armature").exists()


@pytest.mark.slow
def test_a_tube_through_placed_vertebrae_is_cut_into_each_of_them(tmp_path: Path) -> None:
    batch = tmp_path / "batch"
    (batch / "config").mkdir(parents=True)
    bones, poses = ["find,element,side,organismID,scan,unit\n"], ["find,frame,matrix\n"]
    for place in range(1, 4):
        vertices, faces = read_bone(f"L_{place}")
        write_scan(batch / f"scans/a-{place}.stl", vertices * 8.0, faces)
        bones.append(f"a-{place},lumbar-0{place},median,ind-a,a-{place}.stl,mm\n")
        poses.append(f"a-{place},bench,1 0 0 0 0 1 0 0 0 0 1 0\n")
    tables = {
        "bones.csv": "".join(bones), "poses.csv": "".join(poses), "skeleton.csv": "element,pairing,position\nlumbar,median,1-3\n",
        "config.yaml": "targets:\n  mount:\n    individual: ind-a\n",
        "fixings.csv": "element,last_element,kind,diameter_mm,fit\nlumbar-01,lumbar-03,row,20,adhesive\n",
    }  # fmt: skip
    for name, text in tables.items():
        (batch / "config" / name).write_text(text, encoding="utf-8")
    build(batch)
    row = json.loads((batch / "results/mount/rows/lumbar-01__lumbar-03/row.json").read_text(encoding="utf-8"))
    assert (row["status"], len(row["facts"]["bends"])) == ("ok", 1)
    line = np.array(row["facts"]["corners_mm"])
    for slug in row["facts"]["slugs"]:
        armature = json.loads((batch / f"results/mount/{slug}/armature/record.json").read_text(encoding="utf-8"))
        hole = armature["facts"]["holes"][0]
        assert (armature["status"], hole["wall_mm"] >= 20.0) == ("ok", True)
        place = np.array(row["facts"]["places"][slug])
        points = np.array(hole["points_mm"]) @ place[:3, :3].T + place[:3, 3]
        assert np.cross(points - line[0], (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])) == pytest.approx(np.zeros((2, 3)), abs=0.01)
    assert len((batch / "results/mount/rows/lumbar-01__lumbar-03/bends.csv").read_text(encoding="utf-8").splitlines()) == 2
