"""Files that lie, that are cut off or that want to do harm, made on the spot: what each is and what must happen to it."""

from __future__ import annotations

import io
import json
import os
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from fuzz_readers import png
from test_broken_scans import BROKEN, CORE, ONE_TRIANGLE, glb, obj, off, one_object, package, ply, stl, stl_text, threemf

CANARY = "canary-7f3a"  # a word that lies only outside the batch, in files that nobody may read
NAN, INF = float("nan"), float("inf")
Maker = Callable[[Path], None]


@dataclass(frozen=True)
class Hostile:
    """A scan of this name. `refusal`: words of the sentence it is refused with; empty where it is read, then with `n_faces`.

    `content` is bytes, or a function that makes the file at its path. `beside`: further files in its folder.
    """

    name: str
    content: bytes | Maker
    refusal: str = ""
    n_faces: int = -1
    beside: Mapping[str, bytes | Maker] = field(default_factory=dict)
    note: str = ""
    has_colour: bool = False


def write(path: Path, content: bytes | Maker) -> None:
    """Lay a file down."""
    if callable(content):
        content(path)
    else:
        path.write_bytes(content)


def outside(folder: Path) -> Path:
    """The folder beside the batch that holds what nobody may read: made once."""
    place = folder / "outside"
    place.mkdir(exist_ok=True)
    (place / "secret.txt").write_text(CANARY)
    (place / "secret.stl").write_bytes(stl())
    (place / "secret.mtl").write_text(f"newmtl bone\nmap_Kd {CANARY}.png\n")
    (place / "secret.png").write_bytes(png())
    (place / "secret.csv").write_text(f"{CANARY},b\n")
    return place


def link(target: str) -> Maker:
    """A link, with the target as it is written into it."""
    return lambda path: path.symlink_to(target)


def pipe(path: Path) -> None:
    """A pipe that hangs whoever opens it for reading."""
    os.mkfifo(path)


STL, PLY, OBJ, OFF, GLB, THREEMF = (partial(Hostile, f"a.{kind}") for kind in ("stl", "ply", "obj", "off", "glb", "3mf"))


# --- STL -----------------------------------------------------------------------------------------------------------------------------------
def stl_cases() -> dict[str, Hostile]:
    text = stl_text().decode()
    sections = ("solid", "facet", "outer", "vertex 1", "endloop", "endfacet", "endsolid")
    cut = {f"stl text cut at {word}": STL(text[: text.index(word)].encode(), "a.stl ") for word in sections}
    values = {"nan": "not a finite number", "inf": "not a finite number", "1e999": "not a finite number", "1e300": "which no scan has",
              "3e38": "which no scan has", "0x10": "a word where", "1_0": "a word where", "\N{ARABIC-INDIC DIGIT ONE}": "a word where"}  # fmt: skip
    return {
        **cut,
        **{f"stl text {value!a}": STL(stl_text(f"0 {value} 0"), words) for value, words in values.items()},
        "stl 1e38": STL(stl(corners=((0, 0, 0), (1e38, 0, 0), (0, 1, 0))), "which no scan has"),
        "stl -inf": STL(stl(corners=((0, 0, 0), (-INF, 0, 0), (0, 1, 0))), "not a finite number"),
        "stl header cut": STL(stl()[:50], "fewer than the 84"),
        "stl count cut": STL(stl()[:82], "fewer than the 84"),
        "stl endings": STL(b"solid a\n" + b"endsolid " * 400 + b" " * 2000 + b"\nx", "no endsolid"),
        "stl facet flood": STL(b"solid\n" + b"facet " * 500_000 + b"\nendsolid", "not three vertices"),
        "stl normals": STL(b"solid\n" + b"normal " * 200_000 + b"facet \nendsolid", "a.stl "),
        "stl blanks": STL(b"solid facet\n" + b" " * 4_000_000 + b"x\nendsolid", "a.stl "),
    }


# --- PLY -----------------------------------------------------------------------------------------------------------------------------------
def points(sign: str, third: float = 1.0, kind: str = "f") -> bytes:
    return struct.pack(f"{sign}9{kind}", 0, 0, 0, 1, 0, 0, 0, third, 0)


