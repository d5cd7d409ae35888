"""The mesh of a 3MF model as text. The library that writes the rest of the model takes several times as long for it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from meshtools.model import FloatArray, IntArray

AT_ONCE = 1 << 16  # rows put into text at once
INDENT = "\t\t\t\t\t"
_MESH = re.compile(rb"<vertices>.*?</triangles>", re.DOTALL)
_MATERIALS = re.compile(rb'<basematerials id="(\d+)"')


def with_mesh(model: bytes, vertices: FloatArray | Any, faces: IntArray, material: Any, n_decimals: int) -> bytes:
    """The model's text with this mesh in the place of the only one it has.

    vertices (n, 3) in mm, faces (m, 3), material (m,): place of each face's in the model's group of base materials. The object's own is the
    first of them.
    """
    group = _MATERIALS.search(model)
    found = _MESH.search(model)
    if group is None or found is None:
        raise ValueError("the model has no mesh or no base materials to stand in for")
    parts = [model[: found.start()], b"<vertices>\n", *_vertex_rows(vertices, n_decimals), b"\t\t\t\t</vertices>\n\t\t\t\t<triangles>\n"]
    parts += [*_face_rows(faces, material, group[1].decode()), b"\t\t\t\t</triangles>", model[found.end() :]]
    return b"".join(parts)


def _vertex_rows(vertices: FloatArray, n_decimals: int) -> Iterator[bytes]:
    number = f"%.{n_decimals}f"
    row = f'{INDENT}<vertex x="{number}" y="{number}" z="{number}" />\n'
    for start in range(0, len(vertices), AT_ONCE):
        some = np.asarray(vertices[start : start + AT_ONCE], np.float64)
        yield (row * len(some) % tuple(some.ravel().tolist())).encode("ascii")


def _face_rows(faces: IntArray, material: Any, group: str) -> Iterator[bytes]:
    plain = f'{INDENT}<triangle v1="%d" v2="%d" v3="%d" />\n'
    rows = [plain] + [plain.replace(" />", f' pid="{group}" p1="{number}" />') for number in range(1, int(material.max(initial=0)) + 1)]
    for start in range(0, len(faces), AT_ONCE):
        some = faces[start : start + AT_ONCE]
        form = "".join([rows[number] for number in material[start : start + AT_ONCE].tolist()])
        yield (form % tuple(some.ravel().tolist())).encode("ascii")
