"""Loops over faces for areas and volumes. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


@compiled
def _area_vector(vertices: Any, faces: Any, t: int) -> Any:
    a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
    ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
    vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
    return (uy * vz - uz * vy) * 0.5, (uz * vx - ux * vz) * 0.5, (ux * vy - uy * vx) * 0.5


@compiled
def area_vectors_of(vertices: Any, faces: Any, vectors: Any) -> None:
    """Put vectors (m, 3) along the outward normal whose length is the face's area."""
    for t in range(len(faces)):
        vectors[t, 0], vectors[t, 1], vectors[t, 2] = _area_vector(vertices, faces, t)


@compiled
def areas_of(vertices: Any, faces: Any, areas: Any) -> None:
    """Put the areas (m,) of the faces."""
    for t in range(len(faces)):
        x, y, z = _area_vector(vertices, faces, t)
        areas[t] = np.sqrt(x * x + y * y + z * z)


@compiled
def cone_volumes(vertices: Any, faces: Any, labels: Any, n_pieces: int) -> Any:
    """Of each piece the middle (p, 3) of its corners, and the signed volume (p,) between its faces and that middle."""
    middles, count, volumes = np.zeros((n_pieces, 3)), np.zeros(n_pieces), np.zeros(n_pieces)
    for t in range(len(faces)):
        for k in range(3):
            for axis in range(3):
                middles[labels[t], axis] += vertices[faces[t, k], axis]
        count[labels[t]] += 3.0
    for piece in range(n_pieces):
        for axis in range(3):
            middles[piece, axis] /= max(count[piece], 1.0)
    for t in range(len(faces)):
        middle = middles[labels[t]]
        ax, ay, az = vertices[faces[t, 0], 0] - middle[0], vertices[faces[t, 0], 1] - middle[1], vertices[faces[t, 0], 2] - middle[2]
        bx, by, bz = vertices[faces[t, 1], 0] - middle[0], vertices[faces[t, 1], 1] - middle[1], vertices[faces[t, 1], 2] - middle[2]
        cx, cy, cz = vertices[faces[t, 2], 0] - middle[0], vertices[faces[t, 2], 1] - middle[1], vertices[faces[t, 2], 2] - middle[2]
        volumes[labels[t]] += (ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)) / 6.0
    return middles, volumes


@compiled
def flat_faces(vertices: Any, faces: Any, flat_ratio: float) -> Any:
    """(m,) True where corners of a face are one, or twice its area is at most this share of its longest edge squared."""
    is_flat = np.empty(len(faces), np.bool_)
    for t in range(len(faces)):
        a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
        ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        wx, wy, wz = vertices[c, 0] - vertices[b, 0], vertices[c, 1] - vertices[b, 1], vertices[c, 2] - vertices[b, 2]
        longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, wx * wx + wy * wy + wz * wz)
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        is_flat[t] = a == b or b == c or c == a or np.sqrt(nx * nx + ny * ny + nz * nz) <= flat_ratio * longest
    return is_flat


@compiled
def edge_lengths(vertices: Any, faces: Any) -> Any:
    """(3 m,) length of each half-edge."""
    lengths = np.empty(3 * len(faces))
    for t in range(len(faces)):
        for k in range(3):
            a, b = faces[t, k], faces[t, (k + 1) % 3]
            x, y, z = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
            lengths[3 * t + k] = np.sqrt(x * x + y * y + z * z)
    return lengths
