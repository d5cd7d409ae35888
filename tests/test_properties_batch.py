"""Laws of whole ways through the package: units of the file, order of the tables, and every format written and read again."""

from __future__ import annotations

import csv
import io
import random
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from random_shapes import SEEDS, motion, shape
from six_bones import DECISIONS, make_six_bones
from solid_shapes import made_find, scan_of, without

from meshtools.files.deliver import PartLabel, encode_3mf, encode_glb, encode_stl
from meshtools.files.delivered_surface import read_delivered
from meshtools.files.mesh_ply import read_replica_ply, write_replica_ply
from meshtools.files.read_scan import read_scan
from meshtools.files.verify_delivery import PlannedPart, verify_delivery
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.transform import apply_matrix, reflect
from meshtools.keys import ContentHashes, hash_file
from meshtools.model import EvidenceClass, Mesh, Origin, RawScan, SourceEntry, Unit
from meshtools.plan import make_plan
from meshtools.register import load_register
from meshtools.settings import CleanSettings
from meshtools.stages.clean import clean_scan
from meshtools.worklist import make_worklist, plan_json

many = settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
fewer = settings(max_examples=60)  # of the test that takes 100 ms an example
UNITS = {Unit.M: 1000.0, Unit.CM: 10.0, Unit.INCH: 25.4}
LABEL = PartLabel("rex/femur-left", "1", "rex", "femur-left", EvidenceClass.OWN)
SOURCES = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED), SourceEntry(EvidenceClass.FILL, "f-1", Origin.FILLED))
ENCODERS = {".stl": encode_stl, ".3mf": encode_3mf, ".glb": encode_glb}


@many
@given(SEEDS)
def test_the_unit_of_the_file_changes_nothing_but_the_last_digits(seed: int) -> None:
    chance = np.random.default_rng([seed, 8])
    mesh = shape(seed)
    mesh = without(mesh, tuple(mesh.vertices[chance.integers(len(mesh.vertices))]), 2.5)
    expected = clean_scan(scan_of(mesh), made_find(), CleanSettings(), (), 0.0)
    for unit, mm_per_unit in UNITS.items():
        scan = RawScan(mesh.vertices / mm_per_unit, mesh.faces, None, "ply", None)
        result = clean_scan(scan, made_find(unit=unit), CleanSettings(), (), 0.0)
        assert (result.mesh.faces == expected.mesh.faces).all()
        assert result.mesh.vertices == pytest.approx(expected.mesh.vertices, abs=1e-9 * float(np.abs(mesh.vertices).max()))
        assert [finding.code for finding in result.findings] == [finding.code for finding in expected.findings]
        numbers = {name: value for name, value in expected.facts.items() if isinstance(value, int | float) and name != "mm_per_unit"}
        assert {name: result.facts[name] for name in numbers} == pytest.approx(numbers, rel=1e-6, abs=2e-6)


@pytest.fixture(scope="module")
def six(tmp_path_factory: pytest.TempPathFactory) -> Path:
    batch = make_six_bones(tmp_path_factory.mktemp("six") / "batch")
    rows = ("mount,femur-left,,class,OWN,B. Decider,2024-05-0{},{},".format(day, "kept" if day == 1 else "kept again") for day in (1, 2))
    (batch / "config" / "decisions.csv").write_text(DECISIONS + "\n".join(rows) + "\n", encoding="utf-8")
    return batch


def planned(batch: Path, hashes: ContentHashes) -> tuple[object, dict[str, dict[str, str]]]:
    """The plan, and the key of every job."""
    register = load_register(batch)
    plan = make_plan(register)
    worklist = make_worklist(register, plan, hashes, ())
    return plan_json(plan), {stage: {name: job["key"] for name, job in jobs.items()} for stage, jobs in worklist.jobs.items()}


@pytest.fixture(scope="module")
def six_planned(six: Path) -> tuple[object, dict[str, dict[str, str]]]:
    return planned(six, ContentHashes(six))


