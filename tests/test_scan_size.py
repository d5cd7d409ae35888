"""The size of a scan is known from its header, and never more than its bytes can hold."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import struct
from pathlib import Path

import pytest
from test_broken_scans import glb, obj, off, one_object, ply, stl, stl_text, threemf

from meshtools.files.read_scan import read_scan
from meshtools.files.scan_blocks import blocks_of
from meshtools.files.scan_size import UNKNOWN, ScanSize, estimated_peak_mb, scan_size
from meshtools.keys import ContentHashes


def size_of(folder: Path, name: str, content: bytes) -> ScanSize:
    (folder / name).write_bytes(content)
    return scan_size(folder / name)


def sphere(kind: str) -> bytes:
    import trimesh

    shape = trimesh.creation.icosphere(subdivisions=4, radius=37.3)
    written = shape.export(file_type=kind.removesuffix("-text"), **({"encoding": "ascii"} if kind == "ply-text" else {}))
    return written.encode() if isinstance(written, str) else written


@pytest.mark.parametrize("kind", ["stl", "ply", "glb"])
def test_a_binary_format_says_its_size_exactly(tmp_path: Path, kind: str) -> None:
    size = size_of(tmp_path, f"a.{kind}", sphere(kind))
    scan = read_scan(tmp_path / f"a.{kind}")
    assert size == ScanSize(len(scan.faces), len(scan.vertices), scan.colour is not None)


@pytest.mark.parametrize("kind", ["stl_ascii", "obj", "off", "ply-text", "3mf"])
def test_a_text_format_is_estimated_within_a_third_and_not_below_nine_tenths(tmp_path: Path, kind: str) -> None:
    """3MF is estimated from what a triangle takes at least, so it may come out up to three times as large."""
    name = f"a.{kind.removesuffix('_ascii').removesuffix('-text')}"
    size = size_of(tmp_path, name, sphere(kind))
    scan = read_scan(tmp_path / name)
    most = 3 if kind == "3mf" else 1.33
    assert 0.9 * len(scan.faces) <= size.n_faces <= most * len(scan.faces)
    assert 0.9 * len(scan.vertices) <= size.n_vertices <= most * len(scan.vertices)


def test_polygons_count_as_the_triangles_they_become(tmp_path: Path) -> None:
    square = struct.pack("<12f", 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0) + struct.pack("<B4i", 4, 0, 1, 2, 3)
    assert size_of(tmp_path, "a.ply", ply(4, 1, "binary_little_endian", square)).n_faces == 2
    assert size_of(tmp_path, "a.obj", obj("f 1 2 3 1 2")).n_faces == 3


@pytest.mark.parametrize("kind", ["off", "ply"])
@pytest.mark.parametrize("n_rows", [2, 130])
def test_a_text_of_quads_counts_as_the_triangles_that_the_reader_makes(tmp_path: Path, kind: str, n_rows: int) -> None:
    """A grid of squares, in a file that is shorter and in one that is longer than what is read of its end; colours stand behind the corners."""
    side = range(n_rows + 1)
    points = [f"{x} {y} 0" for y in side for x in side]
    at = [y * (n_rows + 1) + x for y in range(n_rows) for x in range(n_rows)]
    squares = [f"4 {one} {one + 1} {one + n_rows + 2} {one + n_rows + 1} 200 180 160" for one in at]
    xyz, rgb = "\n".join(f"property float {axis}" for axis in "xyz"), "\n".join(f"property uchar {channel}" for channel in ("red", "green", "blue"))
    headers = {
        "off": f"OFF\n{len(points)} {len(squares)} 0",
        "ply": f"ply\nformat ascii 1.0\nelement vertex {len(points)}\n{xyz}\n"
        f"element face {len(squares)}\nproperty list uchar int vertex_indices\n{rgb}\nend_header",
    }
    size = size_of(tmp_path, f"a.{kind}", "\n".join([headers[kind], *points, *squares, ""]).encode())
    assert size.n_faces == len(read_scan(tmp_path / f"a.{kind}").faces) == 2 * n_rows**2


def test_large_polygons_of_a_text_are_not_cut_by_its_bytes(tmp_path: Path) -> None:
    """The densest that there is: corners of one digit, a hundred a face."""
    polygon = " ".join(["100", *(str(corner % 4) for corner in range(100))])
    size = size_of(tmp_path, "a.off", b"OFF\n4 300 0\n" + b"0 0 0\n" * 4 + f"{polygon}\n".encode() * 300)
    assert size.n_faces == 300 * 98


@pytest.mark.parametrize("number", [errno.EMFILE, errno.EIO])
def test_a_machine_that_fails_for_the_moment_says_nothing_of_the_scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    path = tmp_path / "a.ply"
    path.write_bytes(sphere("ply"))
    monkeypatch.setattr(Path, "open", lambda *_: (_ for _ in ()).throw(OSError(number, os.strerror(number))))
    for measure in (scan_size, blocks_of):
        with pytest.raises(OSError, match=re.escape(os.strerror(number))):
            measure(path)


def test_a_scan_that_may_not_be_opened_has_no_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.ply"
    path.write_bytes(sphere("ply"))
    monkeypatch.setattr(Path, "open", lambda *_: (_ for _ in ()).throw(PermissionError(errno.EACCES, "no")))
    assert (scan_size(path), blocks_of(path)) == (UNKNOWN, None)


def test_a_drive_that_fails_inside_a_3mf_is_not_taken_for_a_package_that_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Failing(io.BytesIO):
        """A drive that gives the beginning of a file and no more."""

        def seek(self, *_: int) -> int:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    (tmp_path / "a.3mf").write_bytes(b"PK")
    monkeypatch.setattr(Path, "open", lambda *_: Failing(b"PK\3\4" + bytes(60)))
    with pytest.raises(OSError, match=re.escape(os.strerror(errno.EIO))):
        scan_size(tmp_path / "a.3mf")


def test_what_a_failing_machine_hides_is_not_remembered_and_measured_the_next_time(tmp_path: Path) -> None:
    def fail(_: Path) -> list[int]:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    (tmp_path / "a.stl").write_bytes(b"solid")
    hashes = ContentHashes(tmp_path)
    assert hashes.measured("a.stl", fail) is None
    later = ContentHashes(tmp_path, json.loads(hashes.to_json()))
    assert later.measured("a.stl", lambda _: [1, 2, 0, 1]) == [1, 2, 0, 1]


LIES = {
    "a.stl": stl(2**32 - 1),
    "b.ply": ply(2**31, kind="binary_little_endian", body=bytes(99)),
    "c.ply": ply(1, 10**17, kind="binary_big_endian", body=bytes(99)),
    "d.ply": ply(10**17, 10**17),
    "e.off": off("99999999999 99999999999 0"),
    "f.glb": glb(lambda d: [a.update(count=2**62) for a in d["accessors"]]),
    "g.stl": stl_text().replace(b"solid a", b"solid a" + b" endfacet" * 9, 1),
    "h.3mf": threemf(one_object()),
}


@pytest.mark.parametrize("name", LIES)
def test_a_lying_header_promises_no_more_than_the_bytes_can_hold(tmp_path: Path, name: str) -> None:
    """One triangle takes more than a byte in every format but 3MF, which is packed."""
    content = LIES[name]
    size = size_of(tmp_path, name, content)
    assert max(size.n_faces, size.n_vertices) <= len(content)


def test_what_is_no_scan_has_no_size(tmp_path: Path) -> None:
    assert size_of(tmp_path, "a.stl", b"") == UNKNOWN
    assert size_of(tmp_path, "a.glb", b"glTF" + b"\xff" * 30) == UNKNOWN
    assert size_of(tmp_path, "a.3mf", b"PK\3\4" + bytes(60)) == UNKNOWN
    assert scan_size(tmp_path) == scan_size(tmp_path / "nowhere.stl") == UNKNOWN


def test_only_the_beginning_of_a_large_file_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sparse STL of 2 GB is measured without its bytes."""
    n_faces = 43_000_000
    with (tmp_path / "a.stl").open("wb") as stream:
        stream.write(b"\1" * 80 + struct.pack("<I", n_faces))
        stream.truncate(84 + 50 * n_faces)
    n_read = 0
    original = io.BufferedReader.read

    class Counting(io.BufferedReader):
        def read(self, size: int | None = -1, /) -> bytes:
            nonlocal n_read
            content = original(self, size)
            n_read += len(content)
            return content

    monkeypatch.setattr(Path, "open", lambda path, mode: Counting(io.FileIO(path, "rb")))
    assert scan_size(tmp_path / "a.stl") == ScanSize(n_faces, 3 * n_faces, False)
    assert n_read <= 1 << 17


def test_more_faces_never_need_less_memory() -> None:
    sizes = [ScanSize(n, 3 * n, False) for n in (0, 10**5, 10**6, 10**7)]
    peaks = [estimated_peak_mb(size) for size in sizes]
    assert peaks == sorted(peaks)
    assert peaks[0] > 0