def binary(order: str, body: bytes, n_vertices: int = 3, n_faces: int = 1) -> bytes:
    return ply(n_vertices, n_faces, f"binary_{order}_endian", body)


def ply_cases() -> dict[str, Hostile]:
    found: dict[str, Hostile] = {}
    for order, sign in (("little", "<"), ("big", ">")):
        face = struct.pack(f"{sign}B3i", 3, 0, 1, 2)
        whole = binary(order, points(sign) + face)
        n_header = whole.index(b"end_header\n") + 11
        for place, n_bytes in {"magic": 3, "format": 20, "header": n_header - 4, "body": n_header, "vertex": n_header + 13,
                               "list": n_header + 36, "corner": len(whole) - 2}.items():  # fmt: skip
            found[f"ply {order} cut in {place}"] = PLY(whole[:n_bytes], "a.ply ")
        for count in (2**31, 2**32 - 1, 10**17):
            found[f"ply {order} {count} vertices"] = PLY(binary(order, points(sign) + face, count), f"states {count} vertex records")
            found[f"ply {order} {count} faces"] = PLY(binary(order, points(sign) + face, 3, count), f"states {count} face records")
        found[f"ply {order} nan"] = PLY(binary(order, points(sign, NAN) + face), "not a finite number")
        found[f"ply {order} 1e38"] = PLY(binary(order, points(sign, 1e38) + face), "which no scan has")
        wide = binary(order, points(sign, 1e300, "d") + face).replace(b"property float", b"property double")
        found[f"ply {order} 1e300"] = PLY(wide, "which no scan has")
        narrow = binary(order, points(sign) + face).replace(b"property float", b"property double")
        found[f"ply {order} wrong sizes"] = PLY(narrow, "has room for 2")
        listed = binary(order, points(sign) + struct.pack(f"{sign}I3i", 2**32 - 1, 0, 1, 2)).replace(b"list uchar", b"list uint")
        found[f"ply {order} endless list"] = PLY(listed, "ends inside face record 0")
        minus = binary(order, points(sign) + struct.pack(f"{sign}i3i", -3, 0, 1, 2)).replace(b"list uchar", b"list int")
        found[f"ply {order} negative list"] = PLY(minus, "ends inside face record 0")
        floats = binary(order, points(sign) + struct.pack(f"{sign}B3f", 3, 0, 1, NAN)).replace(b"uchar int", b"uchar float")
        found[f"ply {order} nan corner"] = PLY(floats, "not whole numbers")
        beyond = binary(order, points(sign) + struct.pack(f"{sign}B3i", 3, 0, 1, -(2**31)))
        found[f"ply {order} corner beyond"] = PLY(beyond, "names vertex -")
    return found | {
        "ply negative count": PLY(ply(-3), "header line that says 'element vertex -3'"),
        "ply nan corner": PLY(ply(body=b"0 0 0\n1 0 0\n0 1 0\n3 0 1 nan\n"), "not whole numbers"),
        "ply 1e300 corner": PLY(ply(body=b"0 0 0\n1 0 0\n0 1 0\n3 0 1 1e300\n"), "names vertex"),
        "ply 1e300 list": PLY(ply(body=b"0 0 0\n1 0 0\n0 1 0\n1e300 0 1 2\n"), "ends inside face record 0"),
        "ply header line": PLY(ply(extra="\x1b[2J\x07 element\n"), "header line that says"),
        "ply long header": PLY(ply(extra="comment " + "a" * (2 << 20) + "\n"), "header without end"),
        "ply many properties": PLY(ply(extra="element a 0\n" + "property int b\n" * 3000), "more than 2000"),
        "ply two vertices": PLY(ply(extra="element vertex 3\n"), "header line that says 'element vertex 3'"),
        "ply endless nothing": PLY(ply(extra="element nothing 999999999999999999\n"), n_faces=1),
        "ply named with codes": PLY(ply(2**31).replace(b"element vertex", b"element ver\x85\x1btex"), "a.ply "),
        "ply irregular lists": PLY(ply(extra="element a 6000000\nproperty list int int b\n", kind="binary_little_endian",
                                                    body=b"\1\0\0\0" + bytes(24_000_000)), "lists of different lengths"),
        "ply empty lists": PLY(ply(extra="element a 20000000\nproperty list uchar int b\n", kind="binary_little_endian",
                                                body=b"\1\0\0\0\0" + bytes(20_000_000)), "a.ply "),
    }  # fmt: skip


