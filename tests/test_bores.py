"""Bores along bones and through rows: closed forms, a second distance engine at steps of 0.1 mm, and bones of a dog at eight times their size."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from dog_individuals import read_bone
from solid_shapes import ball, box, capsule

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.bore_cuts import bore_tool, cut_bores, least_between
from meshtools.geometry.bore_rows import RowAsked, lay_row
from meshtools.geometry.bores import Bore, BoreAsked, check_bore, lay_bore
from meshtools.geometry.datum import find_datum
from meshtools.geometry.drill_template import TemplateHole, drill_template
from meshtools.geometry.mouths import Mouth, counted_skin
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.tube_bends import TubePath, bend_table
from meshtools.model import Mesh


def tube(centres: np.ndarray, radii: np.ndarray, n_around: int = 48) -> Mesh:
    """A solid of round sections about centres (n, 3) in the plane y = 0, each square to the curve, with flat ends."""
    ways = np.gradient(centres, axis=0)
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    aside = np.cross(ways, [0.0, 1.0, 0.0])
    around = 2 * np.pi * np.arange(n_around) / n_around
    rings = centres[:, None] + radii[:, None, None] * (np.cos(around)[:, None] * aside[:, None] + np.sin(around)[:, None] * np.array([0.0, 1, 0]))
    faces, last = [], len(centres) * n_around
    for k in range(n_around):
        after = (k + 1) % n_around
        for row in range(len(centres) - 1):
            low, high = row * n_around, (row + 1) * n_around
            faces += [[low + k, high + k, high + after], [low + k, high + after, low + after]]
        faces += [[last, k, after], [last + 1, last - n_around + after, last - n_around + k]]
    mesh = Mesh.create(np.concatenate([rings.reshape(-1, 3), centres[:1], centres[-1:]]), faces)
    return mesh if audit_topology(mesh).volume_mm3 > 0 else mesh.replaced(faces=mesh.faces[:, ::-1])


def bent(bend_radius: float, radius: float, half_angle: float, n_rings: int = 81) -> Mesh:
    """A part of a ring in the plane y = 0, about the origin."""
    angles = np.linspace(-half_angle, half_angle, n_rings)
    return tube(bend_radius * np.column_stack([np.cos(angles), 0 * angles, np.sin(angles)]), np.full(n_rings, radius))


def least_distance(skin: Mesh, points: np.ndarray) -> float:
    """The least distance of points to some skin, by another library in 32 bits."""
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(o3d.core.Tensor((skin.vertices - points[0]).astype(np.float32)), o3d.core.Tensor(skin.faces.astype(np.uint32)))
    return float(scene.compute_distance(o3d.core.Tensor((points - points[0]).astype(np.float32))).numpy().min())


def wall_by_second_engine(skin: Mesh, bore: Bore) -> float:
    """The least wall to some skin at steps of 0.1 mm."""
    return least_distance(skin, bore.start + np.arange(0.0, bore.depth_mm, 0.1)[:, None] * bore.axis) - bore.radius_mm


def skin_by_the_rule(mesh: Mesh, bore: Bore, asked: BoreAsked) -> Mesh:
    """Skin that counts, by another library: of faces near a mouth those that do not look along the bore, cut off r + w below it."""
    import trimesh

    corners = mesh.vertices[mesh.faces]
    for point, out in ((bore.start, -bore.axis), (bore.end, bore.axis)):
        middles = corners.mean(axis=1)
        sizes = np.linalg.norm(corners - middles[:, None], axis=2).max(axis=1)
        is_near = np.linalg.norm(middles - point, axis=1) - sizes <= 2 * asked.clear_mm
        near = corners[is_near]
        normals = np.cross(near[:, 1] - near[:, 0], near[:, 2] - near[:, 0])
        aside = near[normals @ out < 0.5 * np.linalg.norm(normals, axis=1)].reshape(-1, 3)
        plane = point - min(asked.clear_mm, bore.depth_mm / 4) * out
        vertices, faces, _ = trimesh.intersections.slice_faces_plane(aside, np.arange(len(aside)).reshape(-1, 3), -out, plane)
        corners = np.concatenate([corners[~is_near], vertices[faces]])
    return Mesh.create(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3))


def check_wall(mesh: Mesh, bore: Bore, asked: BoreAsked) -> None:
    """The same skin gives the same wall to a second engine, and skin taken by another library keeps the wall that is asked for."""
    mouths = [Mouth(bore.start, -bore.axis), Mouth(bore.end, bore.axis)]
    skin = counted_skin(mesh, mouths, asked.clear_mm, bore.depth_mm).mesh
    assert wall_by_second_engine(skin, bore) == pytest.approx(bore.wall_mm, abs=0.01)
    assert wall_by_second_engine(skin_by_the_rule(mesh, bore, asked), bore) >= asked.wall_mm - 0.01


def test_a_bore_along_a_bent_bone_leaves_the_wall_of_the_closed_form() -> None:
    """Ring radius R, tube t: the line at x = h is R - h off the tube's own line at its middle, and its nearest outer skin is where skin begins to
    count, at z = r + w = 8 mm before the end: sqrt((R + t)^2 - z^2) - h. Both are equal [closed form]."""
    asked, mesh = BoreAsked(3.0, 5.0), bent(200.0, 12.0, 0.3)
    bore = lay_bore(mesh, asked)
    h = (np.sqrt(212.0**2 - (bore.depth_mm / 2 - 8.0) ** 2) + 188.0) / 2
    assert bore.wall_mm == pytest.approx(h - 188.0 - 3.0, abs=0.03)
    assert 0 <= bore.wall_mm - bore.proven_wall_mm <= 0.0200001
    check_wall(mesh, bore, asked)


def test_a_bone_too_bent_for_any_straight_bore_is_refused_with_the_place_where_it_comes_out() -> None:
    """Half angle 0.6: R tan(a/2)^2 = 19 mm, more than the tube's 12."""
    bore = lay_bore(bent(200.0, 12.0, 0.6), BoreAsked(3.0, 5.0))
    assert bore.wall_mm < 0
    assert abs(np.hypot(bore.thinnest[0], bore.thinnest[2]) - 200.0) >= 11.9


