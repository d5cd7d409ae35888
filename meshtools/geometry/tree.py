"""A tree of boxes over triangles, made in threads where they are many."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry import threads
from meshtools.model import FloatArray, IntArray

N_PARTS = 8  # of a large tree, a power of two


def tree_over(vertices: FloatArray, faces: IntArray) -> tuple[NDArray[np.int32], FloatArray]:
    """The triangles (m,) in the order of the leaves, and the lowest and highest corner of each node's box (2 k, 6).

    faces (m, 3) int32, at least one. Node 1 is the root, 2 i and 2 i + 1 are below i; the last k are leaves, with the triangles
    order[i * m // k] and on.
    """
    from meshtools.geometry.tree_kernels import boxes_of_leaves, boxes_of_nodes, middles_of, n_leaves, order_below

    k = n_leaves(len(faces))
    order, middles, boxes = np.arange(len(faces), dtype=np.int32), middles_of(vertices, faces), np.empty((2 * k, 6))
    width, least = k, k // N_PARTS if len(faces) >= N_PARTS * threads.LEAST_ROWS else k
    while width > least:
        threads.at_once([partial(order_below, order, middles, (first, first + width), width, width) for first in range(0, k, width)])
        width //= 2
    parts = [(first, first + width) for first in range(0, k, width)]
    threads.at_once([partial(order_below, order, middles, leaves, width, 2) for leaves in parts])
    threads.at_once([partial(boxes_of_leaves, vertices, faces, order, leaves, boxes) for leaves in parts])
    boxes_of_nodes(boxes)
    return order, boxes
