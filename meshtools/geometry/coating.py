"""Room for a hard coat: the solid whose skin lies everywhere one coat's thickness below the replica's.

The signed distance of the replica is taken at the nodes of small cubes near that depth only (found by halving large cubes that the depth may
pass through), and the surface is drawn through them by marching cubes (Lorensen and Cline 1987, SIGGRAPH 21(4); libigl's table).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import mesh_areas, piece_labels, take_faces
from meshtools.geometry.unite import signed_volume_mm3
from meshtools.model import FloatArray, IntArray, Mesh

LEVELS = 3  # cubes are halved so often on the way to the finest
MOST_CUBES = 60_000  # of the finest near the surface, about
SHIFTS = (0.37, 0.13, 0.71, 0.53)  # of a cube's side: another start where a node falls on the surface and spoils it
CORNERS = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1]])


@dataclass(frozen=True, eq=False)
class Erosion:
    """The largest body left at that depth, the side of the cubes, and how many other bodies of what volume were dropped."""

    mesh: Mesh
    cube_mm: float
    n_dropped: int
    dropped_mm3: float


def erode(mesh: Mesh, depth_mm: float, cube_mm: float) -> Erosion:
    """The solid that lies `depth_mm` below the skin of a closed outward mesh, drawn with cubes of about this side or larger.

    Raises GeometryError where nothing as thick as twice the depth is left.
    """
    area = float(mesh_areas(mesh).sum())
    side = max(cube_mm, float(np.sqrt(area / MOST_CUBES)))
    for shift in SHIFTS:
        drawn = _drawn(mesh, depth_mm, side, shift)
        if not len(drawn.faces):
            raise GeometryError(f"no foam is left {depth_mm:g} mm below the skin; choose a thinner coat or another route")
        largest, n_dropped, dropped = _largest(drawn)
        if audit_topology(largest).is_closed:
            return Erosion(largest, side, n_dropped, dropped)
    raise GeometryError(f"the skin {depth_mm:g} mm below the replica does not close; choose another thickness of the coat or another route")


def _largest(mesh: Mesh) -> tuple[Mesh, int, float]:
    labels = piece_labels(mesh)
    pieces = [take_faces(mesh, labels == label) for label in range(int(labels.max()) + 1)]
    volumes = [signed_volume_mm3(piece.vertices, piece.faces) for piece in pieces]
    best = int(np.argmax(volumes))
    dropped = [volume for k, volume in enumerate(volumes) if k != best]
    return pieces[best], len(dropped), float(sum(abs(volume) for volume in dropped))


def _drawn(mesh: Mesh, depth_mm: float, side: float, shift: float) -> Mesh:
    import igl

    start = mesh.vertices.min(axis=0) - shift * side
    cubes = _cubes_near(mesh, depth_mm, side, start)
    nodes = (cubes[:, None] + CORNERS[None]).reshape(-1, 3)
    unique, number = _unique_nodes(nodes)
    places = start + side * unique
    values = signed_distances(mesh, places) + depth_mm
    vertices, faces, _ = igl.marching_cubes(values, places, number.reshape(-1, 8), 0.0)
    if not len(faces):
        return Mesh.create(np.empty((0, 3)), np.empty((0, 3)))
    drawn = take_faces(Mesh.create(vertices, faces), np.ones(len(faces), bool))
    return drawn if signed_volume_mm3(drawn.vertices, drawn.faces) > 0 else drawn.replaced(faces=drawn.faces[:, ::-1])


def signed_distances(mesh: Mesh, points: FloatArray) -> FloatArray:
    """Distance (n,) to a closed outward mesh, negative within (the sign by angle-weighted normals, Baerentzen and Aanaes 2005)."""
    import igl

    found = igl.signed_distance(points, mesh.vertices, mesh.faces.astype(np.int64), sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL)
    return np.asarray(found[0])


def _cubes_near(mesh: Mesh, depth_mm: float, side: float, start: FloatArray) -> IntArray:
    """Lower corners (k, 3), in sides from the start, of the cubes that the surface at that depth may pass through."""
    surface = Surface(mesh)
    factor = 2**LEVELS
    n = np.ceil((mesh.vertices.max(axis=0) - start) / (side * factor)).astype(np.int64) + 1
    cubes = np.stack(np.meshgrid(*(np.arange(k) for k in n), indexing="ij"), axis=-1).reshape(-1, 3) * factor
    while True:
        distances, _ = surface.distance(start + side * (cubes + factor / 2.0))
        cubes = cubes[np.abs(distances - depth_mm) <= 0.5 * np.sqrt(3.0) * factor * side * 1.001]
        if factor == 1:
            return np.asarray(cubes, dtype=np.int32)
        factor //= 2
        halves = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]) * factor
        cubes = (cubes[:, None] + halves[None]).reshape(-1, 3)


def _unique_nodes(nodes: NDArray[np.int32]) -> tuple[FloatArray, NDArray[np.int64]]:
    low = nodes.min(axis=0)
    spans = (nodes.max(axis=0) - low + 1).astype(np.int64)
    moved = (nodes - low).astype(np.int64)
    keys = (moved[:, 0] * spans[1] + moved[:, 1]) * spans[2] + moved[:, 2]
    unique, number = np.unique(keys, return_inverse=True)
    places = np.stack([unique // (spans[1] * spans[2]), unique // spans[2] % spans[1], unique % spans[2]], axis=1) + low
    return places.astype(np.float64), number.astype(np.int64)
