"""Cut a narrow trench into the partner along the original's rims, so that what is taken over ends where the original begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.unite import merged_vertices
from meshtools.model import FloatArray, Mesh

if TYPE_CHECKING:
    import manifold3d

_GOLDEN = (1 + 5**0.5) / 2
_BALL = np.array([np.roll([0.0, a, b * _GOLDEN], k) for k in range(3) for a in (-1, 1) for b in (-1, 1)]) / np.sqrt(1 + _GOLDEN**2)
_SIDE_GAPS = np.linspace(0.0, 1.0, 5)


@dataclass(frozen=True, eq=False)
class CutPartner:
    """The partner without a narrow trench along the original's rims; row (m,) is the partner's face that each face lies in, -1 for the
    trench's walls."""

    mesh: Mesh
    row: NDArray[np.int64]


def cut_trench(partner: Mesh, rims: Sequence[FloatArray], width_mm: tuple[float, float]) -> CutPartner:
    """Cut a trench into a closed partner along closed lines of points (k, 3), as wide as needed to reach its surface.

    width_mm: least and greatest radius. Where the partner's surface is farther than the greatest, it is not cut.
    """
    import manifold3d

    surface, own = Surface(partner), manifold3d.Manifold.reserve_ids(1)
    tubes = [tube for rim in rims for tube in _tubes(surface, _thinned(rim, width_mm[0] / 4), width_mm)]
    colour = [] if partner.colour is None else [partner.colour]
    body = manifold3d.Mesh64(
        np.column_stack([partner.vertices, *colour]).astype(np.float64), partner.faces.astype(np.uint64),
        run_original_id=np.array([own], dtype=np.uint32), face_id=np.arange(len(partner.faces), dtype=np.uint64),
    )
    solid = manifold3d.Manifold(body)
    if not tubes or solid.status() != manifold3d.Error.NoError:
        return CutPartner(partner, np.arange(len(partner.faces)))
    total = manifold3d.Manifold.batch_boolean([solid, *tubes], manifold3d.OpType.Subtract)
    return _read_back(total.to_mesh64(), own, partner)


def _read_back(body: Any, own: int, partner: Mesh) -> CutPartner:
    properties = np.asarray(body.vert_properties, dtype=np.float64)
    faces = np.asarray(body.tri_verts, dtype=np.int64).reshape(-1, 3)
    target = merged_vertices(body, len(properties))
    ends = np.asarray(body.run_index, dtype=np.int64) // 3
    runs = ends[1:] - ends[:-1]
    is_own = np.repeat(np.asarray(body.run_original_id) == own, runs)
    row = np.where(is_own, np.asarray(body.face_id, dtype=np.int64), -1)
    kept, corners = np.unique(target[faces], return_inverse=True)
    colour = None if partner.colour is None else np.clip(np.rint(properties[kept, 3:6]), 0, 255)
    source = np.where(is_own, partner.source[np.maximum(row, 0)], 0)
    return CutPartner(Mesh.create(properties[kept, :3], corners.reshape(-1, 3), source, colour), row)


def _thinned(points: FloatArray, tolerance_mm: float) -> FloatArray:
    """The closed line without points that lie within the tolerance of the chord between the kept ones."""
    kept, last = [0], 0
    for place in range(2, len(points) + 1):
        end = points[place % len(points)]
        between = points[last + 1 : place]
        chord = end - points[last]
        along = np.clip((between - points[last]) @ chord / max(float(chord @ chord), 1e-300), 0.0, 1.0)
        if np.sqrt(((between - points[last] - along[:, None] * chord) ** 2).sum(axis=1)).max() > tolerance_mm:
            kept.append(place - 1)
            last = place - 1
    return np.asarray(points[kept])


def _tubes(surface: Surface, line: FloatArray, width_mm: tuple[float, float]) -> list[manifold3d.Manifold]:
    import manifold3d

    after = np.roll(line, -1, axis=0)
    inner = line[:, None, :] + _SIDE_GAPS[None, :, None] * (after - line)[:, None, :]
    gaps = surface.distance(inner.reshape(-1, 3))[0].reshape(len(line), -1).max(axis=1)
    radii = np.clip(width_mm[0] + 1.5 * gaps, *width_mm)
    return [
        manifold3d.Manifold.hull_points(np.concatenate([a + r * _BALL, b + r * _BALL]))
        for a, b, r, gap in zip(line, after, radii, gaps, strict=True) if gap < width_mm[1]
    ]  # fmt: skip
