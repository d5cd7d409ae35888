"""Delivered files: the same bytes each time, the same size, closed for other readers, and labelled."""

from __future__ import annotations

import hashlib
import io
import itertools
import json
import struct
import zipfile
from dataclasses import replace

import numpy as np
import pytest
from glb_structure import broken_rules_of_glb

from meshtools.errors import ScanError
from meshtools.files.atomic import MOST_OPEN_FILES, write_all_atomic, write_atomic
from meshtools.files.deliver import PartLabel, encode_3mf, encode_glb, encode_stl, recentre
from meshtools.files.deliver_3mf import _frame, _framed, zipped
from meshtools.files.delivered_surface import read_delivered
from meshtools.files.mesh_ply import read_replica_ply, write_replica_ply
from meshtools.files.threemf_mesh_text import INDENT, _face_rows, _vertex_rows
from meshtools.geometry import threads
from meshtools.model import EvidenceClass, Mesh, Origin, SourceEntry

LABEL = PartLabel("rex/femur-left", "7f3a", "rex", "femur-left", EvidenceClass.DON_R)
SOURCES = (
    SourceEntry(EvidenceClass.DON_R, "f-1", Origin.SCANNED),
    SourceEntry(EvidenceClass.FILL, "f-1", Origin.FILLED),
    SourceEntry(EvidenceClass.MADE, "", Origin.MADE),
)
ENCODERS = {".stl": encode_stl, ".3mf": encode_3mf, ".glb": encode_glb}
FACES = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]
every_format = pytest.mark.parametrize("suffix", ENCODERS)


@pytest.fixture
def part() -> Mesh:
    """A 20 x 30 x 50 mm box a hundred metres from the origin, its top filled."""
    vertices = np.array(list(itertools.product((0.0, 20.0), (0.0, 30.0), (0.0, 50.0))))
    return Mesh.create(vertices + (1e5, -2e5, 3.125), FACES, [0] * 10 + [1, 1], np.arange(24).reshape(8, 3))


def model_of(package: bytes) -> str:
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        return archive.read("3D/3dmodel.model").decode()


def document_of(glb: bytes) -> dict:
    return json.loads(glb[20 : 20 + struct.unpack_from("<I", glb, 12)[0]])


@every_format
def test_the_same_part_gives_the_same_bytes(part, suffix):
    assert ENCODERS[suffix](part, LABEL, SOURCES).content == ENCODERS[suffix](part, LABEL, SOURCES).content


@every_format
def test_a_part_far_from_the_origin_keeps_its_size_in_32_bit_floats(part, suffix):
    """1e5 mm + 0.1 is lost in 32 bits; about its own middle the part is exact to a millionth."""
    surface = read_delivered(ENCODERS[suffix](part.replaced(vertices=part.vertices + 0.1), LABEL, SOURCES).content, suffix)
    assert np.ptp(surface.vertices, axis=0) == pytest.approx([20.0, 30.0, 50.0], abs=5e-5)


@every_format
def test_the_matrix_brings_scan_points_to_the_file(part, suffix):
    """The replica is the scan reflected across x = 0; the matrix says so by its determinant."""
    delivery = ENCODERS[suffix](part, LABEL, SOURCES, np.diag([-1.0, 1.0, 1.0, 1.0]))
    scan = np.column_stack([part.vertices * (-1.0, 1.0, 1.0), np.ones(8)])
    in_file = (scan @ delivery.delivered_from_scan.T)[:, :3]
    if suffix == ".glb":
        in_file = np.column_stack([in_file[:, 0], -in_file[:, 2], in_file[:, 1]]) * 1000.0
    surface = read_delivered(delivery.content, suffix)
    corners = np.unique(np.round(surface.vertices, 3) + 0.0, axis=0)
    assert np.array_equal(corners, np.unique(np.round(in_file, 3) + 0.0, axis=0))
    assert delivery.is_reflected


