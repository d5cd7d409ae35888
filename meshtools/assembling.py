"""The mirror plane of an assembled skeleton from its placed median bones, and where bones of one side go on the other. Pure.

Each bone's own plane: geometry/midsagittal. Together: geometry/assembly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.assembly import AssemblyPlane, assembly_plane
from meshtools.geometry.midsagittal import PlaneFit, find_midsagittal_plane
from meshtools.geometry.pieces import mesh_areas
from meshtools.geometry.transform import apply_matrix, chain, reflection_matrix
from meshtools.model import Find, FloatArray, Mesh, Pose, Side

MIN_PLANES = 2
DEPARTS_DEG = 3.0  # poses set at the bench are about 1 degree off; beyond this the bone is bent, or its pose is wrong. A proposed default
DEPARTS_OF_TWO_DEG = DEPARTS_DEG / 2  # each of two bones lies half their difference from the plane between them


@dataclass(frozen=True, eq=False)
class PlacedPlane:
    """A median find's own plane in the frame of the skeleton: the fit and the middle (3,) of the bone's surface, in mm."""

    find: Find
    fit: PlaneFit
    middle: FloatArray


@dataclass(frozen=True, eq=False)
class OtherSide:
    """Where a find of one side goes on the other, in the frame of the skeleton, in mm.

    frame_from_scan (4, 4) reflects the scan itself, determinant -1. frame_from_reflected (4, 4) does the same for the surface that is
    reflected across x = 0 of the scan already, as a replica of class OWN-R is: determinant +1.
    """

    find: Find
    element: str
    frame_from_scan: FloatArray
    frame_from_reflected: FloatArray


def matrix_of(pose: Pose) -> FloatArray:
    """A pose as an array (4, 4), frame from scan."""
    return np.array(pose.matrix, dtype=np.float64).reshape(4, 4)


def plane_in_place(find: Find, mesh: Mesh, pose: Pose) -> PlacedPlane:
    """The plane of a median bone in mm, laid in its place. GeometryError where nothing mirrors anything."""
    placed = apply_matrix(mesh, matrix_of(pose))
    areas = mesh_areas(placed)
    centres = placed.vertices[placed.faces].mean(axis=1)
    middle = (areas[:, None] * centres).sum(axis=0) / areas.sum()
    return PlacedPlane(find, find_midsagittal_plane(placed, is_midline=True), middle)


def common_plane(planes: Sequence[PlacedPlane]) -> AssemblyPlane:
    """The plane of the skeleton from those of its bones. GeometryError for fewer than two."""
    if len(planes) < MIN_PLANES:
        raise GeometryError("the plane of a skeleton needs the planes of two or more median bones")
    return assembly_plane([(tuple(p.fit.normal), p.fit.offset_mm, tuple(p.middle), p.fit.jk_deg) for p in planes])


def departing(plane: AssemblyPlane) -> tuple[bool, ...]:
    """For each bone whether its own plane does not go with the others': set aside, or turned by more than 3 degrees (1.5 each of two)."""
    limit = DEPARTS_DEG if len(plane.weight) > MIN_PLANES else DEPARTS_OF_TWO_DEG
    return tuple(bool(weight == 0.0 or angle > limit) for weight, angle in zip(plane.weight, plane.deviation_deg, strict=True))


def other_sides(finds: Sequence[tuple[Find, Pose]], plane: AssemblyPlane) -> tuple[OtherSide, ...]:
    """The place on the other side of every find whose element is in the frame on one side only."""
    sides: dict[str, set[Side]] = {}
    for find, _ in finds:
        sides.setdefault(find.element, set()).add(find.side)
    found = []
    for find, pose in finds:
        if find.side in (Side.LEFT, Side.RIGHT) and find.side.opposite not in sides[find.element]:
            matrix = chain(matrix_of(pose), plane.matrix)
            found.append(OtherSide(find, f"{find.element}-{find.side.opposite.value}", matrix, chain(reflection_matrix(), matrix)))
    return tuple(found)
