"""Which faces lie at the same edge. The vertices are shared out among threads: each takes the edges whose lower end is one of its own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry import threads
from meshtools.geometry.compiled import given
from meshtools.model import IntArray, Mesh


def half_edge_counts(faces: IntArray, n_vertices: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """For each half-edge (3 m,), face by face, how many run along its edge as it does, itself included, and how many against it; 255 at most."""
    from meshtools.geometry.edge_kernels import faces_at

    faces = given(faces, np.int32)
    along, against = np.zeros(3 * len(faces), np.uint8), np.zeros(3 * len(faces), np.uint8)
    _share_out(n_vertices, lambda first, last: faces_at(faces, first, last, along, against))
    return along, against


def mesh_half_edge_counts(mesh: Mesh) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The same for all faces of a mesh, counted once."""
    if "half_edge_counts" not in mesh.of_faces:
        counts = half_edge_counts(mesh.faces, len(mesh.vertices))
        for array in counts:
            array.flags.writeable = False
        mesh.of_faces["half_edge_counts"] = counts
    along, against = mesh.of_faces["half_edge_counts"]
    return along, against


def face_neighbours(faces: IntArray, n_vertices: int) -> NDArray[np.int32]:
    """(m, 3): the face across the edge from corner k to the next, -1 on a rim, -2 where the edge has more than two faces."""
    from meshtools.geometry.edge_kernels import neighbours_at

    faces = given(faces, np.int32)
    across = np.full((len(faces), 3), -1, np.int32)
    _share_out(n_vertices, lambda first, last: neighbours_at(faces, first, last, across))
    return across


def _share_out(n_vertices: int, work: Callable[[int, int], None]) -> None:
    """Do the work for one part of the vertices, from the first to before the last, in each thread. Every thread looks at all faces."""
    n_parts = max(1, min(threads.n_threads(), n_vertices // threads.LEAST_ROWS))
    edges = [n_vertices * i // n_parts for i in range(n_parts + 1)]
    threads.at_once([partial(work, first, last) for first, last in pairwise(edges)])
