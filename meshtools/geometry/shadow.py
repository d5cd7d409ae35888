"""Bodies in the boolean kernel, and all that lies in a body's shadow: what could not be moved out past it.

A piece of a mould can be moved straight out along `up` without touching the bone exactly when no point of the bone lies above a point of
the piece. So the piece is cut from its half of the block by taking away the bone and everything beneath it, its shadow. What is built so
withdraws by construction; what the shadow takes away on top of the bone is the undercut. Our own method.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.model import FloatArray, Mesh

OVERLAP_MM = 1e-3  # bodies that would share a face overlap by this, and walls of a shadow lean by as much: nothing touches without crossing
_SHRINK = 0.02  # test points of a face lie this share of the way from its corners to its middle
_CORNERS = np.array([[x, y, 0.0] for x in (-1.0, 1.0) for y in (-1.0, 1.0)])

Solid = Any  # manifold3d.Manifold: the library has no types


def solid_of(vertices: FloatArray, faces: NDArray[Any]) -> Solid:
    """A closed, outward surface in the kernel, its rows of faces kept as face ids. GeometryError where the kernel takes it for no solid."""
    import manifold3d

    rows = np.arange(len(faces), dtype=np.uint64)
    body = manifold3d.Mesh64(np.array(vertices, np.float64, order="C"), np.array(faces, np.uint64, order="C"), face_id=rows)
    solid = manifold3d.Manifold(body)
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise GeometryError("the surface encloses no solid, so no mould can be made of it; rebuild the bone until it is closed")
    return solid


def joined(solids: Sequence[Solid]) -> Solid:
    """The union of bodies; an empty body where there are none."""
    import manifold3d

    return manifold3d.Manifold.batch_boolean(list(solids), manifold3d.OpType.Add) if solids else manifold3d.Manifold()


def without(solid: Solid, taken: Sequence[Solid]) -> Solid:
    """A body less others."""
    import manifold3d

    return manifold3d.Manifold.batch_boolean([solid, *taken], manifold3d.OpType.Subtract) if taken else solid


def settled(solid: Solid) -> Solid:
    """The same body, worked out now. The kernel puts work off until somebody asks, and does it again for each body that is made of this one."""
    solid.num_tri()
    return solid


def rotation_to_z(direction: FloatArray) -> FloatArray:
    """Rotation (3, 3) that turns a direction to +z. Its x is square to the axis that the direction leans on least: equal directions, equal frames."""
    up = np.asarray(direction, np.float64) / np.linalg.norm(direction)
    least = np.eye(3)[int(np.argmin(np.abs(up)))]
    across = np.cross(least, up)
    across /= np.linalg.norm(across)
    return np.stack([across, np.cross(up, across), up])


def shadow_of(vertices: FloatArray, faces: NDArray[Any], direction: FloatArray, reach_mm: float, draft_deg: float = 0.0) -> Solid:
    """All that lies behind the faces of a closed surface that look back along `direction`, as far as `reach_mm` beyond the surface.

    Together with the body itself this is every point from which a way along `direction` meets the body. `faces` may be part of the
    surface: then it is their part of the shadow. Walls lean out by the draft, and by OVERLAP_MM over the whole reach at least: what stands beside
    them comes free of them as soon as it moves.
    """
    turn = rotation_to_z(direction)
    turned = np.einsum("ij,kj->ki", turn, vertices)
    floor = float(turned[:, 2].min()) - reach_mm
    corners = turned[faces]
    down = faces[np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] < 0.0]
    if not len(down):
        return joined([])
    is_plain = _plainly_seen(turned, faces, down)
    bodies = [_prism_below(turned[face], floor, float(np.tan(np.radians(draft_deg)))) for face in down[~is_plain]]
    if is_plain.any():
        bodies.append(_column_below(turned, down[is_plain], floor))
    back = np.column_stack([turn.T, np.zeros(3)])
    return settled(joined(bodies)).transform(back)


def _plainly_seen(vertices: FloatArray, faces: NDArray[Any], down: NDArray[Any]) -> NDArray[np.bool_]:
    """(k,) True for faces that are seen whole from below, with all their neighbours: their columns fit side by side into one body."""
    import shapely

    middles = vertices[down].mean(axis=1)
    tests = np.concatenate([middles, ((1 - _SHRINK) * vertices[down] + _SHRINK * middles[:, None]).reshape(-1, 3)])
    hits = Surface(Mesh.create(vertices, faces)).first_hit(tests - [0.0, 0.0, 1e-4], np.tile([0.0, 0.0, -1.0], (len(tests), 1)))
    seen = np.isinf(hits)
    is_seen = seen[: len(down)] & seen[len(down) :].reshape(-1, 3).all(axis=1)
    is_rim = np.zeros(len(vertices), bool)
    corners = vertices[faces]
    is_rim[faces[np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] >= 0.0].ravel()] = True
    is_rim[down[~is_seen].ravel()] = True
    is_plain = is_seen & ~is_rim[down].any(axis=1)
    while is_plain.any():
        rows = np.flatnonzero(is_plain)
        overlapping = ~shapely.is_empty(shapely.coverage_invalid_edges(shapely.polygons(vertices[down[rows]][:, :, :2])))
        if not overlapping.any():
            break
        is_plain[rows[overlapping]] = False
    return np.asarray(is_plain)


def _prism_below(corners: FloatArray, floor: float, lean: float) -> Solid:
    """A face (3, 3) moved down to the floor: convex, a little wider there (by `lean` for each mm), and beginning a little above."""
    import manifold3d

    wider = np.maximum(lean * (corners[:, 2] - floor), OVERLAP_MM)
    foot = (corners[:, None, :] + wider[:, None, None] * _CORNERS).reshape(-1, 3)
    foot[:, 2] = floor
    return manifold3d.Manifold.hull_points(np.concatenate([corners + [0.0, 0.0, OVERLAP_MM], foot]))


def _column_below(vertices: FloatArray, faces: NDArray[Any], floor: float) -> Solid:
    """Faces that do not overlap seen from below, moved down to the floor."""
    used, corners = np.unique(faces[:, ::-1], return_inverse=True)
    corners, n = corners.reshape(-1, 3), len(used)
    top = vertices[used] + [0.0, 0.0, OVERLAP_MM]
    foot = np.column_stack([top[:, :2], np.full(n, floor - OVERLAP_MM)])
    return solid_of(np.concatenate([top, foot]), np.concatenate([corners, corners[:, ::-1] + n, curtain(corners, n)]))


def curtain(faces: NDArray[Any], n: int) -> NDArray[np.int64]:
    """Faces of the wall that hangs from the open edges of upward faces over n vertices; the foot of vertex i is vertex i + n."""
    start, end = faces.ravel().astype(np.int64), np.roll(faces, -1, axis=1).ravel().astype(np.int64)
    is_open = ~np.isin(start * n + end, end * n + start)
    a, b = start[is_open], end[is_open]
    return np.concatenate([np.stack([b, a, a + n], axis=1), np.stack([b, a + n, b + n], axis=1)])
