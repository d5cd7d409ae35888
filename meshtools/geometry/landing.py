"""Two versions of one surface, fine and coarse: where each vertex of the fine one lands on the coarse one, and what that proves.

Fine to coarse: the distance to one triangle is convex, so a flat part whose corners all lie within d of one coarse face lies within d of it
as a whole; fine faces are cut until that settles them. Coarse to fine: let the fine faces be carried along with their landing vertices. If
the outline of those around a coarse face stays off that face, they cover it as many times as they cover any one point of it: the degree of
a continuous map is constant away from the image of the boundary (Milnor 1965, Topology from the differentiable viewpoint, section 5; cited
from memory). Once or more means that each point of the coarse face has a fine point at most the largest offset away that occurs over
the face, from the carried point put flat on the face to the fine one. Both need a search tree of the coarse surface only, or none where it is
known how the coarse one came of the fine one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from threading import Lock
from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.neighbours import face_neighbours
from meshtools.geometry.threads import in_blocks
from meshtools.model import FloatArray, Mesh

LEAST_CUT_FACES = 256  # that are worth a thread where each is cut into parts
ROUNDS = 8  # a patch grows at most this often across edges that enter the coarse face


class Landing:
    """Every vertex of the fine mesh on a near point of the coarse one, not always the nearest: distance_mm (n,), face (n,), point (n, 3)."""

    def __init__(self, fine: Mesh, coarse: Mesh, across: Any, face: Any, at: tuple[FloatArray, FloatArray] | None = None) -> None:
        """across: `face_neighbours` of the fine mesh, which does not change with the coarse one; face (n,): where each vertex lands; at: how far
        from there (n,) and where on it (n, 3), if that is known."""
        self.fine, self._across, n = fine, across, len(fine.vertices)
        if at is None:
            self.distance_mm, self.face, self.point = np.empty(n), face, np.empty((n, 3))
            self.move_to(coarse, face, np.arange(n))
        else:
            self.coarse, self.face, (self.distance_mm, self.point) = coarse, face, at

    @classmethod
    def at_nearest(cls, fine: Mesh, coarse: Surface, across: Any) -> Landing:
        """Every vertex on its nearest point, found with a search tree."""
        distance_mm, face, point = coarse.vertices_of(fine)
        return cls(fine, coarse.mesh, across, face, (distance_mm, point))

    def move_to(self, coarse: Mesh, face: Any, again: Any) -> None:
        """Go on with a coarse mesh that differs in some faces. face (n,): where vertices land now; again (k,): those for which it is a new place."""
        from meshtools.geometry.landing_kernels import land_at

        self.coarse, self.face = coarse, face
        for of_coarse in ("neighbours", "coarse_at", "landed_on"):
            self.__dict__.pop(of_coarse, None)
        args = self.fine.vertices, face, coarse.vertices, coarse.faces, self.point, self.distance_mm
        in_blocks(len(again), lambda rows: land_at(again[rows], *args))

    @cached_property
    def neighbours(self) -> Any:
        """(m, 3) face across each edge of the coarse mesh, -1 where there is none."""

        return face_neighbours(self.coarse.faces, len(self.coarse.vertices))

    def prove_fine(self, is_todo: Any, tolerance_mm: float, upper_mm: FloatArray) -> None:
        """Set upper_mm (m,) of the fine faces to do: a distance within which all of each has the coarse surface near; infinite if not shown."""
        from meshtools.geometry.landing_kernels import prove_fine_faces

        fine, coarse = (self.fine.vertices, self.fine.faces), (self.coarse.vertices, self.coarse.faces)
        landing, neighbours = (self.face, self.distance_mm), self.neighbours

        def prove(rows: slice) -> None:
            prove_fine_faces((fine[0], fine[1][rows]), is_todo[rows], landing, coarse, neighbours, tolerance_mm, upper_mm[rows])

        in_blocks(len(fine[1]), prove)

    def prove_coarse(self, is_wanted: Any, enough_mm: float = 0.0) -> FloatArray:
        """For each wanted coarse face a distance (m,) within which all of it has the fine surface near; infinite where not shown.

        Up to enough_mm it need not be the least that can be shown.
        """
        return self.begin_coarse(is_wanted, enough_mm)()

    def begin_coarse(self, is_wanted: Any, enough_mm: float) -> Callable[[], FloatArray]:
        """The first look of `prove_coarse` at all fine faces, which keeps every core busy, and what ends it, which does not."""
        from meshtools.geometry.cover_kernels import coarse_frames, cover_first

        n = len(self.coarse.faces)
        frames = coarse_frames(self.coarse.vertices, self.coarse.faces)
        upper, count, is_spoilt = np.zeros(n), np.zeros(n, np.int64), np.isnan(frames[:, 0])
        is_wanted = is_wanted & ~is_spoilt
        fine, landing, found = (self.fine.vertices, self.fine.faces), (self.face, self.point), (upper, count, is_spoilt)
        args = fine, self._across, landing, (frames, enough_mm)
        pairs = _carried(len(fine[1]), lambda rows, shown: cover_first(rows.start, rows.stop, *args, is_wanted, shown), found)

        def end() -> FloatArray:
            _grow(np.concatenate([pairs, self._seeds(is_wanted)]), args, found)
            return np.where(is_wanted & ~is_spoilt & (count != 0), upper, np.inf)

        return end

    def prove_coarse_nearby(self, wanted: Any, tolerance_mm: float, upper_mm: FloatArray) -> None:
        """The same for some coarse faces (k,) by cutting them into parts, each near to one fine face: slower, and it sees more. upper_mm (m,) is set
        for them."""
        from meshtools.geometry.nearby_kernels import gather_at_corners

        lists = gather_at_corners(wanted, self.coarse.faces, self.coarse_at, self.landed_on, self.fine_at, len(self.fine.faces))
        _prove_nearby(wanted, self.coarse, self.fine, lists, tolerance_mm, upper_mm)

    def prove_fine_nearby(self, wanted: Any, tolerance_mm: float, upper_mm: FloatArray) -> None:
        """The same for some fine faces (k,) against the coarse surface, where `prove_fine` has not looked far enough."""
        from meshtools.geometry.nearby_kernels import gather_at_landing

        lists = gather_at_landing(wanted, self.fine.faces, self.face, self.coarse.faces, self.coarse_at)
        _prove_nearby(wanted, self.fine, self.coarse, lists, tolerance_mm, upper_mm)

    @cached_property
    def coarse_at(self) -> Any:
        """The corners of the coarse faces by vertex, see `group_by`."""
        from meshtools.geometry.nearby_kernels import group_by

        return group_by(self.coarse.faces.ravel(), len(self.coarse.vertices))

    @cached_property
    def landed_on(self) -> Any:
        """The fine vertices by the coarse face that they land on."""
        from meshtools.geometry.nearby_kernels import group_by

        return group_by(self.face, len(self.coarse.faces))

    @cached_property
    def fine_at(self) -> Any:
        """The corners of the fine faces by vertex."""
        from meshtools.geometry.nearby_kernels import group_by

        return group_by(self.fine.faces.ravel(), len(self.fine.vertices))

    def _seeds(self, is_wanted: Any) -> Any:
        """(k, 2) for coarse faces that no vertex lands on: a fine face near by, found through the vertices that land around them."""
        from meshtools.geometry.nearby_kernels import nearest_landed

        landed_on = self.landed_on
        empty = np.flatnonzero(is_wanted & (landed_on[1][1:] == landed_on[1][:-1]))
        if not len(empty):
            return np.empty((0, 2), np.int64)
        nearest = nearest_landed(empty, (self.coarse.vertices, self.coarse.faces), self.coarse_at, landed_on, self.fine.vertices)
        has_seed, (order, starts) = nearest >= 0, self.fine_at
        return np.stack([order[starts[nearest[has_seed]]] // 3, empty[has_seed]], axis=1)


def cover_bounds(coarse: Surface, fine: Mesh, is_wanted: Any, limit_mm: float) -> FloatArray:
    """For each wanted face of the coarse surface a distance in mm (m,) within which all of it has the fine one near; infinite where not shown. It is
    the least that can be shown where that is above the limit."""
    landing = Landing.at_nearest(fine, coarse, face_neighbours(fine.faces, len(fine.vertices)))
    upper_mm = landing.prove_coarse(is_wanted, limit_mm)
    left = np.flatnonzero(is_wanted & (upper_mm > limit_mm))
    nearby_mm = np.full(len(upper_mm), np.inf)
    landing.prove_coarse_nearby(left, limit_mm, nearby_mm)
    return np.asarray(np.minimum(upper_mm, nearby_mm))


def _grow(pairs: Any, args: tuple[Any, Any, Any, Any], found: tuple[Any, Any, Any]) -> None:
    """Take in pairs (k, 2) of a fine and a coarse face, and those by which their patches must grow, up to ROUNDS times."""
    n, known = len(found[0]), np.empty(0, np.int64)
    for _ in range(ROUNDS):
        keys = _distinct(pairs[:, 0] * n + pairs[:, 1])
        if len(known):
            keys = keys[known[np.searchsorted(known, keys).clip(max=len(known) - 1)] != keys]
        if not len(keys):
            return
        known = np.sort(np.concatenate([known, keys]), kind="stable")  # two runs, which that sort merges
        pairs = _grown(np.stack(np.divmod(keys, n), axis=1), args, found)
    found[2][pairs[:, 1]] = True


def _grown(pairs: Any, args: tuple[Any, Any, Any, Any], found: tuple[Any, Any, Any]) -> Any:
    """Take in pairs (k, 2) of a fine and a coarse face, and return the pairs by which the patches must grow next."""
    from meshtools.geometry.cover_kernels import cover_more

    return _carried(len(pairs), lambda rows, shown: cover_more(pairs[rows], *args, shown), found)


def _carried(n_rows: int, take_in: Callable[[slice, Any], Any], found: tuple[Any, Any, Any]) -> Any:
    """Blocks of rows at once, each with a record of its own of what they show; `found` then has what all of them show, in whatever order they end."""
    n, lock = len(found[0]), Lock()

    def carry(rows: slice) -> Any:
        shown = np.zeros(n), np.zeros(n, np.int64), np.zeros(n, bool)
        growth = take_in(rows, shown)
        with lock:
            np.maximum(found[0], shown[0], out=found[0])
            np.add(found[1], shown[1], out=found[1])
            np.logical_or(found[2], shown[2], out=found[2])
        return growth

    return np.concatenate(in_blocks(n_rows, carry))


def _prove_nearby(wanted: Any, mesh: Mesh, other: Mesh, lists: Any, tolerance_mm: float, upper_mm: FloatArray) -> None:
    from meshtools.geometry.nearby_kernels import prove_faces

    meshes = (mesh.vertices, mesh.faces), (other.vertices, other.faces)

    def prove(rows: slice) -> None:
        prove_faces(wanted[rows], *meshes, (lists[0], lists[1][rows.start : rows.stop + 1]), tolerance_mm, upper_mm)

    in_blocks(len(wanted), prove, LEAST_CUT_FACES)


def _distinct(keys: Any) -> Any:
    """Sorted, without repeats. np.unique takes ten times as long on millions of keys that come in steps (numpy 2.3 hashes them)."""
    ordered = np.sort(keys)
    return ordered[np.concatenate([np.ones(min(len(keys), 1), bool), ordered[1:] != ordered[:-1]])]
