"""Spikes cut off: each tip goes back to the middle of its ring; where that makes no sound skin, the ring is spanned by its own corners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.pieces import area_vectors, face_areas, faces_at, faces_at_boxes, take_faces
from meshtools.geometry.repair_budget import Repair, RepairBudget, span_of_new, surface_area, with_depth
from meshtools.geometry.repair_corners import with_islands
from meshtools.geometry.seam_repair import respan
from meshtools.geometry.self_intersection import find_meeting_pairs
from meshtools.geometry.spikes import laid_flat
from meshtools.model import Mesh

LEAST_FACING = 0.5
"""Cosine between a face around a tip that was laid back and the sum of all of them; a face that turns more is a fold (our default)."""


def cut_spikes(mesh: Mesh, tips: NDArray[np.int32], source_index: int, budget: RepairBudget) -> tuple[Repair, NDArray[np.int32]]:
    """The mesh with these vertices (ascending) laid back among their neighbours, or without them and their rings spanned anew, by faces with
    source_index; and those of its vertices for which neither was possible: the caller cuts them out and closes them as holes, by the rules for holes.

    What a spike encloses was never bone, so neither its own area nor its volume counts. The ring around a lone tip shows where the skin runs, so it
    is laid back however wide that ring is, and a person is asked where it is much (`repair_findings`). A knot of tips shows less: no more is
    invented for it than the budget says.
    """
    if not len(tips):
        return Repair("spike", mesh), tips
    is_gone = faces_at(mesh, tips)
    laid = laid_flat(mesh, tips, tips)
    knot = _unsound(laid, tips, is_gone)
    laid = laid.replaced(source=np.where(is_gone, np.uint16(source_index), mesh.source))
    is_cut, following = _spanned(mesh, laid, knot, source_index, budget)
    if following is None:  # the rest is done without it
        if len(knot) == len(tips):
            return Repair("spike", mesh), tips
        is_gone, following = is_gone & ~is_cut, laid
        is_cut = np.zeros(len(mesh.faces), dtype=bool)
    else:
        knot = knot[:0]
    is_gone = is_gone | is_cut
    is_new = np.ones(len(following.faces), dtype=bool)
    is_new[: int((~is_cut).sum())] = is_gone[~is_cut]
    made = 100.0 * float(face_areas(following.vertices, following.faces[is_new]).sum()) / surface_area(following)
    gone = 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_gone]).sum()) / surface_area(mesh)
    span_mm = span_of_new(following.vertices, following.faces[is_new])
    repair = Repair("spike", following, len(tips) - len(knot), gone, made, span_mm=span_mm)
    return with_depth(repair, mesh, (is_gone, is_new)), knot


def _spanned(
    mesh: Mesh, laid: Mesh, knot: NDArray[np.int32], source_index: int, budget: RepairBudget
) -> tuple[NDArray[np.bool_], Mesh | None]:
    """The faces (m,) that a knot of tips takes along, and the mesh whose lone tips were laid back with these spanned anew; None where no sound
    refill is found, or one that invents too much. Islands of skin that the knot parts from the rest go with it, up to what may be taken away."""
    is_knot = faces_at(mesh, knot)
    if not len(knot):
        return is_knot, laid
    is_cut = with_islands(mesh, is_knot)
    if 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_cut & ~is_knot]).sum()) > budget.removed_percent * surface_area(mesh):
        return is_knot, None
    following = respan(laid, is_cut, source_index)
    if following is None or not len(following.faces):
        return is_knot, None
    made = following.faces[int((~is_cut).sum()) :]
    if 100.0 * float(face_areas(following.vertices, made).sum()) > budget.invented_percent * surface_area(following):
        return is_knot, None
    return is_cut, following


def _unsound(laid: Mesh, tips: NDArray[np.int32], is_new: NDArray[np.bool_]) -> NDArray[np.int32]:
    """The tips that, laid back, have a fold or a face without area at them, or one that meets another face where it should not."""
    rows = np.flatnonzero(is_new)
    vectors = area_vectors(laid.vertices, laid.faces[rows])
    place = np.searchsorted(tips, laid.faces[rows]).clip(max=len(tips) - 1)
    is_at = tips[place] == laid.faces[rows]
    sums = np.zeros((len(tips), 3))
    np.add.at(sums, place[is_at], np.repeat(vectors, is_at.sum(axis=1), axis=0))
    sizes = np.linalg.norm(vectors, axis=1)[:, None] * np.linalg.norm(sums, axis=1)[place]
    is_bad = (is_at & ~(np.einsum("ij,ikj->ik", vectors, sums[place]) > LEAST_FACING * sizes)).any(axis=1)
    is_bad |= _is_met(laid, rows)
    return np.unique(laid.faces[rows[is_bad]][is_at[is_bad]])


def _is_met(mesh: Mesh, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(k,) True for those of some faces that meet another face of the mesh where they should not."""
    corners = mesh.vertices[mesh.faces[rows]]
    low, high = corners.min(axis=1), corners.max(axis=1)
    is_near = faces_at_boxes(mesh, low, high, float(np.median((high - low).max(axis=1))))
    near = np.flatnonzero(is_near)
    is_meeting = np.zeros(len(mesh.faces), dtype=bool)
    is_meeting[near[find_meeting_pairs(take_faces(mesh, is_near))]] = True
    return is_meeting[rows]
