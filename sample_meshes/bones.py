"""Catalogue of the invented animal: each element's solids and their surface in the frame of the left (or median) bone."""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import axial
import limbs
import numpy as np
from fields import Array, Field, Surface, area, surface


class Body(NamedTuple):
    """One closed solid: its field and a box that holds it."""

    field: Field
    low: tuple[float, float, float]
    high: tuple[float, float, float]


LIMBS = {
    "femur": Body(limbs.femur, (-45, -35, -6), (30, 30, 220)),
    "humerus": Body(limbs.humerus, (-30, -35, -6), (30, 35, 196)),
    "radius": Body(limbs.radius, (-25, -18, -10), (25, 22, 166)),
    "ulna": Body(limbs.ulna, (-22, -28, -8), (20, 22, 208)),
    "tibia": Body(limbs.tibia, (-34, -28, -14), (32, 34, 200)),
    "fibula": Body(limbs.fibula, (-14, -20, -8), (14, 16, 186)),
    "scapula": Body(limbs.scapula, (-34, -58, -16), (38, 60, 178)),
    "hip-bone": Body(limbs.hip_bone, (-42, -46, -102), (46, 50, 136)),
}


def bodies(element: str) -> list[Body]:
    """The closed solids of an element, the bone first and then its teeth."""
    if element in LIMBS:
        return [LIMBS[element]]
    if element in axial.RIB_LENGTHS:
        length = axial.RIB_LENGTHS[element]
        return [Body(partial(axial.rib, length=length), (-14, -length, -0.32 * length), (length * 0.72, 0.2 * length + 8, 16))]
    if element in axial.VERTEBRAE:
        v = axial.VERTEBRAE[element]
        rise = v.height + v.canal * 3.5 + v.spine[0]
        return [Body(partial(axial.vertebra, v=v), (-68, -22, -50), (68, rise + 12, 40))]
    if element == "skull":
        return [Body(axial.skull, (-64, -36, -22), (64, 70, 258)), *_teeth(axial.UPPER_TEETH, -1.0)]
    if element == "mandible":
        return [Body(axial.jaw, (-60, -26, 4), (60, 68, 252)), *_teeth(axial.LOWER_TEETH, 1.0)]
    single = {
        "cervical-01": Body(axial.atlas, (-56, -30, -38), (56, 32, 30)),
        "cervical-02": Body(axial.axis, (-34, -20, -52), (34, 58, 46)),
        "sacrum": Body(axial.sacrum, (-52, -20, -50), (52, 46, 56)),
    }
    return [single[element]]


def _teeth(row: tuple[tuple[tuple[float, float, float], tuple[float, float, float]], ...], up: float) -> list[Body]:
    """A body for each tooth of both sides."""
    teeth = []
    for (x, y, z), size in row:
        for side in (1, -1):
            root, reach = (side * x, y, z), (size[0] + 3, size[1] + 6, size[2] + 3)
            low, high = np.subtract(root, reach), np.add(root, reach)
            teeth.append(Body(partial(axial.tooth, root=root, size=size, up=up), tuple(low.tolist()), tuple(high.tolist())))
    return teeth


def element_surface(solids: list[Body], n_faces: int, turn: Array | None = None) -> Surface:
    """Surface of all solids, as separate closed pieces in one mesh; the first has about n_faces triangles."""
    edge = float(np.sqrt(area(*surface(*solids[0], edge=3.0)) * 2.85 / n_faces))
    parts = [surface(*body, edge=edge if k == 0 else min(edge, 1.9), turn=turn) for k, body in enumerate(solids)]
    starts = np.cumsum([0] + [len(vertices) for vertices, _ in parts[:-1]])
    return np.concatenate([v for v, _ in parts]), np.concatenate([f + s for (_, f), s in zip(parts, starts, strict=True)])
