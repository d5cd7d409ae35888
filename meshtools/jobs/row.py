"""The row job: replicas of neighbours set in their pose, and a bent tube laid through them."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from meshtools.geometry.posing import left_of
from meshtools.geometry.transform import apply_matrix
from meshtools.jobs.joint import replica_surface
from meshtools.jobs.record import JobFiles, write_results
from meshtools.jobs.siding import clean_surface
from meshtools.model import Element, Finding, FloatArray, JointPose, Mesh, Record, Severity, status_of
from meshtools.model_fixings import Fixing
from meshtools.model_pose import Place
from meshtools.plain import from_plain
from meshtools.settings_fixings import FixingSettings
from meshtools.stages.pose import Frame, pose_skeleton
from meshtools.stages.row import lay_bone_row

FILES = JobFiles(("bends.csv",))
COLUMNS = ("run", "run_mm", "straight_mm", "rotation_deg", "bend_deg", "bend_radius_mm", "tangent_mm", "arc_mm", "rise_mm", "cumulative_mm")


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Pose the bones of one row and lay its tube."""
    target = job["name"].split("/")[0]
    found = {slug: replica_surface(batch, f"{target}/{slug}", key) for slug, key in sorted(job["rebuild_keys"].items())}
    replicas = {slug: mesh for slug, mesh in found.items() if mesh is not None}
    surfaces = {find: mesh for find, key in sorted(job["clean_keys"].items()) if (mesh := clean_surface(batch, find, key)) is not None}
    fixing = from_plain(Fixing, {"row": 0} | job["fixings"][0])
    settings = from_plain(FixingSettings, job["settings"])
    bones, why = pose_skeleton(
        [from_plain(Element, element) for element in job["elements"]], replicas, _frame(job, surfaces),
        [from_plain(JointPose, {"row": 0} | row) for row in job["joint_rows"]],
    )  # fmt: skip
    facts, findings = lay_bone_row(job["slugs"], replicas, {bone.slug: bone.matrix for bone in bones}, fixing, settings)
    doubts = {slug: words for slug, words in why.items() if slug in job["slugs"]} | {bone.slug: bone.doubt for bone in bones if bone.doubt}
    told = tuple(Finding(Severity.REVIEW, "row-pose", f"{slug}: {words}.") for slug, words in sorted(doubts.items()))
    facts |= {"frame": job["frame"], "slugs": job["slugs"], "places": {bone.slug: (bone.matrix.round(9) + 0.0).tolist() for bone in bones}}
    contents = {"bends.csv": bend_csv(facts["bends"]).encode()} if facts["bends"] else {}
    record = Record("row", job["key"], status_of((*findings, *told)), facts, (*findings, *told), (), ())
    write_results(batch, f"results/{job['name']}/row.json", record, contents, FILES)


def _frame(job: Mapping[str, Any], surfaces: Mapping[str, Mesh]) -> Frame:
    placed = {find: apply_matrix(surfaces[find], _array(matrix)) for find, matrix in job["left_poses"].items() if find in surfaces}
    left = left_of([(placed[a], placed[b]) for a, b in job["left_pairs"] if a in placed and b in placed])
    places = {slug: from_plain(Place, place) for slug, place in job["places"].items()}
    return Frame(places, {}, surfaces, job["factor"], left, None)


def _array(matrix: list[float]) -> FloatArray:
    return np.array(matrix, dtype=np.float64).reshape(4, 4)


def bend_csv(bends: list[dict[str, Any]]) -> str:
    """bends.csv: a row for each run of the tube and the bend after it, to 0.01 mm and 0.01 degrees."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for number, bend in enumerate(bends, start=1):
        row = bend | {"bend_radius_mm": bend["radius_mm"]}
        writer.writerow([number, *(f"{round(row[column], 2) + 0.0:.2f}" for column in COLUMNS[1:])])
    return stream.getvalue()
