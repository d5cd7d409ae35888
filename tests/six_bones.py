"""A batch of six small invented bones, quick to build, for the tests of the workflow."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from warm_command import warm_command

BONEWRIGHT = [sys.executable, "-m", "meshtools.cli"]

BONES = """find,element,side,organismID,scientificName,lifeStage,preserved_percent,scan,unit,caliper_mm,caliper_of
a-femur-left,femur,left,ind-a,Fictotherium exemplum,adult,98,a-femur-left.stl,mm,{a-femur-left:.2f},greatest-length
a-humerus-right,humerus,right,ind-a,Fictotherium exemplum,adult,98,a-humerus-right.ply,mm,,
a-skull,skull,median,ind-a,Fictotherium exemplum,adult,98,a-skull.stl,mm,,
a-mandible,mandible,median,ind-a,Fictotherium exemplum,adult,98,a-mandible.stl,mm,,
b-tibia-left,tibia,left,ind-b,Fictotherium exemplum,adult,98,b-tibia-left.stl,mm,,
b-sacrum,sacrum,median,ind-b,Fictotherium exemplum,adult,98,b-sacrum.stl,mm,,
"""
SKELETON = """element,pairing,series,position,region,group,uberon,homologue_key,joins
skull,median,,,head,axial,UBERON:0003129,,
mandible,median,,,head,axial,UBERON:0001684,,
femur,paired,,,hindlimb,hindlimb,UBERON:0000981,,
tibia,paired,,,hindlimb,hindlimb,UBERON:0000979,,
humerus,paired,,,forelimb,forelimb,UBERON:0000976,,
sacrum,median,,,trunk,axial,UBERON:0003690,,
"""
MEASUREMENTS = "organismID,element,side,measurementType,measurementValue,measurementUnit,measurementMethod,measurementDeterminedBy\n" + "".join(
    f"{individual},{element},left,{kind},{value},mm,caliper,A. Recorder\n"
    for element, kind, a, b in (
        ("femur", "greatest length", 112.0, 100.0),
        ("femur", "distal breadth", 22.5, 20.0),
        ("tibia", "greatest length", 100.6, 90.0),
        ("tibia", "proximal breadth", 24.7, 22.0),
    )
    for individual, value in (("ind-a", a), ("ind-b", b))
)
CONFIG = """targets:
  mount:
    individual: ind-a
clean:
  part_tolerance_mm: 0.4
"""
DECISIONS = "target,element,find,kind,value,by,date,reason,evidence_key\n"
OPENINGS = "find,kind,x,y,z,diameter_mm,action\n"
SHAPES_MM = {
    "a-femur-left": (11, 14, 56),
    "a-humerus-right": (12, 10, 45),
    "a-skull": (30, 45, 25),
    "a-mandible": (25, 40, 10),
    "b-tibia-left": (10, 9, 45),
    "b-sacrum": (20, 15, 30),
}


def bone(name: str) -> tuple[np.ndarray, np.ndarray]:
    """A lumpy, handed ellipsoid with a small hole: vertices (n, 3) mm and faces."""
    import trimesh

    sphere = trimesh.creation.icosphere(subdivisions=3)
    v = np.asarray(sphere.vertices) * np.array(SHAPES_MM[name])
    phase = sum(map(ord, name)) % 7
    v = v * (1 + 0.12 * np.sin(v[:, [1]] / 9 + phase) * np.cos(v[:, [2]] / 13))
    v[:, 0] += 0.004 * v[:, 2] ** 2 * (1 if "left" in name else -1)
    faces = np.asarray(sphere.faces)
    hole = np.argsort(np.linalg.norm(v[faces].mean(axis=1) - v[faces[40]].mean(axis=0), axis=1))[:2]
    return v + np.array([40.0, -10.0, 5.0]), np.delete(faces, hole, axis=0)


def make_six_bones(folder: Path) -> Path:
    """Write the batch into `folder` and return it."""
    import trimesh
    from scipy.spatial.distance import pdist

    (folder / "scans").mkdir(parents=True)
    lengths = {}
    for name in SHAPES_MM:
        v, faces = bone(name)
        suffix = "ply" if name == "a-humerus-right" else "stl"
        trimesh.Trimesh(v, faces, process=False).export(folder / "scans" / f"{name}.{suffix}")
        hull = trimesh.Trimesh(v, faces, process=False).convex_hull.vertices
        lengths[name] = float(pdist(hull).max())
    return make_six_bones_tables(folder, lengths)


def make_six_bones_tables(folder: Path, lengths_mm: Mapping[str, float] | None = None) -> Path:
    """Write the tables of the batch alone, with the lengths of the scans or an invented one."""
    (folder / "config").mkdir(parents=True)
    bones = BONES.format(**(lengths_mm or dict.fromkeys(SHAPES_MM, 100.0)))
    tables = {"bones": bones, "skeleton": SKELETON, "measurements": MEASUREMENTS, "decisions": DECISIONS, "openings": OPENINGS}
    for name, text in tables.items():
        (folder / "config" / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / "config" / "config.yaml").write_text(CONFIG, encoding="utf-8")
    return folder


def bonewright(*arguments: str | Path, timeout_s: float = 300) -> subprocess.CompletedProcess[str]:
    """Run the command as a user would, but for the time that loading it takes."""
    return warm_command([*map(str, arguments)], timeout_s)


def build(batch: Path, *arguments: str) -> dict[str, Any]:
    """Build the batch and return the JSON answer; a person may be needed, bad input may not."""
    done = bonewright("build", "--batch", batch, "--json", *arguments)
    assert done.returncode in (0, 1), done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    assert not answer["run_error"], answer["run_error"] + (batch / "logs" / "snakemake.log").read_text(encoding="utf-8")
    return answer


def result_hashes(batch: Path) -> dict[str, str]:
    """Hash of every file below results/, temporary ones included."""
    files = [path for path in sorted((batch / "results").rglob("*")) if path.is_file()]
    return {path.relative_to(batch).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def jobs_run_since(batch: Path, moment_ns: int) -> set[str]:
    """Names of the job logs written after a moment: what really ran, whoever says what should have run."""
    logs = batch.glob("logs/*.log")
    return {path.stem for path in logs if path.stat().st_mtime_ns > moment_ns and path.stem not in ("snakemake", "worker")}


def edit(path: Path, old: str, new: str) -> None:
    """Replace text in a table; the text must be there."""
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def newest_ns(batch: Path) -> int:
    """Time stamp of the newest log, to tell later jobs from earlier ones."""
    return max((os.stat(path).st_mtime_ns for path in batch.glob("logs/*.log")), default=0)
