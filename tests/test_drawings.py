"""Drawings as DXF and SVG: what a second reader finds in them, and that equal drawings are equal bytes."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time

import numpy as np
from lxml import etree

from meshtools.files.drawing_dxf import write_dxf
from meshtools.files.drawing_svg import MARGIN_MM, TEXT_MM, write_svg
from meshtools.model_ready import Drawing, Layer

SQUARE = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 50.0], [0.0, 50.0]])
DRAWING = Drawing("plate", "Plate <1> & rim", (Layer("outline", (SQUARE,)), Layer("axis/x", (), (SQUARE[:2],), ((1.0, -2.0, "höhe 5 & 6"),))))


def test_a_dxf_opens_without_errors_in_mm_with_closed_lines_on_their_layers() -> None:
    from ezdxf import recover

    document, auditor = recover.read(io.BytesIO(write_dxf(DRAWING)))
    lines = list(document.modelspace().query("LWPOLYLINE"))
    assert (len(auditor.errors), len(auditor.fixes), document.header["$INSUNITS"]) == (0, 0, 4)
    assert [(line.dxf.layer, line.closed) for line in lines] == [("outline", True), ("axis_x", False)]
    assert np.allclose(np.array(lines[0].get_points("xy")), SQUARE)


def test_signs_that_a_format_reads_as_commands_are_drawn_as_they_are_and_what_cannot_be_printed_is_a_blank() -> None:
    from ezdxf import recover

    drawing = Drawing("plate", 'A "1" <2> \x01', (Layer('a"<', (SQUARE,), (), ((0.0, 0.0, '50 %%d ^J \x02 "<&> = #1'),)),))
    document, auditor = recover.read(io.BytesIO(write_dxf(drawing)))
    assert ([text.plain_text() for text in document.modelspace().query("TEXT")], len(auditor.errors)) == (['50 % %d ^J "<&> = #1'], 0)
    root = etree.fromstring(write_svg(drawing))
    assert [node.text for node in root.iter("{*}title", "{*}text")] == ['A "1" <2>', '50 %%d ^J "<&> = #1']
    assert next(root.iter("{*}g")).get("id") == 'a"<'


def test_a_drawing_written_a_second_later_has_the_same_bytes() -> None:
    first = write_dxf(DRAWING), write_svg(DRAWING)
    time.sleep(1.1)
    assert (write_dxf(DRAWING), write_svg(DRAWING)) == first


def test_a_drawing_has_the_same_bytes_whatever_the_order_of_sets_in_a_process() -> None:
    code = "import hashlib, test_drawings as t; print(hashlib.sha256(t.write_dxf(t.DRAWING)).hexdigest())"
    found = set()
    for seed in "135":
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)}
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=True, env=environment)
        found.add(done.stdout)
    assert len(found) == 1


def test_writing_a_drawing_leaves_the_library_as_it_was() -> None:
    import ezdxf

    write_dxf(DRAWING)
    assert ezdxf.options.write_fixed_meta_data_for_testing is False


def test_a_text_at_the_edge_of_an_svg_is_not_cut_off() -> None:
    words = "50 mm: measure it on the print"
    svg = write_svg(Drawing("plate", "Plate", (Layer("outline", (SQUARE,)), Layer("bar", (), (), ((80.0, -5.0, words),)))))
    width = float(etree.fromstring(svg).get("width").removesuffix("mm"))
    assert width >= MARGIN_MM + 80.0 + 0.55 * TEXT_MM * len(words)


def test_an_svg_is_as_large_on_paper_as_what_it_shows() -> None:
    root = etree.fromstring(write_svg(DRAWING))
    path = root.find(".//{*}path").get("d").replace("M", "").replace("L", "").replace("Z", "").split()
    places = np.array(path, float).reshape(-1, 2)
    width, height = (float(root.get(side).removesuffix("mm")) for side in ("width", "height"))
    assert root.get("viewBox") == f"0 0 {width:g} {height:g}"
    assert np.allclose(np.ptp(places, axis=0), [100.0, 50.0])
    assert places[0, 1] > places[2, 1]  # the drawing's y points up on paper
