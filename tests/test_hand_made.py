"""An element that is a file made by hand, from the row in decisions.csv to the page that says so."""

from __future__ import annotations

import csv
import html
import json
from pathlib import Path

import numpy as np
import pytest
from six_bones import bonewright, build, jobs_run_since, newest_ns
from solid_shapes import ball

from meshtools.files.mesh_ply import read_replica_ply
from meshtools.model import Mesh

MODEL = "models/sacrum.stl"
REASON = "modelled by C. Carver after plate 4 of the invented atlas"
OF_THE_MODEL = {"clean-model-mount-sacrum", "rebuild-mount-sacrum", "report-mount-sacrum", "index-index"}


def write_model(batch: Path, length_mm: float) -> None:
    """A closed block, as a person would model one; the file is in mm."""
    import trimesh

    shape: Mesh = ball(1.0, n_splits=4)
    (batch / "models").mkdir(exist_ok=True)
    model = trimesh.Trimesh(shape.vertices * (18.0, 14.0, length_mm / 2.0), shape.faces, process=False)
    model.export(batch / MODEL)


def decide(batch: Path, path: str = MODEL) -> None:
    with (batch / "config/decisions.csv").open("a", encoding="utf-8") as stream:
        stream.write(f"mount,sacrum,,class,SCU: {path},A. Curator,2026-03-01,{REASON},\n")


@pytest.fixture
def modelled(batch: Path) -> Path:
    """The six-bone batch whose sacrum is made by hand, not built yet."""
    write_model(batch, 64.0)
    decide(batch)
    return batch


def record(batch: Path, name: str) -> dict:
    return json.loads((batch / "results/mount/sacrum" / name).read_text(encoding="utf-8"))


@pytest.mark.slow
def test_a_file_made_by_hand_becomes_the_replica_and_says_so_everywhere(modelled: Path) -> None:
    before_ns = newest_ns(modelled)
    build(modelled)
    assert jobs_run_since(modelled, before_ns) == OF_THE_MODEL
    made = record(modelled, "record.json")
    mesh = read_replica_ply(modelled / "results/mount/sacrum/replica.ply")
    assert {made["sources"][number]["class"] for number in np.unique(mesh.source)} == {"SCU"}
    assert made["facts"]["extents_mm"] == pytest.approx([36.0, 28.0, 64.0], abs=0.2)  # its own size: no donor's factor
    assert (made["facts"]["deliverable"], made["facts"]["volume_from_bone_percent"]) == (True, 0.0)
    assert [finding["code"] for finding in record(modelled, "report.json")["findings"]] == ["scale-unchecked"]
    page = html.unescape((modelled / "results/mount/sacrum/report.html").read_text(encoding="utf-8"))
    for words in ("SCU", "modelled by hand", REASON, "A. Curator", MODEL):
        assert words.lower() in page.lower()
    assert "0.0\u202f% of the surface area comes from a scanned bone; the rest is nobody's bone (SCU)." in page
    assert record(modelled, "report.json")["facts"]["from_bone_ratio"] == 0.0
    with (modelled / "results/summary.csv").open(encoding="utf-8", newline="") as stream:
        row = next(row for row in csv.DictReader(stream) if row["element"] == "sacrum")
    assert (row["class"], row["status"]) == ("SCU", "ready")


@pytest.mark.slow
def test_another_version_of_the_file_reruns_its_element_alone(modelled: Path) -> None:
    build(modelled)
    before_ns = newest_ns(modelled)
    write_model(modelled, 70.0)
    build(modelled)
    assert jobs_run_since(modelled, before_ns) == OF_THE_MODEL
    assert record(modelled, "record.json")["facts"]["extents_mm"][2] == pytest.approx(70.0, abs=0.2)


@pytest.mark.slow
def test_a_missing_file_is_named_by_the_check_and_fails_its_element_alone(batch: Path) -> None:
    decide(batch, "models/sakrum.stl")
    checked = bonewright("check", "--batch", batch)
    assert checked.returncode in (1, 2)
    assert "the file made by hand models/sakrum.stl is not there" in checked.stdout + checked.stderr
    answer = build(batch)
    assert {row["element"]: row["status"] for row in answer["elements"] if row["status"] != "ready"} == {"sacrum": "failed"}
    message = record(batch, "record.json")["findings"][0]["message"]
    assert "models/sakrum.stl" in message
    assert "b-sacrum" in message  # the next best source
