"""Joints in a build: a row of vertebrae in one frame with a foreign one in it, and what an edited pose runs again."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
import trimesh
from dog_individuals import read_bone, warp, write_scan
from six_bones import bonewright, build, jobs_run_since, newest_ns

HEAD = "find,element,side,organismID,scientificName,lifeStage,preserved_percent,scan,unit\n"
IDENTITY = "1 0 0 0 0 1 0 0 0 0 1 0"


def make_row(folder: Path) -> Path:
    """Lumbar vertebrae 1 to 4 of one dog in one frame; a curator has put one of another dog, 15 % larger, in the place of the third."""
    (folder / "config").mkdir(parents=True)
    rows, poses = [HEAD], ["find,frame,matrix\n"]
    for place in range(1, 5):
        write_scan(folder / f"scans/a-{place}.stl", *read_bone(f"L_{place}"))
        rows.append(f"a-{place},lumbar-0{place},median,ind-a,Fictotherium exemplum,adult,100,a-{place}.stl,mm\n")
        poses.append(f"a-{place},bench,{IDENTITY}\n")
    vertices, faces = read_bone("L_3")
    write_scan(folder / "scans/b-3.stl", warp(vertices, 1.0, 5) * 1.15, faces)
    rows.append("b-3,lumbar-03,median,ind-b,Fictotherium exemplum,adult,100,b-3.stl,mm\n")
    tables = {
        "bones.csv": "".join(rows), "poses.csv": "".join(poses), "skeleton.csv": "element,pairing,position\nlumbar,median,1-4\n",
        "config.yaml": "targets:\n  mount:\n    individual: ind-a\n",
        "decisions.csv": "target,element,find,kind,value,by,date,reason\nmount,lumbar-03,b-3,donor,,A. Curator,2031-01-01,a test\n"
                         "mount,lumbar-03,b-3,factor,1.0,A. Curator,2031-01-01,a test\n",
    }  # fmt: skip
    for name, text in tables.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")
    return folder


@pytest.mark.slow
def test_a_row_with_a_foreign_vertebra_names_it_and_an_edited_pose_runs_its_own_joint_alone(tmp_path: Path) -> None:
    batch = make_row(tmp_path / "batch")
    answer = build(batch)
    rows = {row["joint"]: row for row in json.loads((batch / "results/mount/fit.json").read_text(encoding="utf-8"))["facts"]["rows"]}
    own, before, after = (rows[f"lumbar-0{k} / lumbar-0{k + 1}"] for k in (1, 2, 3))
    assert (own["gap_basis"], own["verdict"], own["overlap_mm"]) == ("common frame", "one source", 0.0)
    assert own["gap_mm"] == pytest.approx(0.17, abs=0.15)  # of the dog; cleaning may move the skin by 0.125 mm
    assert [(row["gap_basis"], row["overlap_mm"] > 0.5) for row in (before, after)] == [("posed", True)] * 2
    named = [text for text in answer["joints"] if "overlap by" in text and "lumbar-03 is 15 % larger" in text]
    assert len(named) == 2
    assert "lumbar-02 and lumbar-03 overlap by" in (batch / "results/index.html").read_text(encoding="utf-8")
    moment = newest_ns(batch)
    (batch / "config/pose.csv").write_text("parent,child,gap_mm\nlumbar-01,lumbar-02,3\n", encoding="utf-8")
    build(batch)
    assert jobs_run_since(batch, moment) == {"joint-mount-joints-lumbar-01__lumbar-02", "fit-mount", "index-index"}
    rows = {row["joint"]: row for row in json.loads((batch / "results/mount/fit.json").read_text(encoding="utf-8"))["facts"]["rows"]}
    assert rows["lumbar-01 / lumbar-02"]["median_gap_mm"] == pytest.approx(3.0, abs=0.02)
    assert rows["lumbar-02 / lumbar-03"] == before
    answer = bonewright("pose", "mount", "--batch", batch, "-o", batch / "row.glb", "--json")
    assert answer.returncode == 0, answer.stderr
    gaps = {row["b"]: row for row in json.loads(answer.stdout)["joints"]}
    assert gaps["lumbar-02"]["median_gap_mm"] == pytest.approx(3.0, abs=0.02)
    table = list(csv.DictReader((batch / "row-places.csv").open(encoding="utf-8")))
    assert [(row["element"], row["basis"]) for row in table if row["kind"] == "bone"] == [
        ("lumbar-01", "common frame"), ("lumbar-02", "common frame"), ("lumbar-03", "posed"), ("lumbar-04", "common frame"),
    ]  # fmt: skip
    assert len(trimesh.load_scene(batch / "row.glb").geometry) == 4
    assert bonewright("pose", "mount", "--batch", batch, "-o", batch / "row.ply").returncode == 0
    assert bonewright("pose", "mounted", "--batch", batch, "-o", batch / "row.ply").returncode == 2
