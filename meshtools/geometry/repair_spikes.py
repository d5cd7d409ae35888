"""Spikes cut off: the faces around each tip go and the ring around them is spanned by its own corners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.pieces import face_areas
from meshtools.geometry.repair_budget import Repair, RepairBudget, span_of_new, surface_area, with_depth
from meshtools.geometry.seam_repair import respan
from meshtools.model import Mesh


def cut_spikes(mesh: Mesh, tips: NDArray[np.int32], source_index: int, budget: RepairBudget) -> Repair:
    """The mesh without these vertices, their rings spanned anew by faces with source_index, if no more is invented than the budget says.

    What a spike encloses was never bone, so neither its own area nor its volume counts. Where no sound refill is found the mesh comes
    back as it was; the caller then cuts the tips out and closes them as holes, by the rules for holes.
    """
    if not len(tips):
        return Repair("spike", mesh)
    is_tip = np.zeros(len(mesh.vertices), dtype=bool)
    is_tip[tips] = True
    is_cut = np.asarray(is_tip[mesh.faces].any(axis=1))
    following = respan(mesh, is_cut, source_index)
    if following is None or not len(following.faces):
        return Repair("spike", mesh)
    area = surface_area(following)
    n_kept = int((~is_cut).sum())
    made = 100.0 * float(face_areas(following.vertices, following.faces[n_kept:]).sum()) / area
    if made > budget.invented_percent:
        return Repair("spike", mesh)
    gone = 100.0 * float(face_areas(mesh.vertices, mesh.faces[is_cut]).sum()) / surface_area(mesh)
    repair = Repair("spike", following, len(tips), gone, made, span_mm=span_of_new(following, n_kept))
    return with_depth(repair, mesh, (is_cut, np.arange(len(following.faces)) >= n_kept))
