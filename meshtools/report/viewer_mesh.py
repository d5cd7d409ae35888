"""The mesh that a page carries for its turning view, as base64 arrays that the viewer in report/assets decodes."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import MeshShapeError
from meshtools.model import Mesh, SourceEntry
from meshtools.report.words import HATCHED, NO_SOURCE_COLOUR, class_words, deviation_ramp

MOST_FACES = 50_000
RAMP_STEPS = 41


def viewer_mesh(
    mesh: Mesh,
    sources: Sequence[SourceEntry],
    error_mm: float,
    deviation_mm: NDArray[np.float64] | None = None,
    deviation_limit_mm: float = 0.5,
) -> dict[str, Any]:
    """Encode a mesh for the turning view.

    mesh: at most 50,000 faces, mm; sources: the record's source table that mesh.source indexes; error_mm: how far this simpler
    surface may lie from the replica, printed below the view. deviation_mm: (n,) per vertex from the scan, signed (outside is positive) or
    unsigned, NaN where no scan stands behind the surface; None leaves the switch out. deviation_limit_mm: where the colours end.
    Raises MeshShapeError for too many faces, a source without an entry, or deviations of another length.
    """
    _check(mesh, sources, deviation_mm)
    codes = _class_codes(sources)
    class_of_source = np.array([codes.index(entry.evidence.value) for entry in sources] or [0], dtype=np.uint8)
    classes = class_of_source[mesh.source] if len(mesh.source) else np.zeros(0, np.uint8)
    low, high = (mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)) if len(mesh.vertices) else (np.zeros(3), np.zeros(3))
    centre = (low + high) / 2
    index_type = np.dtype("<u2") if len(mesh.vertices) <= 0xFFFF else np.dtype("<u4")
    view, view_extents = _view_axes(high - low)
    payload: dict[str, Any] = {
        "n_vertices": len(mesh.vertices),
        "n_faces": len(mesh.faces),
        "error_mm": float(error_mm),
        "centre_mm": [float(x) for x in centre],
        "positions": _packed((mesh.vertices - centre).astype("<f4")),
        "indices": _packed(mesh.faces.astype(index_type)),
        "index_type": "uint16" if index_type.itemsize == 2 else "uint32",
        "classes": _packed(classes),
        "class_table": [_class_entry(code) for code in codes],
        "area_ratios": _area_ratios(mesh, classes, codes),
        "view_from_mesh": view,
        "view_extents_mm": view_extents,
        "no_source_colour": NO_SOURCE_COLOUR,
    }
    payload |= _deviation_part(deviation_mm, deviation_limit_mm)
    return payload


def _check(mesh: Mesh, sources: Sequence[SourceEntry], deviation_mm: NDArray[np.float64] | None) -> None:
    if len(mesh.faces) > MOST_FACES:
        raise MeshShapeError(f"a page's view takes {MOST_FACES} faces at most, not {len(mesh.faces)}: decimate first")
    if len(mesh.source) and int(mesh.source.max()) >= len(sources):
        raise MeshShapeError(f"a face names source {int(mesh.source.max())}, but the table has {len(sources)} entries")
    if deviation_mm is not None and np.shape(deviation_mm) != (len(mesh.vertices),):
        raise MeshShapeError(f"deviations must be ({len(mesh.vertices)},), not {np.shape(deviation_mm)}")


def _class_codes(sources: Sequence[SourceEntry]) -> list[str]:
    """Class codes of a source table, each once, in order of evidence."""
    present = {entry.evidence.value for entry in sources}
    order = ("OWN", "OWN-R", "OWN-C", "DON", "DON-R", "INT", "EXT", "SCU", "NONE", "FILL", "MADE")
    return [code for code in order if code in present]


def _class_entry(code: str) -> dict[str, Any]:
    words = class_words(code)
    return {"code": code, "colour": words.colour, "words": words.words, "is_hatched": code in HATCHED, "has_source": code not in HATCHED}


def _area_ratios(mesh: Mesh, classes: NDArray[np.uint8], codes: Sequence[str]) -> dict[str, float]:
    """Share of the surface area that each class covers."""
    if not len(mesh.faces):
        return {}
    corners = mesh.vertices[mesh.faces]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    sums = np.bincount(classes, weights=areas, minlength=len(codes))
    total = float(sums.sum())
    return {code: float(sums[i]) / total if total > 0 else 0.0 for i, code in enumerate(codes)}


def _view_axes(extents: NDArray[np.float64]) -> tuple[list[float], list[float]]:
    """First view: longest axis across, second upwards, shortest towards the reader. Returns a row-major 4x4 rotation and [across, up] in mm."""
    across, up, towards = (int(i) for i in np.argsort(-extents, kind="stable"))
    rotation = np.zeros((4, 4))
    rotation[0, across] = rotation[1, up] = rotation[2, towards] = rotation[3, 3] = 1.0
    if np.linalg.det(rotation[:3, :3]) < 0:
        rotation[2, towards] = -1.0
    return [float(x) for x in rotation.ravel()], [float(extents[across]), float(extents[up])]


def _deviation_part(deviation_mm: NDArray[np.float64] | None, limit_mm: float) -> Mapping[str, Any]:
    if deviation_mm is None:
        return {"deviation": None, "deviation_range_mm": [0.0, limit_mm], "deviation_ramp": list(deviation_ramp(RAMP_STEPS, False))}
    values = np.asarray(deviation_mm, dtype="<f4")
    is_signed = bool(np.nanmin(values) < 0) if np.isfinite(values).any() else False
    return {
        "deviation": _packed(values),
        "deviation_range_mm": [-limit_mm if is_signed else 0.0, limit_mm],
        "deviation_ramp": list(deviation_ramp(RAMP_STEPS, is_signed)),
    }


def _packed(array: NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")
