"""Broken, lying and hostile scan files: each is refused with one sentence that names the file and says what to do."""

from __future__ import annotations

import io
import json
import random
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from meshtools.errors import ScanError
from meshtools.files.read_scan import read_scan

CORE = 'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"'
ONE_TRIANGLE = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex x="0" y="1" z="0"/></vertices>'
    '<triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh>'
)


def stl(n_stated: int = 2, corners: object = ((0, 0, 0), (1, 0, 0), (0, 1, 0)), n_real: int = 2) -> bytes:
    record = struct.pack("<12fH", 0, 0, 0, *np.array(corners, dtype=float).ravel(), 0)
    return bytes(80) + struct.pack("<I", n_stated) + record * n_real


def stl_text(vertex: str = "0 1 0") -> bytes:
    loop = f"outer loop\nvertex 0 0 0\nvertex 1 0 0\nvertex {vertex}\nendloop\n"
    return f"solid a\nfacet normal 0 0 1\n{loop}endfacet\nendsolid a\n".encode()


def ply(n_vertices: int = 3, n_faces: int = 1, kind: str = "ascii", body: bytes = b"0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n", extra: str = "") -> bytes:
    header = f"ply\nformat {kind} 1.0\n{extra}element vertex {n_vertices}\nproperty float x\nproperty float y\nproperty float z\n"
    return f"{header}element face {n_faces}\nproperty list uchar int vertex_indices\nend_header\n".encode() + body


def off(counts: str = "3 1 0", last: str = "3 0 1 2\n") -> bytes:
    return f"OFF\n{counts}\n0 0 0\n1 0 0\n0 1 0\n{last}".encode()


def obj(face: str = "f 1 2 3", vertex: str = "0 1 0") -> bytes:
    return f"v 0 0 0\nv 1 0 0\nv {vertex}\n{face}\n".encode()


def glb(change: Callable[[dict], object] = lambda document: None, corners: tuple[int, ...] = (0, 1, 2)) -> bytes:
    binary = struct.pack("<9f3I", 0, 0, 0, 1, 0, 0, 0, 1, 0, *corners)
    document = {
        "asset": {"version": "2.0"},
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": 3, "type": "SCALAR"},
        ],
        "bufferViews": [{"buffer": 0, "byteLength": 36}, {"buffer": 0, "byteOffset": 36, "byteLength": 12}],
        "buffers": [{"byteLength": 48}],
    }
    change(document)
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    head = struct.pack("<4sIIII", b"glTF", 2, 28 + len(text) + len(binary), len(text), 0x4E4F534A)
    return head + text + struct.pack("<II", len(binary), 0x004E4942) + binary


def package(model: bytes | str, name: str = "3D/3dmodel.model") -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, model)
    return target.getvalue()


def one_object() -> str:
    return f'<object id="1">{ONE_TRIANGLE}</object>'


def threemf(resources: str = "", build: str = '<item objectid="1"/>', before: str = "", more: str = "") -> bytes:
    model = f"<model {CORE} {more}><resources>{resources or one_object()}</resources><build>{build}</build></model>"
    return package(f'<?xml version="1.0"?>{before}{model}')


def doubling(levels: int) -> str:
    """Each object holds the one before twice: a small file that unfolds to 2 to the power of `levels` triangles."""
    objects = f'<object id="0">{ONE_TRIANGLE}</object>'
    for level in range(1, levels + 1):
        twice = f'<component objectid="{level - 1}"/>' * 2
        objects += f'<object id="{level}"><components>{twice}</components></object>'
    return objects


ENTITIES = '<!DOCTYPE model [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
OUTSIDE = "https://example.org/mesh.bin"

