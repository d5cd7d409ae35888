"""A posed skeleton as one GLB (glTF 2.0, Khronos): a node for each bone with its place, metres, +Y up, the colour of each face's evidence class."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.files.deliver_frame import recentre
from meshtools.files.deliver_glb import METRES_PER_MM, Y_UP_FROM_Z_UP, accessor_of, colour_buffer, encoded_glb
from meshtools.model import FloatArray, Mesh, SourceEntry


@dataclass(frozen=True, eq=False)
class PlacedPart:
    """One bone of a posed skeleton: its surface in mm in its own frame, the meaning of its source numbers, and its place (4, 4), in mm."""

    name: str
    mesh: Mesh
    sources: Sequence[SourceEntry]
    skeleton_from_replica: FloatArray


def encode_skeleton_glb(name: str, parts: Sequence[PlacedPart]) -> bytes:
    """GLB of all parts. Vertices of a bone are 32-bit floats about its own middle, so the place of a bone costs no precision; its node's matrix sets
    it into the skeleton. A vertex where classes meet takes the lesser evidence. The same parts give the same bytes."""
    buffers: list[tuple[str, NDArray[Any]]] = []
    accessors: list[dict[str, Any]] = []
    meshes, nodes = [], []
    for part in parts:
        middle = recentre(part.mesh)
        colours = colour_buffer(middle, part.mesh.source[middle.face_rows], part.sources)
        arrays = (("POSITION", (middle.vertices.astype(np.float64) * METRES_PER_MM).astype("<f4")), ("COLOR_0", colours))
        indices = middle.faces.astype("<u4")
        first = len(buffers)
        for number, (attribute, values) in enumerate((*arrays, ("", indices))):
            accessors.append(accessor_of(attribute, values, first + number))
            buffers.append((attribute, values))
        primitive = {"attributes": {"POSITION": first, "COLOR_0": first + 1}, "indices": first + 2, "material": 0, "mode": 4}
        meshes.append({"name": part.name, "primitives": [primitive]})
        in_metres = part.skeleton_from_replica.copy()
        in_metres[:3, 3] = METRES_PER_MM * (in_metres[:3, 3] + in_metres[:3, :3] @ middle.offset_mm)
        by_columns = (in_metres.T + 0.0).ravel().tolist()  # as glTF stores matrices
        moved = {} if np.array_equal(in_metres, np.eye(4)) else {"matrix": by_columns}  # glTF 2.0: the identity is left out
        nodes.append({"name": part.name, "mesh": len(meshes) - 1} | moved)
    root = {"name": name, "matrix": Y_UP_FROM_Z_UP.T.ravel().tolist(), "children": list(range(1, len(nodes) + 1))}
    return encoded_glb([root, *nodes], meshes, accessors, [values for _, values in buffers])
