"""GLB, the binary form of glTF 2.0: placed meshes in metres, with vertex colours or an embedded texture.

Source: Khronos glTF 2.0 specification, sections 3.5 (scenes), 3.6 (accessors), 3.7 (meshes) and 4.4 (GLB).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError
from meshtools.files.glb_document import LEAST_GLB_TRIANGLE, MOST_ENTRIES, Document, Entry, open_document
from meshtools.files.scan_parts import ScanParts, as_colour, damaged, most_placed, placed, product, shown
from meshtools.files.texture import UNTEXTURED, TextureError, sample_picture, unpack_picture
from meshtools.model import ColourArray, FloatArray, Unit

_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_SUPPORTED = frozenset(("KHR_materials_unlit", "KHR_mesh_quantization", "EXT_texture_webp", "KHR_texture_transform"))


@dataclass
class _Assembly:
    """What has been placed so far."""

    vertices: list[FloatArray] = field(default_factory=list)
    faces: list[NDArray[Any]] = field(default_factory=list)
    colours: list[ColourArray | None] = field(default_factory=list)
    pictures: dict[int, ColourArray | None] = field(default_factory=dict)
    notes: dict[str, None] = field(default_factory=dict)  # in order, each once
    n_vertices: int = 0
    n_faces: int = 0
    most_faces: int = 0
    n_primitives: int = 0

    def add(self, name: str, vertices: FloatArray, faces: NDArray[Any], colour: ColourArray | None) -> None:
        self.n_primitives += 1
        if max(self.n_faces + len(faces), (self.n_vertices + len(vertices)) // 3) > self.most_faces or self.n_primitives > MOST_ENTRIES:
            raise ScanError(f"{name} places more than {self.most_faces} triangles or {MOST_ENTRIES} parts: export one plain mesh.")
        self.faces.append(faces.astype(np.int64) + self.n_vertices)
        self.vertices.append(vertices)
        self.colours.append(colour)
        self.n_vertices += len(vertices)
        self.n_faces += len(faces)


def read_glb(name: str, content: bytes) -> ScanParts:
    """Read GLB. Node transforms are applied and a reflecting one turns its faces. Raises ScanError for data outside the file."""
    document = open_document(name, content)
    unknown = sorted(set(document.texts("extensionsRequired")) - _SUPPORTED)
    if unknown:
        raise ScanError(f"{name} needs the glTF extension {shown(unknown[0])}, which cannot be read: export it uncompressed, without extensions.")
    assembly = _Assembly(notes=dict.fromkeys(document.notes), most_faces=most_placed(len(content) // LEAST_GLB_TRIANGLE))
    for node, matrix in _placed_nodes(document):
        if "mesh" in node.fields:
            if "skin" in node.fields:
                assembly.notes["The pose of a skinned GLB mesh was not applied."] = None
            for primitive in document.entry("meshes", node.whole("mesh")).entries("primitives"):
                _add_primitive(document, assembly, primitive, matrix)
    if not assembly.vertices:
        return ScanParts(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), "GLB")
    colour = _joined_colours(assembly)
    return ScanParts(np.concatenate(assembly.vertices), np.concatenate(assembly.faces), "GLB", colour, Unit.M, tuple(assembly.notes))


def _placed_nodes(document: Document) -> list[tuple[Entry, FloatArray]]:
    """Every node of the scene with its matrix to the scene, parents before children. A node met twice is refused."""
    n_nodes = document.count("nodes")
    if document.count("scenes"):
        scene = document.entry("scenes", document.root.whole("scene", 0))
        roots = scene.wholes("nodes")
    else:
        children = {child for index in range(n_nodes) for child in document.entry("nodes", index).wholes("children")}
        roots = [index for index in range(n_nodes) if index not in children]
    found: list[tuple[Entry, FloatArray]] = []
    seen: set[int] = set()
    waiting = [(index, np.eye(4)) for index in reversed(roots)]
    while waiting:
        index, parent = waiting.pop()
        if index in seen:
            raise damaged(document.name, f"has a circle in its nodes, or two parents of node {index}")
        seen.add(index)
        node = document.entry("nodes", index)
        local = _local_matrix(node)
        matrix = local if np.array_equal(parent, np.eye(4)) else product(parent, local)
        found.append((node, matrix))
        waiting.extend((child, matrix) for child in reversed(node.wholes("children")))
    return found


def _local_matrix(node: Entry) -> FloatArray:
    """The node's matrix, written column by column, or composed of translation, rotation (x, y, z, w) and scale."""
    if "matrix" in node.fields:
        return np.array(node.numbers("matrix", 16)).reshape(4, 4).T
    matrix = np.eye(4)
    x, y, z, w = node.numbers("rotation", 4) if "rotation" in node.fields else (0.0, 0.0, 0.0, 1.0)
    if (x, y, z) != (0.0, 0.0, 0.0):
        matrix[:3, :3] = [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    if "scale" in node.fields:
        matrix[:3, :3] *= np.array(node.numbers("scale", 3))
    if "translation" in node.fields:
        matrix[:3, 3] = node.numbers("translation", 3)
    return matrix


def _add_primitive(document: Document, assembly: _Assembly, primitive: Entry, matrix: FloatArray) -> None:
    mode = primitive.whole("mode", _TRIANGLES)
    attributes = primitive.entry("attributes")
    if "POSITION" not in attributes.fields:
        raise damaged(document.name, "has a GLB mesh without positions")
    vertices = document.accessor(attributes.whole("POSITION"), ("VEC3",))
    corners = _corners(document, primitive, len(vertices))
    if mode not in (_TRIANGLES, _STRIP, _FAN):
        assembly.notes["Points or lines in the GLB file were left out."] = None
        assembly.add(document.name, vertices.astype(np.float64), np.zeros((0, 3), dtype=np.int64), None)
        return
    if mode == _TRIANGLES and len(corners) % 3:
        raise damaged(document.name, "has a GLB mesh whose corners are not a multiple of three")
    faces = _triangles(corners, mode)
    if len(faces) and int(faces.max()) >= len(vertices):
        raise damaged(document.name, f"has a face that names vertex {int(faces.max())}, counted from 0, but holds {len(vertices)} vertices")
    colour = _primitive_colour(document, assembly, primitive, len(vertices))
    moved, turned = placed(vertices, faces, matrix)
    assembly.add(document.name, moved, turned, colour)


def _corners(document: Document, primitive: Entry, n_vertices: int) -> NDArray[Any]:
    if "indices" not in primitive.fields:
        return np.arange(n_vertices, dtype=np.int64)
    corners = document.accessor(primitive.whole("indices"), ("SCALAR",))
    if corners.dtype.kind != "u":
        raise damaged(document.name, "has GLB vertex numbers that are not unsigned whole numbers")
    return corners.reshape(-1)


def _triangles(corners: NDArray[Any], mode: int) -> NDArray[Any]:
    if mode == _TRIANGLES:
        return corners.reshape(-1, 3)
    n_triangles = max(len(corners) - 2, 0)
    step = np.arange(n_triangles)
    if mode == _FAN:
        return np.stack([corners[step + 1], corners[step + 2], np.broadcast_to(corners[:1], (n_triangles,))], axis=1)
    is_odd = step % 2  # every second triangle of a strip runs the other way
    return np.stack([corners[step], corners[step + 1 + is_odd], corners[step + 2 - is_odd]], axis=1)


def _primitive_colour(document: Document, assembly: _Assembly, primitive: Entry, n_vertices: int) -> ColourArray | None:
    """The texture's colour where there is one, else COLOR_0 as it is stored, else None."""
    attributes = primitive.entry("attributes")
    texture = _base_texture(document, primitive)
    if texture is not None:
        texture_points = f"TEXCOORD_{texture.whole('texCoord', 0)}"
        picture = _picture(document, assembly, texture) if texture_points in attributes.fields else None
        if picture is not None:
            place = document.scaled(attributes.whole(texture_points), ("VEC2",))
            _check_length(document, place, n_vertices, texture_points)
            return sample_picture(picture, place[:, 0], place[:, 1])
    if "COLOR_0" not in attributes.fields:
        return None
    values = document.accessor(attributes.whole("COLOR_0"), ("VEC3", "VEC4"))
    _check_length(document, values, n_vertices, "COLOR_0")
    assembly.notes["Vertex colours of the GLB file were taken as stored, without regard to linear light."] = None
    return as_colour(values[:, :3])


def _check_length(document: Document, values: NDArray[Any], n_vertices: int, attribute: str) -> None:
    if len(values) != n_vertices:
        raise damaged(document.name, f"has {len(values)} values of {attribute} for {n_vertices} vertices")


def _base_texture(document: Document, primitive: Entry) -> Entry | None:
    if "material" not in primitive.fields:
        return None
    surface = document.entry("materials", primitive.whole("material"))
    for key in ("pbrMetallicRoughness", "baseColorTexture"):
        if key not in surface.fields:
            return None
        surface = surface.entry(key)
    return surface


def _picture(document: Document, assembly: _Assembly, texture: Entry) -> ColourArray | None:
    """The unpacked picture, each once; what cannot be used becomes a note."""
    index = texture.whole("index")
    if index not in assembly.pictures:
        label, encoded, problem = document.picture(index)
        if "extensions" in texture.fields:
            problem = "is moved by an extension"
        assembly.pictures[index] = None
        if not problem:
            try:
                assembly.pictures[index] = unpack_picture(encoded, assembly.pictures.values())
            except TextureError as error:
                problem = str(error)
        note = f"Texture {label} {problem}; its colour was left out." if problem else f"Colour sampled from texture {label}."
        assembly.notes[note] = None
    return assembly.pictures[index]


def _joined_colours(assembly: _Assembly) -> ColourArray | None:
    if all(colour is None for colour in assembly.colours):
        return None
    grey = np.array(UNTEXTURED, dtype=np.uint8)
    n_bare = sum(len(points) for points, colour in zip(assembly.vertices, assembly.colours, strict=True) if colour is None)
    if n_bare:
        assembly.notes[f"{n_bare} of {assembly.n_vertices} vertices have no colour and are grey."] = None
    return np.concatenate(
        [np.tile(grey, (len(points), 1)) if colour is None else colour for points, colour in zip(assembly.vertices, assembly.colours, strict=True)]
    )