BROKEN: dict[str, tuple[str, bytes, str]] = {
    "empty": ("a.stl", b"", "is empty"),
    "only zeros": ("a.stl", bytes(5000), "states 0 triangles"),
    "web page": ("a.stl", b"\n<!DOCTYPE html><html><body>Not found</body></html>", "web page"),
    "text saved as stl": ("a.stl", b"Left femur, scanned on a Tuesday.\n", "holds text"),
    "solid text": ("a.stl", b"solid state of the collection: good\n", "no endsolid"),
    "lfs pointer": ("a.ply", b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 12\n", "Git LFS pointer"),
    "unknown format": ("a.xyz", bytes(range(256)), "no known scan format"),
    "picture": ("a.ply", b"\x89PNG\r\n\x1a\n" + bytes(99), "does not begin like"),
    "compressed": ("a.stl", b"\x1f\x8b\x08" + bytes(200), "compressed"),
    "stl header only": ("a.stl", b"\x01" * 40, "fewer than the 84"),
    "stl cut off": ("a.stl", stl()[:-1], "states 2 triangles in its header but has room for 1"),
    "stl count too small": ("a.stl", stl(1), "states 1 triangles in its header but has room for 2"),
    "stl count of 2^31": ("a.stl", stl(2**31), "states 2147483648 triangles"),
    "stl count of 2^32 - 1": ("a.stl", stl(2**32 - 1), "states 4294967295 triangles"),
    "stl not a number": ("a.stl", stl(corners=((0, 0, 0), (1, float("nan"), 0), (0, 1, 0))), "not a finite number (vertex 1,"),
    "stl infinite": ("a.stl", stl(corners=((0, 0, 0), (1, 0, 0), (0, float("-inf"), 0))), "not a finite number"),
    "stl noise": ("a.stl", stl(corners=((0, 0, 0), (1, 0, 0), (0, 3e38, 0))), "which no scan has"),
    "stl text cut off": ("a.stl", stl_text()[:-12], "no endsolid"),
    "stl text short vertex": ("a.stl", stl_text("0 1"), "without three coordinates"),
    "stl text word": ("a.stl", stl_text("0 one 0"), "a word where a number is needed"),
    "stl text no facets": ("a.stl", b"solid facet\nendsolid facet\n", "without facets"),
    "stl text two loops": ("a.stl", stl_text("0 1 0\nvertex 1 1 0"), "not three vertices in one loop"),
    "ply header without end": ("a.ply", ply()[:60], "PLY header"),
    "ply unknown type": ("a.ply", ply(extra="element a 1\nproperty quaternion q\n"), "'property quaternion q'"),
    "ply text cut off": ("a.ply", ply()[:-6], "ends inside face record 0 of 1"),
    "ply text count": ("a.ply", ply(2**31), "states 2147483648 vertex records"),
    "ply text word": ("a.ply", ply(body=b"0 0 0\n1 0 0\n0 x 0\n3 0 1 2\n"), "a word where a number is needed"),
    "ply vertex number": ("a.ply", ply(body=b"0 0 0\n1 0 0\n0 1 0\n3 0 1 3\n"), "names vertex 3, counted from 0, but holds 3"),
    "ply negative vertex number": ("a.ply", ply(body=b"0 0 0\n1 0 0\n0 1 0\n3 0 1 -1\n"), "names vertex -1"),
    "ply broken vertex number": ("a.ply", ply(body=b"0 0 0\n1 0 0\n0 1 0\n3 0 1 1.5\n"), "not whole numbers"),
    "ply list length": ("a.ply", ply(body=b"0 0 0\n1 0 0\n0 1 0\n-3 0 1 2\n"), "ends inside face record 0"),
    "ply point cloud": ("a.ply", ply(3, 0, body=b"0 0 0\n1 0 0\n0 1 0\n"), "holds 3 points and no faces"),
    "ply no vertices": ("a.ply", ply(0, 0, body=b""), "no vertices"),
    "ply binary cut off": ("a.ply", ply(kind="binary_little_endian", body=bytes(36) + struct.pack("<B2i", 3, 0, 1)), "ends inside face record 0"),
    "ply binary vertex count": ("a.ply", ply(2**31, kind="binary_big_endian", body=bytes(99)), "states 2147483648 vertex records"),
    "ply binary face count": ("a.ply", ply(1, 2**40, kind="binary_big_endian", body=bytes(99)), "states 1099511627776 face records"),
    "ply binary list length": ("a.ply", ply(3, 1, "binary_little_endian", bytes(36) + b"\xff" + bytes(12)), "ends inside face record 0"),
    "ply strips": ("a.ply", ply().replace(b"element face", b"element tristrips"), "triangle strips"),
    "ply without z": ("a.ply", ply().replace(b"float z", b"float w"), "without x, y and z"),
    "off count": ("a.off", off("3 2147483648 0"), "states 3 vertices and 2147483648 faces"),
    "off cut off": ("a.off", off(last=""), "has 3 lines for them"),
    "off short face": ("a.off", off(last="3 0 1\n"), "fewer vertex numbers than it states"),
    "off no counts": ("a.off", b"OFF\n", "does not state its vertices"),
    "off binary": ("a.off", b"OFF BINARY\n" + bytes(60), "in binary"),
    "obj point cloud": ("a.obj", obj(""), "holds 3 points and no faces"),
    "obj no vertices": ("a.obj", b"# nothing\n", "no vertices"),
    "obj vertex number": ("a.obj", obj("f 1 2 4"), "names vertex 3, counted from 0, but holds 3"),
    "obj vertex 0": ("a.obj", obj("f 0 1 2"), "counts from 1"),
    "obj counts back too far": ("a.obj", obj("f -1 -2 -4"), "counts back"),
    "obj short face": ("a.obj", obj("f 1 2"), "a face with 2 corners"),
    "obj corner": ("a.obj", obj("f 1/1/1/1 2 3"), "face corner"),
    "obj corner word": ("a.obj", obj("f 1 2 c"), "a word where a number is needed"),
    "obj short vertex": ("a.obj", obj(vertex="0 1"), "has 2 numbers in row 3"),
    "obj not a number": ("a.obj", obj(vertex="0 nan 0"), "not a finite number"),
    "glb header only": ("a.glb", b"glTF\2\0\0\0", "fewer than a GLB header"),
    "glb version 1": ("a.glb", b"glTF\1\0\0\0" + bytes(20), "version 1"),
    "glb cut off": ("a.glb", glb()[:-5], "bytes but has"),
    "glb json": ("a.glb", glb().replace(b'{"asset"', b'}"asset"'), "cannot be read"),
    "glb accessor count": ("a.glb", glb(lambda d: d["accessors"][0].update(count=2**31)), "no room for them"),
    "glb view": ("a.glb", glb(lambda d: d["bufferViews"][0].update(byteLength=2**40)), "ends at byte 1099511627776 of 48"),
    "glb vertex number": ("a.glb", glb(corners=(0, 1, 3)), "names vertex 3"),
    "glb outside": ("a.glb", glb(lambda d: d["buffers"][0].update(uri=OUTSIDE)), "in another file"),
    "glb compressed": ("a.glb", glb(lambda d: d.update(extensionsRequired=["KHR_draco_mesh_compression"])), "KHR_draco_mesh_compression"),
    "glb circle": ("a.glb", glb(lambda d: d["nodes"][0].update(children=[0])), "circle"),
    "glb points": ("a.glb", glb(lambda d: d["meshes"][0]["primitives"][0].update(mode=0)), "holds 3 points and no faces"),
    "glb types": ("a.glb", glb(lambda d: d["accessors"].__setitem__(0, [1])), "which it does not hold"),
    "gltf as text": ("a.gltf", b'{"asset": {"version": "2.0"}}', "glTF as text"),
    "3mf cut off": ("a.3mf", threemf()[:-30], "cannot be opened"),
    "3mf without model": ("a.3mf", package("hello", "readme.txt"), "zip archive without a 3MF model"),
    "3mf xml": ("a.3mf", package("<model><"), "broken XML"),
    "3mf entities": ("a.3mf", threemf(before=ENTITIES), "document type"),
    "3mf circle": (
        "a.3mf",
        threemf('<object id="1"><components><component objectid="1"/></components></object>'),
        "contains itself",
    ),
    "3mf doubling": ("a.3mf", threemf(doubling(60), '<item objectid="60"/>'), "repeats its parts"),
    "3mf deep": ("a.3mf", threemf(doubling(500), '<item objectid="500"/>'), "more than 64 deep"),
    "3mf bomb": ("a.3mf", package(b" " * (200 << 20)), "which no scan does"),
    "3mf missing object": ("a.3mf", threemf(build='<item objectid="7"/>'), "places 3MF object 7"),
    "3mf nothing placed": ("a.3mf", threemf(build=""), "no 3MF build item"),
    "3mf vertex number": ("a.3mf", threemf(one_object().replace('v3="2"', 'v3="9"')), "vertex 9"),
    "3mf number": ("a.3mf", threemf(one_object().replace('x="1"', 'x="one"')), "missing or no number"),
    "3mf unit": ("a.3mf", threemf(more='unit="parsec"'), "'parsec'"),
    "3mf extension": ("a.3mf", threemf(more='xmlns:x="urn:other" requiredextensions="x"'), "extension 'x'"),
}


def refusal(path: Path) -> str:
    with pytest.raises(ScanError) as caught:
        read_scan(path)
    return str(caught.value)


def assert_is_sentence(sentence: str, name: str) -> None:
    assert sentence.startswith(f"{name} ")
    assert sentence.endswith(".")
    assert "\n" not in sentence


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_scan_is_refused_with_one_sentence(tmp_path: Path, case: str) -> None:
    """The sentence begins with the file's name, says what is wrong and what to do, and little memory is taken for it."""
    name, content, reason = BROKEN[case]
    (tmp_path / name).write_bytes(content)
    tracemalloc.start()
    sentence = refusal(tmp_path / name)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert_is_sentence(sentence, name)
    assert reason in sentence
    assert ":" in sentence  # what to do stands behind a colon
    assert peak < 20e6


def test_a_missing_scan_names_the_nearest_file(tmp_path: Path) -> None:
    """A slip of the pen is the usual reason."""
    (tmp_path / "Femur-L.stl").write_bytes(stl())
    assert refusal(tmp_path / "femur_l.stl") == "femur_l.stl does not exist: perhaps 'Femur-L.stl' is meant."
    assert refusal(tmp_path / "nowhere" / "a.stl") == "a.stl does not exist and neither does its folder: check the path."


def test_a_folder_is_no_scan(tmp_path: Path) -> None:
    """The sentence says to name the file inside."""
    (tmp_path / "scans").mkdir()
    assert refusal(tmp_path / "scans") == "scans is a folder: name the scan file inside it."


@pytest.mark.parametrize("case", ["a.stl", "text.stl", "a.ply", "binary.ply", "a.off", "a.glb", "a.3mf"])
def test_a_scan_cut_off_anywhere_is_refused(tmp_path: Path, case: str) -> None:
    """Every shorter beginning of a whole file is refused; the whole file and the same without its last line break are read."""
    corners = struct.pack("<B3i", 3, 0, 1, 2)
    points = struct.pack("<9f", 0, 0, 0, 1, 0, 0, 0, 1, 0)
    whole = {
        "a.stl": stl(),
        "text.stl": stl_text(),
        "a.ply": ply(),
        "binary.ply": ply(kind="binary_little_endian", body=points + corners),
        "a.off": off(),
        "a.glb": glb(),
        "a.3mf": threemf(),
    }[case]
    path = tmp_path / case
    path.write_bytes(whole)
    assert len(read_scan(path).faces) >= 1
    # an STL text is whole with `endsolid`, its name may be missing; other text is whole without its last line break
    n_optional = {"text.stl": 3, "a.ply": 1, "a.off": 1}.get(case, 0)
    for n_bytes in range(len(whole) - n_optional):
        path.write_bytes(whole[:n_bytes])
        assert_is_sentence(refusal(path), case)


def test_a_text_that_ends_inside_a_line_is_said(tmp_path: Path) -> None:
    """A last number that lost digits cannot be told from a whole one, so the missing line break is a note."""
    for name, content in (("a.ply", ply()), ("a.off", off()), ("a.obj", obj())):
        (tmp_path / name).write_bytes(content[:-1])
        assert "The last line has no line break: check that the file is not cut off." in read_scan(tmp_path / name).notes


def test_a_picture_that_unpacks_beyond_reason_costs_only_the_colour(tmp_path: Path) -> None:
    """A PNG of a few bytes that states 60000 x 60000 pixels is left out with a note."""
    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    png = b"\x89PNG\r\n\x1a\n"
    for kind, content in ((b"IHDR", header), (b"IDAT", zlib.compress(bytes(100))), (b"IEND", b"")):
        png += struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
    (tmp_path / "skin.png").write_bytes(png)
    (tmp_path / "a.mtl").write_text("newmtl bone\nmap_Kd skin.png\n")
    (tmp_path / "a.obj").write_bytes(b"mtllib a.mtl\nvt 0 0\nusemtl bone\n" + obj("f 1/1 2/1 3/1"))
    scan = read_scan(tmp_path / "a.obj")
    assert scan.colour is None
    assert scan.notes == ("Texture 'skin.png' has more than 134217728 pixels; its colour was left out.",)


@pytest.mark.parametrize("case", ["a.stl", "text.stl", "a.ply", "a.off", "a.obj", "a.glb", "a.3mf"])
def test_flipped_bytes_never_end_in_a_traceback(tmp_path: Path, case: str) -> None:
    """300 damaged copies, fixed seed: each is read or refused in one sentence."""
    whole = {"a.stl": stl(), "text.stl": stl_text(), "a.ply": ply(), "a.off": off(), "a.obj": obj(), "a.glb": glb(), "a.3mf": threemf()}[case]
    rng = random.Random(1)
    path = tmp_path / case
    for _ in range(300):
        damaged = bytearray(whole)
        for _ in range(rng.choice((1, 1, 2, 8))):
            damaged[rng.randrange(len(damaged))] = rng.choice((0, 9, 45, 57, 127, 255, rng.randrange(256)))
        path.write_bytes(damaged)
        try:
            read_scan(path)
        except ScanError as error:
            assert_is_sentence(str(error), case)
