"""Whether the open end of a scan, where a part of the bone is missing, lies inside the replica: then the replica goes on beyond it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from meshtools.geometry.distance import Surface
from meshtools.geometry.open_ends import LONE
from meshtools.geometry.transform import move_points
from meshtools.geometry.winding import is_surely_inside
from meshtools.model import FloatArray, Mesh

LEAST_DEPTH = 0.1  # of the rim's span: the middle of an end that was closed flat lies on the skin


def is_end_completed(replica: Mesh, replica_from_scan: FloatArray, clean: Mapping[str, Any]) -> bool:
    """True where the ends open all round that the record of a clean surface asks about lie inside the replica, a tenth of their span or more below
    the skin. What else is missing is told by the completion itself, which holds the bone against the one that supplies its part."""
    rims = [end for end in clean["facts"].get("open_ends", ()) if end["code"] == LONE]
    if not rims:
        return False
    places = move_points(np.array([rim["centre_mm"] for rim in rims], dtype=np.float64), replica_from_scan)
    factor = float(np.abs(np.linalg.det(replica_from_scan[:3, :3])) ** (1 / 3))
    depths_mm = Surface(replica).project(places)[0]
    least_mm = LEAST_DEPTH * factor * np.array([rim["span_mm"] for rim in rims])
    return bool((is_surely_inside(replica, places) & (depths_mm >= least_mm)).all())
