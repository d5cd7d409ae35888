"""Distances and deviations against closed forms and against a second library."""

import numpy as np
import pytest
from real_bones import dog_bone

from meshtools.errors import GeometryError
from meshtools.geometry import threads
from meshtools.geometry.bound import bound_deviation, distance_to_faces
from meshtools.geometry.bound_kernels import reach_of_corners
from meshtools.geometry.distance import Surface, compare
from meshtools.geometry.sample import sample_surface
from meshtools.model import Mesh


def plate(n: int, size_mm: float = 10.0, height_mm: float = 0.0) -> Mesh:
    """A flat square of 2 n n faces at z = height."""
    side = np.linspace(0, size_mm, n + 1)
    x, y = np.meshgrid(side, side, indexing="ij")
    corner = (np.arange(n)[:, None] * (n + 1) + np.arange(n)[None, :]).ravel()
    faces = np.concatenate([np.stack([corner, corner + n + 1, corner + n + 2], 1), np.stack([corner, corner + n + 2, corner + 1], 1)])
    return Mesh.create(np.stack([x.ravel(), y.ravel(), np.full(x.size, height_mm)], 1), faces)


def ball(radius_mm: float, level: int, centre: tuple[float, float, float] = (0, 0, 0)) -> Mesh:
    """An icosphere: vertices on the sphere, faces inside it."""
    import trimesh

    sphere = trimesh.creation.icosphere(subdivisions=level, radius=radius_mm)
    return Mesh.create(np.asarray(sphere.vertices) + centre, sphere.faces)


def read_bone(name: str) -> Mesh:
    """A real bone in mm."""
    import trimesh

    bone = trimesh.load_mesh(dog_bone(name), process=True)
    return Mesh.create(np.asarray(bone.vertices) * 1000.0, bone.faces)


def test_a_shifted_plate_is_exactly_its_shift_away() -> None:
    """A plate of coarse faces 0.7 mm above a plate of fine ones: every figure is 0.7, both ways, the bound at most 1 % more."""
    result = compare(plate(3, height_mm=0.7), plate(40))
    for way in (result.a_to_b, result.b_to_a):
        assert (way.max_mm, way.p99_mm, way.p95_mm, way.mean_mm, way.rms_mm) == pytest.approx([0.7] * 5, abs=1e-12)
        assert 0.7 <= way.max_bound_mm <= 0.707 + 1e-12
    assert result.a.volume_mm3 is None
    assert result.a.area_mm2 == pytest.approx(100.0)


def test_concentric_balls_differ_by_their_radii() -> None:
    """Vertices of the outer ball are (R - r) from the inner sphere and at most its chord error more from its faces (closed form)."""
    inner, outer = ball(20.0, 4), ball(20.5, 4)
    result = compare(outer, inner)
    longest = np.linalg.norm(inner.vertices[inner.faces] - np.roll(inner.vertices[inner.faces], 1, axis=1), axis=2).max()
    chord = 20.0 - np.sqrt(20.0**2 - longest**2 / 3)
    assert 0.5 - 1e-9 <= result.a_to_b.max_mm <= 0.5 + chord
    assert result.a_to_b.max_mm <= result.a_to_b.max_bound_mm <= result.a_to_b.max_mm * 1.01 + 1e-9
    assert result.a.volume_mm3 == pytest.approx(4 / 3 * np.pi * 20.5**3, rel=0.01)


def test_the_chord_error_of_a_cylinder_is_found_at_mid_edge() -> None:
    """R 25 mm, edge 2 mm: R - sqrt(R^2 - (e/2)^2) = 0.0200080 mm (closed form); only the middle of a chord is that deep."""
    radius, half_angle = 25.0, np.arcsin(1.0 / 25.0)
    assert radius - np.sqrt(radius**2 - 1.0) == pytest.approx(0.0200080, abs=5e-8)

    def arc(angles: np.ndarray) -> Mesh:
        ring = np.stack([radius * np.cos(angles), radius * np.sin(angles)], 1)
        points = np.concatenate([np.column_stack([ring, np.full(len(ring), z)]) for z in (0.0, 2.0)])
        a, n = np.arange(len(ring) - 1), len(ring)
        return Mesh.create(points, np.concatenate([np.stack([a, a + 1, a + 1 + n], 1), np.stack([a, a + 1 + n, a + n], 1)]))

    chord, fine = arc(np.array([-half_angle, half_angle])), arc(np.linspace(-half_angle, half_angle, 2001))
    found = bound_deviation(chord, Surface(fine))
    assert found.max_mm == pytest.approx(0.0200080, abs=2e-4)
    assert found.max_mm <= 0.0200080 + 1e-7 <= found.bound_mm + 2e-7
    assert found.bound_mm <= found.max_mm + 2.1e-4
    assert compare(fine, chord).a_to_b.max_mm == pytest.approx(0.0200080, abs=1e-6)


