"""What config.yaml and received.csv say about routes: who takes which, on which machine; every mistake at once, with its row."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest
from test_register import CONFIG, problems_of, write_batch

from meshtools.model import Element, Side
from meshtools.register import load_register
from meshtools.routing import Chosen, chosen_routes, estimate_of, settings_of
from meshtools.settings import Settings
from meshtools.settings_cnc import Cutter
from meshtools.settings_mould import ShrinkLink

ROUTES = CONFIG + """routes:
  default: [print]
  limb: [cnc, big-printer]
  femur-left: [mould]
  adult/femur-left: []
machines:
  big-printer: {route: print, build_x_mm: 900}
materials:
  gel: {use: coat, density_kg_m3: 1400, source: a data sheet}
  board: {use: foam, density_kg_m3: 240, price_per_kg: 12, currency: EUR, source: a price list}
clean: {part_tolerance_mm: 0.3}
"""


def test_the_most_particular_entry_alone_says_which_routes_an_element_takes(tmp_path: Path) -> None:
    settings = load_register(write_batch(tmp_path, config=ROUTES)).settings
    femur = {side: Element("femur", side, group="limb") for side in (Side.LEFT, Side.RIGHT)}
    assert chosen_routes(settings, "adult", femur[Side.LEFT]) == ()
    assert chosen_routes(settings, "small", femur[Side.LEFT]) == (Chosen("mould"),)
    assert chosen_routes(settings, "small", femur[Side.RIGHT]) == (Chosen("print", "big-printer"), Chosen("cnc"))
    assert chosen_routes(settings, "small", Element("skull", Side.MEDIAN, group="skull")) == (Chosen("print"),)
    assert chosen_routes(Settings(), "small", femur[Side.LEFT]) == ()


def test_a_machine_overrides_its_route_and_densities_and_tolerance_come_from_where_they_are_said_once(tmp_path: Path) -> None:
    settings = load_register(write_batch(tmp_path, config=ROUTES)).settings
    assert settings_of(settings, Chosen("print", "big-printer")).build_x_mm == 900.0
    assert settings_of(settings, Chosen("print")).build_x_mm == Settings().print.build_x_mm
    assert estimate_of(settings).coat_density_kg_m3 == 1400.0
    carving = settings_of(settings, Chosen("cnc"))
    assert (carving.foam_kg_m3, carving.part_tolerance_mm) == (240.0, 0.3)


def test_every_mistake_about_routes_machines_and_materials_is_told_at_once_with_its_row_and_what_was_meant(tmp_path: Path) -> None:
    text = CONFIG + """routes:
  limbs: [print]
  femur-left: [prnt]
  femur-right: [big, print]
  adult/skull: print
machines:
  big: {route: print, build_xx_mm: 3, build_y_mm: 1}
  other: {route: lathe}
  more: {build_x_mm: 300}
materials:
  foam: {use: foan, density_kg_m3: 0, source: x}
  resin: {use: cast, density_kg_m3: 1100, price_per_kg: 3}
receive: {tolerance_class: fin}
"""
    problems = problems_of(tmp_path, config=text)
    wanted = (
        ("row 8, routes: 'limbs'", "Did you mean 'limb'?"),
        ("row 9, routes.femur-left: 'prnt'", "Did you mean 'print'?"),
        ("row 10, routes.femur-right: 'print' is taken twice", ""),
        ("row 11, routes.adult/skull: 'print' is not a list", ""),
        ("row 13, machines.big: 'build_xx_mm'", "Did you mean 'build_x_mm'?"),
        ("row 13, machines.big.build_y_mm: '1' is outside", ""),
        ("row 14, machines.other.route: 'lathe'", ""),
        ("row 15, machines.more.route: is missing", ""),
        ("row 17, materials.foam.use: 'foan'", "Did you mean 'foam'?"),
        ("row 17, materials.foam.density_kg_m3: '0' is not above 0", ""),
        ("row 18, materials.resin: lacks source", ""),
        ("row 18, materials.resin.price_per_kg: '3' has no currency", ""),
        ("row 19, receive.tolerance_class: 'fin'", "Did you mean 'fine'?"),
    )
    for place, hint in wanted:
        assert any(place in problem and hint in problem for problem in problems), (place, problems)
    assert len(problems) == len(wanted)


def test_every_wrong_cell_of_a_list_of_rows_is_told_with_its_row_and_what_settings_cannot_be_together(tmp_path: Path) -> None:
    text = CONFIG + """cnc:
  cutters:
    - {name: a, kind: bal, diameter_mm: 6, flute_mm: 30, stick_out_mm: 100, holder_diameter_mm: 30}
    - {name: b, kind: flat, diameter_mm: 0, flute_mm: 300, stick_out_mm: 100, holder_diameter_mm: 30}
    - {name: c, kind: flat, diametre_mm: 6, flute_mm: 30, stick_out_mm: 100, holder_diameter_mm: thick}
    - 6 mm ball