def test_points_that_fall_together_leave_no_crack():
    """A closed double cone whose ring is far below a 32-bit step at its distance: the needle goes, the rest stays closed."""
    angles = 2.0 * np.pi * np.arange(6) / 6
    ring = np.column_stack([np.cos(angles), np.sin(angles), np.zeros(6)])
    vertices = np.concatenate([ring * 50.0, ring * 50.0 + (0, 0, 1e-7), [[0, 0, -40.0], [0, 0, 40.0]]])
    k, n = np.arange(6), (np.arange(6) + 1) % 6
    walls = [np.column_stack([k, n, n + 6]), np.column_stack([k, n + 6, k + 6])]
    caps = [np.column_stack([n, k, np.full(6, 12)]), np.column_stack([k + 6, n + 6, np.full(6, 13)])]
    rounded = recentre(Mesh.create(vertices, np.concatenate(walls + caps)))
    edges = {(a, b) for face in rounded.faces.tolist() for a, b in itertools.pairwise([*face, face[0]])}
    assert (len(rounded.faces), len(rounded.vertices)) == (12, 8)
    assert edges == {(b, a) for a, b in edges}


@every_format
@pytest.mark.parametrize("gap_mm", [0.0, 1e-7])
def test_bodies_that_all_but_share_an_edge_stay_closed_for_who_knows_vertices_by_their_places(suffix, gap_mm):
    box = np.array(list(itertools.product((0.0, 20.0), (0.0, 30.0), (0.0, 50.0))))
    beside = box + (20.0 + gap_mm, 30.0, 0.0)
    both = Mesh.create(np.concatenate([box, beside]), np.concatenate([FACES, np.array(FACES) + 8]))
    surface = read_delivered(ENCODERS[suffix](both, LABEL, SOURCES).content, suffix)
    places, corners = np.unique(surface.vertices, axis=0, return_inverse=True)
    faces = corners[surface.faces.ravel()].reshape(-1, 3)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    assert len(np.unique(edges, axis=0)) == len(edges)
    assert set(map(tuple, edges.tolist())) == set(map(tuple, edges[:, ::-1].tolist()))
    assert np.ptp(places, axis=0) == pytest.approx((40.0, 60.0, 50.0), abs=2e-4)


def test_stl_states_part_and_unit_in_its_header(part):
    header = encode_stl(part, LABEL, SOURCES).content[:80].decode("ascii")
    assert header.rstrip() == "REPLICA rex/femur-left unit mm"
    assert not header.startswith("solid")


def test_3mf_states_unit_label_and_the_class_of_every_face(part):
    model = model_of(encode_3mf(part, LABEL, SOURCES).content)
    assert 'unit="millimeter"' in model
    assert 'xmlns:bw="https://bonewright.example/3mf/2026"' in model
    for name, value in [("part", "rex/femur-left"), ("revision", "7f3a"), ("evidence", "DON-R"), ("find", "f-1")]:
        assert f'<metadata name="bw:{name}" preserve="1">{value}</metadata>' in model
    assert '<base name="DON-R" displaycolor="#F0E442FF"/>' in model
    assert '<base name="FILL" displaycolor="#999999FF"/>' in model
    assert model.count('p1="1"') == 2
    assert 'name="MADE"' not in model


@pytest.mark.parametrize("other", [{}, {"part_id": "{target}", "target": "{finds}"}, {"part_id": 'A & "B" <é>'}, {"revision": ""}])
@pytest.mark.parametrize("finds", ["f-1,f-2", ""])
def test_a_label_stands_in_a_3mf_as_the_library_writes_it(other, finds):
    """Most labels are put into a model that the library wrote once with marks in their place."""
    label, classes = replace(LABEL, **other), (EvidenceClass.DON_R, EvidenceClass.FILL)
    assert _framed(label, finds, classes) == dict(_frame(label, finds, classes))


