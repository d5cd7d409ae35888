"""A drawing as SVG at 1:1: width and height in mm, one unit a millimetre, y turned so that it points up on paper."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

import numpy as np

from meshtools.files.drawing_text import printable
from meshtools.model import FloatArray
from meshtools.model_ready import Drawing, Layer

MARGIN_MM = 10.0
LINE_MM = 0.35  # ISO 128 line widths: 0.35 and 0.5 mm are usual on paper
TEXT_MM = 5.0
WIDE_LETTER = 0.62  # width of a letter in its height, on the wide side for a line of a sans-serif face
DASHES = ("none", "6 2", "2 2", "8 2 2 2", "1 2", "4 1")  # so that layers differ without colour


def write_svg(drawing: Drawing) -> bytes:
    """The drawing as SVG 1.1; equal drawings give equal bytes. Layers are groups with the layer's name and a dash pattern of their own."""
    low, high = drawing_box(drawing)
    width, height = high - low + 2.0 * MARGIN_MM
    shift = np.array([MARGIN_MM - low[0], high[1] + MARGIN_MM])
    groups = [_group(layer, number, shift) for number, layer in enumerate(drawing.layers)]
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_number(width)}mm" height="{_number(height)}mm" '
        f'viewBox="0 0 {_number(width)} {_number(height)}">\n<title>{escape(printable(drawing.title))}</title>\n'
    )
    return (head + "".join(groups) + "</svg>\n").encode("utf-8")


def drawing_box(drawing: Drawing) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest point (2,) of all lines and texts; a square of 1 mm where there are none."""
    points = [line for layer in drawing.layers for line in (*layer.closed, *layer.open) if len(line)]
    points += [np.array([[x, y], [x + WIDE_LETTER * TEXT_MM * len(text), y + TEXT_MM]]) for layer in drawing.layers for x, y, text in layer.texts]
    if not points:
        return np.zeros(2), np.ones(2)
    every = np.concatenate(points)
    return every.min(axis=0), every.max(axis=0)


def _group(layer: Layer, number: int, shift: FloatArray) -> str:
    dash = DASHES[number % len(DASHES)]
    lines = [f'<path d="{_path(line, shift)} Z"/>\n' for line in layer.closed if len(line)]
    lines += [f'<path d="{_path(line, shift)}"/>\n' for line in layer.open if len(line)]
    for x, y, text in layer.texts:
        at = f'x="{_number(x + shift[0])}" y="{_number(shift[1] - y)}"'
        font = f'font-family="sans-serif" font-size="{_number(TEXT_MM)}" fill="black" stroke="none"'
        lines.append(f'<text {at} {font}>{escape(printable(text))}</text>\n')
    style = f'fill="none" stroke="black" stroke-width="{_number(LINE_MM)}" stroke-dasharray="{dash}"'
    return f"<g id={quoteattr(printable(layer.name))} {style}>\n{''.join(lines)}</g>\n"


def _path(line: FloatArray, shift: FloatArray) -> str:
    places = [f"{_number(x + shift[0])} {_number(shift[1] - y)}" for x, y in line.tolist()]
    return "M " + " L ".join(places)


def _number(value: float) -> str:
    """Thousandths of a millimetre, without useless zeros or a minus zero."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
