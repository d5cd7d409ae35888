"""Put printed parts together again and hold them against the replica they were made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.audit import signed_volume
from meshtools.geometry.body import ROUND_SIDES
from meshtools.geometry.distance import Surface
from meshtools.geometry.print_parts import PrintedBody, PrintedPart
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.model import FloatArray, Mesh
from meshtools.settings_print import PrintSettings

_N_POINTS = 20_000


@dataclass(frozen=True)
class Rejoined:
    """How the parts, put back, differ from the replica.

    cut_volume_error: of the parts as cut, before keys and all else, relative to the replica; made_volume_error: of the parts as made, after pegs,
    holes, letters, cavities and openings are accounted for, relative to the replica; skin_error_mm: largest distance from the replica's skin to
    the parts, and from the parts' own skin to the replica, away from letters and openings on the skin.
    """

    cut_volume_error: float
    made_volume_error: float
    skin_error_mm: float
    n_points: int


def check_rejoined(replica: Mesh, bodies: Sequence[PrintedBody], made: Sequence[Mesh], settings: PrintSettings) -> Rejoined:
    """Put the made parts (in the machine's coordinates, in the order of their numbers) back by the inverse of their matrices and compare.

    Pegs and holes count by their closed forms, letters by stroke area x depth, cavities and openings as they were measured when cut.
    replica: the replica as it was split, its trapped voids filled.
    """
    parts = [part for body in bodies for part in body.parts]
    whole = sum(body.volume_mm3 for body in bodies)
    cut = sum(part.plain_mm3 for part in parts)
    back = [apply_matrix(mesh, part.replica_from_made) for mesh, part in zip(made, parts, strict=True)]
    accounted = whole + sum(_intended_mm3(part) for part in parts) + sum(_keys_mm3(body, settings.key_clearance_mm) for body in bodies)
    error = abs(sum(signed_volume(mesh) for mesh in back) - accounted) / whole
    return Rejoined(abs(cut - whole) / whole, error, _skin_error(replica, back, parts), _N_POINTS)


def _intended_mm3(part: PrintedPart) -> float:
    """What letters, cavity and openings were meant to change."""
    letters = part.engraving.expected_mm3 if part.engraving else 0.0
    hollow = part.hollow.cavity.volume_mm3 + part.hollow.drained_mm3 if part.hollow else 0.0
    return -(letters + hollow)


def _keys_mm3(body: PrintedBody, clearance_mm: float) -> float:
    """Pegs less holes: prisms about a circle of the key's radius."""
    per_circle = ROUND_SIDES * float(np.tan(np.pi / ROUND_SIDES))
    total = 0.0
    for contact in body.contacts:
        for key in contact.pair.keys if contact.pair else ():
            radius = key.diameter_mm / 2.0
            total += per_circle * (radius**2 * key.depth_mm - (radius + clearance_mm) ** 2 * (key.depth_mm + clearance_mm))
    return total


def _skin_error(replica: Mesh, back: Sequence[Mesh], parts: Sequence[PrintedPart]) -> float:
    joined = concatenate(back)
    points, _ = sample_surface(replica, _N_POINTS)
    away = points[~_is_changed(points, parts)]
    skin = Surface(replica)
    errors = [float(Surface(joined).distance(away)[0].max(initial=0.0))]
    for part in parts:
        mesh = part.body.mesh(0)
        corners = mesh.vertices[np.unique(mesh.faces[part.body.is_own(0)])]
        errors.append(float(skin.distance(corners)[0].max(initial=0.0)))
    return max(errors)


def _is_changed(points: FloatArray, parts: Sequence[PrintedPart]) -> NDArray[np.bool_]:
    """(n,) True for points of the skin under letters and openings."""
    changed = np.zeros(len(points), dtype=bool)
    for part in parts:
        if part.engraving is not None:
            tablet = part.engraving.tablet
            local = np.abs((points - tablet.middle) @ tablet.frame.T)
            width, height = tablet.lettering.size_mm
            changed |= (local <= [width / 2.0 + 0.1, height / 2.0 + 0.1, tablet.relief_mm + 2.0]).all(axis=1)
        for opening in part.hollow.openings if part.hollow else ():
            changed |= np.sum((points - opening.mouth) ** 2, axis=1) <= opening.diameter_mm**2
    return changed
