"""The geometry behind carving: closed forms of milling, what a cutter reaches, parting surface, stock, slabs and the room for a coat."""

from __future__ import annotations

import numpy as np
import pytest
from solid_shapes import ball, box, together

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.milled_contact import ContactQuery, is_uncut
from meshtools.geometry.milled_parting import height_at, lay_parting
from meshtools.geometry.milled_reach import approach_from_above, approach_from_below, cutter_floor, frame_along, look_along
from meshtools.geometry.scallops import chord_error_mm, count_slabs, scallop_height_mm, step_over_for_mm
from meshtools.geometry.setups import ReachLimits, SetUpSearch
from meshtools.geometry.slab_check import check_stack
from meshtools.geometry.slabs import Slab, SlabPlan, SlabStack, stack_slabs
from meshtools.geometry.stock import Bridge, BridgePlan, StockPlan, fitting_flips, lay_in_stock, place_bridges
from meshtools.geometry.unite import unite_pieces
from meshtools.settings_cnc import Cutter

UP = np.eye(3)
BALL_6 = Cutter("ball 6", "ball", 6.0, 50.0, 250.0, 40.0)
FLAT_10 = Cutter("flat 10", "flat", 10.0, 50.0, 250.0, 40.0)
PLAN = StockPlan(5.0, 30.0, 40.0, 12.0, 6.0, 50.0)


def grooved(width: float) -> object:
    """A block 60 x 60 x 40 with a groove of this width and 20 deep along y."""
    side = (60.0 - width) / 2.0
    walls = [box((side, 60.0, 40.0), (sign * (width + side) / 2.0, 0.0, 0.0)) for sign in (-1.0, 1.0)]
    return unite_pieces(together(*walls, box((60.0, 60.0, 20.0), (0.0, 0.0, -10.0)))).mesh


def test_scallops_and_chords_are_those_of_the_closed_forms() -> None:
    """Values: trade figures, closed form."""
    assert scallop_height_mm(3.0, 0.5) == pytest.approx(0.0104348, abs=1e-7)
    assert scallop_height_mm(6.0, 2.0) == pytest.approx(0.0839202, abs=1e-7)
    assert step_over_for_mm(6.0, 0.1) == pytest.approx(2.181742, abs=1e-6)
    assert chord_error_mm(25.0, 2.0) == pytest.approx(0.0200080, abs=1e-7)
    with pytest.raises(GeometryError, match="wider than the cutter"):
        scallop_height_mm(3.0, 6.1)


def test_sheets_are_counted_with_both_allowances() -> None:
    assert [count_slabs(height, 5.0, 50.0) for height in (40.0, 40.1, 140.0)] == [1, 2, 3]


