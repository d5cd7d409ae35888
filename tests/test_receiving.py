"""Finished parts against their sheets, the next shrink, tolerances, advice and material: closed forms and values of published tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dog_individuals import read_bone

from meshtools.commands_received import _line
from meshtools.geometry.caliper_frame import caliper_frame
from meshtools.geometry.caliper_sizes import measured_frame
from meshtools.geometry.making_figures import making_figures
from meshtools.material_use import hours, mass_of, material_rows, prices
from meshtools.model import Mesh, Received, plain
from meshtools.receiving import decimal_slip, judged, next_scales
from meshtools.report.making import scale_sentence
from meshtools.route_advice import USED, advise
from meshtools.settings import Settings
from meshtools.tolerances import tolerance_of

FACTS = {
    "mould": {
        "dimensions": [
            {"part": "", "measure": name, "nominal_mm": nominal, "tolerance_mm": 0.5, "basis": "part tolerance"}
            for name, nominal in (("greatest-length", 400.0), ("greatest-breadth", 120.0), ("depth", 80.0))
        ],
        "solids": [{"name": "piece-a", "extents_mm": [420.0, 150.0, 60.0]}],
    }
}


def row(measure: str, measured_mm: float, part: str = "", nominal_mm: float | None = None, tolerance_mm: float | None = None) -> Received:
    return Received(2, "adult", "femur-left", "mould", part, measure, measured_mm, nominal_mm, tolerance_mm, "first", "A. Maker", "2031-07-01")


@pytest.mark.parametrize(
    ("length_mm", "name", "tolerance_mm"),
    [(121.0, "coarse", 1.2), (400.0, "coarse", 1.2), (401.0, "coarse", 2.0), (200.0, "medium", 0.5), (999.0, "medium", 0.8)],
)
def test_tolerances_of_iso_2768_are_those_of_the_reprint(length_mm: float, name: str, tolerance_mm: float) -> None:
    """ISO 2768-1 linear, class c 120-400 +-1.2 and 400-1000 +-2, class m 0.5 and 0.8 (reprint)."""
    assert tolerance_of(length_mm, name, 0.5) == (tolerance_mm, f"ISO 2768-1 {name}")


def test_a_length_beyond_the_table_takes_the_tolerance_of_the_part() -> None:
    assert tolerance_of(4001.0, "medium", 0.7) == (0.7, "part tolerance")
    assert tolerance_of(100.0, "part", 0.7) == (0.7, "part tolerance")


def test_a_length_passes_up_to_its_tolerance_and_fails_beyond_it() -> None:
    rows = judged([row("greatest-length", 399.5), row("depth", 80.51), row("extent-z", 60.0, "piece-a"), row("girth", 3.0)], FACTS, "part", 0.5)
    assert {entry["measure"]: entry["verdict"] for entry in rows} == {
        "greatest-length": "pass", "depth": "fail", "extent-z": "pass", "girth": "no nominal",
    }  # fmt: skip


def test_a_nominal_and_a_tolerance_of_the_row_win() -> None:
    found = judged([row("greatest-length", 390.6, nominal_mm=390.0, tolerance_mm=1.0)], FACTS, "part", 0.5)[0]
    assert (found["nominal_mm"], found["basis"], found["verdict"]) == (390.0, "the row", "pass")


def test_the_next_scale_makes_up_for_what_was_measured() -> None:
    """A part that came out 0.4 % small although 0.15 % was allowed for: 1 / ((1 - 0.004)(1 - 0.0015)) = 1.005524 (closed form)."""
    small = 1 - 0.004
    rows = judged([row(name, nominal * small) for name, nominal in (("greatest-length", 400), ("greatest-breadth", 120), ("depth", 80))],
                  FACTS, "part", 0.5)
    rows = [entry | {"pattern_scale": 1 / (1 - 0.0015)} for entry in rows]
    proposal = next_scales(rows, 3, {"mould": 1 / (1 - 0.0015)})[0]
    assert proposal["scale"] == pytest.approx(1.005524, abs=1e-6)
    assert proposal["further_shrink_percent"] == pytest.approx(0.4)
    assert next_scales(rows[:2], 3, {})[0]["scale"] is None


def lengths_of(percents: tuple[float, ...], pattern_scale: float | None = None) -> list[dict]:
    """The three lengths of FACTS, each off by so many per cent."""
    nominal = {"greatest-length": 400.0, "greatest-breadth": 120.0, "depth": 80.0}
    made = [row(name, mm * (1 + off / 100)) for (name, mm), off in zip(nominal.items(), percents, strict=True)]
    return judged([replace(one, pattern_scale=pattern_scale) for one in made], FACTS, "part", 0.5)


def test_a_shrink_that_was_entered_is_not_proposed_again_from_the_same_article() -> None:
    rows = lengths_of((-0.4, -0.4, -0.4), pattern_scale=1.0)
    first = next_scales(rows, 3, {"mould": 1.0})[0]
    again = next_scales(rows, 3, {"mould": first["scale"]})[0]
    assert (first["is_met"], again["is_met"], again["scale"]) == (False, True, pytest.approx(first["scale"]))
    assert "change nothing" in scale_sentence(again)
    unstated = next_scales(lengths_of((-0.4, -0.4, -0.4)), 3, {"mould": first["scale"]})[0]
    assert unstated["scale"] is None
    assert "pattern_scale" in scale_sentence(unstated)


@pytest.mark.parametrize("percents", [(-1.1, -7.5, -7.7), (-0.2, -0.4, 0.1)])
def test_lengths_that_do_not_agree_on_one_shrink_propose_none(percents: tuple[float, ...]) -> None:
    proposal = next_scales(lengths_of(percents), 3, {})[0]
    assert proposal["scale"] is None
    assert "differ among themselves" in scale_sentence(proposal)


def test_lengths_that_pass_ask_for_no_change_and_no_more_measuring() -> None:
    said = scale_sentence(next_scales(lengths_of((0.05, -0.05, 0.02)), 3, {})[0])
    assert said.endswith("change nothing.")


def test_of_two_articles_of_one_date_that_made_at_a_scale_like_todays_counts() -> None:
    rows = [*lengths_of((-0.4, -0.4, -0.4), 1.02), *lengths_of((-0.3, -0.3, -0.3), 1.004)]
    assert next_scales(rows, 3, {"mould": 1.004})[0]["made_scale"] == 1.004


def test_a_flat_bone_is_drawn_along_its_own_plane_whatever_the_noise() -> None:
    ball = sphere(1.0).vertices * [50.0, 40.0, 2.5]
    noisy = [ball + np.random.default_rng(seed).normal(scale=0.05, size=ball.shape) for seed in range(3)]
    assert max(measured_frame(points).box_mm[2] for points in noisy) < 6.0


def test_the_caliper_box_of_a_turned_block_is_that_of_the_block() -> None:
    corners = np.array([[x, y, z] for x in (0, 60.0) for y in (0, 25.0) for z in (0, 10.0)])
    generator = np.random.default_rng(4)
    turn, _ = np.linalg.qr(generator.normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    straight, turned = caliper_frame(corners), caliper_frame(corners @ turn.T + 100.0)
    np.testing.assert_allclose(turned.sizes_mm, straight.sizes_mm, atol=1e-9)
    assert straight.sizes_mm[0] == pytest.approx(np.sqrt(60**2 + 25**2 + 10**2))
    assert np.linalg.det(turned.axes) == pytest.approx(1.0)
    placed = (corners @ turn.T + 100.0) @ turned.matrix[:3, :3].T + turned.matrix[:3, 3]
    np.testing.assert_allclose(placed.max(axis=0), turned.sizes_mm / 2, atol=1e-9)


def test_the_lengths_of_a_sheet_are_found_again_however_many_lines_are_nearly_the_longest() -> None:
    """A metatarsal whose surface is off by 0.05 mm, in another frame: no length changes by more than twice that, though its breadth across the
    greatest length itself does. A bar of 77 x 12 x 9 mm has them in closed form."""
    generator, bone = np.random.default_rng(3), read_bone("Metatarsi_L_1")[0]
    found, across = [measured_frame(bone).sizes_mm], [caliper_frame(bone).sizes_mm[1]]
    for _ in range(4):
        off = generator.normal(size=bone.shape)
        worn = bone + 0.05 * off / np.linalg.norm(off, axis=1)[:, None]
        found.append(measured_frame(worn @ np.linalg.qr(generator.normal(size=(3, 3)))[0]).sizes_mm)
        across.append(caliper_frame(worn).sizes_mm[1])
    assert np.abs(np.array(found) - found[0]).max() < 0.11 < np.ptp(across)
    bar = np.array([[x, y, z] for x in (-38.5, 38.5) for y in (-6.0, 6.0) for z in (-4.5, 4.5)])
    frame = measured_frame(bar)
    np.testing.assert_allclose(frame.sizes_mm, [np.sqrt(77**2 + 12**2 + 9**2), 15.0, 9.0], atol=2e-3)
    placed = bar @ frame.matrix[:3, :3].T + frame.matrix[:3, 3]
    np.testing.assert_allclose(placed.max(axis=0), frame.box_mm / 2, atol=1e-9)


SQUARE = np.array([[0.0, 0, 0], [10, 0, 0], [0, 5, 0], [10, 5, 0]])


@pytest.mark.parametrize("points", [np.zeros((5, 3)), SQUARE[:2], SQUARE])
def test_points_without_depth_have_a_frame_all_the_same(points: np.ndarray) -> None:
    frame = measured_frame(points)
    assert np.linalg.det(frame.axes) == pytest.approx(1.0)
    np.testing.assert_allclose(frame.sizes_mm, frame.box_mm, atol=1e-9)


def sphere(radius_mm: float) -> Mesh:
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=3, radius=radius_mm)
    return Mesh.create(np.asarray(ball.vertices), np.asarray(ball.faces))


def test_a_ball_is_thick_and_hides_nothing_and_a_cup_hides_its_inside() -> None:
    import trimesh

    ball = making_figures(sphere(50.0))
    assert ball.thin_mm == pytest.approx(100.0, rel=0.02)
    assert ball.hidden_percent < 0.5
    assert ball.volume_mm3 == pytest.approx(4 / 3 * np.pi * 50**3, rel=0.01)
    shell = trimesh.creation.icosphere(subdivisions=3, radius=46.0)
    vertices = np.concatenate([sphere(50.0).vertices, np.asarray(shell.vertices)])
    faces = np.concatenate([sphere(50.0).faces, np.asarray(shell.faces)[:, ::-1] + len(sphere(50.0).vertices)])
    hollow = making_figures(Mesh.create(vertices, faces))
    assert hollow.thin_mm == pytest.approx(4.0, abs=0.6)
    assert 30.0 < hollow.hidden_percent < 60.0  # the inside is 46^2 / (46^2 + 50^2) = 46 % of the area


def advice_of(**figures: object) -> dict[str, tuple[str, str]]:
    settings = {route: {"": {key: getattr(getattr(Settings(), route), key) for key in USED[route]}} for route in USED}
    sound = {"sizes_mm": (280.0, 80.0, 60.0), "volume_mm3": 6e5, "thin_mm": 20.0, "hidden_percent": 1.0}
    return {one.route: (one.verdict, "; ".join(one.reasons)) for one in advise(sound | figures, settings)}


def test_advice_names_the_reason_that_speaks_against_a_route() -> None:
    assert advice_of()["print"][0] == "suits"
    assert advice_of(thin_mm=0.5)["print"][0] == "unsuited"
    assert "0.5 mm" in advice_of(thin_mm=0.5)["print"][1]
    assert advice_of(hidden_percent=20.0)["cnc"][0] == "unsuited"
    assert advice_of(sizes_mm=(5000.0, 80.0, 60.0))["cnc"][0] == "possible"
    assert "travel" in advice_of(sizes_mm=(5000.0, 80.0, 60.0))["cnc"][1]
    assert advice_of(sizes_mm=(90.0, 80.0, 60.0))["cnc"][0] == "possible"


def test_advice_is_given_on_the_machine_that_suits_best() -> None:
    settings = {route: {"": {key: getattr(getattr(Settings(), route), key) for key in USED[route]}} for route in USED}
    small = settings["print"][""] | {f"build_{axis}_mm": 60.0 for axis in "xyz"}
    settings["print"] = {"small": small, "large": small | {f"build_{axis}_mm": 800.0 for axis in "xyz"}}
    figures = {"sizes_mm": (280.0, 180.0, 160.0), "volume_mm3": 6e5, "thin_mm": 20.0, "hidden_percent": 1.0}
    found = next(one for one in advise(figures, settings) if one.route == "print")
    assert (found.verdict, found.machine) == ("suits", "large")


def test_nothing_tighter_is_promised_of_material_extrusion() -> None:
    """0.26 mm on average, 0.89 mm at most: PMC9156585."""
    assert tolerance_of(100.0, "part", 0.2, "material extrusion") == (0.5, "material extrusion holds no less (PMC9156585)")
    assert tolerance_of(100.0, "part", 0.2, "vat photopolymerization") == (0.2, "part tolerance")
    assert tolerance_of(500.0, "medium", 0.2, "material extrusion") == (0.8, "ISO 2768-1 medium")


def test_a_carved_sphere_weighs_its_core_and_its_coat() -> None:
    """Solid sphere R 50 in 240 kg/m3 foam: 125.664 g (closed form); a coat of 2 mm outside R 48 at 1200 kg/m3 is (50^3 - 48^3) 4/3 pi."""
    whole, core = 4 / 3 * np.pi * 50**3, 4 / 3 * np.pi * 48**3
    facts = {"route": "cnc", "volume_mm3": whole, "area_mm2": 4 * np.pi * 2500, "solids": [
        {"role": "part", "volume_mm3": core, "is_closed": True}, {"role": "stock", "volume_mm3": 120.0**3, "is_closed": True}]}
    settings = plain(Settings().cnc) | {"coat_mm": 2.0, "foam_kg_m3": 240.0}
    estimate = plain(Settings().estimate)
    rows = material_rows(facts, settings, estimate)
    assert mass_of(rows) == pytest.approx((240.0 * core + 1200.0 * (whole - core)) * 1e-9)
    assert whole * 240.0 * 1e-9 == pytest.approx(0.125664, abs=1e-6)
    assert hours(facts, settings, estimate)[0] == pytest.approx(((120**3 - core) / 1000 / 500 + 4 * np.pi * 2500 / 3000.0) / 60)
    board = {"use": "foam", "name": "board", "price_per_kg": 10.0, "currency": "EUR", "source": "a list", "density_kg_m3": 240.0}
    found = {one["what"]: one["price"] for one in prices(rows, [board], 10.0)}
    assert found["stock to carve it from"] == pytest.approx(120.0**3 * 240.0 * 1e-9 * 10.0)
    assert found["coat, finished part less core"] is None


def test_a_hollow_casting_weighs_the_bone_less_its_core_at_the_size_of_the_bone() -> None:
    """The core is made at pattern scale, 1 / (1 - 0.5 %); the casting around it shrinks back with the bone (closed form)."""
    scale = 1 / (1 - 0.005)
    solids = [{"role": "core", "volume_mm3": 4e5 * scale**3, "is_closed": True}]
    facts = {"route": "mould", "volume_mm3": 6e5, "solids": solids, "made": {"pattern_scale": scale}}
    rows = material_rows(facts, plain(Settings().mould) | {"casting_density_kg_m3": 1000.0}, plain(Settings().estimate))
    assert mass_of(rows) == pytest.approx(2e5 * 1000.0 * 1e-9)


@pytest.mark.parametrize(
    ("measured_mm", "words"), [(21.21, "about 10 times too small"), (2121.0, "about 10 times too large"), (2.12, "about 100 times"), (190.0, "")]
)
def test_a_length_ten_times_off_asks_for_the_decimal_point(measured_mm: float, words: str) -> None:
    told = decimal_slip(measured_mm, 212.1)
    assert (words in told, bool(told)) == (True, bool(words))
    found = judged([row("greatest-length", measured_mm, nominal_mm=212.1)], FACTS, "part", 0.5)[0] | {"part_of": "adult/femur-left"}
    assert ("did the decimal point slip" in _line(found)) == bool(words)
