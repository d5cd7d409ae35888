"""A surface with a given number of faces for a page, and how far it may lie from the whole one."""

from __future__ import annotations

import numpy as np

from meshtools.geometry.bound import bound_deviation
from meshtools.geometry.carrying import carry_over
from meshtools.geometry.distance import Surface
from meshtools.geometry.landing import Landing
from meshtools.geometry.neighbours import face_neighbours
from meshtools.geometry.pieces import take_faces
from meshtools.geometry.shared_edges import part_shared_edges
from meshtools.geometry.simplify import simplify_around
from meshtools.model import FloatArray, Mesh

MARGIN = 1.1  # of the largest distance of a corner, up to which faces are shown to be near at once
SPARE = 0.98  # of the faces wished for: mending what the library leaves adds a few


def light_version(mesh: Mesh, most_faces: int) -> tuple[Mesh, float]:
    """The mesh with at most so many faces, and a distance in mm that no point of either surface exceeds from the other.

    The mesh itself and 0 where it is light enough already. For looking at only: what is made
    from a mesh is decimated within a tolerance (`decimate`). Sources are those of the nearest faces.
    """
    if len(mesh.faces) <= most_faces:
        return mesh, 0.0

    lighter = simplify_around(mesh, np.zeros(len(mesh.faces), bool), SPARE * most_faces)
    if lighter is None:
        return mesh, 0.0
    parted = part_shared_edges(lighter, 0.0)
    lighter = parted if len(parted.faces) <= most_faces else lighter
    light = Surface(lighter)
    landing = Landing.at_nearest(mesh, light, face_neighbours(mesh.faces, len(mesh.vertices)))
    tolerance_mm = max(float(landing.distance_mm.max()) * MARGIN, 1e-6)
    whole_mm, light_mm = np.full(len(mesh.faces), np.inf), np.full(len(lighter.faces), np.inf)
    landing.prove_fine(np.ones(len(mesh.faces), bool), tolerance_mm, whole_mm)
    landing.prove_fine_nearby(np.flatnonzero(np.isinf(whole_mm)), tolerance_mm, whole_mm)
    landing.prove_coarse_nearby(np.arange(len(lighter.faces)), tolerance_mm, light_mm)
    bound_mm = max(_largest(whole_mm, mesh, light), _largest(light_mm, lighter, Surface(mesh)))
    return carry_over(landing), bound_mm


def _largest(shown_mm: FloatArray, mesh: Mesh, other: Surface) -> float:
    """The largest distance shown of the faces of a mesh; where nothing is shown yet, a bound is sought with the other surface's tree."""
    is_open = np.isinf(shown_mm)
    largest = float(shown_mm[~is_open].max(initial=0.0))
    return max(largest, bound_deviation(take_faces(mesh, is_open), other).bound_mm) if is_open.any() else largest