def test_a_bore_along_a_cone_is_thinnest_at_its_small_end() -> None:
    """From 30 to 12 mm over 150 mm: the distance at a place with radius p is p cos(b), tan b = 18/150; the mouth takes r + w = 8 mm [closed form]."""
    cone = tube(np.column_stack([np.zeros(61), np.zeros(61), np.linspace(0, 150, 61)]), np.linspace(30, 12, 61))
    bore = lay_bore(cone, BoreAsked(3.0, 5.0))
    slope = np.arctan(18 / 150)
    counted = 12 + 8 * 18 / 150  # radius where the skin begins to count, nearest to the axis point straight below it or nearer the end
    assert 12 * np.cos(slope) - 3 <= bore.wall_mm <= counted - 3 + 0.05
    assert abs(bore.thinnest[2] - 150) <= 10


@pytest.mark.parametrize("wall", [19.5, 10.0])
def test_a_rod_fits_a_capsule_as_wide_as_hole_and_wall_together(wall: float) -> None:
    bore = lay_bore(capsule(30.0, 200.0, 32, 6, 20), BoreAsked(10.0, wall))
    assert bore.keeps(wall)
    assert abs(bore.axis[2]) == pytest.approx(1.0, abs=1e-3)


def test_a_bore_that_leaves_the_bone_on_its_way_is_refused_with_the_place() -> None:
    """A ring's chord through its open middle."""
    ring = bent(200.0, 12.0, 1.2)
    bore = check_bore(ring, (np.array([100.0, 0, -190.0]), np.array([100.0, 0, 190.0])), BoreAsked(3.0, 3.0))
    assert bore is not None
    assert bore.proven_wall_mm < 0
    assert abs(bore.thinnest[2]) < np.sin(1.2) * 212