@many
@given(SEEDS)
def test_the_order_of_rows_and_columns_changes_neither_the_plan_nor_any_key(
    six: Path, six_planned: tuple[object, dict[str, dict[str, str]]], seed: int
) -> None:
    shuffled = six.parent / "shuffled"
    shutil.rmtree(shuffled, ignore_errors=True)
    shutil.copytree(six / "config", shuffled / "config")
    (shuffled / "scans").symlink_to(six / "scans")
    chance = random.Random(seed)
    for name in ("bones", "skeleton", "measurements", "decisions"):
        path = shuffled / "config" / f"{name}.csv"
        header, *rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
        chance.shuffle(rows)
        columns = chance.sample(range(len(header)), len(header))
        text = "\n".join(",".join(row[column] for column in columns) for row in [header, *rows]) + "\n"
        path.write_text(text, encoding="utf-8")
    assert planned(shuffled, ContentHashes(six)) == six_planned


def z_up_mm(vertices: np.ndarray, faces: np.ndarray) -> Mesh:
    """What a GLB holds, metres and +Y up, as millimetres and +z up."""
    return Mesh.create(np.column_stack([vertices[:, 0], -vertices[:, 2], vertices[:, 1]]) * 1000.0, faces)


def read_by_library(content: bytes, suffix: str) -> Mesh:
    """The file through trimesh, in mm, +z up."""
    import trimesh

    loaded = trimesh.load(io.BytesIO(content), file_type=suffix[1:], force="mesh", process=False)
    vertices = np.asarray(loaded.vertices, dtype=np.float64)
    return z_up_mm(vertices, loaded.faces) if suffix == ".glb" else Mesh.create(vertices, loaded.faces)


@fewer
@given(SEEDS)
def test_every_format_gives_back_what_was_written_to_our_readers_and_to_a_second_library(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    folder = tmp_path_factory.mktemp("formats")
    chance = np.random.default_rng([seed, 9])
    mesh = apply_matrix(shape(seed, is_closed=True), motion(seed))
    mesh = mesh.replaced(source=chance.integers(0, 2, len(mesh.faces)))
    audit, size_mm = audit_topology(mesh), float(np.ptp(mesh.vertices, axis=0).max())
    path = folder / "replica.ply"
    path.write_bytes(write_replica_ply(mesh))
    again = read_replica_ply(path)
    assert (again.vertices == mesh.vertices).all()
    assert (again.faces == mesh.faces).all()
    assert (again.source == mesh.source).all()
    assert (read_scan(path).vertices == mesh.vertices).all()
    expected = mesh.vertices[mesh.faces].reshape(-1, 3)
    for suffix, encode in ENCODERS.items():
        delivery = encode(mesh, LABEL, SOURCES)
        path = folder / f"replica{suffix}"
        path.write_bytes(delivery.content)
        assert verify_delivery(path, PlannedPart(audit.volume_mm3, tuple(np.ptp(mesh.vertices, axis=0)), hash_file(path))).findings == ()
        scan = read_scan(path)
        own = z_up_mm(scan.vertices, scan.faces) if suffix == ".glb" else Mesh.create(scan.vertices, scan.faces)
        plain = read_delivered(delivery.content, suffix)
        for found in (own, Mesh.create(plain.vertices, plain.faces), read_by_library(delivery.content, suffix)):
            shift = expected.min(axis=0) - found.vertices[found.faces.ravel()].min(axis=0)
            assert found.vertices[found.faces].reshape(-1, 3) + shift == pytest.approx(expected, abs=2.0**-20 * size_mm + 1e-4)


@many
@given(SEEDS)
def test_a_mirrored_side_cleaned_is_the_cleaned_side_mirrored(seed: int) -> None:
    mesh = shape(seed)
    straight = clean_scan(scan_of(mesh), made_find(), CleanSettings(), (), 0.0).mesh
    mirrored = clean_scan(scan_of(reflect(mesh)), made_find(), CleanSettings(), (), 0.0).mesh
    before, after = audit_topology(straight), audit_topology(mirrored)
    assert (after.n_pieces, after.is_closed, after.is_outward) == (before.n_pieces, before.is_closed, before.is_outward)
    assert after.area_mm2 == pytest.approx(before.area_mm2, rel=1e-9)
    if before.is_closed:
        assert after.volume_mm3 == pytest.approx(before.volume_mm3, rel=1e-9)
