"""A drawing as DXF (release AC1024, text) in mm, with everything that a library would stamp with the time or a random number set to fixed values."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from meshtools.files.drawing_text import dxf_text
from meshtools.model_ready import Drawing, Layer

TEXT_MM = 5.0
MM_UNITS, METRIC = 4, 1  # $INSUNITS and $MEASUREMENT of the DXF reference
_FORBIDDEN = re.compile(r'[<>/\\":;?*|=,`\x00-\x1f]')  # signs a layer's name may not hold (DXF reference)
_COLOURS = (7, 1, 5, 3, 6, 4, 2)  # colour numbers of the format: black or white, red, blue, green, magenta, cyan, yellow


def write_dxf(drawing: Drawing) -> bytes:
    """The drawing as DXF; equal drawings give equal bytes. Closed lines are closed LWPOLYLINE entities on a layer of their own name."""
    import ezdxf

    with _without_stamps():
        document = ezdxf.new("R2010")
        document.header["$INSUNITS"] = MM_UNITS
        document.header["$MEASUREMENT"] = METRIC
        space = document.modelspace()
        for number, layer in enumerate(drawing.layers):
            name = layer_name(layer.name)
            if name not in document.layers:
                document.layers.add(name, color=_COLOURS[number % len(_COLOURS)])
            _draw(space, layer, name)
        classes = document.classes
        classes.add_required_classes(document.dxfversion)
        classes.classes = dict(sorted(classes.classes.items()))  # the library takes them from a set, whose order differs between processes
        text = io.StringIO()
        document.write(text)
    return text.getvalue().encode("utf-8")


def layer_name(name: str) -> str:
    """The name with signs that the format forbids replaced by an underscore."""
    return _FORBIDDEN.sub("_", name).strip() or "_"


def _draw(space: Any, layer: Layer, name: str) -> None:
    for lines, is_closed in ((layer.closed, True), (layer.open, False)):
        for line in lines:
            if len(line) >= 2:
                space.add_lwpolyline([(round(x, 6), round(y, 6)) for x, y in line.tolist()], close=is_closed, dxfattribs={"layer": name})
    for x, y, text in layer.texts:
        entity = space.add_text(dxf_text(text), height=TEXT_MM, dxfattribs={"layer": name})
        entity.set_placement((round(float(x), 6), round(float(y), 6)))


@contextmanager
def _without_stamps() -> Iterator[None]:
    """The library writes fixed dates, GUIDs and versions while this lasts; its option is put back as it was."""
    import ezdxf

    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
