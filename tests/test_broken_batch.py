"""Twelve broken scans in one batch: each is refused with one sentence that names file and row, and nobody else notices."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from six_bones import build, make_six_bones, result_hashes

TRIANGLE = struct.pack("<12fH", 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0)
PLY = b"ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
FACES = b"element face 1\nproperty list uchar int vertex_indices\nend_header\n"
POINTS = struct.pack("<9f", 0, 0, 0, 1, 0, 0, 0, 1, 0)
BROKEN = {
    "empty.stl": b"",
    "truncated.stl": b"\0" * 80 + struct.pack("<I", 40) + TRIANGLE * 3,
    "count.stl": b"\0" * 80 + struct.pack("<I", 2**31) + TRIANGLE,
    "nan.stl": b"\0" * 80 + struct.pack("<I", 1) + struct.pack("<12fH", 0, 0, 1, float("nan"), *[0.0] * 8, 0),
    "html.stl": b"<!doctype html><html><body>Sign in to continue</body></html>",
    "header.stl": b"\0" * 40,
    "cloud.ply": PLY + b"end_header\n" + POINTS,
    "index.ply": PLY + FACES + POINTS + struct.pack("<B3i", 3, 0, 1, 7),
    "cut.ply": PLY + FACES + POINTS + struct.pack("<B1i", 3, 0),
    "word.obj": b"v 0 0 0\nv 1 0 0\nv 0 one 0\nf 1 2 3\n",
    "short.off": b"OFF\n3 1 0\n0 0 0\n1 0 0\n",
    "noise.glb": b"glTF" + b"\xff" * 30,
}


def add_broken(batch: Path) -> None:
    """Twelve tail vertebrae of the target, each with a scan that cannot be used."""
    bones, skeleton = [], []
    for number, (name, content) in enumerate(BROKEN.items(), 1):
        (batch / "scans" / name).write_bytes(content)
        bones.append(f"x-{number},caudal-{number:02d},median,ind-a,Fictotherium exemplum,adult,95,{name},mm,,")
        skeleton.append(f"caudal-{number:02d},median,caudal,{number},tail,tail,UBERON:0001095,,")
    for table, lines in (("bones", bones), ("skeleton", skeleton)):
        with (batch / f"config/{table}.csv").open("a", encoding="utf-8") as stream:
            stream.write("\n".join(lines) + "\n")


@pytest.mark.slow
def test_each_of_twelve_broken_scans_is_refused_by_file_and_row_and_all_other_results_are_as_without_them(built_once: Path, tmp_path: Path) -> None:
    mixed = make_six_bones(tmp_path / "mixed")
    add_broken(mixed)
    rows = {row["element"]: row for row in build(mixed)["elements"] if row["element"].startswith("caudal")}
    for number, name in enumerate(BROKEN, 1):
        row = rows[f"caudal-{number:02d}"]
        assert (row["status"], name in row["why"], f"config/bones.csv row {number + 7}" in row["why"]) == ("failed", True, True), row
    shared = {name: digest for name, digest in result_hashes(built_once).items() if name.count("/") > 1}
    assert shared.items() <= result_hashes(mixed).items()
