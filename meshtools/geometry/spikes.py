"""Spikes of a scan: single vertices thrown far off a surface that is otherwise flat around them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry import threads
from meshtools.geometry.pieces import area_vectors, faces_touching, ring_around
from meshtools.model import Mesh

STEEP_RATIO = 1.2
"""A spike stands at least this many times its foot's radius above its foot (faces of 50 degrees and more; our default)."""
FLAT_AROUND_RATIO = 0.8
"""The faces around the foot lie within about 37 degrees of it; on a tooth's tip or a thorn of bone they go on being steep (our default)."""
NEEDLES = ((2.0, 1.5), (3.2, 1.3), (3.5, 1.0))
"""A needle stands this many times its foot's radius, and this many edges of its foot, above its foot, whatever is around it. No vertex of
the 172 dog bones (dm_control 1.0.50) does; the nearest have 2.8 and 0.5, 2.5 and 1.3 (measured)."""
LEANING = (2.5, 2.0)
"""So does a needle that leans: its tip is this many times the foot's radius, and this many edges of the foot, away from the foot's middle. No
vertex of the 172 dog bones is; the nearest have 3.2 and 1.7, 2.1 and 1.7 (measured)."""
MOST_ROUNDS = 3
"""Spikes beside spikes are found once the first are laid flat."""
MOST_SHARE = 0.1
"""Where more of the vertices than this are spikes, they are the form, as on a star, and no errors of a scan."""
ROUGH_RATIO = 0.7
"""Only vertices whose area vectors add up to less than this share of their areas are looked at (a right-angled edge has 0.71)."""


def find_spikes(mesh: Mesh) -> NDArray[np.int32]:
    """Vertices that are spikes, ascending: steep above the ring of their neighbours while the surface around that ring is flat, or needles.

    Vertices on a rim, or where surfaces touch, are never spikes.
    """
    found, is_asked, near = np.zeros(0, dtype=np.int32), np.ones(len(mesh.vertices), dtype=bool), mesh
    for _ in range(MOST_ROUNDS):
        tips = np.setdiff1d(_steep_vertices(near, is_asked), found)
        if not len(tips):
            break
        found = np.union1d(found, tips).astype(np.int32)
        if len(found) > MOST_SHARE * len(mesh.vertices):
            return found[:0]
        is_asked, is_near = _around(mesh, tips)
        near = laid_flat(near.replaced(faces=mesh.faces[is_near], source=mesh.source[is_near]), tips, found)
    return found


def _around(mesh: Mesh, tips: NDArray[np.int64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(n,) True for vertices whose own faces, or those at their ring, have a corner among the tips: no other looks different once these move.
    And (m,) True for these faces."""
    is_in = np.zeros(len(mesh.vertices), dtype=bool)
    is_in[tips] = True
    for _ in range(2):
        is_in = ring_around(mesh, is_in)
    return is_in, faces_touching(mesh.faces, ring_around(mesh, is_in))


def laid_flat(mesh: Mesh, tips: NDArray[np.integer[Any]], found: NDArray[np.int32]) -> Mesh:
    """The mesh with each tip in the middle of its ring's corners that are no spikes. Around a tip each of them follows it once."""
    is_tip, is_found = np.zeros((2, len(mesh.vertices)), dtype=bool)
    is_tip[tips], is_found[found] = True, True
    around = mesh.faces[faces_touching(mesh.faces, is_tip)]
    start, end = around.ravel(), around[:, [1, 2, 0]].ravel()
    is_side = is_tip[start] & ~is_found[end]
    start, end = start[is_side], end[is_side]
    count = np.bincount(start, minlength=len(mesh.vertices))
    flat = np.flatnonzero(count)
    sums = [np.bincount(start, mesh.vertices[end, k], len(mesh.vertices))[flat] for k in range(3)]
    vertices = mesh.vertices.copy()
    vertices[flat] = np.stack(sums, axis=1) / count[flat, None]
    return mesh.replaced(vertices=vertices)


def _steep_vertices(mesh: Mesh, is_asked: NDArray[np.bool_]) -> NDArray[np.int64]:
    from meshtools.geometry.collapse_start_kernels import chain_corners
    from meshtools.geometry.spike_kernels import steep_vertices

    n, vectors = len(mesh.vertices), area_vectors(mesh.vertices, mesh.faces)
    args = (mesh.vertices, mesh.faces), vectors, chain_corners(mesh.faces, n)
    limits = ROUGH_RATIO, STEEP_RATIO, FLAT_AROUND_RATIO, np.array(NEEDLES), LEANING
    is_spike, partner = np.zeros(n, dtype=bool), np.full(n, -1, dtype=np.int64)
    threads.in_blocks(n, lambda rows: steep_vertices(*args, (rows.start, rows.stop), is_asked, limits, is_spike, partner))
    is_paired = (partner >= 0) & (partner[partner] == np.arange(n))
    return np.flatnonzero(is_spike | is_paired)
