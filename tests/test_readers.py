"""What the scan readers hand back, checked against bytes written by hand and against files written by other libraries."""

from __future__ import annotations

import io
import json
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meshtools.files.read_scan import read_scan
from meshtools.files.scan_size import scan_size
from meshtools.model import RawScan, Unit

# a tetrahedron with three mutually perpendicular edges of length 1, 2 and 3, faces outward: its volume is 1 x 2 x 3 / 6 = 1 (closed form)
POINTS = np.array([[0, 0, 0], [1, 0, 0], [0, 2, 0], [0, 0, 3]], dtype=np.float64)
FACES = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
COLOURS = np.array([[255, 0, 0], [0, 128, 0], [1, 2, 3], [254, 253, 252]], dtype=np.uint8)


def volume(scan: RawScan) -> float:
    a, b, c = scan.vertices[scan.faces].transpose(1, 0, 2)
    return float((np.cross(a, b) * c).sum() / 6)


def read(folder: Path, name: str, content: bytes | str) -> RawScan:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_scan(path)


def binary_stl(header: bytes = b"", trailing: bytes = b"") -> bytes:
    records = np.zeros(len(FACES), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    records["v"] = POINTS[FACES]
    return header.ljust(80, b" ") + struct.pack("<I", len(FACES)) + records.tobytes() + trailing


def ply_header(kind: str, elements: dict[str, list[str]]) -> bytes:
    lines = ["ply", f"format {kind} 1.0", "comment invented"]
    for element, properties in elements.items():
        lines += [f"element {element}", *(f"property {one}" for one in properties)]
    return "\n".join([*lines, "end_header", ""]).encode()


def glb(document: dict[str, Any], binary: bytes) -> bytes:
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    head = struct.pack("<4sIIII", b"glTF", 2, 28 + len(text) + len(binary), len(text), 0x4E4F534A)
    return head + text + struct.pack("<II", len(binary), 0x004E4942) + binary


def tetrahedron_glb(nodes: list[dict[str, Any]], indices: str = "<u2", **primitive: Any) -> bytes:
    """The tetrahedron as mesh 0; `nodes` place it. Node 0 is the scene."""
    positions, corners = POINTS.astype("<f4").tobytes(), FACES.astype(indices).tobytes()
    code = {"<u1": 5121, "<u2": 5123, "<u4": 5125}[indices]
    document = {
        "asset": {"version": "2.0"},
        "scenes": [{"nodes": [0]}],
        "nodes": nodes,
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1} | primitive]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": code, "count": 12, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": len(positions)},
            {"buffer": 0, "byteOffset": len(positions), "byteLength": len(corners)},
        ],
        "buffers": [{"byteLength": len(positions) + len(corners)}],
    }
    return glb(document, positions + corners)


MESH_XML = (
    "<mesh><vertices>"
    + "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in POINTS)
    + "</vertices><triangles>"
    + "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in FACES)
    + "</triangles></mesh>"
)
CORE = 'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"'


