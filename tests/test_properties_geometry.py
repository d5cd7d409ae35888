"""Laws that hold whatever the shape: what does not depend on place and turn, what a mirror does, what boolean volumes add up to."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from random_shapes import SEEDS, height_field, motion, shape, star, torus
from solid_shapes import ball, together

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.decimate import decimate_within
from meshtools.geometry.distance import Surface, measure_deviation
from meshtools.geometry.measure import greatest_breadth, greatest_length
from meshtools.geometry.rims import find_rims
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.transform import apply_matrix, reflect
from meshtools.geometry.unite import unite_pieces
from meshtools.model import Mesh

many = settings(max_examples=200)
fewer = settings(max_examples=60)  # of the tests that take 50 to 150 ms an example
COUNTS = (
    "n_vertices", "n_faces", "n_pieces", "n_open_edges", "n_nonmanifold_edges", "n_inconsistent_edges", "n_degenerate", "is_closed", "is_outward",
)  # fmt: skip


def counts(mesh: Mesh) -> dict[str, object]:
    audit = audit_topology(mesh)
    return {name: getattr(audit, name) for name in COUNTS}


def crumpled(seed: int) -> Mesh:
    """A surface that passes through itself in many places."""
    return star(np.random.default_rng(seed), roughness=0.9).replaced(
        vertices=(whole := shape(seed, is_closed=True)).vertices
        + np.random.default_rng([seed, 2]).normal(0, 0.12 * float(np.ptp(whole.vertices)) / 3, whole.vertices.shape),
        faces=whole.faces, source=whole.source,
    )  # fmt: skip


@many
@given(SEEDS)
def test_figures_of_a_surface_do_not_depend_on_its_place_and_turn(seed: int) -> None:
    mesh = together(shape(seed), shape(seed + 1))
    moved = apply_matrix(mesh, motion(seed))
    assert counts(moved) == counts(mesh)
    before, after = audit_topology(mesh), audit_topology(moved)
    assert after.area_mm2 == pytest.approx(before.area_mm2, rel=1e-12)
    if before.is_closed:
        assert after.volume_mm3 == pytest.approx(before.volume_mm3, rel=1e-9)
    assert greatest_length(moved.vertices) == pytest.approx(greatest_length(mesh.vertices), rel=1e-12)


@many
@given(SEEDS)
def test_the_greatest_breadth_does_not_depend_on_place_and_turn(seed: int) -> None:
    mesh = star(np.random.default_rng(seed))
    assert greatest_breadth(apply_matrix(mesh, motion(seed)).vertices) == pytest.approx(greatest_breadth(mesh.vertices), rel=1e-9)


@many
@given(SEEDS)
def test_rims_do_not_depend_on_place_and_turn(seed: int) -> None:
    sheet = height_field(np.random.default_rng(seed))
    before, after = find_rims(sheet), find_rims(apply_matrix(sheet, motion(seed)))
    assert sorted(rim.length_mm for rim in after) == pytest.approx(sorted(rim.length_mm for rim in before), rel=1e-9)
    assert sorted(rim.span_mm for rim in after) == pytest.approx(sorted(rim.span_mm for rim in before), rel=1e-9)


@many
@given(SEEDS)
def test_crossings_are_counted_the_same_in_every_place_and_turn_and_in_the_mirror(seed: int) -> None:
    mesh = crumpled(seed)
    n_pairs = count_self_intersections(mesh).n_pairs
    assert count_self_intersections(apply_matrix(mesh, motion(seed))).n_pairs == n_pairs
    assert count_self_intersections(reflect(mesh)).n_pairs == n_pairs


@fewer
@given(SEEDS)
def test_how_far_two_surfaces_lie_apart_does_not_depend_on_their_place_and_turn(seed: int) -> None:
    mesh = shape(seed)
    other = mesh.replaced(vertices=mesh.vertices + np.random.default_rng([seed, 3]).normal(0, 0.3, mesh.vertices.shape))
    matrix = motion(seed)
    before = measure_deviation(Surface(mesh), Surface(other), n_samples=500)
    after = measure_deviation(Surface(apply_matrix(mesh, matrix)), Surface(apply_matrix(other, matrix)), n_samples=500)
    sampled = {name: value for name, value in dataclasses.asdict(before).items() if name not in ("max_mm", "max_bound_mm")}
    assert {name: getattr(after, name) for name in sampled} == pytest.approx(sampled, rel=1e-6, abs=1e-9)
    assert after.max_mm <= before.max_bound_mm + 1e-9
    assert before.max_mm <= after.max_bound_mm + 1e-9


@many
@given(SEEDS)
def test_a_reflection_done_twice_is_none_and_one_keeps_volume_area_and_outside(seed: int) -> None:
    chance = np.random.default_rng([seed, 4])
    mesh, normal, offset_mm = shape(seed), chance.normal(size=3), float(chance.uniform(-100, 100))
    once = reflect(mesh, normal.tolist(), offset_mm)
    twice = reflect(once, normal.tolist(), offset_mm)
    assert np.abs(twice.vertices - mesh.vertices).max() <= 1e-9
    assert (twice.faces == mesh.faces).all()
    before, after = audit_topology(mesh), audit_topology(once)
    assert counts(once) == counts(mesh)
    assert after.area_mm2 == pytest.approx(before.area_mm2, rel=1e-9)
    if before.is_closed:
        assert after.volume_mm3 == pytest.approx(before.volume_mm3, rel=1e-9)


@many
@given(SEEDS)
def test_the_volumes_of_two_bodies_are_those_of_their_union_and_what_they_share(seed: int) -> None:
    """|A| + |B| = |A or B| + |A and B|; the shared part by the boolean kernel itself, the union by the package."""
    import manifold3d

    chance = np.random.default_rng([seed, 5])
    a, b = star(chance), apply_matrix(shape(seed, is_closed=True), motion(seed, reach_mm=20.0))
    solids = [manifold3d.Manifold(manifold3d.Mesh64(np.array(m.vertices), np.array(m.faces, dtype=np.uint64))) for m in (a, b)]
    assert all(solid.status() == manifold3d.Error.NoError for solid in solids)
    shared_mm3 = (solids[0] ^ solids[1]).volume()
    union = unite_pieces(together(a, b))
    sum_mm3 = audit_topology(a).volume_mm3 + audit_topology(b).volume_mm3
    assert audit_topology(union.mesh).volume_mm3 + shared_mm3 == pytest.approx(sum_mm3, rel=1e-7)
    assert counts(union.mesh)["n_open_edges"] == 0


def distances_both_ways(a: Mesh, b: Mesh) -> float:
    """The largest distance at dense points of either surface, by the box tree of libigl called directly."""
    import igl

    chance, largest = np.random.default_rng(7), 0.0
    for mesh, other in ((a, b), (b, a)):
        corners = mesh.vertices[mesh.faces]
        inner = np.einsum("nk,mkd->mnd", chance.dirichlet((1, 1, 1), 12), corners).reshape(-1, 3)
        squared, *_ = igl.point_mesh_squared_distance(
            np.concatenate([mesh.vertices[np.unique(mesh.faces)], inner]), other.vertices, other.faces.astype(np.int64)
        )
        largest = max(largest, float(np.sqrt(max(float(squared.max()), 0.0))))
    return largest


@pytest.mark.slow
@fewer
@given(SEEDS)
def test_decimation_stays_within_its_bound_and_the_bound_within_the_tolerance_and_rims_stay(seed: int) -> None:
    chance = np.random.default_rng([seed, 6])
    kinds = (lambda: height_field(chance, 26), lambda: torus(chance, 40, 16), lambda: ball(20.0, n_splits=3), lambda: star(chance, 3, 0.02))
    mesh = kinds[int(chance.integers(4))]()
    tolerance_mm = float(10.0 ** chance.uniform(-1.5, 0.3))
    result = decimate_within(mesh, tolerance_mm)
    assert result.bound_mm <= tolerance_mm
    assert distances_both_ways(mesh, result.mesh) <= result.bound_mm + 1e-9
    assert len(find_rims(result.mesh)) == len(find_rims(mesh))
    before, after = audit_topology(mesh), audit_topology(result.mesh)
    assert (after.n_pieces, after.is_closed, after.n_nonmanifold_edges) == (before.n_pieces, before.is_closed, before.n_nonmanifold_edges)
