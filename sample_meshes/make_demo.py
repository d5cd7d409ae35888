"""Make the invented demo batch: make_demo.py FOLDER. The same bytes on every run; needs about a minute.

Writes config/, scans/, truth.json and truth/*.ply below FOLDER. Everything in it is invented; see README.md for where each file comes from.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from batch_tables import BONES_COLUMNS, MEASUREMENT_COLUMNS, OPENING_COLUMNS, measurement_rows, opening_rows, rows_of, write_table
from finds import CONFIG, DECISIONS, SCANS, SKELETON
from scan_files import encode_scan, ply
from scanned_find import ScannedFind
from scanning import merged


def main(folder: Path) -> None:
    """Write the whole batch below a folder."""
    made = [ScannedFind(scan) for scan in SCANS]
    for name in ("config", "scans", "truth"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    write_scans(folder, made)
    bones, truth = zip(*(rows_of(one) for one in made), strict=True)
    write_table(folder / "config/bones.csv", BONES_COLUMNS, list(bones))
    write_table(folder / "config/measurements.csv", MEASUREMENT_COLUMNS, measurement_rows(made))
    write_table(folder / "config/openings.csv", OPENING_COLUMNS, opening_rows({one.scan.find: one for one in made}))
    for name, text in (("skeleton.csv", SKELETON), ("decisions.csv", DECISIONS), ("config.yaml", CONFIG)):
        (folder / "config" / name).write_bytes(text.encode())
    (folder / "truth.json").write_bytes((json.dumps({"finds": list(truth)}, indent=1) + "\n").encode())


def write_scans(folder: Path, made: list[ScannedFind]) -> None:
    """Write each scan file; two finds of one file lie on one tray, 80 mm apart."""
    by_file: dict[str, list[ScannedFind]] = {}
    for one in made:
        by_file.setdefault(one.scan.file, []).append(one)
    for file, group in by_file.items():
        first = group[0]
        for k, other in enumerate(group[1:], start=1):
            other.turn, other.shift = first.turn, first.shift + first.turn @ np.array([0, 0, 80.0 * k])
        meshes = [(one.posed(one.mesh[0]), one.mesh[1]) for one in group]
        mesh = meshes[0] if len(meshes) == 1 else merged(*meshes)
        path = folder / "scans" / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(encode_scan(*mesh, first.colours(), first.scan.kind, first.scan.unit))
        for one in group:
            if one.scan.truth:
                vertices = (one.truth[0] @ one.turn.T + one.shift).astype(np.float32)
                (folder / "truth" / f"{one.scan.find}.ply").write_bytes(ply(vertices, one.truth[1], None))


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("make_demo.py: name one folder to write the batch into")
    main(Path(sys.argv[1]))
