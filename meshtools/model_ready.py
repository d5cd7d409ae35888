"""What goes into a route that makes parts, and what comes out: solids, drawings, tables, views and figures. Lengths in mm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import ColourArray, Finding, FloatArray, Mesh, SourceEntry


@dataclass(frozen=True, eq=False)
class Part:
    """A closed replica at the size of the target, in the coordinates of its replica.ply.

    unbored: the same part before the holes of its armature were cut, with the same source table; None where it has none.
    keep_off: points (n, 3) of articular ends and sockets that cuts, bridges and gates stay away from; empty where nothing is known.
    facts: what an earlier step says of the surface; `pattern_scale` other than 1 says that an allowance for shrink is in it already, and
    `n_joints` how many joint surfaces keep_off knows.
    """

    part_id: str
    revision: str
    mesh: Mesh
    sources: tuple[SourceEntry, ...]
    keep_off: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    facts: Mapping[str, Any] = field(default_factory=dict)
    unbored: Mesh | None = None

    @property
    def has_joints(self) -> bool:
        """Whether keep_off knows a joint surface of it."""
        return bool(self.facts.get("n_joints", len(self.keep_off)))

    @property
    def skin(self) -> Mesh:
        """The part as it is seen before anything is drilled."""
        return self.mesh if self.unbored is None else self.unbored


@dataclass(frozen=True, eq=False)
class MadeSolid:
    """One body that a route makes. name: of its files (a-z, 0-9, -); role: what it is (part, stock, mould piece, core, parting surface);
    made_from_replica (4, 4): its coordinates from those of replica.ply, determinant above 0. A parting surface may be open, all else is closed."""

    name: str
    role: str
    mesh: Mesh
    made_from_replica: FloatArray


@dataclass(frozen=True, eq=False)
class Layer:
    """Lines of one meaning in a drawing: polylines (n, 2) in mm, closed or open, and texts (x, y, text) set at a point."""

    name: str
    closed: tuple[FloatArray, ...] = ()
    open: tuple[FloatArray, ...] = ()
    texts: tuple[tuple[float, float, str], ...] = ()


@dataclass(frozen=True, eq=False)
class Drawing:
    """A drawing at 1:1 in mm, x to the right and y up, written as DXF and SVG."""

    name: str
    title: str
    layers: tuple[Layer, ...]


@dataclass(frozen=True)
class RouteTable:
    """A table of a route, written as CSV and set on the job sheet: header and rows of the same length; units stand in the header."""

    name: str
    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str | int | float, ...], ...]


@dataclass(frozen=True, eq=False)
class RouteView:
    """One picture of the job sheet: a mesh with a colour per face (m, 3), seen along `looking` (3,) with `up` (3,) on top; hatched (m,): faces that
    are drawn in stripes, to be told from every grey."""

    title: str
    mesh: Mesh
    face_colours: ColourArray
    looking: FloatArray
    up: FloatArray
    hatched: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Figure:
    """One line of the job sheet: what, how much, in which unit, and on which assumption or source it rests."""

    label: str
    value: str | int | float
    unit: str = ""
    basis: str = ""


@dataclass(frozen=True, eq=False)
class Made:
    """What a route makes of one part. `sources` is the source table of all its solids; `facts` go into the record as they are."""

    solids: tuple[MadeSolid, ...]
    sources: tuple[SourceEntry, ...]
    facts: Mapping[str, Any]
    findings: tuple[Finding, ...]
    figures: tuple[Figure, ...] = ()
    tables: tuple[RouteTable, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    views: tuple[RouteView, ...] = ()