# --- OBJ and OFF ---------------------------------------------------------------------------------------------------------------------------
TEXTURED = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt 1 0\nvt 0 1\nusemtl bone\nf 1/1 2/2 3/3\n"


def textured(library: str) -> bytes:
    return f"mtllib {library}\n".encode() + TEXTURED


def obj_cases() -> dict[str, Hostile]:
    library = {"a.mtl": b"newmtl bone\nmap_Kd skin.png\n"}
    secret = "../../outside/secret"
    names = (f"{secret}.png", "/etc/passwd", "..", "a/../skin.png", "C:\\x.png")
    elsewhere = {name: {"a.mtl": f"newmtl bone\nmap_Kd {name}\n".encode()} for name in names}
    corners = {2**31: "names vertex", 2**32 - 1: "names vertex", -(2**31): "counts back", -4: "counts back", 0: "counts from 1",
               2**63: "face corner", "1e300": "face corner", "nan": "face corner", "inf": "face corner", "1.5": "face corner"}  # fmt: skip
    return {
        **{f"obj corner {corner}": OBJ(obj(f"f 1 2 {corner}"), words) for corner, words in corners.items()},
        **{f"obj texture {name}": OBJ(textured("a.mtl"), n_faces=1, beside=files, note="not a file beside the scan")
           for name, files in elsewhere.items()},
        **{f"obj library {name}": OBJ(textured(name), n_faces=1, note="not a file beside the scan")
           for name in (f"{secret}.mtl", "/etc/passwd", "nowhere.mtl", "x" * 5000)},
        "obj texture is a link": OBJ(textured("a.mtl"), n_faces=1, beside={**library, "skin.png": link(f"{secret}.png")}, note="not a file"),
        "obj texture is a pipe": OBJ(textured("a.mtl"), n_faces=1, beside={**library, "skin.png": pipe}, note="not a file"),
        "obj texture is a device": OBJ(textured("a.mtl"), n_faces=1, beside={**library, "skin.png": link("/dev/zero")}, note="not a file"),
        "obj library is a link": OBJ(textured("a.mtl"), n_faces=1, beside={"a.mtl": link(f"{secret}.mtl")}, note="not a file"),
        "obj library is a pipe": OBJ(textured("a.mtl"), n_faces=1, beside={"a.mtl": pipe}, note="not a file"),
        "obj texture beside": OBJ(textured("a.mtl"), n_faces=1, beside={**library, "skin.png": png()}, has_colour=True),
        "obj texture cut off": OBJ(textured("a.mtl"), n_faces=1, beside={**library, "skin.png": png()[:45]}, note="no picture"),
        "obj slashes": OBJ(obj("f 1 2 " + "/" * 1_000_000 + "x"), "a.obj "),
        "obj cut in a vertex": OBJ(b"v 0 0 0\nv 1 0", "has 2 numbers"),
        "obj cut in a face": OBJ(b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2", "2 corners"),
        "obj cut before the faces": OBJ(b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no faces"),
        "obj 1e300": OBJ(obj(vertex="0 1e300 0"), "which no scan has"),
        "obj continued": OBJ(b"v 0 0 0\\\n" * 200_000, "a.obj "),
        "obj short lines": OBJ(b"v 1\n" * 2_000_000, "has 1 numbers"),
        "obj empty lines": OBJ(b"v 0 0 0\n" + b"\n" * 20_000_000, "no faces"),
        "off negative": OFF(off("-3 1 0"), "does not state"),
        "off 2^32-1": OFF(off(f"{2**32 - 1} 1 0"), "states 4294967295 vertices"),
        "off nan corner": OFF(off(last="3 0 1 nan\n"), "not whole numbers"),
        "off corner beyond": OFF(off(last="3 0 1 2147483648\n"), "names vertex 2147483648"),
        "off list": OFF(off(last="4294967295 0 1 2\n"), "fewer vertex numbers"),
    }  # fmt: skip


# --- GLB -----------------------------------------------------------------------------------------------------------------------------------
def glb_text(text: bytes) -> bytes:
    text += b" " * (-len(text) % 4)
    return struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), len(text), 0x4E4F534A) + text


