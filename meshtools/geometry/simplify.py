"""The libraries that take faces away, each as one function that promises nothing: `decimate` judges what they return."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.pieces import take_faces
from meshtools.model import Mesh


def simplify_around(mesh: Mesh, is_kept: Any, n_faces: float) -> Mesh | None:
    """Simplify the faces that are not kept (m,), to their share of `n_faces`; kept ones and the seam's vertices stay where they are.

    Faces at the seam cannot go either, so they come on top: a target that cannot be met would be made up for elsewhere. None where the
    library moved a vertex of the seam, or left nothing. Library: fast_simplification.
    """
    if not is_kept.any():
        return _fast_simplification(mesh, int(n_faces))
    kept_vertices, rest_vertices = np.unique(mesh.faces[is_kept]), np.unique(mesh.faces[~is_kept])
    seam = np.intersect1d(kept_vertices, rest_vertices)
    is_at_seam = ~is_kept & np.isin(mesh.faces, seam).any(axis=1)
    rest = _fast_simplification(take_faces(mesh, ~is_kept), int(n_faces * (1.0 - (is_kept | is_at_seam).mean()) + is_at_seam.sum()))
    if rest is None:
        return None
    number = np.full(len(mesh.vertices), -1, np.int64)
    number[kept_vertices] = np.arange(len(kept_vertices))
    found = _find_points(rest.vertices, mesh.vertices[seam])
    if (found < 0).any():
        return None
    joined = np.full(len(rest.vertices), -1, np.int64)
    joined[found] = number[seam]
    is_own = joined < 0
    joined[is_own] = len(kept_vertices) + np.arange(is_own.sum())
    vertices = np.concatenate([mesh.vertices[kept_vertices], rest.vertices[is_own]])
    return compacted(vertices, np.concatenate([number[mesh.faces[is_kept]], joined[rest.faces]]))


def _find_points(points: Any, wanted: Any) -> Any:
    """The place in `points` of each wanted point, to the last bit; -1 where it is not there."""
    kind = np.dtype((np.void, 24))
    have, want = (np.ascontiguousarray(array + 0.0).view(kind).ravel() for array in (points, wanted))
    order = np.argsort(have, kind="stable")
    place = order[np.searchsorted(have, want, sorter=order).clip(max=len(have) - 1)]
    return np.where(have[place] == want, place, -1)


def compacted(vertices: Any, faces: Any) -> Mesh | None:
    """A mesh of these faces without unused vertices, None without faces."""
    if not len(faces):
        return None
    mesh = Mesh.create(vertices, faces)
    return take_faces(mesh, np.ones(len(mesh.faces), bool))


def _fast_simplification(mesh: Mesh, count: int) -> Mesh | None:
    """Not recentred: the library works in double precision, and vertices of the border must come back to the last bit."""
    import fast_simplification

    if count >= len(mesh.faces):
        return mesh
    vertices, faces = fast_simplification.simplify(mesh.vertices.copy(), mesh.faces.copy(), target_count=count, preserve_border=True)
    return compacted(vertices, faces)
