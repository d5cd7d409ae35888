"""Benchmarks of the workflow, run by `make bench`: how long a build takes when there is nothing to do, and, with `--peers`, what the
chain costs beside other scripts for the same work (peers.py).

250 elements with scans of 50 MB. The scans are sparse files and the records are written by this script with the right keys, so that what
is timed is reading tables, planning, looking at every file and deciding that nothing is to be done.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from peers import Race, find_scans, run_race

from meshtools.files.atomic import write_atomic
from meshtools.jobs.run import record_path
from meshtools.workspace import open_workspace

CACHE = Path(__file__).resolve().parent.parent / ".cache"
N_ELEMENTS = 250
SCAN_BYTES = 50_000_000
FILES_OF_STAGE = {
    "clean": ("clean.ply",),
    "rebuild": ("replica.3mf", "replica.glb", "replica.ply", "replica.stl"),
    "report": ("picture.png", "report.html"),
    "index": ("index.html", "summary.csv"),
    "siding": (),
    "fit": (),
}


def make_batch(folder: Path) -> None:
    """Tables of 250 median elements in one series, each with its own scan."""
    (folder / "config").mkdir()
    (folder / "scans").mkdir()
    bones = ["find,element,side,organismID,scan,unit"]
    for number in range(1, N_ELEMENTS + 1):
        bones.append(f"c-{number},caudal-{number:03d},median,ind-a,c-{number}.stl,mm")
        with (folder / "scans" / f"c-{number}.stl").open("wb") as stream:
            stream.write(str(number).encode())
            stream.truncate(SCAN_BYTES)
    tables = {
        "bones.csv": "\n".join(bones),
        "skeleton.csv": f"element,pairing,series,position,region,group\ncaudal,median,caudal,1-{N_ELEMENTS},tail,axial",
        "config.yaml": "targets:\n  mount:\n    individual: ind-a",
    }
    for name, text in tables.items():
        (folder / "config" / name).write_text(text + "\n", encoding="utf-8")


def write_records(folder: Path) -> None:
    """A sound record, and the files it lists, for every job of the plan."""
    workspace = open_workspace(folder)
    for stage, jobs in workspace.worklist.jobs.items():
        for name, job in jobs.items():
            path = record_path(stage, name)
            entries = []
            for file in FILES_OF_STAGE[stage]:
                place = (Path(path).parent / file).as_posix()
                entries.append({"path": place, "sha256": write_atomic(folder / place, f"{place}\n".encode())})
            facts = {"status": "ready", "totals": {}, "deliverable": True}
            record = {"stage": stage, "key": job["key"], "status": "ok", "facts": facts, "findings": [], "sources": [], "files": entries}
            write_atomic(folder / path, json.dumps(record).encode())
    workspace.save_hashes()


def time_build_s(folder: Path) -> float:
    """Seconds of one `bonewright build`, process start included."""
    start_s = time.perf_counter()
    subprocess.run([sys.executable, "-m", "meshtools.cli", "build", "--batch", str(folder)], check=True, capture_output=True)
    return time.perf_counter() - start_s


def time_nothing_to_do() -> None:
    """Print the figures as one JSON object."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_batch(folder)
        write_records(folder)
        time_build_s(folder)
        seconds = sorted(time_build_s(folder) for _ in range(5))
        what = "250 elements with 50 MB scans, nothing to do"
        print(json.dumps({"what": what, "median_s": round(seconds[2], 2), "worst_s": round(seconds[-1], 2)}), flush=True)


def main() -> None:
    """Time builds with nothing to do, or race the chain with peers."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--peers", type=Path, help="folder of scripts to run beside the chain")
    parser.add_argument("--peers-python", default=sys.executable, help="the Python that has the peers' libraries")
    parser.add_argument("--scans", type=Path, help="folder of raw_SIZE.stl; by default data beside the peers, or made")
    parser.add_argument("--sizes", default="0.25 1")
    parser.add_argument("--tolerance-mm", type=float, default=0.05)
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--longest-s", type=float, default=3600.0, help="a script is ended after so many seconds")
    parser.add_argument("--figures", type=Path, default=CACHE / "bench.json", help="file that keeps the figures")
    options = parser.parse_args()
    if options.peers is None:
        time_nothing_to_do()
        return
    python = os.path.abspath(options.peers_python)
    scans = options.scans or find_scans(options.peers, python, CACHE)
    race = Race(options.peers, python, scans, options.tolerance_mm, options.repeats, options.figures, options.longest_s)
    run_race(race, options.sizes.split())


if __name__ == "__main__":
    main()
