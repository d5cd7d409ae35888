"""The drawings of a job sheet: three views of the part to scale with its overall sizes, and one picture for each view of the route."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.geometry.caliper_frame import CaliperFrame
from meshtools.geometry.orthographic import scaled_view
from meshtools.geometry.picture import encode_png, render_seen, round_length
from meshtools.model import ColourArray, Mesh, Origin, SourceEntry
from meshtools.model_ready import RouteView

ROOM_MM = (150.0, 125.0)  # of the three views together, on A4, without the figures beside them
GAP_MM = 11.0  # between views, where the figures stand
PX_PER_PAPER_MM = 6.0
SCALES = tuple(m * 10.0**n for n in range(-2, 5) for m in (1.0, 2.0, 5.0))  # ISO 5455: 1, 2, 5 and their tens
FROM_BONE_GREY, OTHER_GREY = 230, 120
PICTURE_PX = (560, 400)


def sheet_pictures(mesh: Mesh, sources: Sequence[SourceEntry], frame: CaliperFrame, views: Sequence[RouteView]) -> dict[str, Any]:
    """All pictures of a sheet: `drawing`, where everything of the three views lies in mm; `files`, name -> PNG; `titles` of the route's views."""
    drawing, files = _drawing(mesh, _greys(mesh, sources), frame)
    titles = []
    for number, view in enumerate(views, 1):
        name = f"view-{number:02d}.png"
        files[name] = encode_png(render_seen(view.mesh, view.face_colours, (view.looking, view.up), PICTURE_PX, hatched=view.hatched))
        titles.append({"file": name, "title": view.title})
    return {"drawing": drawing, "files": files, "titles": titles}


def _greys(mesh: Mesh, sources: Sequence[SourceEntry]) -> ColourArray:
    """Light for surface that was scanned, dark for what was filled or made."""
    table = [[FROM_BONE_GREY if entry.origin is Origin.SCANNED else OTHER_GREY] * 3 for entry in sources]
    return np.array(table, dtype=np.uint8)[mesh.source]


def scale_of(width_mm: float, height_mm: float) -> float:
    """Millimetres of the part for one of paper: the largest drawing of a standard scale that has room."""
    least = max((width_mm / (ROOM_MM[0] - GAP_MM)), height_mm / (ROOM_MM[1] - GAP_MM), 1e-3)
    return next((scale for scale in sorted(SCALES) if scale >= least * (1 - 1e-9)), SCALES[-1])


def scale_words(scale: float) -> str:
    """`1:2`, `5:1`."""
    return f"1:{scale:g}" if scale >= 1 else f"{1 / scale:g}:1"


def _drawing(mesh: Mesh, greys: ColourArray, frame: CaliperFrame) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Front, top and right view: length across, breadth up, depth towards the reader (third angle)."""
    length, breadth, depth = (float(size) for size in frame.box_mm)
    across, up, towards = frame.axes
    scale = scale_of(length + depth, breadth + depth)
    w, h, d = (size / scale for size in (length, breadth, depth))
    below = d + GAP_MM
    seen = {
        "front": ((-towards, up), 0.0, below),
        "top": ((-up, -towards), 0.0, 0.0),
        "right": ((-across, up), w + GAP_MM, below),
    }
    images, files = [], {}
    for name, (directions, x, y) in seen.items():
        view = scaled_view(mesh, greys, directions, scale / PX_PER_PAPER_MM)
        files[f"{name}.png"] = encode_png(view.picture)
        images.append({"file": f"{name}.png", "x": x, "y": y, "w": view.width_mm / scale, "h": view.height_mm / scale})
    bar_mm = round_length(60.0 * scale)
    drawing = {
        "scale": scale_words(scale),
        "height": below + h + 17.0,
        "images": images,
        "dimensions": [
            {"flat": True, "x": 0.0, "y": below + h + 2.5, "length": w, "text": f"{length:.2f} mm"},
            {"flat": True, "x": w + GAP_MM, "y": below + h + 2.5, "length": d, "text": f"{depth:.2f} mm"},
            {"flat": False, "x": w + GAP_MM + d + 3.0, "y": below, "length": h, "text": f"{breadth:.2f} mm"},
        ],
        "texts": [],
        "bar": {"x": 0.0, "y": below + h + 13.0, "length": bar_mm / scale, "text": f"{bar_mm:g} mm"},
    }
    return drawing, files


def drawing_facts(drawing: Mapping[str, Any]) -> dict[str, Any]:
    """What the record keeps of the drawing: its scale and the sizes that it states."""
    return {"scale": drawing["scale"], "stated": [row["text"] for row in drawing["dimensions"]], "bar": drawing["bar"]["text"]}
