"""A surface with a given number of faces for a page, and how far it may lie from the whole one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.bound import bound_deviation
from meshtools.geometry.carrying import carry_over
from meshtools.geometry.distance import Surface
from meshtools.geometry.landing import Landing
from meshtools.geometry.neighbours import face_neighbours
from meshtools.geometry.pieces import mesh_areas, take_faces
from meshtools.geometry.shared_edges import part_shared_edges
from meshtools.geometry.simplify import simplify_around
from meshtools.model import FloatArray, Mesh

SLACK = 0.1  # of the largest distance found, by which the bound may exceed it
GROWTH = 1.25  # of the cells of a grid that leaves too many faces
SPARE = 0.98  # of the faces wished for: mending what the library leaves adds a few


def light_version(mesh: Mesh, most_faces: int) -> tuple[Mesh, float]:
    """The mesh with at most so many faces, and a distance in mm that no point of either surface exceeds from the other.

    The mesh itself and 0 where it is light enough already. For looking at only: what is made
    from a mesh is decimated within a tolerance (`decimate`). Sources are those of the nearest faces.
    """
    if len(mesh.faces) <= most_faces:
        return mesh, 0.0

    lighter = simplify_around(mesh, np.zeros(len(mesh.faces), bool), SPARE * most_faces)
    if lighter is not None:
        parted = part_shared_edges(lighter, 0.0)
        lighter = parted if len(parted.faces) <= most_faces else lighter
    if lighter is None or len(lighter.faces) > most_faces:
        lighter = _in_cells(mesh, most_faces)
    light = Surface(lighter)
    landing = Landing.at_nearest(mesh, light, face_neighbours(mesh.faces, len(mesh.vertices)))
    return carry_over(landing), _bound_mm(landing, light)


def _in_cells(mesh: Mesh, most_faces: int) -> Mesh:
    """The vertices of each cell of a grid brought together at the first of them, by cells that grow until no more than so many faces are left: for
    skin so tangled or torn that hardly an edge of it can go."""
    size = float(np.sqrt(mesh_areas(mesh).sum() / most_faces)) or 1.0
    while True:
        cells = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / size).astype(np.int64)
        _, first, cell = np.unique(cells, axis=0, return_index=True, return_inverse=True)
        faces = np.sort(cell.ravel()[mesh.faces], axis=1)
        rows = np.unique(faces, axis=0, return_index=True)[1]
        rows = rows[(faces[rows, 0] < faces[rows, 1]) & (faces[rows, 1] < faces[rows, 2])]
        if 0 < len(rows) <= most_faces:
            return take_faces(Mesh.create(mesh.vertices[first], cell.ravel()[mesh.faces[rows]]), np.ones(len(rows), bool))
        if not len(rows):  # all of them go from one width of cells to the next: a few as they are stand for them
            return take_faces(mesh, np.arange(len(mesh.faces)) < most_faces)
        size *= GROWTH


def _bound_mm(landing: Landing, light: Surface) -> float:
    """A distance that no point of either surface exceeds from the other. Where the distances at a few points do not show it, the places where the
    whole one's vertices land are made use of."""
    mesh, lighter = landing.fine, landing.coarse

    def show_whole(is_wanted: NDArray[np.bool_], limit_mm: float) -> FloatArray:
        upper = np.full(len(mesh.faces), np.inf)
        landing.prove_fine(is_wanted, limit_mm, upper)
        landing.prove_fine_nearby(np.flatnonzero(is_wanted & np.isinf(upper)), limit_mm, upper)
        return upper

    def show_light(is_wanted: NDArray[np.bool_], limit_mm: float) -> FloatArray:
        upper = np.full(len(lighter.faces), np.inf)
        landing.prove_coarse_nearby(np.flatnonzero(is_wanted), limit_mm, upper)
        return upper

    forth = bound_deviation(mesh, light, cover=show_whole, slack_ratio=SLACK)
    back = bound_deviation(lighter, Surface(mesh), forth.max_mm, cover=show_light, slack_ratio=SLACK)
    return max(forth.bound_mm, back.bound_mm)