def test_a_spike_on_one_vertex_is_found() -> None:
    """One vertex of 40,401 stands 3.0 mm out: the maximum says 3.0 mm, where a handful of samples would say 0."""
    flat = plate(200)
    vertices = flat.vertices.copy()
    vertices[20_000, 2] = 3.0
    result = compare(flat.replaced(vertices=vertices), flat)
    assert result.a_to_b.max_mm == pytest.approx(3.0, abs=1e-12)
    assert 3.0 <= result.a_to_b.max_bound_mm <= 3.03 + 1e-9
    assert result.a_to_b.p95_mm < 1e-9


def test_a_bump_between_the_vertices_is_within_the_bound() -> None:
    """The far point of a big face lies in its middle, over a fine dent, where the face has no vertex of its own: the bound covers it."""
    flat = plate(60)
    middle = np.linalg.norm(flat.vertices[:, :2] - [6.0, 3.0], axis=1)
    dent = flat.replaced(vertices=flat.vertices - np.array([0, 0, 1]) * np.maximum(0.4 - middle, 0)[:, None])
    found = bound_deviation(plate(1), Surface(dent))
    reach = Surface(dent).distance(sample_surface(plate(1), 400_000, seed=5)[0])[0].max()
    assert reach <= found.bound_mm <= found.max_mm * 1.01 + 1e-4


@pytest.mark.parametrize("seed", range(4))
def test_no_point_of_a_rough_surface_exceeds_the_bound(seed: int) -> None:
    """Dense samples of a rough ball, with another seed, never lie farther than the bound, and the bound is within 1 % of the largest."""
    rng = np.random.default_rng(seed)
    a, b = (ball(10.0, level) for level in (2, 3))
    a, b = (mesh.replaced(vertices=mesh.vertices + rng.normal(0, 0.3, mesh.vertices.shape)) for mesh in (a, b))
    for mesh, other in ((a, b), (b, a)):
        found = bound_deviation(mesh, Surface(other))
        reach = Surface(other).distance(sample_surface(mesh, 200_000, seed=seed + 100)[0])[0].max()
        assert reach <= found.bound_mm <= max(found.max_mm * 1.01, found.max_mm + 1e-4) + 1e-12


@pytest.mark.parametrize("n_cores", [1, 3])
def test_a_far_piece_leaves_the_bound_true_and_the_same_on_any_number_of_cores(monkeypatch: pytest.MonkeyPatch, n_cores: int) -> None:
    """Beside a speck far from the other surface the rest need not be measured to the end: the farthest vertex is still exact, the bound within
    1 % of it, and the bits hang neither on the cores nor on what was asked before."""
    rng = np.random.default_rng(7)
    rough = ball(10.0, 6).vertices + rng.normal(0, 0.02, (40962, 3))
    speck = ball(0.1, 1, (30, 0, 0))
    mesh = Mesh.create(np.concatenate([rough, speck.vertices]), np.concatenate([ball(10.0, 6).faces, speck.faces + len(rough)]))
    surface = Surface(ball(10.0, 4))
    monkeypatch.setattr(threads, "n_threads", lambda: n_cores)
    found = bound_deviation(mesh, surface, known_mm=15.0)
    assert found.max_mm == surface.distance(mesh.vertices)[0].max() <= found.bound_mm <= 1.01 * found.max_mm
    monkeypatch.setattr(threads, "n_threads", lambda: 1)
    assert bound_deviation(mesh, surface, known_mm=15.0) == found


