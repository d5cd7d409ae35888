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
def shade(faces: Any, face: Any, uv: Any, at_vertex: Any, flat: Any, least: float, lights: Any, face_colours: Any, colours: Any) -> None:
    """Set the colours (h, w, 3), 0 to 255 and white where nothing is, of the places on faces (h, w) with weights uv (h, w, 2) of the second and
    third corner.

    A place's normal lies between the corners' own (n, 3), the face's (m, 3) in the place of one that turns from it by more than the cosine
    `least`. lights: the strength of the light that is everywhere, and strength and direction (k, 4) of each lamp; a face is lit from both sides.
    """
    everywhere, lamps = lights
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            t = face[row, column]
            if t == NOTHING:
                colours[row, column, 0] = colours[row, column, 1] = colours[row, column, 2] = 255.0
                continue
            u, v, fx, fy, fz = uv[row, column, 0], uv[row, column, 1], flat[t, 0], flat[t, 1], flat[t, 2]
            x, y, z = 0.0, 0.0, 0.0
            for k in range(3):
                weight = u if k == 1 else (v if k == 2 else 1.0 - u - v)
                corner = faces[t, k]
                is_smooth = at_vertex[corner, 0] * fx + at_vertex[corner, 1] * fy + at_vertex[corner, 2] * fz >= least
                x += weight * (at_vertex[corner, 0] if is_smooth else fx)
                y += weight * (at_vertex[corner, 1] if is_smooth else fy)
                z += weight * (at_vertex[corner, 2] if is_smooth else fz)
            length = max(np.sqrt(x * x + y * y + z * z), 1e-300)
            length = -length if z < 0.0 else length  # an open surface is lit from within as from without
            brightness = everywhere
            for lamp in range(len(lamps)):
                facing = (x * lamps[lamp, 1] + y * lamps[lamp, 2] + z * lamps[lamp, 3]) / length
                brightness += lamps[lamp, 0] * max(facing, 0.0)
            for k in range(3):
                colours[row, column, k] = min(face_colours[t, k] * brightness, 255.0)


@compiled
def shrink(fine: Any, small: Any) -> None:
    """Set each pixel of a picture (h, w, 3) uint8 to the mean of those of a finer one in its place."""
    n = fine.shape[0] // small.shape[0]
    for row in range(small.shape[0]):
        for column in range(small.shape[1]):
            for k in range(3):
                whole = 0.0
                for i in range(n):
                    for j in range(n):
                        whole += fine[n * row + i, n * column + j, k]
                small[row, column, k] = np.uint8(np.rint(whole / (n * n)))
