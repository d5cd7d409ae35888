"""Prove that the delivered files of one part are one shape, each where its matrix in the record says. Shares no code with the writers.

A mirror image has the size, the volume and the edges of the part; only its points tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from meshtools.files.delivered_surface import DeliveredSurface
from meshtools.model import Finding, FloatArray, Severity

_SINGLE_STEP_SHARE = 2.0**-20  # of the largest extent: eight of the steps that a part is rounded to in 32-bit formats
_SINGLE_FLOOR_MM = 1e-4
_UNIT = 1e-9


def verify_placement(read: Mapping[str, DeliveredSurface], delivered_from_scan: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Hold the points of every delivered file against those of the PLY, laid where the record's matrices (4, 4) by file name put them.

    `read`: the surfaces by file name, as `verify_delivery` found them. Code: delivery-placement.
    """
    points = {name: np.unique(surface.vertices[np.unique(surface.faces)], axis=0) for name, surface in read.items()}
    replica = points.pop("replica.ply", None)
    if replica is None:
        return ()
    findings = []
    for name, found in sorted(points.items()):
        fault = _fault(name, replica, found, delivered_from_scan)
        if fault:
            message = f"{name} {fault}; do not use it, build again."
            findings.append(Finding(Severity.FAILED, "delivery-placement", message))
    return tuple(findings)


def _fault(name: str, replica: FloatArray, found: FloatArray, matrices: Mapping[str, Any]) -> str:
    """What is wrong with one file, as the end of a sentence; empty where nothing is."""
    from scipy.spatial import cKDTree

    try:
        to_file, to_replica = (np.array(matrices[key], dtype=np.float64).reshape(4, 4) for key in (name, "replica.ply"))
        matrix = to_file @ np.linalg.inv(to_replica)
    except (KeyError, ValueError, np.linalg.LinAlgError):
        return "has no matrix in the record that can be used"
    if name.endswith(".glb"):  # metres, +Y up
        matrix = np.array([[1e3, 0, 0, 0], [0, 0, -1e3, 0], [0, 1e3, 0, 0], [0, 0, 0, 1.0]]) @ matrix
    if not np.allclose(matrix[:3, :3], np.eye(3), atol=_UNIT):
        return "is turned, mirrored or scaled against the PLY by its matrix in the record"
    expected = replica + matrix[:3, 3]
    apart_mm = max(float(cKDTree(a).query(b)[0].max()) for a, b in ((expected, found), (found, expected)))
    if apart_mm <= _SINGLE_STEP_SHARE * float(np.ptp(replica, axis=0).max()) + _SINGLE_FLOOR_MM:
        return ""
    return f"does not hold the points of the PLY: {apart_mm:.4f} mm apart where its matrix in the record puts it"