def test_a_needle_that_stands_alone_is_as_far_as_its_edge() -> None:
    """Needles of 10 mm whose corners lie in one line but for rounding, and points 0.1 mm beside them (closed form)."""
    for seed in range(400):
        random = np.random.default_rng(seed)
        along, across = np.linalg.qr(random.normal(size=(3, 2)))[0].T
        corners = random.normal(size=3) * 10.0 + np.outer([0.0, 7.3, 10.0], along)
        point = corners[0] + random.uniform(0.1, 9.9) * along + 0.1 * across
        needle = Mesh.create(corners, np.array([[0, 1, 2]], dtype=np.int32))
        assert Surface(needle).distance(point[None])[0][0] == pytest.approx(0.1, abs=1e-9)


def test_a_few_points_show_faces_near_and_never_nearer_than_they_are() -> None:
    """Faces of a coarse ball, far larger than it strays from a rough one, are shown by balls around some of their points, within 1 %."""
    coarse, fine = ball(10.0, 3), ball(10.0, 5)
    fine = fine.replaced(vertices=fine.vertices + np.random.default_rng(2).normal(0, 0.05, fine.vertices.shape))
    surface, upper = Surface(fine), np.full(len(coarse.faces), np.inf)
    surface.cover_with_balls(coarse, np.arange(len(coarse.faces)), surface.near_vertices_of(coarse, 0.0), 0.4, upper)
    points, faces = sample_surface(coarse, 200_000, seed=3)
    assert (surface.distance(points)[0] <= upper[faces] + 1e-12).all()
    assert (upper <= 0.4).mean() > 0.9


def test_every_point_of_a_triangle_is_as_near_to_a_corner_as_its_sides_say() -> None:
    """Over triangles of all shapes, needles and obtuse ones too, the largest distance to the nearest corner is met to 5 % and never exceeded."""
    rng = np.random.default_rng(0)
    for _ in range(200):
        corners = rng.normal(size=(3, 3)) * [1.0, rng.random(), rng.random() ** 3]
        points = rng.dirichlet([0.6] * 3, 20_000) @ corners
        farthest = np.linalg.norm(points[:, None] - corners, axis=2).min(axis=1).max()
        reach = reach_of_corners(*(float(np.sum((corners[i] - corners[j]) ** 2)) for i, j in ((0, 1), (1, 2), (2, 0))))
        assert 0.95 * reach < farthest <= reach * (1 + 1e-12)
    assert [reach_of_corners(*sides) for sides in ((0.0, 4.0, 4.0), (4.0, 0.0, 4.0), (0.0, 0.0, 0.0))] == [1.0, 1.0, 0.0]


def test_the_face_that_is_found_hangs_on_no_order() -> None:
    """The middles of all edges of a ball, each on two faces, have the same face whichever point is asked before them."""
    mesh = ball(10.0, 4)
    middles = (mesh.vertices[mesh.faces] + np.roll(mesh.vertices[mesh.faces], 1, axis=1)).reshape(-1, 3) / 2
    order = np.random.default_rng(1).permutation(len(middles))
    distance, face = Surface(mesh).distance(middles)
    other_distance, other_face = Surface(mesh).distance(middles[order])
    assert (np.array_equal(distance[order], other_distance), np.array_equal(face[order], other_face)) == (True, True)


def test_a_second_library_measures_the_same_distances() -> None:
    """On a real sacrum trimesh, tried on every face, agrees to 1e-9 mm, and open3d, in single precision, to 1e-6 of the diagonal."""
    import open3d
    import trimesh

    bone = read_bone("Sacrum")
    points = sample_surface(bone, 2000, seed=3)[0] + np.random.default_rng(4).normal(0, 2.0, (2000, 3))
    ours, faces = Surface(bone).distance(points)
    triangles = bone.vertices[bone.faces]
    for point, distance in zip(points[:40], ours[:40], strict=True):
        closest = trimesh.triangles.closest_point(triangles, np.tile(point, (len(triangles), 1)))
        assert np.linalg.norm(closest - point, axis=1).min() == pytest.approx(distance, abs=1e-9)
    assert np.abs(distance_to_faces(points, faces, bone) - ours).max() < 1e-9
    scene, tensor = open3d.t.geometry.RaycastingScene(), open3d.core.Tensor
    scene.add_triangles(tensor(bone.vertices.astype(np.float32)), tensor(bone.faces.astype(np.uint32)))
    single = scene.compute_distance(tensor(points.astype(np.float32))).numpy()
    assert np.abs(ours - single).max() < 1e-6 * np.linalg.norm(np.ptp(bone.vertices, axis=0))


