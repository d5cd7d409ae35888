"""The loop over faces for `picture`: which face each pixel of a parallel camera sees. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

NOTHING = 0xFFFFFFFF  # the face of a pixel that sees none


@compiled
def _side(points: Any, u: int, v: int, x: float, y: float) -> float:
    """Twice the signed area of an edge and a point, seen along z; of both faces at an edge the same but for the sign, so that no pixel falls
    between them."""
    if u > v:
        return float(-((points[u, 0] - points[v, 0]) * (y - points[v, 1]) - (points[u, 1] - points[v, 1]) * (x - points[v, 0])))
    return float((points[v, 0] - points[u, 0]) * (y - points[u, 1]) - (points[v, 1] - points[u, 1]) * (x - points[u, 0]))


@compiled
def faces_seen(points: Any, faces: Any, step: float, face: Any, height: Any, uv: Any) -> None:
    """Set what each pixel sees of faces (m, 3) between points (n, 3) in the camera's axes, x to the right, y up, z towards the camera.

    Pixels are `step` wide and lie about the origin. face (h, w): the face that lies nearest to the camera there, of equally near ones the
    lowest, NOTHING where there is none; height (h, w): its z, minus infinity where there is none; uv (h, w, 2): the weights of its second
    and third corner.
    """
    n_rows, n_columns = face.shape
    face[:] = NOTHING
    height[:] = -np.inf
    for t in range(len(faces)):
        a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
        left, right = min(points[a, 0], points[b, 0], points[c, 0]), max(points[a, 0], points[b, 0], points[c, 0])
        low, high = min(points[a, 1], points[b, 1], points[c, 1]), max(points[a, 1], points[b, 1], points[c, 1])
        first, last = max(int(left / step + n_columns / 2 - 0.5), 0), min(int(right / step + n_columns / 2 + 0.5), n_columns - 1)
        top, bottom = max(int(n_rows / 2 - 0.5 - high / step), 0), min(int(n_rows / 2 + 0.5 - low / step), n_rows - 1)
        for row in range(top, bottom + 1):
            y = (n_rows / 2 - row - 0.5) * step
            for column in range(first, last + 1):
                x = (column + 0.5 - n_columns / 2) * step
                first_weight, second, third = _side(points, b, c, x, y), _side(points, c, a, x, y), _side(points, a, b, x, y)
                is_in = (first_weight >= 0.0 and second >= 0.0 and third >= 0.0) or (first_weight <= 0.0 and second <= 0.0 and third <= 0.0)
                whole = first_weight + second + third
                if not is_in or whole == 0.0:
                    continue
                u, v = second / whole, third / whole
                z = points[a, 2] + u * (points[b, 2] - points[a, 2]) + v * (points[c, 2] - points[a, 2])
                if z > height[row, column]:
                    face[row, column], height[row, column] = t, z
                    uv[row, column, 0], uv[row, column, 1] = u, v


@compiled
def smooth_normals(faces: Any, face: Any, uv: Any, at_vertex: Any, flat: Any, least: float, normals: Any) -> None:
    """Set the unit normal (k, 3) at places on faces (k,) with weights uv (k, 2) of the second and third corner: between the corners' own (n, 3), the
    face's (m, 3) in the place of one that turns from it by more than the cosine `least`."""
    for i in range(len(face)):
        t, x, y, z = face[i], 0.0, 0.0, 0.0
        fx, fy, fz = flat[t, 0], flat[t, 1], flat[t, 2]
        for k in range(3):
            weight = uv[i, 0] if k == 1 else (uv[i, 1] if k == 2 else 1.0 - uv[i, 0] - uv[i, 1])
            v = faces[t, k]
            is_smooth = at_vertex[v, 0] * fx + at_vertex[v, 1] * fy + at_vertex[v, 2] * fz >= least
            x += weight * (at_vertex[v, 0] if is_smooth else fx)
            y += weight * (at_vertex[v, 1] if is_smooth else fy)
            z += weight * (at_vertex[v, 2] if is_smooth else fz)
        length = max(np.sqrt(x * x + y * y + z * z), 1e-300)
        normals[i, 0], normals[i, 1], normals[i, 2] = x / length, y / length, z / length
