"""All sweeps of the edge collapse over a mesh that is worked on in blocks, which are independent of each other and so can be done at once.

The vertices on faces that a cut between blocks goes through are a strip of their own. An edge within a block touches no other block, for no face
reaches from one to another; those of the strip are done after the blocks in each sweep, and a vertex that one of the strip is joined to
belongs to the strip from then on. Where the blocks are does not hang on the number of cores, so the result does not either. It brings numba.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from meshtools.geometry.collapse_start_kernels import STRIP
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
    sweeps = _Sweeps(fine, is_fixed, reach_mm)
    logs = [log for number, step_mm in enumerate(steps_mm) for log in sweeps.sweep(number, float(step_mm))]
    face = sweeps.landed_on()
    del sweeps  # memory is short
    return _in_turn(logs, face)


class _Sweeps:
    """A mesh on the way from fine to coarse, with the faces that are still looked at in each region and the marks each region works with."""

    def __init__(self, fine: Mesh, is_fixed: Any, reach_mm: float) -> None:
        from meshtools.geometry.collapse_start_kernels import chain_corners, first_costs, first_lists, plane_sums

        vertices, faces, n = fine.vertices.copy(), fine.faces.copy(), len(fine.vertices)
        works: list[Any] = [lambda: _regions(fine), lambda: plane_sums(vertices, faces), lambda: chain_corners(faces, n), lambda: first_costs(faces)]
        (region, self._queues), sums, chains, costs = at_once(works)
        is_queued = np.zeros(len(faces), bool)
        is_queued[self._queues[STRIP]] = True
        self._faces, self._lists, self._reach_mm = faces, first_lists(chains, len(faces)), reach_mm
        meshes, swept = ((vertices, faces), fine.vertices, is_fixed, sums), np.full(n, -1, np.int16)
        self._state = *meshes, chains, self._lists, costs, swept, region, is_queued
        self._marks, self._stamps = {own: np.full(n, -1, np.int32) for own in self._queues}, dict.fromkeys(self._queues, 0)

    def sweep(self, number: int, step_mm: float) -> list[Any]:
        """One sweep over all regions, the blocks at once and the strip after them; what was done in each, in turn."""
        blocks = [own for own in self._queues if own != STRIP]
        found = [*at_once([partial(self._sweep_region, own, number, step_mm) for own in blocks]), self._sweep_region(STRIP, number, step_mm)]
        self._queues[STRIP] = np.concatenate([self._queues[STRIP], found[-1][1]])
        return [log for log, _ in found]

    def _sweep_region(self, own: int, number: int, step_mm: float) -> tuple[Any, Any]:
        """What was done in a region, and faces (k,) that are new to the strip. Touches nothing of another region."""
        from meshtools.geometry.collapsing_kernels import collapse_sweep

        queue = self._queues[own]
        self._queues[own] = queue[self._faces[queue, 0] >= 0]
        work = self._queues[own], self._state, self._marks[own], self._stamps[own]
        log, new, self._stamps[own] = collapse_sweep(number, step_mm**2, self._reach_mm, own, *work)
        return log, new

    def landed_on(self) -> Any:
        """The face (n,) that each vertex lands on."""
        from meshtools.geometry.collapse_start_kernels import faces_of

        return faces_of(self._lists)


def _in_turn(logs: list[Any], face: Any) -> Collapses:
    """The collapses of all sweeps and regions as one list."""
    kept, gone, places = (np.concatenate([log[0][i] for log in logs]) for i in range(3))
    starts = np.concatenate([[0], np.cumsum(np.concatenate([log[1][0] for log in logs]), dtype=np.int64)])
    return Collapses((kept, gone, places), (starts, np.concatenate([log[1][1] for log in logs])), face)


def _regions(mesh: Mesh) -> tuple[Any, dict[int, Any]]:
    """The region of each vertex (n,), and the faces at each region: blocks of like size along the longest side, and the strip."""
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
