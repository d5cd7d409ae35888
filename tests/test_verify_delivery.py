"""A delivery broken on purpose is caught, in every format, and a sound one passes."""

from __future__ import annotations

import hashlib
import io
import itertools
import zipfile
from pathlib import Path

import numpy as np
import pytest

from meshtools.files.atomic import write_atomic
from meshtools.files.deliver import PartLabel, encode_3mf, encode_glb, encode_stl
from meshtools.files.mesh_ply import write_replica_ply
from meshtools.files.verify_delivery import PlannedPart, verify_delivery
from meshtools.model import EvidenceClass, Mesh, Origin, SourceEntry

LABEL = PartLabel("rex/femur-left", "7f3a", "rex", "femur-left", EvidenceClass.OWN)
SOURCES = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED),)
FACES = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]
ENCODERS = {
    ".ply": write_replica_ply,
    ".stl": lambda mesh: encode_stl(mesh, LABEL, SOURCES).content,
    ".3mf": lambda mesh: encode_3mf(mesh, LABEL, SOURCES).content,
    ".glb": lambda mesh: encode_glb(mesh, LABEL, SOURCES).content,
}
every_format = pytest.mark.parametrize("suffix", ENCODERS)


def box() -> Mesh:
    """20 x 30 x 50 mm, away from the origin."""
    return Mesh.create(np.array(list(itertools.product((5.0, 25.0), (0.0, 30.0), (0.3, 50.3)))), FACES)


def inverted(mesh: Mesh) -> Mesh:
    return mesh.replaced(faces=mesh.faces[:, ::-1])


def ten_times(mesh: Mesh) -> Mesh:
    return mesh.replaced(vertices=mesh.vertices * 10.0)


def a_face_short(mesh: Mesh) -> Mesh:
    return mesh.replaced(faces=mesh.faces[1:], source=mesh.source[1:])


def one_face_turned(mesh: Mesh) -> Mesh:
    return mesh.replaced(faces=np.concatenate([mesh.faces[:1, ::-1], mesh.faces[1:]]))


def dented(mesh: Mesh) -> Mesh:
    """One corner moved along an edge: closed, outward, the same box, a smaller volume."""
    moved = mesh.vertices.copy()
    moved[7, 2] -= 1.0
    return mesh.replaced(vertices=moved)


def lying_down(mesh: Mesh) -> Mesh:
    """Turned by a quarter about x: the axes are exchanged, nothing else."""
    return mesh.replaced(vertices=mesh.vertices[:, [0, 2, 1]] * (1, -1, 1))


def delivered(tmp_path: Path, suffix: str, mesh: Mesh) -> tuple[Path, PlannedPart]:
    """The mesh written, and the plan of the sound box with the hash of what was written."""
    path = tmp_path / f"replica{suffix}"
    return path, PlannedPart(30_000.0, (20.0, 30.0, 50.0), write_atomic(path, ENCODERS[suffix](mesh)))


def codes(path: Path, planned: PlannedPart) -> set[str]:
    return {finding.code.removeprefix("delivery-") for finding in verify_delivery(path, planned).findings}


@every_format
def test_a_sound_delivery_passes(tmp_path, suffix):
    assert verify_delivery(*delivered(tmp_path, suffix, box())).findings == ()


@every_format
@pytest.mark.parametrize(("broken", "expected"), [
    (inverted, {"inside-out"}),
    (ten_times, {"size", "volume"}),
    (a_face_short, {"open", "volume"}),
    (one_face_turned, {"open", "volume"}),
    (dented, {"volume"}),
    (lying_down, {"size"}),
])
def test_a_broken_delivery_is_caught_for_what_it_is(tmp_path, suffix, broken, expected):
    assert codes(*delivered(tmp_path, suffix, broken(box()))) == expected


@every_format
def test_last_weeks_file_is_caught_by_its_hash_alone(tmp_path, suffix):
    path, planned = delivered(tmp_path, suffix, box())
    content = bytearray(path.read_bytes())
    last_week = hashlib.sha256(content + b"x").hexdigest()
    assert codes(path, PlannedPart(planned.volume_mm3, planned.extents_mm, last_week)) == {"hash"}


@every_format
def test_a_cut_file_is_unreadable(tmp_path, suffix):
    path, planned = delivered(tmp_path, suffix, box())
    path.write_bytes(path.read_bytes()[:-40])
    assert codes(path, planned) == {"hash", "unreadable"}


@every_format
def test_flipped_bytes_are_reported_and_never_stop_the_check(tmp_path, suffix):
    path, planned = delivered(tmp_path, suffix, box())
    content, random = path.read_bytes(), np.random.default_rng(7)
    for _ in range(60):
        damaged = np.frombuffer(content, np.uint8).copy()
        damaged[random.integers(0, min(len(damaged), 1200), 3)] ^= random.integers(1, 256, 3, dtype=np.uint8)
        path.write_bytes(damaged.tobytes())
        assert "hash" in codes(path, planned) or damaged.tobytes() == content


@every_format
def test_a_missing_file_is_unreadable(tmp_path, suffix):
    assert codes(tmp_path / f"gone{suffix}", PlannedPart(1.0, (1.0, 1.0, 1.0), "")) == {"unreadable"}


@pytest.mark.parametrize(("unit", "expected"), [("inch", {"unit", "size", "volume"}), ("meter", {"unit", "size", "volume"})])
def test_a_3mf_of_another_unit_is_caught(tmp_path, unit, expected):
    path, planned = delivered(tmp_path, ".3mf", box())
    rewritten = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(rewritten, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b'unit="millimeter"', f'unit="{unit}"'.encode()))
    digest = write_atomic(path, rewritten.getvalue())
    assert codes(path, PlannedPart(planned.volume_mm3, planned.extents_mm, digest)) == expected


def test_a_glb_written_in_millimetres_is_caught(tmp_path):
    path, planned = delivered(tmp_path, ".glb", box().replaced(vertices=box().vertices * 1000.0))
    assert codes(path, planned) == {"size", "volume"}
