"""What a batch of many small bones costs outside the geometry: CPU seconds of a whole build, and where they went.

Each scan is a ball of some 500 triangles, bent and warped by fixed random numbers. A build is run on two cores with a hook
(`job_clock/sitecustomize.py`) that notes the CPU seconds of every job and of the geometry in it; the CPU seconds of the build are what the
kernel counted for it and all its children. What is in no job is planning, Snakemake, and starting processes.

What is computed on surfaces outside the stages (`MEASURING` of the hook: the checks of the written files measure them, look for crossings and
hold their points against each other; the page's advice measures thickness) is geometry. Up to 26 November 2026 it was counted with the
files; `outside_geometry_percent_with_measuring` is the share in that older account.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

HOOK = Path(__file__).resolve().parent / "job_clock"
N_BONES, N_FACES, SEED = 250, 500, 7
SKELETON = "element,pairing,series,position,region,group\ncaudal,median,caudal,1-{n},tail,axial\n"
CONFIG = "targets:\n  mount:\n    individual: ind-a\n"


def make_batch(folder: Path, n_bones: int, n_faces: int) -> None:
    """Tables and scans of bones that are all there, each another ball."""
    import trimesh

    rng = np.random.default_rng(SEED)
    (folder / "config").mkdir(parents=True)
    (folder / "scans").mkdir()
    count = max(4, round((n_faces / 2) ** 0.5))
    ball = trimesh.creation.uv_sphere(count=[count, count])
    rows, width = ["find,element,side,organismID,scan,unit"], max(2, len(str(n_bones)))
    for number in range(1, n_bones + 1):
        rows.append(f"c-{number},caudal-{number:0{width}d},median,ind-a,c-{number}.stl,mm")
        vertices = np.asarray(ball.vertices) * rng.uniform(8.0, 20.0, 3)
        vertices = vertices + np.sin(vertices[:, [1, 2, 0]] * rng.uniform(0.1, 0.3, 3)) * rng.uniform(0.5, 2.0, 3)
        trimesh.Trimesh(vertices, ball.faces, process=False).export(folder / "scans" / f"c-{number}.stl")
    tables = {"bones.csv": "\n".join(rows) + "\n", "skeleton.csv": SKELETON.format(n=n_bones), "config.yaml": CONFIG}
    for name, text in tables.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")


def time_build(folder: Path, notes: Path, cores: int) -> dict[str, float]:
    """Wall and CPU seconds of one build, children included; every job writes a line to `notes`."""
    paths = os.pathsep.join([str(HOOK), *filter(None, [os.environ.get("PYTHONPATH")])])
    environment = os.environ | {"PYTHONPATH": paths, "BONEWRIGHT_JOB_CLOCK": str(notes)}
    before, start_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    command = [sys.executable, "-P", "-m", "meshtools.cli", "build", "--batch", str(folder), "--cores", str(cores)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", env=environment, check=False)
    if done.returncode > 1:
        raise SystemExit(f"The build ended with {done.returncode}: {done.stderr.strip()[-800:]}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"wall_s": time.perf_counter() - start_s, "cpu_s": cpu_s}


def sum_up(notes: Iterable[Mapping[str, Any]], cpu_s: float) -> dict[str, Any]:
    """CPU seconds in the geometry, in measuring, in the rest of the jobs and outside them, and their shares; the same by process and by stage."""
    jobs, geometry, measuring, around = (defaultdict(float) for _ in range(4))
    n_jobs: dict[str, int] = defaultdict(int)
    of_part = {"process": around, "job": jobs, "geometry": geometry, "measuring": measuring}
    for note in notes:
        of_part[note["part"]][note["stage"]] += note["cpu"]
        n_jobs[note["stage"]] += note["part"] == "job"
    inside, measured, whole = (sum(part.values()) for part in (geometry, measuring, jobs))
    parts = {"geometry": inside, "measuring": measured, "files_and_pages": whole - inside - measured, "outside_jobs": cpu_s - whole}
    columns = ("job", "geometry", "measuring")
    stages = {stage: {"n": n_jobs[stage]} | {f"{name}_cpu": round(of_part[name][stage], 2) for name in columns} for stage in sorted(jobs)}
    around["worker and shells"] = cpu_s - whole - sum(around.values())
    return {
        "cpu": {name: round(value, 2) for name, value in parts.items()},
        "percent": {name: round(100.0 * value / cpu_s, 1) for name, value in parts.items()},
        "outside_geometry_percent": round(100.0 * (cpu_s - inside - measured) / cpu_s, 1),
        "outside_geometry_percent_with_measuring": round(100.0 * (cpu_s - inside) / cpu_s, 1),
        "outside_jobs_cpu": {name: round(value, 2) for name, value in sorted(around.items())},
        "stages": stages,
    }


def main() -> None:
    """Print the sums as one JSON line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bones", type=int, default=N_BONES)
    parser.add_argument("--faces", type=int, default=N_FACES)
    parser.add_argument("--cores", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, notes = Path(name) / "batch", Path(name) / "notes"
        notes.touch()
        make_batch(folder, options.bones, options.faces)
        seconds = time_build(folder, notes, options.cores)
        rows = [json.loads(line) for line in notes.read_text(encoding="utf-8").splitlines()]
    sums = sum_up(rows, seconds["cpu_s"])
    what = f"{options.bones} bones of {options.faces} faces, {options.cores} cores"
    print(json.dumps({"what": what, **{name: round(value, 1) for name, value in seconds.items()}} | sums))


if __name__ == "__main__":
    main()