@pytest.mark.parametrize(("width", "stays"), [(8.0, False), (5.0, True)])
def test_the_floor_of_a_groove_is_reached_where_the_ball_fits(width: float, stays: bool) -> None:
    mesh = grooved(width)
    sight = look_along(mesh, UP, 0.5, 10.0)
    floor, straight_up = np.array([[0.0, 0.0, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    by_map = approach_from_above(sight, BALL_6).left_over(floor, 2.0) > 1.0
    by_contact = is_uncut(ContactQuery(Surface(mesh), UP, BALL_6), floor, straight_up, 1.0)
    assert (bool(by_map[0]), bool(by_contact[0])) == (stays, stays)


def test_a_ball_leaves_its_closed_form_in_a_corner_and_a_flat_end_nothing() -> None:
    """A ball of radius r in a right angle leaves r (sqrt 2 - 1) along the bisector (closed form)."""
    mesh = grooved(30.0)
    sight = look_along(mesh, UP, 0.25, 12.0)
    corner = np.array([[15.0, 0.0, 0.0]])
    assert approach_from_above(sight, BALL_6).left_over(corner, 3.0)[0] == pytest.approx(3.0 * (np.sqrt(2.0) - 1.0), abs=0.25)  # one pitch
    assert approach_from_above(sight, FLAT_10).left_over(corner, 3.0)[0] < 0.3


def test_a_short_cutter_is_kept_out_by_its_holder() -> None:
    mesh = grooved(10.0)
    short = Cutter("short", "ball", 6.0, 10.0, 15.0, 40.0)
    floor, straight_up = np.array([[0.0, 0.0, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    assert approach_from_above(look_along(mesh, UP, 0.5, 10.0), short).left_over(floor, 2.0)[0] == 2.0
    assert is_uncut(ContactQuery(Surface(mesh), UP, short), floor, straight_up, 1.0)[0]


@pytest.mark.parametrize("radius_mm", [0.0, 0.9, 1.0, 2.5, 7.3])
def test_a_flat_end_and_a_holder_stand_on_the_highest_node_within_their_radius(radius_mm: float) -> None:
    """Found run by run; held against every node that is near enough, to the last bit, at the rim of the map and where there is no surface, too."""
    heights = np.random.default_rng(5).normal(size=(23, 9))
    heights[4:9, 2:7] = -np.inf
    cutter = Cutter("flat", "flat", 2.0 * radius_mm, 30.0, 60.0, 2.0 * radius_mm)
    places = np.stack(np.indices(heights.shape), axis=-1).reshape(-1, 2)
    is_near = ((places[:, None] - places[None]) ** 2).sum(axis=2) <= radius_mm**2
    highest = np.where(is_near, heights.ravel(), -np.inf).max(axis=1).reshape(heights.shape)
    assert np.array_equal(cutter_floor(heights, 1.0, cutter), highest)


def test_the_parting_surface_of_a_ball_is_its_equator_and_both_sides_reach_all_of_it() -> None:
    mesh = ball(40.0, (3.0, 4.0, 50.0), 4)
    sight = look_along(mesh, UP, 0.5, 12.0)
    parting = lay_parting(sight)
    assert np.abs(height_at(sight, parting, np.array([[44.0, 4.0], [3.0, 45.0], [-45.0, 4.0]])) - 50.0).max() < 1.0
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    sides = approach_from_above(sight, BALL_6, parting, 5.0), approach_from_below(sight, BALL_6, parting, 5.0)
    left = [side.left_over(middles, 2.0) for side in sides]
    assert np.minimum(*left).max() < 1.0
    assert left[0][middles[:, 2] < 40.0].min() > 1.0  # nothing is cut far below the parting surface from above


def test_a_block_fits_its_dowels_as_it_lies_and_turned_over_about_its_long_axis_only() -> None:
    stock = lay_in_stock(box((300.0, 80.0, 60.0)).vertices, frame_along(np.array([0.0, 0.0, 1.0]), box((300.0, 80.0, 60.0)).vertices), PLAN)
    assert fitting_flips(stock.dowels, stock.size_mm, 3.0) == ("as it lies", "turned over about x")
    assert stock.size_mm.tolist() == [300.0 + 140.0 + 24.0, 80.0 + 140.0, 100.0]
    assert np.linalg.det(stock.stock_from_replica[:3, :3]) == pytest.approx(1.0, abs=1e-12)


def test_bridges_keep_away_from_joints_and_cross_the_channel() -> None:
    import shapely

    outline = shapely.box(0.0, 0.0, 400.0, 80.0)
    joint = np.array([[0.0, 40.0, 20.0]])
    bridges = place_bridges(outline, lambda places: np.full(len(places), 20.0), [(joint, 60.0)], BridgePlan(25.0, 300.0, 30.0))
    assert len(bridges) >= 3
    assert min(np.linalg.norm(bridge.start - joint[0]) for bridge in bridges) > 60.0
    assert all(outline.distance(shapely.Point(bridge.end)) > 30.0 for bridge in bridges)


def test_a_bridge_is_a_closed_bar_of_its_length_times_width_squared() -> None:
    from meshtools.geometry.audit import audit_topology

    audit = audit_topology(Bridge(np.array([0.0, 0.0, 10.0]), np.array([50.0, 0.0, 10.0]), 20.0).mesh())
    assert audit.is_closed
    assert audit.volume_mm3 == pytest.approx(50.0 * 20.0 * 20.0)


def test_the_outline_of_a_slab_holds_what_bulges_between_its_faces() -> None:
    """A ball of radius 20 in the middle of a slab of 50: both faces miss it, its shadow is pi r^2 (closed form)."""
    from meshtools.geometry.outlines import silhouette_between, solid_of

    plan = SlabPlan(50.0, 5.0, 12.0, 6.0)
    solid = solid_of(ball(20.0, (0.0, 0.0, 25.0), 4))
    slab = stack_slabs(solid, 1, plan).slabs[0]
    assert (slab.lower.area, slab.upper.area) == (0.0, 0.0)
    assert silhouette_between(solid, 0.0, 50.0).area == pytest.approx(np.pi * 400.0, rel=0.01)
    assert slab.outline.area == pytest.approx(np.pi * 25.0**2, rel=0.06)


def test_every_piece_of_every_slab_holds_its_bone_and_two_dowels() -> None:
    """Two arms on a bar: the upper slabs fall into two pieces, one too thin for a dowel without a pad."""
    from meshtools.geometry.outlines import solid_of

    thick, thin = box((60.0, 40.0, 130.0), (-110.0, 0.0, 90.0)), box((4.0, 4.0, 130.0), (110.0, 0.0, 90.0))
    arms = together(box((300.0, 40.0, 40.0), (0.0, 0.0, 25.0)), thick, thin)
    plan = SlabPlan(50.0, 5.0, 12.0, 6.0)
    stack = stack_slabs(solid_of(unite_pieces(arms).mesh), 4, plan)
    check = check_stack(stack, unite_pieces(arms).mesh, plan)
    assert (check.n_contained, check.n_doweled, check.n_loose) == (4, 4, 0)
    assert check.least_cover_mm >= 5.0
    assert {dowel.kind for dowel in stack.dowels} == {"bone", "pad"}


def test_where_a_part_must_fit_no_deeper_set_up_is_taken_whatever_it_would_leave_uncut() -> None:
    """A block of 60 x 60 x 120 with a pit in its end: only from there it is seen, and only 100 mm are at hand."""
    walls = [box((20.0, 60.0, 60.0), (sign * 20.0, 0.0, 30.0)) for sign in (-1.0, 1.0)]
    ends = [box((60.0, 20.0, 60.0), (0.0, sign * 20.0, 30.0)) for sign in (-1.0, 1.0)]
    pitted = unite_pieces(together(*walls, *ends, box((60.0, 60.0, 60.0), (0.0, 0.0, -29.9)))).mesh
    weighed, held = (SetUpSearch(pitted, BALL_6, ReachLimits(1.0, 1.0, 5.0, 100.0, must_fit)) for must_fit in (False, True))
    assert weighed.trial(UP[2]).cost < weighed.trial(UP[0]).cost
    assert max(trial.depth_mm for trial in held.find()) <= 100.0


@pytest.mark.parametrize(
    ("outline", "held", "cover"),
    [
        (((0, 0, 60, 40), None), True, 10.0),
        (((11, 0, 60, 40), None), False, 0.0),  # a side stands out
        (((0, 0, 60, 40), (20, 15, 40, 25)), False, 0.0),  # a hole lies wholly in the body: no edge of it crosses there
        (((-40, 0, 60, 40), (-30, 10, -10, 30)), True, 10.0),  # a hole beside it
    ],
)
def test_a_slab_is_checked_by_the_edges_of_its_part_and_a_ray_through_every_hole(outline: tuple, held: bool, cover: float) -> None:
    """A bar of 40 x 20 mm that goes through the slab."""
    import shapely

    outer, hole = (shapely.box(*corners) if corners else shapely.Polygon() for corners in outline)
    area = outer.difference(hole)
    stack = SlabStack((Slab(0.0, 50.0, area, area, area),), ())
    check = check_stack(stack, box((40.0, 20.0, 90.0), (30.0, 20.0, 30.0)), SlabPlan(50.0, 5.0, 12.0, 6.0))
    assert (bool(check.n_contained), check.least_cover_mm) == (held, pytest.approx(cover, abs=1e-9))


def test_the_solid_under_a_coat_lies_one_coat_below_the_skin() -> None:
    """The volume is that of a ball of radius R - coat (closed form)."""
    from meshtools.geometry.audit import audit_topology
    from meshtools.geometry.coating import erode

    replica = ball(50.0, n_splits=4)
    made = erode(replica, 2.0, 2.0)
    audit = audit_topology(made.mesh)
    assert audit.is_closed
    assert audit.is_outward
    assert np.abs(Surface(replica).distance(made.mesh.vertices)[0] - 2.0).max() < 0.1
    assert audit.volume_mm3 == pytest.approx(audit_topology(replica).volume_mm3 * (48.0 / 50.0) ** 3, rel=0.002)


def test_a_plate_thinner_than_two_coats_leaves_no_foam() -> None:
    from meshtools.geometry.coating import erode

    with pytest.raises(GeometryError, match="no foam is left"):
        erode(box((40.0, 40.0, 3.0)), 2.0, 1.0)


def test_a_shallow_pair_is_taken_where_the_sides_that_follow_make_good_what_it_leaves() -> None:
    """A block of 60 x 50 x 30 with a pit in an end and one in a side: weighed alone the pair that sees one pit is cheapest, with two sides to follow
    the pair along the height."""
    from manifold3d import Manifold

    from meshtools.geometry.body import surface_of

    in_end, in_side = Manifold.cube((24.0, 16.0, 16.0), True), Manifold.cube((16.0, 24.0, 16.0), True)
    block = Manifold.cube((60.0, 50.0, 30.0), True) - in_end.translate((-20.0, 8.0, 0.0)) - in_side.translate((12.0, -15.0, 0.0))
    search = SetUpSearch(surface_of(block), BALL_6, ReachLimits(1.0, 5.0, 5.0, 100.0))
    alone, followed = (search.find_with_further(n)[0] for n in (0, 2))
    assert alone.depth_mm >= 50.0
    assert followed.depth_mm == pytest.approx(30.0, rel=0.05)
    assert followed.uncut_percent <= 5.0 < alone.uncut_percent
