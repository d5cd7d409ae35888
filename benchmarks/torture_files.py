"""Every mesh file of a folder through reading, cleaning and rebuilding, run by `make bench-torture MESHES=FOLDER`.

Nobody knows how these meshes should look, so each is judged against itself, scaled to a diagonal of 100 mm. CORRECT: the replica is closed,
wound outwards, crosses itself nowhere, nobody was asked, and where a point of either surface lies farther from the other than the tolerance
of decimation, a note tells of a repair. REFUSED: the reader says in a sentence why not, or a finding asks a person. SILENT: all else. The judge
is trimesh and libigl, not this project's checks. Made for the test meshes of Debian's package `libcgal-demo` (`data/meshes` in it, most of
them with one defect or another); any folder of STL, PLY, OBJ and OFF files will do.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from pathlib import Path

import numpy as np
from torture import CORRECT, REFUSED, SILENT, Outcome, count_crossings, distance_to, is_sound, make_replica, sample

from meshtools.errors import ScanError
from meshtools.files.read_scan import read_scan

DIAGONAL_MM = 100.0
TOLERANCE_MM = 0.1
ROUNDING_MM = 1e-3


def judge(outcome: Outcome, vertices: np.ndarray, faces: np.ndarray) -> dict[str, object]:
    """The verdict on one file with its figures."""
    if outcome.mesh is None or not outcome.is_deliverable or outcome.asked:
        return {"verdict": REFUSED if outcome.asked else SILENT, "why": sorted(outcome.asked)}
    mesh = outcome.mesh
    lost = distance_to(mesh.vertices, mesh.faces, sample(vertices, faces)[0])
    invented = distance_to(vertices, faces, sample(mesh.vertices, mesh.faces)[0])
    told = sorted(finding.code for finding in outcome.findings if finding.code.startswith("repair"))
    faults = [
        fault for fault, is_there in (
            ("not sound", not is_sound(mesh)), ("crossings", count_crossings(mesh) > 0),
            ("changed", max(lost, invented) > TOLERANCE_MM + ROUNDING_MM and not told),
        ) if is_there
    ]  # fmt: skip
    figures = {"lost_mm": round(lost, 3), "invented_mm": round(invented, 3), "told": told}
    return {"verdict": SILENT if faults else CORRECT, "faults": faults, **figures}


def run_file(path: Path) -> dict[str, object]:
    """One file, whatever is in it."""
    start = time.process_time()
    try:
        raw = read_scan(path)
    except ScanError as error:
        return {"file": path.name, "verdict": REFUSED, "why": [str(error)]}
    factor = DIAGONAL_MM / float(np.linalg.norm(np.ptp(raw.vertices, axis=0)))
    vertices = raw.vertices * factor
    row = judge(make_replica(vertices, raw.faces, TOLERANCE_MM), vertices, raw.faces)
    return {"file": path.name, "n_faces": len(raw.faces), **row, "cpu_s": round(time.process_time() - start, 2)}


def main() -> None:
    """Print one JSON line a file, then the sums."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    verdicts: Counter[str] = Counter()
    for path in sorted(options.folder.rglob("*")):
        if path.is_file():
            row = run_file(path)
            verdicts[str(row["verdict"])] += 1
            print(json.dumps(row), flush=True)
    print(json.dumps({"files": sum(verdicts.values()), **{verdict: verdicts[verdict] for verdict in (CORRECT, REFUSED, SILENT)}}))


if __name__ == "__main__":
    main()