def test_distances_do_not_suffer_far_from_the_origin() -> None:
    """A bone 10 km from the origin gives the distances that it gives at home, to the rounding of its coordinates (2e-9 mm each)."""
    bone, offset = ball(20.0, 3), np.array([1e7, -1e7, 1e7])
    points = np.random.default_rng(0).normal(0, 25.0, (500, 3))
    far = Surface(bone.replaced(vertices=bone.vertices + offset)).distance(points + offset)[0]
    assert np.abs(far - Surface(bone).distance(points)[0]).max() < 1e-8


def test_ties_go_to_the_face_with_the_lowest_index() -> None:
    """A point over a corner or an edge of a plate is nearest to several faces; the first of them is named."""
    mesh = plate(4)
    corner, middle = mesh.vertices[12] + [0, 0, 1.0], mesh.vertices[[12, 13]].mean(axis=0) + np.array([0, 0, 1.0])
    nearest = Surface(mesh).nearest(np.array([corner, middle]))
    on_edge = [face for face, corners in enumerate(mesh.faces.tolist()) if {12, 13} <= set(corners)]
    assert nearest.face.tolist() == [np.flatnonzero((mesh.faces == 12).any(axis=1))[0], on_edge[0]]
    assert nearest.distance_mm == pytest.approx([1.0, 1.0])


def test_the_face_at_an_edge_is_told_where_pairs_of_vertices_are_more_than_32_bits_number() -> None:
    """A plate of 241 x 241 vertices, asked over the middles of 500 edges: the face that is named has the edge."""
    mesh = plate(240)
    rows = np.random.default_rng(3).choice(len(mesh.faces), 500, replace=False)
    edges = mesh.faces[rows][:, :2]
    nearest = Surface(mesh).nearest(mesh.vertices[edges].mean(axis=1) + [0, 0, 1.0])
    assert len(mesh.vertices) ** 2 > 2**31
    assert [len(set(face) & set(edge)) for face, edge in zip(mesh.faces[nearest.face].tolist(), edges.tolist(), strict=True)] == [2] * 500


def test_samples_are_even_by_area() -> None:
    """Of two faces with areas 1 : 3, the larger receives three quarters of the points, and the same seed gives the same points."""
    mesh = Mesh.create([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 5], [3, 0, 5], [0, 1, 5]], [[0, 1, 2], [3, 4, 5]])
    points, faces = sample_surface(mesh, 20_000, seed=1)
    assert faces.mean() == pytest.approx(0.75, abs=0.015)  # five standard deviations of a binomial share
    assert points[faces == 1].mean(axis=0) == pytest.approx([1.0, 1 / 3, 5.0], abs=0.03)
    assert np.array_equal(points, sample_surface(mesh, 20_000, seed=1)[0])


def test_an_empty_surface_is_refused() -> None:
    """Nothing can be measured to a mesh without faces."""
    with pytest.raises(GeometryError, match="no faces"):
        Surface(Mesh.create(np.zeros((0, 3)), np.zeros((0, 3))))


def test_rays_go_as_far_as_those_of_another_library_and_are_free_where_they_meet_nothing() -> None:
    """libigl's rays, from within and from outside, along the axes too; lengths to the 32 bits that it gives."""
    import trimesh

    from meshtools.geometry.rays import Rays

    rng = np.random.default_rng(3)
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    mesh = Mesh.create(ball.vertices * (1.0, 0.6, 0.3) + np.sin(ball.vertices[:, [1, 2, 0]]) + (1e4, 0.0, -50.0), ball.faces)
    points = mesh.vertices.mean(axis=0) + rng.uniform(-12.0, 12.0, (3000, 3))
    ways = rng.normal(size=(3000, 3))
    ways[:300, :2], ways[300:600, 1:] = 0.0, 0.0
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    expected, rays = Surface(mesh).first_hit(points, ways), Rays(mesh)
    assert np.array_equal(rays.first_hit(points, ways), expected)
    assert np.array_equal(rays.is_free(points, ways), np.isinf(expected))
