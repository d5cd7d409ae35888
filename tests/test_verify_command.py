"""`bonewright verify` finds every way of spoiling a finished batch that was thought of, even where hashes and figures were edited to fit."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from six_bones import bonewright, edit

from meshtools.files.deliver import PartLabel, encode_3mf, encode_glb, encode_stl
from meshtools.files.mesh_ply import read_replica_ply, write_replica_ply
from meshtools.files.second_distance import distances_mm
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.distance import Surface
from meshtools.geometry.transform import reflect
from meshtools.model import EvidenceClass, Mesh, SourceEntry
from meshtools.plain import from_plain
from meshtools.verifying import verify_results
from meshtools.workspace import open_workspace

PART = Path("results/mount/femur-right")
RECORD = PART / "record.json"


def problems(batch: Path) -> str:
    return "\n".join(verify_results(open_workspace(batch)).problems)


def change_json(path: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Edit a JSON file as somebody with a text editor would."""
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    path.write_text(json.dumps(content, sort_keys=True, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def edit_hashes(batch: Path) -> None:
    """Make the part's record vouch for the files as they are, and the index for the records."""
    change_json(batch / RECORD, lambda record: [entry.update(sha256=sha256(batch / entry["path"])) for entry in record["files"]])
    change_json(
        batch / "results/index.json", lambda index: index["facts"].update(records={path: sha256(batch / path) for path in index["facts"]["records"]})
    )


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def edit_figures(batch: Path, mesh: Mesh) -> None:
    """Make the record's figures those of the mesh."""
    audit = audit_topology(mesh)
    figures = {
        "volume_mm3": audit.volume_mm3, "area_mm2": audit.area_mm2, "extents_mm": np.ptp(mesh.vertices, axis=0).tolist(),
        "n_faces": len(mesh.faces), "n_vertices": len(mesh.vertices), "n_pieces_after": audit.n_pieces,
    }  # fmt: skip
    change_json(batch / RECORD, lambda record: record["facts"].update(figures))


def forge(batch: Path, change: Callable[[Mesh], Mesh], suffixes: tuple[str, ...] = (".ply", ".stl", ".3mf", ".glb"), figures: bool = True) -> None:
    """Replace the delivered surface by a changed one, in files, hashes and, if wanted, figures."""
    record = json.loads((batch / RECORD).read_text(encoding="utf-8"))
    mesh = change(read_replica_ply(batch / PART / "replica.ply"))
    sources = tuple(from_plain(SourceEntry, row) for row in record["sources"])
    label = PartLabel("MOUNT-FEMUR-RIGHT", "1", "mount", "femur-right", EvidenceClass.OWN_R)
    frames = record["facts"]["delivered_from_scan"]
    for suffix, encode in ((".stl", encode_stl), (".3mf", encode_3mf), (".glb", encode_glb)):
        if suffix in suffixes:
            delivery = encode(mesh, label, sources, record["facts"]["replica_from_scan"])
            (batch / PART / f"replica{suffix}").write_bytes(delivery.content)
            frames[f"replica{suffix}"] = np.asarray(delivery.delivered_from_scan).tolist()
    if ".ply" in suffixes:
        (batch / PART / "replica.ply").write_bytes(write_replica_ply(mesh))
    change_json(batch / RECORD, lambda content: content["facts"].update(delivered_from_scan=frames))
    if figures:
        edit_figures(batch, mesh)
    edit_hashes(batch)


def moved(mesh: Mesh, matrix: Any = 1.0, shift_mm: Any = 0.0) -> Mesh:
    return mesh.replaced(vertices=mesh.vertices * matrix + shift_mm)


def face_removed(mesh: Mesh) -> Mesh:
    return mesh.replaced(faces=mesh.faces[1:], source=mesh.source[1:])


def face_flipped(mesh: Mesh) -> Mesh:
    return mesh.replaced(faces=np.concatenate([mesh.faces[:1, ::-1], mesh.faces[1:]]))


def inside_out(mesh: Mesh) -> Mesh:
    return mesh.replaced(faces=mesh.faces[:, ::-1])


def mirrored(mesh: Mesh) -> Mesh:
    return reflect(mesh, offset_mm=float(mesh.vertices[:, 0].max() + mesh.vertices[:, 0].min()) / 2)


def crossed(mesh: Mesh) -> Mesh:
    """The vertex nearest to the middle pulled through the opposite wall: closed, outward, consistent, and it passes through itself."""
    vertices = mesh.vertices.copy()
    row = int(np.argmin(np.abs(vertices[:, 2]) + np.abs(vertices[:, 1])))
    vertices[row, 0] = vertices[:, 0].mean() * 2 - vertices[row, 0] + 4.0 * np.sign(vertices[:, 0].mean() - vertices[row, 0])
    return mesh.replaced(vertices=vertices)


def with_tetrahedron(mesh: Mesh, at: float, side_mm: float, is_outward: bool) -> Mesh:
    """A second, small piece: on the axis of the bone at a share of its length."""
    corner = mesh.vertices.mean(axis=0) + (0.0, 0.0, at * float(np.ptp(mesh.vertices[:, 2])))
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])[:, :: 1 if is_outward else -1] + len(mesh.vertices)
    vertices = np.concatenate([mesh.vertices, corner + side_mm * np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])])
    return mesh.replaced(
        vertices=vertices, faces=np.concatenate([mesh.faces, faces.astype(mesh.faces.dtype)]), source=np.concatenate([mesh.source, mesh.source[:4]])
    )


