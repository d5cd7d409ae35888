"""The mesh of a 3MF model as text. The library that writes the rest of the model takes several times as long for it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from meshtools.model import FloatArray, IntArray

AT_ONCE = 1 << 16  # rows put into text at once
MOST_LETTERS = 22  # of a number
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
    marks = [f'{INDENT}<vertex x="', '" y="', '" z="', '" />\n']
    return _rows(vertices, np.zeros(len(vertices), np.int64), marks, n_decimals)


def _face_rows(faces: IntArray, material: Any, group: str) -> Iterator[bytes]:
    marks = [f'{INDENT}<triangle v1="', '" v2="', '" v3="', '" />\n']
    marks += [f'" pid="{group}" p1="{number}" />\n' for number in range(1, int(material.max(initial=0)) + 1)]
    return _rows(faces, material, marks, 0)


def _rows(values: Any, kinds: Any, marks: list[str], n_decimals: int) -> Iterator[bytes]:
    """Rows of three numbers with their marks, see `put_rows`, some at once."""
    from meshtools.geometry.text_kernels import put_rows

    starts = np.cumsum([0, *map(len, marks)])
    longest = sum(map(len, marks[:3])) + max(map(len, marks[3:])) + 3 * MOST_LETTERS
    text, letters = np.empty(min(AT_ONCE, len(values)) * longest, np.uint8), np.frombuffer("".join(marks).encode("ascii"), np.uint8)
    for start in range(0, len(values), AT_ONCE):
        some = np.asarray(values[start : start + AT_ONCE], np.float64)
        yield text[: put_rows(some, n_decimals, kinds[start : start + AT_ONCE], letters, starts, text)].tobytes()