def test_3mf_dates_are_fixed(part):
    with zipfile.ZipFile(io.BytesIO(encode_3mf(part, LABEL, SOURCES).content)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert archive.namelist()[0] == "[Content_Types].xml"


def test_glb_is_in_metres_with_y_up_and_names_its_part(part):
    document = document_of(encode_glb(part, LABEL, SOURCES).content)
    position = document["accessors"][document["meshes"][0]["primitives"][0]["attributes"]["POSITION"]]
    assert np.subtract(position["max"], position["min"]) == pytest.approx([0.02, 0.03, 0.05])
    matrix = np.array(document["nodes"][0]["matrix"]).reshape(4, 4).T
    assert (matrix @ (0, 0, 1, 0)).tolist() == [0, 1, 0, 0]
    assert np.linalg.det(matrix) == pytest.approx(1.0)
    assert document["nodes"][0]["extras"]["part_id"] == "rex/femur-left"
    assert document["nodes"][0]["extras"]["class_colours"] == {"DON-R": "#F0E442", "FILL": "#999999"}


def test_glb_keeps_the_structure_of_its_container_and_its_arrays(part):
    """Rules and their source: glb_structure. With and without the scanned colour."""
    for mesh in (part, part.replaced(colour=None)):
        assert broken_rules_of_glb(encode_glb(mesh, LABEL, SOURCES).content) == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda document: document["accessors"][0]["max"].reverse(), "states max"),
        (lambda document: document["bufferViews"][-1].update(byteLength=900), "beyond the buffer"),
        (lambda document: document["accessors"][0].update(count=9), "beyond its view"),
        (lambda document: document["accessors"][0].update(count=7), "not of one length"),
        (lambda document: document["bufferViews"][0].update(target=34963), "meant for something else"),
        (lambda document: document["bufferViews"][1].update(byteOffset=90), "by 4 bytes"),
        (lambda document: document["nodes"][0].update(mesh=4), "which is not there"),
        (lambda document: document["buffers"][0].update(byteLength=40), "the buffer states"),
    ],
)
def test_what_breaks_the_structure_of_a_glb_is_noticed(part, change, told):
    glb = encode_glb(part, LABEL, SOURCES).content
    document, binary = document_of(glb), glb[20 + struct.unpack_from("<I", glb, 12)[0] :]
    change(document)
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    altered = struct.pack("<IIIII", 0x46546C67, 2, 20 + len(text) + len(binary), len(text), 0x4E4F534A) + text + binary
    assert any(told in rule for rule in broken_rules_of_glb(altered))
    assert broken_rules_of_glb(altered[:-4]) != []


