"""Exact distances from points to a surface, and how far two surfaces lie apart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import GeometryError
from meshtools.geometry.compiled import given
from meshtools.geometry.threads import LEAST_LIGHT_ROWS, LEAST_ROWS, in_blocks
from meshtools.geometry.tree import tree_over
from meshtools.geometry.weld import edge_keys
from meshtools.model import FloatArray, IntArray, Mesh

ON_EDGE = 1e-9  # a barycentric weight below this puts a nearest point on an edge or a corner
N_SAMPLES = 100_000
LEAST_COVERED = 1 << 10  # faces that are worth a thread where each is asked at a few points
IN_STEP = 4096  # points asked one after the other, each from where the one before ended

Projected = tuple[FloatArray, IntArray, FloatArray]  # distance (n,), nearest face (n,), nearest point (n, 3)


@dataclass(frozen=True, eq=False)
class Nearest:
    """Nearest point of a surface for each query: distance_mm (n,), face (n,) int32, point (n, 3) mm, weights (n, 3) of the face's corners."""

    distance_mm: FloatArray
    face: IntArray
    point: FloatArray
    weights: FloatArray


class Surface:
    """A mesh ready for distance queries (a tree of boxes over its triangles, our own, in double precision).

    The mesh is recentred on the middle of its box first, so the error does not grow with the offset of the coordinates: distances
    are exact to about 1e-12 of the size of mesh and queries together. Raises GeometryError for a mesh without faces.
    """

    def __init__(self, mesh: Mesh) -> None:
        if not len(mesh.faces):
            raise GeometryError("the surface has no faces, so nothing can be measured to it; check the scan")
        from meshtools.geometry.tree_kernels import box_of

        boxes = in_blocks(len(mesh.faces), lambda rows: box_of(mesh.vertices, mesh.faces[rows]), LEAST_LIGHT_ROWS)
        self.mesh = mesh
        self._centre = (np.min([low for low, _ in boxes], axis=0) + np.max([high for _, high in boxes], axis=0)) / 2
        self._vertices = mesh.vertices - self._centre
        self._faces = np.ascontiguousarray(mesh.faces, np.int32)
        self._asked: tuple[Mesh, Projected] | None = None
        self._whole: tuple[Surface, NDArray[np.bool_]] | None = None

    @cached_property
    def tree(self) -> tuple[FloatArray, IntArray, IntArray, FloatArray, IntArray]:
        """Vertices less the surface's centre, faces, the order and the boxes of a tree over these (`tree.tree_over`), and each face's place (m,) in
        that order."""
        order, boxes = tree_over(self._vertices, self._faces)
        place = np.empty(len(order), np.int32)
        place[order] = np.arange(len(order), dtype=np.int32)
        return self._vertices, self._faces, order, boxes, place

    def distance(self, points: FloatArray) -> tuple[FloatArray, IntArray]:
        """Distance to the surface in mm, (n,) float64 >= 0, and the nearest face (n,) int32, for points (n, 3) in mm.

        Where a nearest point lies on an edge or a corner, the face is any of those that meet there, the same one each time;
        `nearest` settles such ties by the lowest index.
        """
        squared, faces, _ = self._query(points)
        return np.sqrt(squared), faces.astype(np.int32)

    def project(self, points: FloatArray) -> Projected:
        """As `distance`, and the nearest points themselves (n, 3)."""
        squared, faces, closest = self._query(points)
        return np.sqrt(squared), faces.astype(np.int32), closest + self._centre

    def vertices_of(self, mesh: Mesh) -> Projected:
        """`project` of all vertices of a mesh. What is asked of the same mesh again is at hand."""
        asked = self._asked
        if asked is None or asked[0] is not mesh:
            self._asked = asked = mesh, self.project(mesh.vertices) if self._whole is None else self._taken_over(mesh, *self._whole)
        return asked[1]

    def near_vertices_of(self, mesh: Mesh, enough_mm: float) -> tuple[FloatArray, IntArray]:
        """Distance in mm (n,) from each vertex of a mesh to a face (n,) that is the nearest, or no farther from it than `enough_mm`."""
        from meshtools.geometry.tree_kernels import near_triangles

        asked = self._asked
        if asked is not None and asked[0] is mesh:
            return asked[1][:2]
        points, n = np.ascontiguousarray(mesh.vertices), len(mesh.vertices)
        squared, faces, tree = np.empty(n), np.empty(n, np.int32), self.tree

        def ask(steps: slice) -> None:
            rows = slice(IN_STEP * steps.start, IN_STEP * steps.stop)
            near_triangles(points[rows], self._centre, tree, IN_STEP, enough_mm**2, squared[rows], faces[rows])

        in_blocks(-(-n // IN_STEP), ask, 1 + LEAST_ROWS // IN_STEP)
        return np.sqrt(squared), faces

    def cover_with_balls(self, mesh: Mesh, rows: Any, at_vertices: tuple[FloatArray, Any], limit_mm: float, upper_mm: FloatArray) -> float:
        """Lower upper_mm (m,), what is shown of some faces (k,) of a mesh, where a few points show that none is farther off than the limit. Returns
        the largest distance found on the way. at_vertices: distance (n,) and near face (n,) of each vertex."""
        from meshtools.geometry.bound_kernels import cover_with_balls

        args = (mesh.vertices, mesh.faces), at_vertices, self.tree, self._centre, limit_mm, upper_mm
        return max(in_blocks(len(rows), lambda some: float(cover_with_balls(args[0], rows[some], *args[1:])), LEAST_COVERED))

    def part(self, is_kept: NDArray[np.bool_]) -> Surface:
        """The surface made of some of its faces (m,). Where a vertex of another mesh is nearest to one of them, that is taken over."""
        from meshtools.geometry.pieces import take_faces

        if is_kept.all():
            return self
        part = Surface(take_faces(self.mesh, is_kept))
        part._whole = self, is_kept
        return part

    def _taken_over(self, mesh: Mesh, whole: Surface, is_kept: NDArray[np.bool_]) -> Projected:
        """`vertices_of` for a part of a whole surface."""
        distance, face, point = whole.vertices_of(mesh)
        is_lost = ~is_kept[face]
        distance, face, point = distance.copy(), (np.cumsum(is_kept, dtype=np.int32) - 1)[face], point.copy()
        distance[is_lost], face[is_lost], point[is_lost] = self.project(mesh.vertices[is_lost])
        return distance, face, point

    def nearest(self, points: FloatArray) -> Nearest:
        """Nearest points of the surface; of faces that meet at a nearest point the one with the lowest index is named."""
        squared, faces, closest = self._query(points)
        weights = self._weights(faces, closest)
        settled = self._lowest_face(faces, weights)
        is_other = settled != faces
        if is_other.any():
            faces, weights[is_other] = settled, self._weights(settled[is_other], closest[is_other])
        return Nearest(np.sqrt(squared), faces.astype(np.int32), closest + self._centre, weights)

    def first_hit(self, points: FloatArray, directions: FloatArray) -> FloatArray:
        """How far (n,) in mm each ray from points (n, 3) along unit directions (n, 3) goes before it meets the surface; infinite where never."""
        local = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3) - self._centre
        if not len(local):
            return np.zeros(0)
        faces, lengths, _ = self._ray_tree.intersect_ray_first(self._vertices, self._long_faces, local, np.ascontiguousarray(directions, np.float64))
        return np.asarray(np.where(np.asarray(faces) < 0, np.inf, lengths))

    @cached_property
    def _long_faces(self) -> Any:
        return self._faces.astype(np.int64)

    @cached_property
    def _ray_tree(self) -> Any:
        import igl

        tree = igl.AABB()
        tree.init(self._vertices, self._long_faces)
        return tree

    def _query(self, points: FloatArray) -> tuple[FloatArray, Any, FloatArray]:
        from meshtools.geometry.tree_kernels import nearest_triangles

        local = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3) - self._centre
        if not len(local):
            return np.zeros(0), np.zeros(0, np.int64), np.zeros((0, 3))
        squared, faces, closest = np.empty(len(local)), np.empty(len(local), np.int64), np.empty((len(local), 3))
        tree = self.tree
        in_blocks(len(local), lambda rows: nearest_triangles(local[rows], tree, squared[rows], faces[rows], closest[rows]))
        return squared, faces, closest

    def _weights(self, faces: Any, closest: FloatArray) -> FloatArray:
        corners = self._vertices[self._faces[faces]]
        return barycentric_weights(closest, corners)

    @cached_property
    def _lowest_of_vertex(self) -> Any:
        lowest = np.full(len(self._vertices), len(self._faces), np.int64)
        np.minimum.at(lowest, self._faces.ravel(), np.repeat(np.arange(len(self._faces)), 3))
        return lowest

    @cached_property
    def _lowest_of_edge(self) -> tuple[Any, Any]:
        unique, first = np.unique(edge_keys(self.mesh.faces, len(self._vertices)), return_index=True)  # first: of the lowest face
        return unique, first // 3

    def _lowest_face(self, faces: Any, weights: FloatArray) -> Any:
        on = weights > ON_EDGE
        corners = self._faces[faces]
        settled = faces.copy()
        at_vertex = on.sum(axis=1) == 1
        settled[at_vertex] = self._lowest_of_vertex[corners[at_vertex][on[at_vertex]]]
        on_edge = on.sum(axis=1) == 2
        if on_edge.any():
            unique, lowest = self._lowest_of_edge
            ends = np.sort(corners[on_edge][on[on_edge]].reshape(-1, 2), axis=1).astype(np.int64)
            settled[on_edge] = lowest[np.searchsorted(unique, ends[:, 0] * len(self._vertices) + ends[:, 1])]
        return settled