def test_a_flat_disc_counts_by_its_side_and_not_by_its_faces() -> None:
    """20 mm thick, 60 mm wide: the wall of a 10 mm bore is 25 mm, though no point is farther than 10 mm from a face."""
    disc = tube(np.column_stack([np.zeros(41), np.zeros(41), np.linspace(0, 20, 41)]), np.full(41, 30.0))
    bore = check_bore(disc, (np.array([0.0, 0, -5]), np.array([0.0, 0, 25])), BoreAsked(5.0, 8.0))
    assert bore is not None
    assert bore.keeps(8.0)
    off = check_bore(disc, (np.array([20.0, 0, -5]), np.array([20.0, 0, 25])), BoreAsked(5.0, 8.0))
    assert off is not None
    assert off.wall_mm == pytest.approx(5.0, abs=0.05)


def test_a_blind_socket_from_a_point_keeps_its_wall_around_its_bottom_too() -> None:
    """Into a ball of 30 mm, 30 mm deep from its skin: the bottom is the middle, and the wall there 30 - 4."""
    bore = lay_bore(ball(30.0, n_splits=4), BoreAsked(4.0, 8.0, 30.0, (30.0, 0.0, 0.0)))
    assert bore.keeps(8.0)
    assert bore.is_blind
    assert bore.depth_mm == pytest.approx(30.0)
    with pytest.raises(GeometryError, match="to a depth of 70 mm"):
        lay_bore(ball(30.0), BoreAsked(4.0, 8.0, 70.0, (30.0, 0.0, 0.0)))


def test_cutting_leaves_a_closed_solid_with_one_handle_more_and_wide_enough_for_the_rod() -> None:
    """A box less a cylinder of 10 mm: the hole's polygon stands about the circle, 0.036 % more [closed form]."""
    block = box((40.0, 40.0, 60.0))
    tool = bore_tool(np.array([[0.0, 0, -50], [0, 0, 50]]), 5.0, 1, False)
    cut = cut_bores(block, [tool], 1)
    audit = audit_topology(cut.mesh)
    assert (cut.is_as_planned, audit.is_closed, audit.n_pieces) == (True, True, 1)
    assert audit.volume_mm3 == pytest.approx(40 * 40 * 60 - np.pi * 25 * 60 * 1.00036, rel=1e-5)
    assert set(np.unique(cut.mesh.source)) == {0, 1}
    radii = np.linalg.norm(cut.mesh.vertices[np.unique(cut.mesh.faces[cut.mesh.source == 1])][:, :2], axis=1)
    assert radii.min() >= 5.0
    assert count_self_intersections(cut.mesh).n_pairs == 0


def test_a_planar_tube_has_the_table_of_the_closed_forms() -> None:
    """Two right angles the same way, 100 mm apart, R 30: tangents 30, arcs 15 pi, rise 30 (sqrt 2 - 1), straights 70, 40, 70."""
    rows = bend_table(np.array([[0.0, 0, 0], [100, 0, 0], [100, 100, 0], [0, 100, 0]]), 30.0)
    assert [row.straight_mm for row in rows] == pytest.approx([70, 40, 70])
    assert [row.bend_deg for row in rows] == pytest.approx([90, 90, 0])
    assert [row.rotation_deg for row in rows] == pytest.approx([0, 0, 0])
    assert [row.tangent_mm for row in rows] == pytest.approx([30, 30, 0])
    assert rows[0].rise_mm == pytest.approx(30 * (np.sqrt(2) - 1))
    assert rows[-1].cumulative_mm == pytest.approx(180 + 30 * np.pi)
    back = bend_table(np.array([[0.0, 0, 0], [100, 0, 0], [100, 100, 0], [200, 100, 0]]), 30.0)
    assert abs(back[1].rotation_deg) == pytest.approx(180.0)
    with pytest.raises(GeometryError, match="run 2"):
        bend_table(np.array([[0.0, 0, 0], [100, 0, 0], [100, 50, 0], [0, 50, 0]]), 30.0)


