"""All sweeps of the edge collapse over a mesh that is worked on in blocks, which are independent of each other and so can be done at once.

The vertices on faces that a cut between blocks goes through are a strip of their own. An edge within a block touches no other block, for no face
reaches from one to another; those of the strip are done after the blocks in each sweep, and a vertex that one of the strip is joined to
belongs to the strip from then on. Where the blocks are does not hang on the number of cores, so the result does not either.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from meshtools.geometry.threads import at_once
from meshtools.model import FloatArray, Mesh

N_BLOCKS = 4
LEAST_FACES = 1 << 16  # of a block; a smaller mesh is one block


@dataclass(frozen=True, eq=False)
class Collapses:
    """What collapses did, in turn: the vertex that stays (k,), the one that goes (k,) and the place (k, 3); the vertices around each, and where
    those of each start (k + 1,); and the face (n,) that each original vertex lands on."""

    kept_gone_places: tuple[Any, Any, Any]
    starts_and_rings: tuple[Any, Any]
    face: Any


def collapse_edges(fine: Mesh, is_fixed: Any, steps_mm: FloatArray, reach_mm: float) -> Collapses:
    """Take edges away, cheap ones first, as long as every vertex stays within reach of the faces around it.

    is_fixed (n,): vertices that stay where they are. steps_mm (s,): rising limits of what a collapse may cost, one sweep over all edges for each.
    """
    return _in_turn(*_swept(fine, is_fixed, steps_mm, reach_mm))


def _swept(fine: Mesh, is_fixed: Any, steps_mm: FloatArray, reach_mm: float) -> tuple[list[Any], Any]:
    """What each sweep did in each region, in turn, and the face (n,) that each vertex lands on."""
    from meshtools.geometry.collapse_start_kernels import chain_corners, faces_of, first_costs, first_lists, plane_sums
    from meshtools.geometry.collapsing_kernels import STRIP, collapse_sweep

    vertices, faces, n = fine.vertices.copy(), fine.faces.copy(), len(fine.vertices)
    region, queues = _regions(fine)
    chains, is_queued = chain_corners(faces, n), np.zeros(len(faces), bool)
    lists, swept = first_lists(chains, len(faces)), np.full(n, -1, np.int16)
    is_queued[queues[STRIP]] = True
    state = (vertices, faces), fine.vertices, is_fixed, plane_sums(vertices, faces), chains, lists, first_costs(faces), swept, region, is_queued
    marks, stamps = {own: np.full(n, -1, np.int32) for own in queues}, dict.fromkeys(queues, 0)
    logs: list[Any] = []
    for sweep, step_mm in enumerate(steps_mm):

        def swept_over(own: int, sweep: int = sweep, step_mm: float = float(step_mm)) -> Any:
            queues[own] = queues[own][faces[queues[own], 0] >= 0]
            log, new, stamps[own] = collapse_sweep(sweep, step_mm**2, reach_mm, own, queues[own], state, marks[own], stamps[own])
            return log, new

        found = [*at_once([partial(swept_over, own) for own in queues if own != STRIP]), swept_over(STRIP)]
        queues[STRIP] = np.concatenate([queues[STRIP], found[-1][1]])
        logs += [log for log, _ in found]
    return logs, faces_of(lists)


def _in_turn(logs: list[Any], face: Any) -> Collapses:
    """The collapses of all sweeps and regions as one list."""
    kept, gone, places = (np.concatenate([log[0][i] for log in logs]) for i in range(3))
    starts = np.concatenate([[0], np.cumsum(np.concatenate([log[1][0] for log in logs]), dtype=np.int64)])
    return Collapses((kept, gone, places), (starts, np.concatenate([log[1][1] for log in logs])), face)


def _regions(mesh: Mesh) -> tuple[Any, dict[int, Any]]:
    """The region of each vertex (n,), and the faces at each region: blocks of like size along the longest side, and the strip."""
    from meshtools.geometry.collapsing_kernels import STRIP

    region = np.zeros(len(mesh.vertices), np.int8)
    n_blocks = min(N_BLOCKS, len(mesh.faces) // LEAST_FACES)
    if n_blocks < 2:
        return region, {0: np.arange(len(mesh.faces), dtype=np.int32), STRIP: np.empty(0, np.int32)}
    along = mesh.vertices[:, int(np.argmax(np.ptp(mesh.vertices, axis=0)))]
    region[:] = np.searchsorted(np.quantile(along, np.arange(1, n_blocks) / n_blocks), along)
    lowest, highest = _extremes(region, mesh.faces)
    region[mesh.faces[lowest != highest].ravel()] = STRIP
    lowest, highest = _extremes(region, mesh.faces)  # a face of a block has no other region at it but the strip, which is the lowest number
    queues = {own: np.flatnonzero(highest == own).astype(np.int32) for own in range(n_blocks)}
    return region, queues | {STRIP: np.flatnonzero(lowest == STRIP).astype(np.int32)}


def _extremes(region: Any, faces: Any) -> tuple[Any, Any]:
    """The lowest and the highest region (m,) at each face."""
    first, second, third = (region[faces[:, k]] for k in range(3))
    return np.minimum(np.minimum(first, second), third), np.maximum(np.maximum(first, second), third)