def glb_image(uri: str) -> bytes:
    def change(d: dict) -> None:
        d.update(images=[{"uri": uri}], textures=[{"source": 0}], materials=[{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}])
        d["meshes"][0]["primitives"][0].update(material=0)
        d["meshes"][0]["primitives"][0]["attributes"]["TEXCOORD_0"] = 0

    return glb(change)


def glb_cases() -> dict[str, Hostile]:
    whole = glb()
    n_text = struct.unpack_from("<I", whole, 12)[0]
    cuts = {"magic": 3, "head": 11, "text head": 18, "text": 40, "binary head": 20 + n_text + 3, "binary": len(whole) - 3}

    def accessor(**values: object) -> bytes:
        return glb(lambda d: d["accessors"][0].update(values))

    def primitive(**values: object) -> bytes:
        return glb(lambda d: d["meshes"][0]["primitives"][0].update(values))

    outside_files = ("../../outside/secret.txt", "/etc/passwd", "file:///etc/passwd", "https://example.org/a.bin", "data:;base64,AAAA")
    many = [{"mesh": 0}] * 9000
    return {
        **{f"glb cut in {place}": GLB(whole[:n], "a.glb ") for place, n in cuts.items()},
        **{f"glb buffer {uri}": GLB(glb(lambda d, uri=uri: d["buffers"][0].update(uri=uri)), "in another file") for uri in outside_files},
        **{f"glb image {uri}": GLB(glb_image(uri), n_faces=1, note="lies outside the file") for uri in outside_files},
        **{f"glb count {n!r}": GLB(accessor(count=n), "a.glb ") for n in (2**31, 2**32 - 1, 2**70, -1, True, 1.5, NAN, "3", None, [])},
        **{f"glb offset {n!r}": GLB(accessor(byteOffset=n), "a.glb ") for n in (2**31, 2**62, -1, [])},
        **{f"glb stride {n!r}": GLB(glb(lambda d, n=n: d["bufferViews"][0].update(byteStride=n)), "a.glb ") for n in (1, 2**31, 2**62, -4)},
        "glb deep": GLB(glb_text(b'{"a":' + b"[" * 200_000 + b"]" * 200_000 + b"}"), "cannot be read"),
        "glb nested name": GLB(glb_text(b'{"asset":{},"extensionsRequired":[' + b"[" * 700 + b"]" * 700 + b"]}"), "extension"),
        "glb long number": GLB(glb_text(b'{"a":' + b"9" * 100_000 + b"}"), "cannot be read"),
        "glb long text": GLB(glb_text(b'{"a":"' + b"a" * (17 << 20) + b'"}'), "too large"),
        "glb nan matrix": GLB(glb(lambda d: d["nodes"][0].update(matrix=[NAN] * 16)), "not a finite number"),
        "glb 1e300 scale": GLB(glb(lambda d: d["nodes"][0].update(scale=[1e300, 1, 1])), "which no scan has"),
        "glb huge rotation": GLB(glb(lambda d: d["nodes"][0].update(rotation=[10**400, 0, 0, 1])), "rotation"),
        "glb many nodes": GLB(glb(lambda d: d.update(nodes=[{}] * 1_000_000, scenes=[])), "too many for a scan"),
        "glb many copies": GLB(glb(lambda d: d.update(nodes=many, scenes=[])), n_faces=9000),
        "glb many parts": GLB(glb(lambda d: (d["meshes"][0].update(primitives=d["meshes"][0]["primitives"] * 3000),
                                                          d.update(nodes=many, scenes=[]))), "places more than"),
        "glb no scene": GLB(glb(lambda d: d.update(scene=7)), "names entry 7 of scenes"),
        "glb corners nan": GLB(glb(lambda d: d["accessors"][1].update(componentType=5126)), "not unsigned whole"),
        "glb corner beyond": GLB(glb(corners=(0, 1, 2**32 - 1)), "names vertex 4294967295"),
        "glb no positions": GLB(primitive(attributes={}), "without positions"),
        "glb mode": GLB(primitive(mode=2**40), "no faces"),
        "glb material": GLB(primitive(material=-1), "material"),
    }  # fmt: skip