def test_a_helical_tube_turns_by_the_same_angle_between_all_its_bends() -> None:
    """Corners on a helix, s = 30 degrees a step, radius 100, rise 20: with chord c^2 = (2 a sin(s/2))^2 + h^2 and torsion angle t of four
    corners, cos t follows from the cross products of the runs; the direction is right-handed [closed form by vectors]."""
    steps = np.arange(7)
    corners = np.column_stack([100 * np.cos(np.radians(30) * steps), 100 * np.sin(np.radians(30) * steps), 20.0 * steps])
    rows = bend_table(corners, 25.0)
    chord = 2 * 100 * np.sin(np.radians(15))
    run = np.hypot(chord, 20)
    assert [row.run_mm for row in rows] == pytest.approx([run] * 6)
    bend = np.degrees(np.arccos((chord**2 * np.cos(np.radians(30)) + 400) / run**2))
    assert [row.bend_deg for row in rows[:-1]] == pytest.approx([bend] * 5)
    twist = 2 * np.degrees(np.arctan(20 / run * np.tan(np.radians(15))))
    assert [row.rotation_deg for row in rows[1:-1]] == pytest.approx([twist] * 4)
    assert rows[-1].cumulative_mm == pytest.approx(6 * run - 5 * (2 * 25 * np.tan(np.radians(bend / 2)) - 25 * np.radians(bend)))


def test_the_path_of_a_tube_runs_through_its_bends_at_even_speed() -> None:
    path = TubePath(np.array([[0.0, 0, 0], [100, 0, 0], [100, 100, 0], [100, 100, 100]]), 30.0)
    points = path.point(np.linspace(0, path.length_mm, 4001))
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert steps.max() <= path.length_mm / 4000 + 1e-9
    assert steps.min() >= path.length_mm / 4000 * 0.999
    assert points[-1] == pytest.approx([100, 100, 100])
    assert path.bent_between(0.0, path.length_mm) == pytest.approx(30 * np.pi)


def column(bend_radius: float, n: int, gap_deg: float = 1.0) -> list[Mesh]:
    """Cylinders of 15 mm radius and 10 degrees each along a ring."""
    half = np.radians(5.0 - gap_deg / 2)
    turns = np.radians(10.0) * np.arange(n)
    return [apply_matrix(bent(bend_radius, 15.0, half, 15), _about_y(-turn)) for turn in turns]


def _about_y(angle: float) -> np.ndarray:
    matrix = np.eye(4)
    matrix[0, 0] = matrix[2, 2] = np.cos(angle)
    matrix[0, 2], matrix[2, 0] = np.sin(angle), -np.sin(angle)
    return matrix


def test_a_row_on_a_gentle_curve_takes_one_run_and_on_a_sharp_one_as_few_as_keep_the_wall() -> None:
    """7 mm to spare beside r + w: a chord of half angle a needs R tan(a/2)^2, 2.3 mm on the gentle curve, 14.4 on the sharp, 3.4 on half of it."""
    gentle = lay_row(column(300.0, 2), RowAsked(3.0, 5.0, 20.0))
    assert len(gentle.path.rows) == 1
    sharp = lay_row(column(200.0, 6), RowAsked(3.0, 5.0, 20.0))
    assert len(sharp.path.rows) == 2
    assert all(stretch.proven_wall_mm >= 5.0 for stretch in sharp.stretches)
    assert sharp.path.rows[0].radius_mm == 20.0


def test_the_wall_of_a_bent_tube_through_a_real_neck_is_that_of_a_second_engine_along_its_arcs_too() -> None:
    """Neck vertebrae 3 to 7 of the dog at eight times their size: one bend, which reaches into two of them."""
    bones = [Mesh.create(v * 8.0, f) for v, f in (read_bone(f"C_{k}") for k in range(3, 8))]
    asked = RowAsked(5.375, 10.0, 30.0)
    laid = lay_row(bones, asked)
    assert (len(laid.path.rows), sum(stretch.bent_mm > 0 for stretch in laid.stretches)) == (2, 2)
    for bone, stretch in zip(bones, laid.stretches, strict=True):
        skin = counted_skin(bone, stretch.mouths, asked.clear_mm, stretch.length_mm).mesh
        assert stretch.proven_wall_mm >= 10.0
        assert least_distance(skin, _filled(stretch.points)) - 5.375 == pytest.approx(stretch.wall_mm, abs=0.02)


