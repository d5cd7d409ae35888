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


def cut_spikes(mesh: Mesh, tips: NDArray[np.int32], source_index: int, budget: RepairBudget) -> Repair:
    """The mesh with these vertices (ascending) laid back among their neighbours, or without them and their rings spanned anew, by faces with
    source_index, if no more is invented than the budget says.

    What a spike encloses was never bone, so neither its own area nor its volume counts; islands of skin that a knot of spikes parts from the rest go
    along, up to what the budget lets be taken away. Where no sound refill is found the mesh comes
    back as it was; the caller then cuts the tips out and closes them as holes, by the rules for holes.
    """
    if not len(tips):
        return Repair("spike", mesh)
    is_gone = faces_at(mesh, tips)
    laid = laid_flat(mesh, tips, tips)
    is_knot = faces_at(mesh, _unsound(laid, tips, is_gone))
    is_cut = with_islands(mesh, is_knot) if is_knot.any() else is_knot
    if 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_cut & ~is_knot]).sum()) > budget.removed_percent * surface_area(mesh):
        return Repair("spike", mesh)
    laid = laid.replaced(source=np.where(is_gone, np.uint16(source_index), mesh.source))
    following = respan(laid, is_cut, source_index) if is_cut.any() else laid
    if following is None or not len(following.faces):
        return Repair("spike", mesh)
    is_gone = is_gone | is_cut
    is_new = np.ones(len(following.faces), dtype=bool)
    is_new[: int((~is_cut).sum())] = is_gone[~is_cut]
    made = 100.0 * float(face_areas(following.vertices, following.faces[is_new]).sum()) / surface_area(following)
    if made > budget.invented_percent:
        return Repair("spike", mesh)
    gone = 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_gone]).sum()) / surface_area(mesh)
    repair = Repair("spike", following, len(tips), gone, made, span_mm=span_of_new(following.vertices, following.faces[is_new]))
    return with_depth(repair, mesh, (is_gone, is_new))


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
