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
    replica = read.get("replica.ply")
    if replica is None:
        return ()
    findings = []
    for name in sorted(read.keys() - {"replica.ply"}):
        fault = _fault(name, replica, read[name], delivered_from_scan)
        if fault:
            message = f"{name} {fault}; do not use it, build again."
            findings.append(Finding(Severity.FAILED, "delivery-placement", message))
    return tuple(findings)


def _fault(name: str, replica: DeliveredSurface, found: DeliveredSurface, matrices: Mapping[str, Any]) -> str:
    """What is wrong with one file, as the end of a sentence; empty where nothing is."""
    try:
        to_file, to_replica = (np.array(matrices[key], dtype=np.float64).reshape(4, 4) for key in (name, "replica.ply"))
        matrix = to_file @ np.linalg.inv(to_replica)
    except (KeyError, ValueError, np.linalg.LinAlgError):
        return "has no matrix in the record that can be used"
    if name.endswith(".glb"):  # metres, +Y up
        matrix = np.array([[1e3, 0, 0, 0], [0, 0, -1e3, 0], [0, 1e3, 0, 0], [0, 0, 0, 1.0]]) @ matrix
    if not np.allclose(matrix[:3, :3], np.eye(3), atol=_UNIT):
        return "is turned, mirrored or scaled against the PLY by its matrix in the record"
    expected, corners = _corners(replica) + matrix[:3, 3], _corners(found)
    tolerance_mm = _SINGLE_STEP_SHARE * max(float(np.ptp(coordinates)) for coordinates in expected.T) + _SINGLE_FLOOR_MM
    if len(expected) == len(corners) and float(np.abs(expected - corners).max()) <= tolerance_mm / 2.0:
        return ""  # the same triangles in the same order: every point lies beside its own (half along each axis is less than all of it)
    apart_mm = _farthest(expected, corners)
    if apart_mm <= tolerance_mm:
        return ""
    return f"does not hold the points of the PLY: {apart_mm:.4f} mm apart where its matrix in the record puts it"


def _corners(surface: DeliveredSurface) -> FloatArray:
    """The corners (3 m, 3) of all faces, one face after the other."""
    return surface.vertices[surface.faces.ravel()]


def _farthest(one: FloatArray, other: FloatArray) -> float:
    """How far a point of either lies at most from the nearest one of the other."""
    from scipy.spatial import cKDTree

    one, other = np.unique(one, axis=0), np.unique(other, axis=0)
    return max(float(cKDTree(a).query(b)[0].max()) for a, b in ((one, other), (other, one)))
