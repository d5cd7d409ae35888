"""Drawings of a part that is carved: the set-up seen from above, and one for every slab, all in the x and y of the block."""

from __future__ import annotations

import numpy as np

from meshtools.carving import Carving
from meshtools.geometry.outlines import rings_of
from meshtools.model import FloatArray
from meshtools.model_ready import Drawing, Layer

CROSS_MM = 15.0
N_ROUND = 48


def draw_setup(carving: Carving) -> Drawing:
    """The block from above with datum, part, channel, bridges, dowels and the axis it is turned over about, named as the tables name them."""
    stock, settings = carving.stock, carving.settings
    length, width, height = (float(side) for side in stock.size_mm)
    block = np.array([[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]])
    channel = carving.outline.buffer(settings.channel_mm).simplify(0.2)
    corners = [bridge.mesh().vertices[[0, 2, 6, 4], :2] for bridge in carving.bridges]
    texts = (
        (5.0, -10.0, f"{carving.part.part_id}: block {length:.0f} x {width:.0f} x {height:.0f} mm, datum at the lower left corner of the lower face"),
        (5.0, -20.0, "turn over about the axis; z points to the cutter of set-up 1"),
    )
    return Drawing(
        "set-up", f"{carving.part.part_id}: set-up seen from above, in mm",
        (
            Layer("block", (block,)), Layer("part", rings_of(carving.outline)), Layer("channel", rings_of(channel)),
            Layer("bridges", tuple(corners), (), tuple((*_middle(ring), f"B{k + 1}") for k, ring in enumerate(corners))),
            Layer("dowels", tuple(circle(place, settings.dowel_mm) for place in stock.dowels), (),
                  tuple(_beside(place, settings.dowel_mm, f"S{k + 1}") for k, place in enumerate(stock.dowels))),
            Layer("axis", (), (np.array([[-20.0, width / 2.0], [length + 20.0, width / 2.0]]),)), Layer("datum", (), datum_cross(), texts),
        ),
    )  # fmt: skip


def draw_slabs(carving: Carving) -> tuple[Drawing, ...]:
    """One drawing a slab: outline, sections at both faces, dowels of the joints below and above."""
    n_slabs = len(carving.stack.slabs)
    return tuple(_draw_slab(carving, number, n_slabs) for number in range(n_slabs))


def _draw_slab(carving: Carving, number: int, n_slabs: int) -> Drawing:
    slab = carving.stack.slabs[number]
    below, above = (_slab_dowels(carving, name, joint) for name, joint in (("dowels-below", number - 1), ("dowels-above", number)))
    title = f"{carving.part.part_id}: slab {number + 1} of {n_slabs}, from {slab.low_mm:.0f} to {slab.high_mm:.0f} mm above the datum"
    low_x, low_y = slab.outline.bounds[:2]
    texts = ((float(low_x), float(low_y) - 10.0, title),)
    return Drawing(
        f"slab-{number + 1:02d}", title,
        (
            Layer("outline", rings_of(slab.outline)), Layer("section-bottom", rings_of(slab.lower)), Layer("section-top", rings_of(slab.upper)),
            below, above, Layer("datum", (), datum_cross(), texts),
        ),
    )  # fmt: skip


def _slab_dowels(carving: Carving, name: str, joint: int) -> Layer:
    """The dowels of one joint between slabs, named as the table of dowels names them."""
    diameter = carving.settings.dowel_mm
    places = [(np.array([d.x_mm, d.y_mm]), f"D{k + 1}") for k, d in enumerate(carving.stack.dowels) if d.joint == joint]
    return Layer(name, tuple(circle(place, diameter) for place, _ in places), (), tuple(_beside(place, diameter, told) for place, told in places))


def _beside(centre: FloatArray, diameter_mm: float, name: str) -> tuple[float, float, str]:
    return float(centre[0]) + diameter_mm / 2.0 + 1.0, float(centre[1]) + 1.0, name


def _middle(ring: FloatArray) -> tuple[float, float]:
    x, y = ring.mean(axis=0)
    return float(x), float(y)


def circle(centre: FloatArray, diameter_mm: float) -> FloatArray:
    """A round as a closed line (n, 2)."""
    angle = 2.0 * np.pi * np.arange(N_ROUND) / N_ROUND
    return np.asarray(centre + diameter_mm / 2.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1))


def datum_cross() -> tuple[FloatArray, ...]:
    """Two short lines through the datum."""
    return np.array([[-CROSS_MM, 0.0], [CROSS_MM, 0.0]]), np.array([[0.0, -CROSS_MM], [0.0, CROSS_MM]])
