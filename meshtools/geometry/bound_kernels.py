"""The loop over faces for `bound`: what the distances at their corners show of all of them. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


@compiled
def first_bounds(vertices: Any, faces: Any, place: Any, distance: Any, nearest: Any, upper: Any) -> None:
    """Lower what is shown of each face (m,): no point of it is farther off than a corner by more than the longer edge there, and one whose corners
    have one face nearest lies no farther from that than they do.

    place (n,): where a vertex stands in `distance` and `nearest`.
    """
    lengths = np.empty(3)
    for t in range(len(faces)):
        for k in range(3):
            a, b = faces[t, k], faces[t, (k + 1) % 3]
            x, y, z = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
            lengths[k] = np.sqrt(x * x + y * y + z * z)
        first, second, third = place[faces[t, 0]], place[faces[t, 1]], place[faces[t, 2]]
        least = distance[first] + max(lengths[0], lengths[2])
        least = min(least, distance[second] + max(lengths[1], lengths[0]), distance[third] + max(lengths[2], lengths[1]))
        if nearest[first] == nearest[second] and nearest[second] == nearest[third]:
            least = min(least, max(distance[first], distance[second], distance[third]))
        upper[t] = min(upper[t], least)