def test_glb_shows_a_fill_at_every_vertex_it_touches(part):
    glb = encode_glb(part, LABEL, SOURCES).content
    document = document_of(glb)
    start = 28 + struct.unpack_from("<I", glb, 12)[0] + document["bufferViews"][1]["byteOffset"]
    colours = np.frombuffer(glb, np.uint8, 32, start).reshape(8, 4)
    is_filled = part.vertices[:, 2] == part.vertices[:, 2].max()
    grey = round(255 * ((0x99 / 255 + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    assert np.array_equal((colours[:, :3] == grey).all(axis=1), is_filled)


class TestReplicaPly:
    @pytest.mark.parametrize("has_colour", [True, False])
    def test_a_surface_comes_back_exactly(self, part, tmp_path, has_colour):
        mesh = part if has_colour else part.replaced(colour=None)
        write_atomic(tmp_path / "replica.ply", write_replica_ply(mesh))
        back = read_replica_ply(tmp_path / "replica.ply")
        for name in ("vertices", "faces", "source", "colour"):
            assert np.array_equal(getattr(back, name), getattr(mesh, name)), name

    @pytest.mark.parametrize("broken", [
        lambda content: content[:-1],
        lambda content: content + b"\0",
        lambda content: content[:100],
        lambda content: content.replace(b"property ushort source\n", b""),
        lambda content: content.replace(b"double x", b"float x"),
        lambda _: b"",
    ])
    def test_a_damaged_surface_is_refused_by_name(self, part, tmp_path, broken):
        (tmp_path / "clean.ply").write_bytes(broken(write_replica_ply(part)))
        with pytest.raises(ScanError, match=r"clean\.ply.*build again"):
            read_replica_ply(tmp_path / "clean.ply")

    def test_a_missing_surface_is_refused_by_name(self, tmp_path):
        with pytest.raises(ScanError, match=r"clean\.ply"):
            read_replica_ply(tmp_path / "clean.ply")


class TestWritingWhole:
    def test_the_hash_is_that_of_the_file_and_nothing_else_is_left(self, tmp_path):
        path = tmp_path / "a" / "b" / "part.stl"
        for content in (b"first", b"second"):
            assert write_atomic(path, content) == hashlib.sha256(path.read_bytes()).hexdigest()
        assert path.read_bytes() == b"second"
        assert list(path.parent.iterdir()) == [path]

    def test_many_files_are_each_whole_under_their_names_and_nothing_else_is_left(self, tmp_path):
        contents = {tmp_path / str(number % 3) / f"{number}.json": b"%d" % number for number in range(2 * MOST_OPEN_FILES + 1)}
        assert write_all_atomic(contents) == {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in contents}
        assert {path: path.read_bytes() for path in tmp_path.glob("*/*")} == contents

    def test_a_failed_write_leaves_the_old_files_and_no_stray_one(self, tmp_path, monkeypatch):
        paths = [tmp_path / "part.stl", tmp_path / "part.ply"]
        write_all_atomic(dict.fromkeys(paths, b"old"))
        monkeypatch.setattr("os.fsync", lambda _: (_ for _ in ()).throw(OSError("no space left")))
        with pytest.raises(OSError, match="no space"):
            write_all_atomic(dict.fromkeys(paths, b"new"))
        assert {path: path.read_bytes() for path in tmp_path.iterdir()} == dict.fromkeys(paths, b"old")


def test_rows_of_numbers_are_written_as_the_language_itself_writes_them() -> None:
    """32-bit numbers of all sizes and signs, halves at the last digit among them, to six decimals; and whole numbers with the mark of their kind."""
    rng = np.random.default_rng(1)
    values = (rng.normal(size=(3000, 3)) * 10.0 ** rng.integers(-5, 5, (3000, 3))).astype(np.float32)
    values[:3] = [[0.0, -1.0, 0.5], [2.0**-7, -(2.0**-7), 1.0], [99.9999995, -123456.0, 2.0**-16]]
    values[np.abs(values) < 1e-6] = 0.0
    body = b"".join(_vertex_rows(values, 6)).decode()
    assert body == "".join(f'{INDENT}<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}" />\n' for x, y, z in values.tolist())
    faces, kinds = rng.integers(0, 10 ** rng.integers(1, 8, (500, 3))), rng.integers(0, 12, 500)
    tails = [f' pid="3" p1="{kind}"' if kind else "" for kind in kinds.tolist()]
    expected = (f'{INDENT}<triangle v1="{a}" v2="{b}" v3="{c}"{tail} />\n' for (a, b, c), tail in zip(faces.tolist(), tails, strict=True))
    assert b"".join(_face_rows(faces, kinds, "3")).decode() == "".join(expected)


@pytest.mark.parametrize("n_cores", [1, 3])
def test_a_large_part_of_a_package_is_packed_to_the_same_bytes_on_any_number_of_cores(monkeypatch: pytest.MonkeyPatch, n_cores: int) -> None:
    """Five megabytes of rows come back whole, from blocks whose bytes do not hang on the threads that packed them."""
    content = "".join(f'<vertex x="{x:.6f}" />\n' for x in np.random.default_rng(3).normal(size=220_000).tolist()).encode()
    monkeypatch.setattr(threads, "n_threads", lambda: n_cores)
    package = zipped({"3D/3dmodel.model": content, "[Content_Types].xml": b""})
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        assert archive.testzip() is None
        assert archive.read("3D/3dmodel.model") == content
    monkeypatch.setattr(threads, "n_threads", lambda: 1)
    assert zipped({"3D/3dmodel.model": content, "[Content_Types].xml": b""}) == package