def barycentric_weights(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Weights (n, 3) >= 0 that sum to 1 and give points (n, 3) lying on the triangles `corners` (n, 3, 3).

    A triangle without area gives the weight to its corner nearest to the point.
    """
    from meshtools.geometry.tree_kernels import weigh_corners

    weights = np.empty((len(points), 3))
    weigh_corners(given(points, np.float64), given(corners, np.float64), weights)
    return weights


@dataclass(frozen=True)
class Deviation:
    """How far one surface strays from another, one way, in mm.

    `max_mm` is the largest distance found over all vertices, `n_samples` even samples and every point the bound looked at;
    no point of the surface is farther than `max_bound_mm`. Percentiles, mean and rms weigh by area (the even samples alone).
    """

    max_mm: float
    max_bound_mm: float
    p99_mm: float
    p95_mm: float
    mean_mm: float
    rms_mm: float
    n: int


@dataclass(frozen=True)
class SurfaceSize:
    """Area of a surface, and the volume inside it where it is closed."""

    volume_mm3: float | None
    area_mm2: float


@dataclass(frozen=True)
class Comparison:
    """Two surfaces against each other, both ways."""

    a_to_b: Deviation
    b_to_a: Deviation
    a: SurfaceSize
    b: SurfaceSize


def measure_deviation(mesh: Surface, other: Surface, seed: int = 0, n_samples: int = N_SAMPLES) -> Deviation:
    """How far one surface strays from another: even samples with a fixed seed, all vertices, and a bound on the maximum."""
    from meshtools.geometry.bound import bound_deviation
    from meshtools.geometry.landing import cover_bounds
    from meshtools.geometry.sample import sample_surface

    points, faces = sample_surface(mesh.mesh, n_samples, seed)
    order = np.argsort(faces, kind="stable")  # a search that begins where the last one ended is short
    distances = np.empty(len(points))
    distances[order] = other.distance(points[order])[0]
    cover = partial(cover_bounds, mesh, other.mesh) if len(mesh.mesh.faces) < len(other.mesh.faces) else None
    bound = bound_deviation(mesh.mesh, other, float(distances.max()), cover=cover)
    p95, p99 = np.quantile(distances, [0.95, 0.99])
    return Deviation(
        max_mm=bound.max_mm,
        max_bound_mm=bound.bound_mm,
        p99_mm=float(p99),
        p95_mm=float(p95),
        mean_mm=float(distances.mean()),
        rms_mm=float(np.sqrt(np.mean(distances**2))),
        n=n_samples + len(mesh.mesh.vertices),
    )


def compare(a: Mesh, b: Mesh, seed: int = 0) -> Comparison:
    """Compare two surfaces in the same frame, both ways.

    Distances are exact point-to-triangle distances. Raises GeometryError where one of them has no surface.
    """
    surfaces = Surface(a), Surface(b)
    a_to_b, b_to_a = measure_deviation(*surfaces, seed), measure_deviation(*surfaces[::-1], seed)
    return Comparison(a_to_b, b_to_a, _measure_size(a), _measure_size(b))


def _measure_size(mesh: Mesh) -> SurfaceSize:
    from meshtools.geometry.audit import audit_topology

    audit = audit_topology(mesh)
    return SurfaceSize(audit.volume_mm3 if audit.is_closed else None, audit.area_mm2)
