"""How much of a part's skin the set-ups leave uncut, measured twice on samples that no set-up was chosen with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.facing import unit_normals
from meshtools.geometry.further_setups import FurtherSetUp
from meshtools.geometry.inside_radius import inside_radii_mm
from meshtools.geometry.milled_contact import ContactQuery, is_uncut
from meshtools.geometry.milled_reach import Approach
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.setups import ReachLimits, TwoSides, look_from_two_sides
from meshtools.model import FloatArray, IntArray, Mesh
from meshtools.settings_cnc import Cutter

SEED_FRESH = 20_001  # no search draws with it
N_FRESH = 12_000
N_RADII = 3_000
CUTTER_NODES = 600_000
WIDEST_INSIDE_MM = 50.0


@dataclass(frozen=True, eq=False)
class FreshSamples:
    """Points (n, 3) spread evenly over the skin, outward unit normals (n, 3), the faces they lie on (n,), and the area of the skin."""

    points: FloatArray
    normals: FloatArray
    faces: IntArray
    area_mm2: float


@dataclass(frozen=True)
class UncutShare:
    """Share of the skin in percent above which more than the limit stays: after two sides by height maps, the same by contact, and by height maps
    after each further set-up."""

    two_sides_percent: float
    second_percent: float
    after_further_percent: tuple[float, ...]

    @property
    def all_percent(self) -> float:
        """After all set-ups."""
        return (self.two_sides_percent, *self.after_further_percent)[-1]


@dataclass(frozen=True)
class CutterReach:
    """What one cutter alone leaves from two sides."""

    cutter: Cutter
    uncut_percent: float
    uncut_area_mm2: float


@dataclass(frozen=True)
class InsideRadii:
    """Smallest inside radius found, the radius that 1 % of the skin falls below, and the share in percent tighter than the finishing ball."""

    smallest_mm: float
    percent_1_mm: float
    tighter_percent: float


def draw_fresh(mesh: Mesh) -> FreshSamples:
    """Samples for the final figures."""
    points, faces = sample_surface(mesh, N_FRESH, SEED_FRESH)
    return FreshSamples(points, unit_normals(mesh)[faces], faces, float(mesh_areas(mesh).sum()))


def measure_uncut(
    mesh: Mesh, both: TwoSides, further: Sequence[FurtherSetUp], limits: ReachLimits, asked: tuple[FreshSamples, Mesh]
) -> UncutShare:
    """Both methods on the fresh samples. asked: the samples, and the parting surface as it is delivered, in the frame of the sight."""
    fresh, sheet = asked
    open_ = both.left_over(fresh.points, 1.2 * limits.uncut_mm) > limits.uncut_mm
    two, after = percent_of(open_), []
    for setup in further:
        open_ &= setup.approach.left_over(fresh.points, 1.2 * limits.uncut_mm) > limits.uncut_mm
        after.append(percent_of(open_))
    return UncutShare(two, percent_of(uncut_by_contact(mesh, (both, sheet), limits, fresh)), tuple(after))


def percent_of(mask: NDArray[np.bool_]) -> float:
    """Share of True in percent."""
    return 100.0 * float(np.mean(mask))


def uncut_by_contact(mesh: Mesh, sides: tuple[TwoSides, Mesh], limits: ReachLimits, fresh: FreshSamples) -> NDArray[np.bool_]:
    """(n,) True where neither side brings the ball within the limit of a sample, by exact distances to the part and rays to the delivered parting
    surface: none of the height maps is asked."""
    both, sheet = sides
    surface, parting = Surface(mesh), Surface(sheet)
    open_ = np.ones(len(fresh.points), bool)
    for side, sign in zip(both.sides, (1.0, -1.0), strict=True):
        below = limits.overrun_mm + side.cutter.diameter_mm / 2.0
        query = ContactQuery(surface, side.frame, side.cutter, partial(_least_tip, parting, sign, below))
        rows = np.flatnonzero(open_)
        open_[rows] = is_uncut(query, fresh.points[rows], fresh.normals[rows], limits.uncut_mm)
    return open_


def _least_tip(parting: Surface, sign: float, below_mm: float, local: FloatArray) -> FloatArray:
    """Lowest height (n,) of the tip at places (n, 3) of the frame: so far below the parting surface, seen from the cutter's side."""
    start = float(np.abs(parting.mesh.vertices[:, 2]).max()) + 1.0
    down = np.tile([0.0, 0.0, -1.0], (len(local), 1))
    heights = start - parting.first_hit(np.column_stack([local[:, :2], np.full(len(local), start)]), down)
    return np.asarray(sign * heights - below_mm)


def reach_of_cutters(
    mesh: Mesh, direction: FloatArray, cutters: Sequence[Cutter], limits: ReachLimits, fresh: FreshSamples
) -> tuple[CutterReach, ...]:
    """What every cutter alone leaves from two sides."""
    found = []
    for cutter in cutters:
        both = look_from_two_sides(mesh, direction, cutter, limits.overrun_mm, CUTTER_NODES)
        share = float(np.mean(both.left_over(fresh.points, 1.2 * limits.uncut_mm) > limits.uncut_mm))
        found.append(CutterReach(cutter, 100.0 * share, share * fresh.area_mm2))
    return tuple(found)


def measure_inside_radii(mesh: Mesh, cutter: Cutter, slack_mm: float, fresh: FreshSamples) -> InsideRadii:
    """How tight the hollows of the skin are: largest free balls at some of the fresh samples."""
    some = slice(None, None, max(1, len(fresh.points) // N_RADII))
    radii = inside_radii_mm(Surface(mesh), fresh.points[some], fresh.normals[some], WIDEST_INSIDE_MM, slack_mm)
    tighter = 100.0 * float(np.mean(radii < cutter.diameter_mm / 2.0))
    return InsideRadii(float(radii.min()), float(np.quantile(radii, 0.01)), tighter)


def uncut_faces(mesh: Mesh, sides: Sequence[Approach], limit_mm: float) -> NDArray[np.bool_]:
    """(m,) True for faces above whose middle none of the sides comes within the limit."""
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    open_ = np.ones(len(middles), bool)
    for side in sides:
        rows = np.flatnonzero(open_)
        open_[rows] = side.left_over(middles[rows], 1.2 * limit_mm) > limit_mm
    return open_
