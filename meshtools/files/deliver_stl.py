"""A part as binary STL: shape only. STL has no unit and no colour; the header states the unit for a person to read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from meshtools.files.deliver_frame import Delivery, PartLabel, Recentred, recentre, scan_matrix
from meshtools.model import FloatArray, Mesh, SourceEntry

_TRIANGLE = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER_BYTES = 80


def encode_stl(
    mesh: Mesh,
    label: PartLabel,
    sources: Sequence[SourceEntry],
    replica_from_scan: Sequence[Sequence[float]] | FloatArray | None = None,
    recentred: Recentred | None = None,
) -> Delivery:
    """Binary STL in mm about the middle of the part's box. The evidence in `sources` cannot be carried by STL and is left out."""
    part = recentred or recentre(mesh)
    triangles = np.zeros(len(part.faces), dtype=_TRIANGLE)
    triangles["corners"] = part.vertices[part.faces]
    triangles["normal"] = _unit_normals(triangles["corners"].astype(np.float64))
    # a header that starts with "solid" would be taken for text STL
    header = f"REPLICA {label.part_id} unit mm".encode("ascii", errors="replace")[:_HEADER_BYTES].ljust(_HEADER_BYTES)
    content = header + np.uint32(len(triangles)).astype("<u4").tobytes() + triangles.tobytes()
    return Delivery(content, part.matrix @ scan_matrix(replica_from_scan))


def _unit_normals(corners: FloatArray) -> FloatArray:
    normals: FloatArray = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.sqrt(np.sum(normals**2, axis=1, keepdims=True))
    return normals / np.where(lengths > 0.0, lengths, 1.0)