def _filled(points: np.ndarray) -> np.ndarray:
    """Points every 0.1 mm along a polyline."""
    return np.concatenate([a + np.arange(0.0, 1.0, 0.1 / max(np.linalg.norm(b - a), 0.1))[:, None] * (b - a) for a, b in pairwise(points)])


def test_datum_points_do_not_depend_on_how_the_part_lies_and_make_a_right_handed_frame() -> None:
    points = np.array([[0.0, 0, 0], [100, 0, 0], [30, 40, 0], [40, 10, 15], [50, -20, 5]])
    datum = find_datum(points)
    assert [tuple(point) for point in datum.points] == [(0, 0, 0), (100, 0, 0), (30, 40, 0)]
    assert datum.lengths_mm == pytest.approx((100.0, np.hypot(70, 40), 50.0))
    turned = find_datum(points @ _about_y(0.7)[:3, :3].T + [5, 6, 7])
    assert turned.datum_from_part[:3, :3] @ turned.points[2] + turned.datum_from_part[:3, 3] == pytest.approx([30, 40, 0])
    assert np.linalg.det(datum.datum_from_part[:3, :3]) == pytest.approx(1.0)


def test_a_drill_template_is_drawn_at_one_to_one_about_the_hole() -> None:
    block = box((40.0, 30.0, 60.0))
    hole = TemplateHole("1", np.array([5.0, 0, 30]), np.array([0.0, 0, 1]), 10.0)
    drawing = drill_template(block, hole, np.array([[0.0, 0, 30], [0, 10, 30], [10, 0, -30]]), "a title", 20.0)
    layers = {layer.name: layer for layer in drawing.layers}
    assert sorted(np.ptp(layers["outline"].closed[0], axis=0)) == pytest.approx([30, 40])
    assert np.linalg.norm(layers["hole"].closed[0], axis=1) == pytest.approx(np.full(72, 5.0))
    assert [text for _, _, text in layers["datum"].texts] == ["A (+0.0 mm)", "B (+0.0 mm)", "C (-60.0 mm)"]


def test_two_axes_are_as_far_apart_as_the_closed_form_says() -> None:
    one = (np.array([0.0, 0, 0]), np.array([10.0, 0, 0]))
    assert least_between(one, (np.array([5.0, -5, 3]), np.array([5.0, 5, 3]))) == pytest.approx(3.0)
    assert least_between(one, (np.array([14.0, 3, 0]), np.array([20.0, 3, 0]))) == pytest.approx(5.0)


@pytest.mark.parametrize("name", ["Femoris_L", "Tibia_L", "Radius_L"])
def test_a_real_long_bone_is_bored_from_end_to_end_and_a_second_engine_finds_the_same_wall(name: str) -> None:
    vertices, faces = read_bone(name)
    mesh, asked = Mesh.create(vertices * 8.0, faces), BoreAsked(10.2, 10.0)
    bore = lay_bore(mesh, asked)
    assert bore.keeps(10.0)
    check_wall(mesh, bore, asked)
    assert bore.depth_mm > 0.8 * np.ptp(mesh.vertices, axis=0).max()


def test_a_tube_of_20_mm_goes_straight_through_seven_lumbar_vertebrae_with_30_mm_of_wall() -> None:
    bones = [Mesh.create(v * 8.0, f) for v, f in (read_bone(f"L_{k}") for k in range(1, 8))]
    laid = lay_row(bones, RowAsked(10.2, 30.0, 60.0))
    assert len(laid.path.rows) == 1
    assert min(stretch.proven_wall_mm for stretch in laid.stretches) >= 30.0