def vertex_not_a_number(batch: Path) -> None:
    path = batch / PART / "replica.ply"
    content = bytearray(path.read_bytes())
    start = content.index(b"end_header\n") + len(b"end_header\n")
    content[start : start + 8] = np.array([np.nan], "<f8").tobytes()
    path.write_bytes(content)
    edit_hashes(batch)


def the_left_bone_in_the_place_of_the_right(batch: Path) -> None:
    for path in (batch / PART).glob("replica.*"):
        path.write_bytes((batch / PART.parent / "femur-left" / path.name).read_bytes())
    left = json.loads((batch / PART.parent / "femur-left/record.json").read_text(encoding="utf-8"))
    change_json(batch / RECORD, lambda record: record.update(facts=left["facts"]))
    edit_hashes(batch)


def a_figure(**figures: Any) -> Callable[[Path], None]:
    def spoil(batch: Path) -> None:
        change_json(batch / RECORD, lambda record: record["facts"].update(figures))
        edit_hashes(batch)

    return spoil


def a_lower_bound_on_the_page(batch: Path) -> None:
    vertices = read_replica_ply(batch / PART / "replica.ply").vertices
    forge(batch, lambda mesh: mesh.replaced(vertices=np.concatenate([vertices[:1] * 1.02, vertices[1:]])))


def forged(*arguments: Any, **options: Any) -> Callable[[Path], None]:
    return lambda batch: forge(batch, *arguments, **options)


def flipped_byte(name: str) -> Callable[[Path], None]:
    def spoil(batch: Path) -> None:
        path = batch / PART / name
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)

    return spoil


def record_edited_alone(batch: Path) -> None:
    change_json(batch / RECORD, lambda record: record["facts"].update(filled_area_percent=3.0))


def matrix_edited(batch: Path) -> None:
    change_json(batch / RECORD, lambda record: record["facts"]["delivered_from_scan"]["replica.stl"][0].__setitem__(3, 1.0))
    edit_hashes(batch)