def threemf(resources: str, build: str, unit: str = "millimeter", prolog: str = "", compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", compression) as package:
        model = f'<?xml version="1.0"?>{prolog}<model {CORE} unit="{unit}"><resources>{resources}</resources><build>{build}</build></model>'
        package.writestr("3D/3dmodel.model", model)
    return target.getvalue()


# ---------------------------------------------------------------- written by hand


@pytest.mark.parametrize("header", [b"", b"solid of a binary writer", b"ply\n", b"OFF"])
def test_binary_stl_is_known_by_its_size_whatever_its_header_says(tmp_path: Path, header: bytes) -> None:
    """The size fits the count, so text in the header decides nothing; three vertices a face, in the order of the file."""
    scan = read(tmp_path, "a.stl", binary_stl(header))
    assert np.array_equal(scan.vertices[scan.faces], POINTS[FACES])
    assert scan.vertices.dtype == np.float64
    assert scan.faces.dtype == np.int32
    assert (scan.file_format, scan.file_unit, scan.notes) == ("STL binary", None, ())
    assert scan_size(tmp_path / "a.stl").n_faces == 4


def test_bytes_after_the_last_triangle_are_said(tmp_path: Path) -> None:
    """Less than one triangle of padding is left out with a note."""
    assert read(tmp_path, "a.stl", binary_stl(trailing=b"\0" * 7)).notes == ("7 bytes after the last triangle were left out.",)


@pytest.mark.parametrize("normal", ["0 0 1", "-nan(ind) 1.#QNAN 0"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r", " "])
def test_stl_text_is_read_in_any_case_and_line_form(tmp_path: Path, normal: str, newline: str) -> None:
    """Upper case, exponents, other line ends, facets on one line and normals that are no numbers."""
    words: list[str] = []
    for face in FACES:
        corners = ("VERTEX {:e} {:+.1f} {:g}".format(*POINTS[i]) for i in face)
        words += ["facet normal " + normal, "outer loop", *corners, "endloop", "endfacet"]
    text = "solid vertex of nothing\n" + newline.join(words) + "\nendsolid vertex of nothing\n"
    scan = read(tmp_path, "a.stl", text)
    assert np.array_equal(scan.vertices[scan.faces], POINTS[FACES])


@pytest.mark.parametrize("order", ["<", ">"])
def test_binary_ply_of_any_property_types_is_read(tmp_path: Path, order: str) -> None:
    """Extra scalars, an extra list, an extra element before and behind, and our own source number do not matter."""
    name = {"<": "little", ">": "big"}[order]
    vertex = ["double x", "float quality", "double y", "double z", "uchar red", "uchar green", "uchar blue"]
    face = ["ushort source", "list uchar uint vertex_index", "list uchar double extra"]
    elements = {"camera 1": ["list ushort float view"], "vertex 4": vertex, "face 4": face, "tail 2": ["int n"]}
    header = ply_header(f"binary_{name}_endian", elements)
    body = struct.pack(order + "H2f", 2, 1, 2)
    body += b"".join(struct.pack(order + "dfdd3B", p[0], 9, p[1], p[2], *c) for p, c in zip(POINTS, COLOURS, strict=True))
    body += b"".join(struct.pack(order + f"HB3IB{i}d", 7, 3, *face, i, *[0.5] * i) for i, face in enumerate(FACES))
    scan = read(tmp_path, "a.ply", header + body + struct.pack(order + "2i", 1, 2))
    assert np.array_equal(scan.vertices, POINTS)
    assert np.array_equal(scan.faces, FACES)
    assert scan.colour is not None
    assert np.array_equal(scan.colour, COLOURS)
    assert scan.file_format == f"PLY binary {name} endian"
    assert scan_size(tmp_path / "a.ply").n_faces == 4


@pytest.mark.parametrize("kind", ["ascii", "binary_big_endian"])
def test_polygons_become_fans_and_say_so(tmp_path: Path, kind: str) -> None:
    """A triangle, a quad and a pentagon become 1 + 2 + 3 triangles from their first corners, in order; a face of two corners is left out."""
    polygons = [[0, 1, 2], [0, 1, 2, 3], [4, 3, 2, 1, 0], [0, 1]]
    header = f"ply\r\nformat {kind} 1.0\r\nelement vertex 5\r\nproperty float x\r\nproperty float y\r\nproperty float z\r\n"
    header += "element face 4\r\nproperty list uchar short vertex_indices\r\nend_header\r\n"
    if kind == "ascii":
        body = ("0 0 0\r\n" * 5 + "".join(f"{len(p)} {' '.join(map(str, p))}\r\n" for p in polygons)).encode()
    else:
        body = bytes(60) + b"".join(struct.pack(f">B{len(p)}h", len(p), *p) for p in polygons)
    scan = read(tmp_path, "a.ply", header.encode() + body)
    assert scan.faces.tolist() == [[0, 1, 2], [0, 1, 2], [0, 2, 3], [4, 3, 2], [4, 2, 1], [4, 1, 0]]
    assert scan.notes == ("2 faces with more than three corners were split into triangles.", "1 faces with fewer than three corners were left out.")


@pytest.mark.parametrize(("kind", "values"), [("uchar", (255, 0, 128)), ("float", (1.0, 0.0, 0.501961)), ("ushort", (65535, 0, 32896))])
def test_ply_colours_of_every_type_become_bytes(tmp_path: Path, kind: str, values: tuple[float, ...]) -> None:
    """Bytes stay, floats up to 1 are shares of 255, 16-bit words are 257 times a byte (PNG and TIFF scale 8 to 16 bits the same way)."""
    vertex = ["float x", "float y", "float z", *(f"{kind} {channel}" for channel in ("red", "green", "blue"))]
    header = ply_header("ascii", {"vertex 3": vertex, "face 1": ["list int int vertex_indices"]}).decode()
    body = "".join(f"{i} 0 0 {' '.join(map(str, values))}\n" for i in range(3)) + "3 0 1 2\n"
    colour = read(tmp_path, "a.ply", header + body).colour
    assert colour is not None
    assert colour.tolist() == [[255, 0, 128]] * 3


def test_obj_faces_of_every_spelling_give_the_same_surface(tmp_path: Path) -> None:
    """v, v/vt, v//vn, v/vt/vn, counted back, continued over a line, and a quad, all in one file."""
    text = "# invented\n" + "".join("v {} {} {}\n".format(*p) for p in POINTS) + "vt 0 0\nvn 0 0 1\n"
    text += "f 1 3 2\nf 1/1 2/1 4/1 # comment\n\tf 1//1 4//1 \\\n 3//1\nf -3/1/1 -2/-1/-1 -1/1/1\nf 1 2 3 4\nv 9 9 9\nf -2 -3 -4\n"
    scan = read(tmp_path, "a.obj", text)
    assert scan.faces.tolist() == [*FACES.tolist(), [0, 1, 2], [0, 2, 3], [3, 2, 1]]
    assert scan.colour is None
    assert "1 of 5 OBJ vertices belong to no face: check that the file is not cut off." in scan.notes


def test_obj_vertex_colours_are_read(tmp_path: Path) -> None:
    """x y z r g b, as shares of 1."""
    lines = ["v {} {} {} {:.6f} {:.6f} {:.6f}".format(*p, *(c / 255)) for p, c in zip(POINTS, COLOURS, strict=True)]
    colour = read(tmp_path, "a.obj", "\n".join([*lines, *("f {} {} {}".format(*(face + 1)) for face in FACES), ""])).colour
    assert colour is not None
    assert np.array_equal(colour, COLOURS)


RED, GREEN, BLUE, WHITE = [255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]


def textured_obj(folder: Path, library: str = "a.mtl", picture: str = "skin of bone.png") -> RawScan:
    """Two triangles on a picture of four pixels: top row red, green; bottom row blue, white. Each corner in the middle of a pixel."""
    from PIL import Image

    pixels = np.array([[RED, GREEN], [BLUE, WHITE]], dtype=np.uint8)
    Image.fromarray(pixels).save(folder / "skin of bone.png")
    (folder / "a.mtl").write_text(f"newmtl bone\nKd 1 1 1\nmap_Kd {picture}\n")
    text = f"mtllib {library}\nv 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0.25 0.75\nvt 0.75 0.75\nvt 0.25 0.25\nvt 0.75 0.25\nvt 1.75 -0.75\n"
    return read(folder, "a.obj", text + "usemtl bone\nf 1/1 2/2 3/3\nf 1/4 3/3 2/5\n")


def test_obj_texture_becomes_vertex_colour_and_splits_vertices_at_seams(tmp_path: Path) -> None:
    """v runs upward; vertices 0 and 1 have two places each, so five vertices; a place beyond 1 repeats the picture."""
    scan = textured_obj(tmp_path)
    assert scan.colour is not None
    assert len(scan.vertices) == 5
    assert scan.colour[scan.faces].tolist() == [[RED, GREEN, BLUE], [WHITE, BLUE, WHITE]]
    assert scan.vertices[scan.faces].tolist() == [[[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 0, 0], [0, 1, 0], [1, 0, 0]]]
    assert "Colour sampled from texture skin of bone.png." in scan.notes


@pytest.mark.parametrize(
    "picture", ["../skin of bone.png", "/etc/skin.png", "C:\\skin.png", "sub/skin.png", "missing.png", "-s 2 2 skin.png", "a.obj"]
)
def test_a_texture_that_is_not_beside_the_scan_is_left_out_and_said(tmp_path: Path, picture: str) -> None:
    """Pictures elsewhere, missing, stretched or unreadable cost the colour, never the surface."""
    folder = tmp_path / "scans"
    folder.mkdir()
    (tmp_path / "skin of bone.png").write_bytes(b"never opened")
    scan = textured_obj(folder, picture=picture)
    assert scan.colour is None
    assert len(scan.faces) == 2
    assert sum("colour was left out" in note for note in scan.notes) == 1


@pytest.mark.parametrize("library", ["../a.mtl", "/elsewhere/a.mtl", "nowhere.mtl"])
def test_a_material_library_elsewhere_is_not_read(tmp_path: Path, library: str) -> None:
    """Only the scan's own folder is looked into."""
    scan = textured_obj(tmp_path, library=library)
    assert scan.colour is None
    assert scan.notes[0].endswith("is not a file beside the scan and was not read.")


@pytest.mark.parametrize("opening", ["OFF\n4 4 6\n", "OFF 4 4 6\n", "# first\nOFF # kind\n\n4 4 0 # counts\n"])
def test_off_is_read_with_comments_and_face_colours(tmp_path: Path, opening: str) -> None:
    """The counts may stand beside the word; what follows the corners of a face is its colour and is passed over."""
    text = opening + "".join("{} {} {}\n".format(*p) for p in POINTS) + "".join("3 {} {} {} 255 0 0\n".format(*f) for f in FACES)
    scan = read(tmp_path, "a.off", text)
    assert np.array_equal(scan.vertices[scan.faces], POINTS[FACES])
    assert scan.colour is None


@pytest.mark.parametrize("form", ["{} {} {} {} {} {} 255\n", "{} {} {} {:.7f} {:.7f} {:.7f} 1\n"])
def test_coff_colours_are_read_as_bytes_or_shares(tmp_path: Path, form: str) -> None:
    """COFF colours are whole numbers to 255 or shares of 1."""
    share = 255 if "." in form else 1
    text = "COFF\n4 4 6\n" + "".join(form.format(*p, *(c / share if share > 1 else c)) for p, c in zip(POINTS, COLOURS, strict=True))
    colour = read(tmp_path, "a.off", text + "".join("3 {} {} {}\n".format(*f) for f in FACES)).colour
    assert colour is not None
    assert np.array_equal(colour, COLOURS)


@pytest.mark.parametrize("indices", ["<u1", "<u2", "<u4"])
def test_glb_is_in_metres_and_reads_every_index_type(tmp_path: Path, indices: str) -> None:
    """glTF 2.0 states metres; without a transform the coordinates are as stored."""
    scan = read(tmp_path, "a.glb", tetrahedron_glb([{"mesh": 0}], indices))
    assert np.array_equal(scan.vertices[scan.faces], POINTS[FACES])
    assert scan.file_unit is Unit.M


def test_glb_nodes_place_and_reflect_without_turning_the_surface_inside_out(tmp_path: Path) -> None:
    """Parent and child transforms multiply; a reflected copy of size 2 keeps its faces outward: volumes 1 and 8 (closed form)."""
    turned = [0.0, 0.0, np.sin(np.pi / 4), np.cos(np.pi / 4)]  # 90 degrees about z, so x becomes y
    nodes = [{"children": [1, 2], "translation": [10, 0, 0]}, {"mesh": 0, "rotation": turned}, {"mesh": 0, "scale": [-2, 2, 2]}]
    scan = read(tmp_path, "a.glb", tetrahedron_glb(nodes))
    assert volume(scan) == pytest.approx(9.0, rel=1e-12)
    assert scan.vertices[1] == pytest.approx([10, 1, 0], abs=1e-12)
    assert scan.vertices[5] == pytest.approx([8, 0, 0], abs=1e-12)


def test_glb_matrix_stands_column_by_column(tmp_path: Path) -> None:
    """glTF 2.0 section 3.5.3: the translation is numbers 13 to 15."""
    matrix = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 5, 6, 7, 1]
    assert read(tmp_path, "a.glb", tetrahedron_glb([{"mesh": 0, "matrix": matrix}])).vertices[0].tolist() == [5, 6, 7]


@pytest.mark.parametrize(
    ("unit", "unit_read", "factor"),
    [
        ("millimeter", Unit.MM, 1),
        ("centimeter", Unit.CM, 1),
        ("meter", Unit.M, 1),
        ("inch", Unit.INCH, 1),
        ("micron", Unit.MM, 0.001),
        ("foot", Unit.MM, 304.8),
    ],
)
def test_3mf_states_its_unit(tmp_path: Path, unit: str, unit_read: Unit, factor: float) -> None:
    """3MF core 1.4.0 knows six units; the two that finds are never given in become millimetres (1 foot = 304.8 mm by definition)."""
    scan = read(tmp_path, "a.3mf", threemf(f'<object id="1">{MESH_XML}</object>', '<item objectid="1"/>', unit))
    assert scan.file_unit is unit_read
    assert scan.vertices[scan.faces] == pytest.approx(POINTS[FACES] * factor)


def test_3mf_components_and_items_place_and_reflect(tmp_path: Path) -> None:
    """The matrix of 12 numbers acts on row vectors; component first, then item; a reflected one keeps its faces outward."""
    resources = f'<object id="1">{MESH_XML}</object><object id="2"><components><component objectid="1" transform="0 1 0 -1 0 0 0 0 1 0 0 0"/>'
    resources += '<component objectid="1" transform="-2 0 0 0 2 0 0 0 2 0 0 0"/></components></object>'
    scan = read(tmp_path, "a.3mf", threemf(resources, '<item objectid="2" transform="1 0 0 0 1 0 0 0 1 10 0 0"/>'))
    placed = scan.vertices[np.any(scan.vertices != 0, axis=1)]
    assert volume(scan) == pytest.approx(9.0, rel=1e-12)
    assert [10.0, 1.0, 0.0] in placed.tolist()
    assert [8.0, 0.0, 0.0] in placed.tolist()


def test_3mf_items_may_lie_in_another_part(tmp_path: Path) -> None:
    """The production extension names the part by its path; the package's relationships name the root, whatever its name."""
    root = f'<model {CORE} xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06" requiredextensions="p" unit="inch">'
    root += '<resources/><build><item objectid="1" p:path="/3D/parts/one.model"/></build></model>'
    relation = '<Relationship Target="/3D/whole.model" Id="r" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as package:
        package.writestr("3D/parts/one.model", f'<model {CORE} unit="inch"><resources><object id="1">{MESH_XML}</object></resources><build/></model>')
        package.writestr("3D/whole.model", root)
        package.writestr("_rels/.rels", f'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">{relation}</Relationships>')
    scan = read(tmp_path, "a.3mf", target.getvalue())
    assert np.array_equal(scan.vertices[scan.faces], POINTS[FACES])
    assert scan.file_unit is Unit.INCH


def test_content_decides_and_a_wrong_ending_is_said(tmp_path: Path) -> None:
    """A PLY named .stl is read as PLY."""
    text = ply_header("ascii", {"vertex 3": ["int x", "int y", "int z"], "face 1": ["list int int vertex_index"]})
    scan = read(tmp_path, "a.stl", text + b"0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n")
    assert scan.file_format == "PLY text"
    assert scan.notes == ("The name ends in '.stl' but the content is PLY text, and was read as that.",)


# ---------------------------------------------------------------- written by other libraries


@pytest.mark.parametrize(
    ("ending", "options"),
    [("stl", {}), ("stl", {"file_type": "stl_ascii"}), ("ply", {}), ("ply", {"encoding": "ascii"}), ("obj", {}), ("off", {}), ("glb", {})],
)
@pytest.mark.parametrize("shape", ["box", "icosphere"])
def test_a_surface_written_by_trimesh_comes_back(tmp_path: Path, shape: str, ending: str, options: dict[str, str]) -> None:
    """Every triangle at its place to the 32-bit or 8-digit rounding of the format."""
    import trimesh

    mesh = trimesh.creation.box((1, 2, 3)) if shape == "box" else trimesh.creation.icosphere(2)
    mesh.export(tmp_path / f"a.{ending}", **options)
    scan = read_scan(tmp_path / f"a.{ending}")
    assert scan.vertices[scan.faces] == pytest.approx(mesh.vertices[mesh.faces], abs=1e-7)


@pytest.mark.parametrize("ending", ["ply", "obj", "glb"])
def test_vertex_colours_written_by_trimesh_come_back(tmp_path: Path, ending: str) -> None:
    """Byte by byte."""
    import trimesh

    mesh = trimesh.creation.icosphere(2)
    mesh.visual.vertex_colors = np.random.default_rng(1).integers(0, 256, (len(mesh.vertices), 4), dtype=np.uint8)
    mesh.export(tmp_path / f"a.{ending}")
    colour = read_scan(tmp_path / f"a.{ending}").colour
    assert colour is not None
    assert np.array_equal(colour, mesh.visual.vertex_colors[:, :3])


def test_an_embedded_glb_texture_written_by_trimesh_becomes_vertex_colour(tmp_path: Path) -> None:
    """In glTF v runs downward; each vertex stands in the middle of its own pixel of a picture of random colours."""
    import trimesh
    from PIL import Image

    mesh = trimesh.creation.icosphere(1)
    n_vertices = len(mesh.vertices)
    pixels = np.random.default_rng(1).integers(0, 256, (2, n_vertices, 3), dtype=np.uint8)
    place = np.column_stack([(np.arange(n_vertices) + 0.5) / n_vertices, np.full(n_vertices, 0.75)])  # trimesh counts v upward: the top row
    material = trimesh.visual.material.PBRMaterial(baseColorTexture=Image.fromarray(pixels))
    mesh.visual = trimesh.visual.TextureVisuals(uv=place, material=material)
    mesh.export(tmp_path / "a.glb")
    scan = read_scan(tmp_path / "a.glb")
    assert scan.colour is not None
    assert np.array_equal(scan.colour, pixels[0])
    assert any(note.startswith("Colour sampled from texture ") for note in scan.notes)


def test_a_surface_written_by_lib3mf_comes_back(tmp_path: Path) -> None:
    """With its unit and placement; lib3mf writes six digits."""
    import lib3mf

    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.Inch)
    body = model.AddMeshObject()
    positions = (lib3mf.Position * 4).from_buffer_copy(POINTS.astype("<f4").tobytes())
    body.SetGeometry(positions, (lib3mf.Triangle * 4).from_buffer_copy(FACES.astype("<u4").tobytes()))
    model.AddBuildItem(body, wrapper.GetTranslationTransform(5, 6, 7))
    model.QueryWriter("3mf").WriteToFile(str(tmp_path / "a.3mf"))
    scan = read_scan(tmp_path / "a.3mf")
    assert scan.file_unit is Unit.INCH
    assert scan.vertices[scan.faces] == pytest.approx(POINTS[FACES] + (5, 6, 7), abs=1e-6)


@pytest.mark.parametrize("order", ["little", "big"])
def test_binary_polygons_are_the_same_whatever_type_counts_their_corners(tmp_path: Path, order: str) -> None:
    """Lengths of one byte are read by a quicker way than others; properties stand before and behind the list."""
    rng, sign = np.random.default_rng(3), "<" if order == "little" else ">"
    polygons = [rng.permutation(9)[: rng.integers(3, 9)] for _ in range(500)]
    scans = []
    for kind, code in (("uchar", "B"), ("ushort", "H")):
        header = f"ply\nformat binary_{order}_endian 1.0\nelement vertex 9\nproperty double x\nproperty double y\nproperty double z\n"
        header += f"element face 500\nproperty short before\nproperty list {kind} int vertex_indices\nproperty double behind\nproperty uchar last\n"
        body = np.arange(27, dtype=f"{sign}f8").tobytes()
        body += b"".join(struct.pack(f"{sign}h{code}{len(p)}idB", 7, len(p), *p, 0.5, 9) for p in polygons)
        scans.append(read(tmp_path, f"{kind}.ply", header.encode() + b"end_header\n" + body))
    assert np.array_equal(scans[0].faces, scans[1].faces)
    assert scans[0].faces[0].tolist() == polygons[0][:3].tolist()
    assert len(scans[0].faces) == sum(len(p) - 2 for p in polygons)
    assert scans[0].notes == scans[1].notes