# --- 3MF -----------------------------------------------------------------------------------------------------------------------------------
def chain(length: int, step: int) -> bytes:
    """A chain of components whose every part is short enough on its own, each part placed before the next: depth may not be forgotten."""
    objects = f'<object id="0">{ONE_TRIANGLE}</object>'
    objects += "".join(f'<object id="{n}"><components><component objectid="{n - 1}"/></components></object>' for n in range(1, length))
    return threemf(objects, "".join(f'<item objectid="{n}"/>' for n in range(step, length, step)))


def heavy_copies() -> bytes:
    """An object of many vertices and one triangle, placed a thousand times."""
    vertices = '<vertex x="0" y="0" z="0"/>' * 100_000
    body = f'<object id="1"><mesh><vertices>{vertices}</vertices><triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh></object>'
    return threemf(body, '<item objectid="1"/>' * 1000)


def packed(names: Mapping[str, bytes | str], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", method) as archive:
        for name, content in names.items():
            archive.writestr(name, content)
    return target.getvalue()


def claims_a_gigabyte() -> bytes:
    """The directory states 1 GB where a few bytes are packed."""
    content = bytearray(package("<model/>"))
    at = content.index(b"PK\1\2")
    content[at + 24 : at + 28] = struct.pack("<I", 1 << 30)
    return bytes(content)


def holds_a_gigabyte(path: Path) -> None:
    """A model of 1 GB of zeros, which packs to about 1 MB."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive, archive.open("3D/3dmodel.model", "w") as stream:
        for _ in range(1 << 6):
            stream.write(bytes(1 << 24))


def threemf_cases() -> dict[str, Hostile]:
    whole = threemf()
    model = zipfile.ZipFile(io.BytesIO(whole)).read("3D/3dmodel.model").decode()
    laughs = "<!DOCTYPE model [" + '<!ENTITY a "ha">' + "".join(f'<!ENTITY a{n} "{"&a;" * 10}">' for n in range(10)) + "]>"
    outer = '<!DOCTYPE model [<!ENTITY x SYSTEM "../../outside/secret.txt">]>'
    rels = '<Relationships><Relationship Id="a" Target="{}" Type="{}"/></Relationships>'
    kind = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    head = f"<model {CORE}>"
    sections = ("<resources>", "<mesh>", "<vertex ", "<triangles>", 'v2="', "</object>", "<build>", "</model>")
    many_words = head + "".join(f"<a{n}/>" for n in range(400_000))
    return {
        **{f"3mf xml cut at {word}": THREEMF(package(model[: model.index(word)]), "a.3mf ") for word in sections},
        **{f"3mf cut at {n}": THREEMF(whole[:n], "a.3mf ") for n in (3, 20, 60, len(whole) - 60, len(whole) - 1)},
        **{f"3mf member {name}": THREEMF(package(model, name), n_faces=1) for name in ("../../a.model", "/etc/a.model", "C:\\a.model")},
        **{f"3mf root {name}": THREEMF(packed({"_rels/.rels": rels.format(name, kind), "3D/3dmodel.model": model}), "does not hold")
           for name in ("../../outside/secret.txt", "/etc/passwd", "file:///etc/passwd")},
        **{f"3mf corner {n}": THREEMF(threemf(one_object().replace('v3="2"', f'v3="{n}"')), "a.3mf ") for n in (-1, 3, 2**31, 2**63, "nan", "1.5")},
        **{f"3mf vertex {n}": THREEMF(threemf(one_object().replace('y="1"', f'y="{n}"')), "a.3mf ") for n in ("nan", "inf", "1e300", "1e38", "")},
        "3mf entities of entities": THREEMF(threemf(before=laughs), "document type"),
        "3mf outer entity": THREEMF(threemf(before=outer), "document type"),
        "3mf in 3mf": THREEMF(packed({"inner.3mf": whole}), "zip archive without a 3MF model"),
        "3mf claims a gigabyte": THREEMF(claims_a_gigabyte(), "which no scan does"),
        "3mf circle of two": THREEMF(threemf("".join(f'<object id="{n}"><components><component objectid="{3 - n}"/></components></object>'
                                                     for n in (1, 2))), "contains itself"),
        "3mf chain": THREEMF(chain(3000, 50), "more than 64 deep"),
        "3mf heavy copies": THREEMF(heavy_copies(), "repeats its parts"),
        "3mf lzma": THREEMF(packed({"3D/3dmodel.model": model}, zipfile.ZIP_LZMA), "3MF forbids"),
        "3mf secret": THREEMF(whole.replace(b"PK\1\2\x14\x03\x14\0\0\0", b"PK\1\2\x14\x03\x14\0\1\0"), "cannot be unpacked"),
        "3mf open tags": THREEMF(package(head + "<a>" * 8_000_000), "too many open tags"),
        "3mf many words": THREEMF(package(many_words), "too many kinds of tags"),
        "3mf long tag": THREEMF(package(f'{head}<a b="{"c" * (9 << 20)}"/>'), "a tag of over 4 MB"),
        "3mf nan placed": THREEMF(threemf(build=f'<item objectid="1" transform="{"nan " * 12}"/>'), "not a finite number"),
        "3mf short transform": THREEMF(threemf(build='<item objectid="1" transform="1 0"/>'), "no number"),
        "3mf path": THREEMF(threemf(build='<item objectid="1" p:path="/../../outside/secret.txt"/>',
                                             more='xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06"'), "does not hold"),
    }  # fmt: skip


# --- names and places ----------------------------------------------------------------------------------------------------------------------
NAMES = (
    "two words.stl", "Oberschenkel Größe.stl", "骨.stl", "line\nbreak.stl", "-rf.stl", "$(touch x).stl", "`touch x`.stl", "a|b;c&d>e.stl",
    "'\"\".stl", "\x1b[31m.stl", "a\u202eb.stl", "{wildcard}.stl", "*?.stl", "%s%n.stl", "n" * 250 + ".stl", "..stl",
)  # fmt: skip


def place_cases() -> dict[str, Hostile]:
    return {
        **{f"name {ascii(name)[:30]}": Hostile(name, stl(), n_faces=2) for name in NAMES if name != "..stl"},
        **{f"broken under the name {ascii(name)[:30]}": Hostile(name, stl()[:-1], "room for 1") for name in NAMES},
        "a name without an ending": Hostile("..stl", stl(), n_faces=2),
        "folder": STL(lambda path: path.mkdir(), "is a folder"),
        "pipe": STL(pipe, "not an ordinary file"),
        "device": STL(link("/dev/zero"), "a.stl "),
        "link out": STL(link("../../outside/secret.stl"), "leads out of the batch"),
        "link out by its whole path": STL(link("/etc/passwd"), "leads out of the batch"),
        "link to itself": STL(link("a.stl"), "a.stl "),
        "link to nothing": STL(link("b.stl"), "leads nowhere"),
        "link inside": STL(link("b.stl"), n_faces=2, beside={"b.stl": stl()}),
        "longer than a name can be": Hostile("n" * 3000 + ".stl", lambda path: None, "cannot be opened"),
    }


def slow_cases() -> dict[str, Hostile]:
    """Those that take seconds to make or to refuse."""
    wide = struct.pack(">IIBBBBB", 16384, 8192, 8, 6, 0, 0, 0)
    rows = zlib.compress(bytes((1 + 4 * 16384) * 8192), 1)
    picture = b"\x89PNG\r\n\x1a\n"
    for kind, part in ((b"IHDR", wide), (b"IDAT", rows), (b"IEND", b"")):
        picture += struct.pack(">I", len(part)) + kind + part + struct.pack(">I", zlib.crc32(kind + part))
    library = {"a.mtl": b"newmtl bone\nmap_Kd skin.png\n", "skin.png": picture}
    elements = f"<model {CORE}>" + "<a/>" * 7_000_000
    return {
        "3mf of a gigabyte of zeros": THREEMF(holds_a_gigabyte, "which no scan does"),
        "3mf of empty tags": THREEMF(package(elements), "broken XML"),
        "obj with the largest picture": OBJ(textured("a.mtl"), n_faces=1, beside=library, has_colour=True),
    }


def scan_cases() -> dict[str, Hostile]:
    """Every scan of the corpus but the slow ones, by what it is."""
    broken = {f"broken: {case}": Hostile(name, content, words) for case, (name, content, words) in BROKEN.items()}
    return broken | stl_cases() | ply_cases() | obj_cases() | glb_cases() | threemf_cases() | place_cases()


# --- tables --------------------------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class HostileTable:
    """A file of config/ as it is changed from the sound one, and words of the problem; empty where it is read."""

    file: str
    change: Callable[[bytes], bytes] | Maker
    problem: str = ""
    is_place: bool = False  # the change makes the file at its path


SCRIPT = '"><script>alert(1)</script>&\'<img src=x onerror=alert(2)>'


def table_cases() -> dict[str, HostileTable]:
    bones, config = "bones.csv", "config.yaml"

    def remark(text: str) -> Callable[[bytes], bytes]:
        return lambda content: _with_remark(content, text)

    def appended(text: str) -> Callable[[bytes], bytes]:
        return lambda content: content + text.encode("utf-8", "surrogatepass")

    bomb = "bomb:\n  a: &a [x, x]\n" + "".join(f"  {chr(98 + n)}: &{chr(98 + n)} [{', '.join(['*' + chr(97 + n)] * 9)}]\n" for n in range(9))
    key_bomb = "? &a [x, x]\n: 1\n" + "".join(f"? &{chr(98 + n)} [{', '.join(['*' + chr(97 + n)] * 9)}]\n: 1\n" for n in range(9))
    return {
        "formulas": HostileTable(bones, remark("=cmd|' /C calc'!A0")),
        "at formula": HostileTable(bones, remark('@SUM(1+1)*cmd|""')),
        "markup": HostileTable(bones, remark(SCRIPT)),
        "byte order mark": HostileTable(bones, lambda content: b"\xef\xbb\xbf" + content),
        "utf-16": HostileTable(bones, lambda content: content.decode().encode("utf-16"), "not UTF-8"),
        "utf-16 without mark": HostileTable(bones, lambda content: content.decode().encode("utf-16-le"), "not UTF-8"),
        "latin-1": HostileTable(bones, lambda content: content + "Größe".encode("latin-1"), "not UTF-8"),
        "nul": HostileTable(bones, lambda content: content.replace(b"ind-a", b"ind\0a"), "not UTF-8"),
        "long cell": HostileTable(bones, remark("a" * 10_000_000), "a cell of more than"),
        "long slip": HostileTable(bones, lambda content: content.replace(b"femur,left", b"femu" * 30_000 + b",left", 1), "is not an element"),
        "long number": HostileTable(bones, lambda content: content.replace(b",98,", b"," + b"9" * 100_000 + b",", 1), "too large"),
        "ragged": HostileTable(bones, lambda content: content + b"a,b\n" + b"x," * 500 + b"x\n", "cells where the header has"),
        "many columns": HostileTable(bones, lambda content: b"," * 100_000 + b"\n" + content),
        "columns twice": HostileTable(bones, lambda content: content.replace(b"unit,", b"scan,", 1), "stands in the header twice"),
        "line ends": HostileTable(bones, lambda content: content.replace(b"\n", b"\r", 2).replace(b"\n", b"\r\n", 1)),
        "open quotation": HostileTable(bones, lambda content: content + b'"x' * 1 + b"\n" * 100_000, "never closes"),
        "steering codes": HostileTable(bones, lambda content: content.replace(b"femur,left", b"\x1b[2J\xe2\x80\xae,left", 1), "is not an element"),
        "nan": HostileTable(bones, lambda content: content.replace(b",98,", b",nan,", 1), "not a finite number"),
        "binary": HostileTable(bones, lambda content: bytes(range(1, 256)) * 100, "not UTF-8"),
        "no table": HostileTable(bones, lambda content: b"", "holds no header"),
        "climbing scan": HostileTable(bones, lambda content: content.replace(b"a-skull.stl", b"../../outside/secret.stl"), "leads out of the batch"),
        "whole path": HostileTable(bones, lambda content: content.replace(b"a-skull.stl", b"/etc/passwd"), "leads out of the batch"),
        "long scan": HostileTable(bones, lambda content: content.replace(b"a-skull.stl", b"a" * 5000), "longer than a path can be"),
        "climbing find": HostileTable(bones, lambda content: content.replace(b"a-skull,", b"../a,"), "names files"),
        "shell find": HostileTable(bones, lambda content: content.replace(b"a-skull,", b"$(touch x),"), "names files"),
        "pipe for a table": HostileTable(bones, pipe, "not an ordinary file", True),
        "folder for a table": HostileTable(bones, lambda path: path.mkdir(), "cannot be read", True),
        "link for a table": HostileTable(bones, link("../../outside/secret.csv"), "leads out of the batch", True),
        "device for a table": HostileTable(bones, link("/dev/zero"), "config/bones.csv", True),
        "sparse gigabyte": HostileTable(bones, lambda path: _sparse(path, 1 << 30), "larger than 64 MB", True),
        "positions": HostileTable("skeleton.csv", lambda content: content + b"rib,paired,a," + b"9" * 5000 + b",,,,,\n", "config/skeleton.csv"),
        "position range": HostileTable("skeleton.csv", lambda content: content + b"rib,paired,thoracic,1-99999999999,,,,,\n", "config/skeleton.csv"),
        "yaml bomb": HostileTable(config, appended(bomb), "bomb"),
        "yaml bomb of names": HostileTable(config, appended(key_bomb), "no plain word"),
        "yaml circle": HostileTable(config, appended("? &a [*a]\n: 1\n"), "no plain word"),
        "yaml python": HostileTable(config, appended('scans: !!python/object/apply:os.system ["touch injected"]\n'), "not a mapping"),
        "yaml twice": HostileTable(config, appended("clean:\n  part_tolerance_mm: 1\n"), "stands twice"),
        "yaml huge": HostileTable(config, lambda content: content.replace(b"0.4", b"9" * 400), "too large"),
        "yaml deep": HostileTable(config, appended("scans: " + "[" * 50_000 + "]" * 50_000), "nests values too deeply"),
        "yaml deep names": HostileTable(config, appended("scans: " + "{a: " * 5000 + "}" * 5000), "nests values too deeply"),
        "yaml sign": HostileTable(config, appended('scans: {folders: {"\\U99999999": {unit: mm}}}\n'), "not valid YAML"),
        "yaml half sign": HostileTable(config, appended('scans: {folders: {"\\ud800": {unit: mm, capture: "\\udfff"}}}\n')),
        "yaml nul": HostileTable(config, appended("scans: \0\n"), "not UTF-8"),
        "yaml steering": HostileTable(config, appended('"\\e[2J": 1\n'), "is not a section"),
        "yaml long": HostileTable(config, appended("# " + "a" * 1_000_000), "longer than"),
        "yaml folder climbs": HostileTable(config, appended("scans: {folders: {../../outside: {unit: mm}}}\n"), "leads out of the batch"),
        "pipe for yaml": HostileTable(config, pipe, "not an ordinary file", True),
        "link for yaml": HostileTable(config, link("../../outside/secret.txt"), "leads out of the batch", True),
    }


def _with_remark(content: bytes, text: str) -> bytes:
    """The table with a column remarks that holds the text in its first row."""
    header, first, *rest = content.decode().splitlines()
    quoted = '"' + text.replace('"', '""') + '"'
    return "\n".join([f"{header},remarks", f"{first},{quoted}", *(f"{row}," for row in rest), ""]).encode()


def _sparse(path: Path, n_bytes: int) -> None:
    with path.open("wb") as stream:
        stream.truncate(n_bytes)


def as_json(value: object) -> str:
    """For messages of tests."""
    return json.dumps(value, ensure_ascii=True)