SPOILED: dict[str, tuple[Callable[[Path], None], str]] = {
    "a byte of the PLY": (flipped_byte("replica.ply"), "replica.ply: the file is not the one that was made"),
    "a byte of the STL": (flipped_byte("replica.stl"), "replica.stl: the file is not the one that was made"),
    "a byte of the 3MF": (flipped_byte("replica.3mf"), "replica.3mf: the file is not the one that was made"),
    "a byte of the GLB": (flipped_byte("replica.glb"), "replica.glb: the file is not the one that was made"),
    "a byte of the page": (flipped_byte("report.html"), "report.html: the file is not the one that was made"),
    "a file removed": (lambda batch: (batch / PART / "replica.3mf").unlink(), "replica.3mf: the file is missing"),
    "a face removed": (forged(face_removed), "replica.ply is not closed"),
    "a face flipped": (forged(face_flipped), "replica.ply is not closed"),
    "inside out": (forged(inside_out, figures=False), "replica.ply faces inwards"),
    "scaled": (forged(lambda mesh: moved(mesh, 1.001), figures=False), "replica.ply measures"),
    "scaled, figures edited": (forged(lambda mesh: moved(mesh, 1.001)), "from the raw scan (measured again"),
    "shifted, figures edited": (forged(lambda mesh: moved(mesh, shift_mm=(0.5, 0.0, 0.0))), "from the raw scan (measured again"),
    "mirrored, figures edited": (forged(mirrored), "from the raw scan (measured again"),
    "the STL mirrored": (forged(mirrored, (".stl",)), "replica.stl does not hold the points of the PLY"),
    "sides swapped": (the_left_bone_in_the_place_of_the_right, "from the raw scan (measured again"),
    "one vertex pulled out": (a_lower_bound_on_the_page, "from the raw scan (measured again"),
    "a crossing": (forged(crossed), "replica.ply passes through itself"),
    "a piece more": (forged(lambda mesh: with_tetrahedron(mesh, 0.7, 2.0, True), figures=False), "replica.ply"),
    "a piece inside out": (forged(lambda mesh: with_tetrahedron(mesh, 0.7, 2.0, False)), "pieces that face the wrong way"),
    "a piece within": (forged(lambda mesh: with_tetrahedron(mesh, 0.0, 2.0, True)), "pieces that face the wrong way or lie within another"),
    "not a number": (vertex_not_a_number, "replica.ply is no use"),
    "the volume edited": (a_figure(volume_mm3=25_000.0), "mm3 instead of 25000"),
    "the number of faces edited": (a_figure(n_faces=319), "faces instead of 319"),
    "the number of pieces edited": (a_figure(n_pieces_after=2), "pieces instead of 2"),
    "the area edited": (a_figure(area_mm2=5000.0), "mm2 of surface instead of 5000"),
    "a figure taken away": (lambda batch: change_json(batch / RECORD, lambda record: record["facts"].pop("volume_mm3")), "lacks figures"),
    "a matrix edited": (matrix_edited, "replica.stl does not hold the points of the PLY"),
    "a record edited": (record_edited_alone, "record.json: the record was altered after the index was made"),
    "a record that is no JSON": (lambda batch: (batch / RECORD).write_text("{"), "there is no record that can be read"),
    "the plan edited": (lambda batch: edit(batch / "results/plan.json", "OWN-R", "OWN"), "results/plan.json: it is not the plan of the tables"),
}


@pytest.mark.parametrize("name", SPOILED)
def test_every_way_of_spoiling_a_result_is_found_and_named(tiny: Path, name: str) -> None:
    spoil, words = SPOILED[name]
    spoil(tiny)
    assert words in problems(tiny)


def test_a_piece_dropped_from_a_replica_of_several_is_found(tiny: Path) -> None:
    forge(tiny, lambda mesh: with_tetrahedron(mesh, 0.7, 2.0, True))
    assert "from the raw scan" in problems(tiny)  # two sound pieces: nothing but what the scan does not know
    forge(tiny, lambda mesh: mesh.replaced(faces=mesh.faces[:-4], source=mesh.source[:-4], vertices=mesh.vertices[:-4]), figures=False)
    assert "replica.ply" in problems(tiny)


def test_a_finished_batch_is_sound_and_stays_so_when_it_is_planned_again(tiny: Path) -> None:
    assert problems(tiny) == ""
    for table, old, new in (("bones.csv", ",98,", ",40,"), ("bones.csv", ",40,", ",98,")):
        edit(tiny / "config" / table, old, new)
        bonewright("plan", "--batch", tiny)
    assert bonewright("verify", "--batch", tiny).returncode == 0
    assert open_workspace(tiny).stale_jobs() == []


def test_what_only_waits_for_a_build_is_told_apart_from_damage(tiny: Path) -> None:
    edit(tiny / "config/config.yaml", "targets:", "report:\n  replica_density_kg_m3: 1300.0\ntargets:")
    bonewright("plan", "--batch", tiny)
    waiting = ["report mount/femur-left", "report mount/femur-right", "index index"]
    for is_damaged in (False, True):
        if is_damaged:
            flipped_byte("replica.stl")(tiny)
        done = bonewright("verify", "--batch", tiny, "--json")
        found = json.loads(done.stdout)
        assert (done.returncode, [line.split(":")[0] for line in found["waiting"]]) == (1, waiting)
        assert {"replica.stl" in line for line in found["problems"]} == ({True} if is_damaged else set())


def test_the_second_engine_measures_what_the_first_does() -> None:
    import trimesh

    chance = np.random.default_rng(5)
    sphere = trimesh.creation.icosphere(subdivisions=3)
    vertices = np.asarray(sphere.vertices) * (20.0, 30.0, 90.0) * chance.uniform(0.8, 1.2, (len(sphere.vertices), 1)) + 500.0
    points = chance.uniform(300.0, 700.0, (4000, 3))
    expected, _ = Surface(Mesh.create(vertices, sphere.faces)).distance(points)
    found = distances_mm(points, vertices, np.asarray(sphere.faces, dtype=np.int64))
    assert (found >= expected - 1e-9).all()
    assert found == pytest.approx(expected, abs=400.0 * 2.0**-20)
