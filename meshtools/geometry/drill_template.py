"""The drill template of a hole at 1:1: the end of the bone as seen along the hole, with a cross, the hole's circle and the datum marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.bore_search import square_to
from meshtools.geometry.outlines import signed_area
from meshtools.geometry.unite import kernel_solid
from meshtools.model import FloatArray, Mesh
from meshtools.model_ready import Drawing, Layer

CIRCLE_SIDES = 72
CROSS = 1.5  # of the diameter: half the length of the cross
CHECK_LENGTH_MM = 50.0  # a line to measure on the print-out, so that a scaled print is noticed
OUTLINE_MM = 0.05  # the outline is simplified by no more
LETTERS = ("A", "B", "C")


@dataclass(frozen=True, eq=False)
class TemplateHole:
    """A hole as it is drilled: where its axis meets the skin (3,), the unit direction out of the bone (3,), and the drill's diameter.

    flat: the vector (3,) from the axis to the middle of a flat that keeps a rod from turning; None for a round hole.
    """

    name: str
    point: FloatArray
    outward: FloatArray
    diameter_mm: float
    flat: FloatArray | None = None


def template_axes(outward: FloatArray) -> FloatArray:
    """Rows (3, 3): right and up on the sheet and the direction towards the viewer, who looks into the hole."""
    return np.concatenate([square_to(outward), outward[None]])


def drill_template(mesh: Mesh, hole: TemplateHole, datum: FloatArray, title: str, seen_mm: float) -> Drawing:
    """Draw the outermost `seen_mm` of the bone along a hole, the hole's centre being the origin; datum (3, 3): points A to C.

    Each datum mark has how far it lies before (+) or behind (-) the centre of the hole. GeometryError where the bone is no solid.
    """
    axes = template_axes(hole.outward)
    reach = CROSS * hole.diameter_mm
    radius = hole.diameter_mm / 2
    around = 2 * np.pi * np.arange(CIRCLE_SIDES) / CIRCLE_SIDES
    circle = radius * np.column_stack([np.cos(around), np.sin(around)])
    cross = (np.array([[-reach, 0.0], [reach, 0.0]]), np.array([[0.0, -reach], [0.0, reach]]))
    outline = _outline(mesh, hole.point, axes, seen_mm)
    marks = (datum - hole.point) @ axes.T
    arm = max(hole.diameter_mm / 4, 2.0)
    lines = [mark[:2] + arm * np.array(ends) for mark in marks for ends in ([[-1.0, -1.0], [1.0, 1.0]], [[-1.0, 1.0], [1.0, -1.0]])]
    texts = tuple((float(m[0]) + arm, float(m[1]) + arm, f"{letter} ({m[2]:+.1f} mm)") for letter, m in zip(LETTERS, marks, strict=True))
    low = min(float(ring[:, 1].min()) for ring in (*outline, circle))
    check = np.array([[-CHECK_LENGTH_MM / 2, low - 10.0], [CHECK_LENGTH_MM / 2, low - 10.0]])
    layers = (
        Layer("outline", closed=outline),
        Layer("hole", closed=(circle,), open=_flat_line(hole, axes), texts=((radius, -radius - 6.0, f"drill {hole.diameter_mm:.2f} mm"),)),
        Layer("cross", open=cross),
        Layer("datum", open=tuple(lines), texts=texts),
        Layer("check length", open=(check,), texts=((-CHECK_LENGTH_MM / 2, low - 16.0, f"{CHECK_LENGTH_MM:g} mm: measure it on the sheet"),)),
        Layer("legend", texts=((-CHECK_LENGTH_MM / 2, low - 24.0, "A, B, C: datum points; + nearer to you than the mouth, - farther"),)),
    )
    return Drawing(f"drill-{hole.name}", title, layers)


def _flat_line(hole: TemplateHole, axes: FloatArray) -> tuple[FloatArray, ...]:
    """The flat of a hole as a chord of its circle."""
    if hole.flat is None:
        return ()
    middle = axes[:2] @ hole.flat
    off = float(np.sqrt(middle @ middle))
    half = np.sqrt(max((hole.diameter_mm / 2) ** 2 - off**2, 0.0)) * np.array([-middle[1], middle[0]]) / off
    return (np.stack([middle - half, middle + half]),)


def _outline(mesh: Mesh, origin: FloatArray, axes: FloatArray, seen_mm: float) -> tuple[FloatArray, ...]:
    """The outline of the part of a solid above the plane `seen_mm` below the origin, seen along the third axis."""
    import manifold3d

    local = mesh.replaced(vertices=(mesh.vertices - origin) @ axes.T, colour=None)
    solid = kernel_solid(local, np.arange(len(mesh.faces)))
    if solid is None:
        raise GeometryError("the bone is not a closed solid, so it has no drill template; look at its page")
    section: manifold3d.CrossSection = solid.trim_by_plane((0.0, 0.0, 1.0), -seen_mm).project().simplify(OUTLINE_MM)
    rings = [np.asarray(ring, dtype=np.float64) for ring in section.to_polygons()]
    rings.sort(key=lambda ring: (-abs(signed_area(ring)), tuple(ring.min(axis=0))))
    return tuple(np.roll(ring, -int(np.lexsort(ring.T)[0]), axis=0) for ring in rings)
