"""A batch of one find that becomes two small bones: the quickest build that runs every kind of job but a comparison of finds."""

from __future__ import annotations

import contextlib
import subprocess
import time
from pathlib import Path

import numpy as np
from six_bones import BONEWRIGHT

BONES = """find,element,side,organismID,scientificName,lifeStage,preserved_percent,scan,unit,caliper_mm,caliper_of
a-femur-left,femur,left,ind-a,Fictotherium exemplum,adult,98,a-femur-left.stl,mm,,
"""
SKELETON = """element,pairing,series,position,region,group,uberon,homologue_key,joins
femur,paired,,,hindlimb,hindlimb,UBERON:0000981,,
"""
CONFIG = "targets:\n  mount:\n    individual: ind-a\nclean:\n  part_tolerance_mm: 0.4\n"


def make_tiny_batch(folder: Path) -> Path:
    """Write the batch into `folder` and return it."""
    import trimesh

    (folder / "config").mkdir(parents=True)
    (folder / "scans").mkdir()
    sphere = trimesh.creation.icosphere(subdivisions=2)
    vertices = np.asarray(sphere.vertices) * (11.0, 14.0, 40.0)
    vertices[:, 0] += 0.004 * vertices[:, 2] ** 2
    trimesh.Trimesh(vertices, sphere.faces, process=False).export(folder / "scans" / "a-femur-left.stl")
    for name, text in (("bones", BONES), ("skeleton", SKELETON)):
        (folder / "config" / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / "config" / "config.yaml").write_text(CONFIG, encoding="utf-8")
    return folder


def start_build(batch: Path) -> subprocess.Popen[bytes]:
    """A build that says nothing."""
    return subprocess.Popen([*BONEWRIGHT, "build", "--batch", str(batch)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def begun(batch: Path) -> dict[str, int]:
    """When each job of a batch began last: its log is made anew then."""
    found = {}
    for path in (batch / "logs").glob("*-*.log"):
        with contextlib.suppress(FileNotFoundError):
            found[path.name] = path.stat().st_mtime_ns
    return found


def wait_for_a_job(batch: Path, process: subprocess.Popen[bytes], before: dict[str, int]) -> None:
    """Until a job begins that was not among those that had begun before, or the build ends."""
    while process.poll() is None and begun(batch) == before:
        time.sleep(0.005)


def build_timed(folder: Path) -> tuple[Path, float, float]:
    """The batch, built, with the seconds from the start of its build to the first job, and to the end."""
    batch = make_tiny_batch(folder)
    start_s = time.monotonic()
    process = start_build(batch)
    wait_for_a_job(batch, process, {})
    to_first_s = time.monotonic() - start_s
    assert process.wait() == 0
    return batch, to_first_s, time.monotonic() - start_s