mould:
  shrink:
    - {name: rubber, shrink_percent: 30, source: sheet}
    - {name: resin, shrink_percent: 0.4}
    -
print: {up_z: 0, build_x_mm: 100, spare_mm: 120}
machines:
  mill:
    route: cnc
    cutters:
      - {name: d, kind: flat, diameter_mm: 6, flute_mm: 30, stick_out_mm: 100, holder_diameter_mm: 30}
      - {name: d, kind: flat, diameter_mm: 6, flute_mm: 130, stick_out_mm: 100, holder_diameter_mm: 30}
  lathe: {route: cnc, cutters: ball 6}
  router:
    route: cnc
    cutters: [{name: e, kind: flat, diameter_mm: 6, flute_mm: 30, stick_out_mm: 100, holder_diameter_mm: 30}]
"""
    problems = problems_of(tmp_path, config=text)
    wanted = (
        ("row 9, cnc.cutters.1.kind: 'bal' is not one of ball, flat", "Did you mean 'ball'?"),
        ("row 10, cnc.cutters.2.diameter_mm: '0' is outside 0.1 to 200", ""),
        ("row 11, cnc.cutters.3: 'diametre_mm' is not a setting here", "Did you mean 'diameter_mm'?"),
        ("row 11, cnc.cutters.3: lacks diameter_mm", ""),
        ("row 11, cnc.cutters.3.holder_diameter_mm: 'thick'", ""),
        ("row 12, cnc.cutters.4: is not a mapping", ""),
        ("row 15, mould.shrink.1.shrink_percent: '30' is outside -20 to 19.99", ""),
        ("row 16, mould.shrink.2: lacks source", ""),
        ("row 17, mould.shrink.3: lacks name, shrink_percent, source", ""),
        ("row 18, print.up_z: '0' leaves no direction up", ""),
        ("row 18, print.build_x_mm: '100' leaves no room beside spare_mm", ""),
        ("row 24, machines.mill.cutters.2.flute_mm: '130' is longer than", ""),
        ("row 25, machines.lathe.cutters: 'ball 6' is not a list of rows", ""),
        ("row 28, machines.router.cutters: has no row of kind ball", ""),
    )
    for place, hint in wanted:
        assert any(place in problem and hint in problem for problem in problems), (place, problems)
    assert len(problems) == len(wanted), problems


def test_every_cell_of_a_list_of_rows_is_explained_with_its_bounds() -> None:
    text = (Path(__file__).parent.parent / "config/README.md").read_text(encoding="utf-8")
    for kind in (Cutter, ShrinkLink):
        for cell in fields(kind):
            low, high, choices = (cell.metadata[key] for key in ("low", "high", "choices"))
            bounds = f"{low:g} to {high:g}" if low is not None else ", ".join(choices) or "any words"
            assert f"| `{cell.name}` | {bounds} | {cell.metadata['meaning']} |" in text


HEAD = "target,element,route,part,measure,nominal_mm,measured_mm,article,by,date,pattern_scale\n"


@pytest.mark.parametrize(
    ("row", "what"),
    [
        ("adult,femur,print,,depth,,3,first,A. Maker,2031-07-01", "element: 'femur' is not an element"),
        ("adult,femur-left,lathe,,depth,,3,first,A. Maker,2031-07-01", "route: 'lathe' is not one of"),
        ("adult,femur-left,print,,extent-x,,3,first,A. Maker,2031-07-01", "part: is empty"),
        ("adult,femur-left,print,,girth,,3,first,A. Maker,2031-07-01", "measure: 'girth' is not one of"),
        ("adult,femur-left,print,,depth,,0,first,A. Maker,2031-07-01", "measured_mm: '0' is not above zero"),
        ("adult,femur-left,print,,depth,,3,first,,2031-07-01", "by: is empty"),
        ("adult,femur-left,print,,depth,,3,first,A. Maker,2031-07-01,1.02", "pattern_scale: '1.02' stands on a row of route print"),
    ],
)
def test_a_wrong_cell_of_received_csv_is_told_with_its_rule(tmp_path: Path, row: str, what: str) -> None:
    problems = problems_of(tmp_path, received=HEAD + row + "\n")
    assert len(problems) == 1
    assert what in problems[0]
