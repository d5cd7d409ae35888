"""What a mould's job sheet says: tables, figures and views."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.distance import Surface
from meshtools.geometry.mould_fittings import Port
from meshtools.geometry.mould_pieces import MouldPiece, RigidMould
from meshtools.geometry.mould_proof import WayOut
from meshtools.geometry.parting import Membrane
from meshtools.geometry.pieces import area_vectors
from meshtools.geometry.undercuts import SHALLOW_MM
from meshtools.model import ColourArray, FloatArray, Mesh
from meshtools.model_ready import Figure, RouteTable, RouteView
from meshtools.settings_mould import ShrinkLink

PieceFigures = tuple[float, float, float, float]  # undercut area and depth, least draft, share of the imprint below 3 degrees
DRAFT_STEPS_DEG = (0.0, 1.0, 3.0, 5.0, 15.0, 45.0)
_GREYS = (70, 110, 150, 185, 215, 240)  # by draft: even steps of grey, darkest where it sticks
_MADE_GREY, _BONE_GREY = 225, 150


def shrink_table(links: Sequence[ShrinkLink], scale: float) -> RouteTable:
    """Each link of the shrink chain with its source and the scale after it, the whole last."""
    rows: list[tuple[str | int | float, ...]] = []
    so_far = 1.0
    for link in links:
        so_far /= 1.0 - link.shrink_percent / 100.0
        rows.append((link.name, link.shrink_percent, round(so_far, 6), link.source))
    rows.append(("pattern scale", "", round(scale, 6), "1 / product of (1 - shrink), closed form"))
    return RouteTable("shrink", "Shrink from pattern to casting", ("step", "shrink %", "scale so far", "source"), tuple(rows))


def parting_table(lines: Sequence[FloatArray]) -> RouteTable:
    """The points of the parting lines on the pattern, in order; the last point of a line joins its first."""
    rows = tuple((k + 1, n + 1, *(round(float(x), 3) for x in point)) for k, line in enumerate(lines) for n, point in enumerate(line))
    return RouteTable("parting-line", "Parting lines on the pattern (closed)", ("line", "point", "x mm", "y mm", "z mm"), rows)


def parting_figures(lines: Sequence[FloatArray], membrane: Membrane | None = None) -> tuple[Figure, ...]:
    """Number and length of the parting lines, the largest step in height between neighbouring points with its place and, of a mould's pieces, how
    far above or below the line their flange meets the bone's outline at most."""
    along = [np.roll(line, -1, axis=0) - line for line in lines]
    figures = [
        Figure("parting lines", len(lines), "", "around the silhouette and each hole in it"),
        Figure("parting line, length", round(float(sum(np.linalg.norm(ways, axis=1).sum() for ways in along)), 1), "mm", "measured"),
    ]
    if lines:
        points, ways = np.concatenate(lines), np.concatenate(along)
        k = int(np.argmax(np.abs(ways[:, 2])))
        place = ", ".join(f"{x + 0.0:.1f}" for x in points[k] + ways[k] / 2)
        basis = f"in height, from one point to the next, {np.linalg.norm(ways[k, :2]):.2f} mm on; at x, y, z = {place} mm of the mould"
        figures.append(Figure("parting line, largest step", round(float(abs(ways[k, 2])), 2), "mm", basis))
        if membrane is not None:
            off = float(np.abs(membrane.at(points) - points[:, 2]).max())
            figures.append(Figure("flange above or below the line, at most", round(off, 2), "mm", "there the halves meet upright along the outline"))
    return tuple(figures)


def piece_draft_deg(mesh: Mesh, direction: FloatArray, is_bone: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Draft in degrees (k,) and area (k,) of the faces of a piece that lie on the bone: how far each leans away from the way out."""
    vectors = area_vectors(mesh.vertices, mesh.faces)[is_bone]
    size = np.linalg.norm(vectors, axis=1)
    kept = size > 1e-9
    lean = -np.einsum("ij,j->i", vectors[kept], direction) / size[kept]
    return np.degrees(np.arcsin(np.clip(lean, -1.0, 1.0))), size[kept]


def pieces_table(pieces: Sequence[MouldPiece], ways: Sequence[WayOut], good: Sequence[bool], figures: Sequence[PieceFigures]) -> RouteTable:
    """A row a piece, in the order they come off. figures: undercut area and depth, least draft, share of the area below 3 degrees."""
    header = ("order", "piece", "out along x", "y", "z", "undercut mm²", "depth mm", "least draft deg", "below 3 deg %", "volume cm³",
              "overlap on the way out mm³", "rays stopped", "good")
    rows = [
        (k + 1, piece.name, *(round(float(x) + 0.0, 4) for x in piece.direction), round(area, 1), round(depth, 3), round(least, 2),
         round(100 * share, 1), round(piece.solid.volume() / 1000, 2), round(way.overlap_mm3, 6), way.n_hits, "yes" if is_good else "no")
        for k, (piece, way, is_good, (area, depth, least, share)) in enumerate(zip(pieces, ways, good, figures, strict=True))
    ]
    return RouteTable("pieces", "Mould pieces in the order they come off (axes of the mould)", header, tuple(rows))


def draft_view(mesh: Mesh, depth_mm: FloatArray, limit_mm: float) -> RouteView:
    """The bone coloured by its draft against z, the darker the steeper; hatched where an undercut deeper than the limit stays filled.
    depth_mm: of each corner (n,)."""
    vectors = area_vectors(mesh.vertices, mesh.faces)
    lean = np.abs(vectors[:, 2]) / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)
    step = np.searchsorted(DRAFT_STEPS_DEG, np.degrees(np.arcsin(np.clip(lean, 0.0, 1.0))), side="right") - 1
    is_undercut = np.asarray((depth_mm[mesh.faces] > limit_mm).all(axis=1))
    steps = ", ".join(f"{low:g}" for low in DRAFT_STEPS_DEG[1:])
    title = f"Draft of the bone against the halves' way out: grey steps at {steps} degrees, light is more; hatched: undercut over {limit_mm:g} mm"
    return RouteView(title, mesh, _greys(np.array(_GREYS)[step]), np.array([0.0, 1.0, -0.35]), np.array([0.0, 0.0, 1.0]), is_undercut)


def piece_views(pieces: Sequence[MouldPiece], meshes: Sequence[Mesh], made: int) -> tuple[RouteView, ...]:
    """Each piece seen from the cavity along its way out, the bone's imprint darker."""
    views = []
    for piece, mesh in zip(pieces, meshes, strict=True):
        up = np.eye(3)[int(np.argmin(np.abs(piece.direction)))]
        colours = _greys(np.where(mesh.source == made, _MADE_GREY, _BONE_GREY))
        views.append(RouteView(f"Piece {piece.name}, seen from the cavity along its way out", mesh, colours, piece.direction, up))
    return tuple(views)


def _greys(levels: NDArray[np.int64]) -> ColourArray:
    return np.repeat(levels.astype(np.uint8)[:, None], 3, axis=1)


def mass_figures(name: str, volume_mm3: float, density_kg_m3: float, basis: str) -> tuple[Figure, Figure]:
    """Volume in cm3 and mass in kg of a body."""
    cm3 = volume_mm3 / 1000.0
    volume = Figure(f"{name}, volume", round(cm3, 2), "cm³", "measured on the body")
    return volume, Figure(f"{name}, mass", round(cm3 * density_kg_m3 / 1e6, 4), "kg", basis)


def piece_figures(mould: RigidMould, number: int, meshes: Sequence[Mesh], made: int) -> PieceFigures:
    """Undercut area and depth beside a piece, its least draft on the bone, and the share of its imprint below 3 degrees. An undercut belongs to
    the piece whose surface is nearest to it."""
    cuts, mesh = mould.undercuts, meshes[number]
    points, depth = np.concatenate([cuts.points, cuts.wall_points]), np.concatenate([cuts.depth_mm, cuts.wall_depth_mm])
    rows = np.flatnonzero(depth > SHALLOW_MM)
    n_even = len(cuts.points) - len(mould.bone.mesh.vertices)
    if len(rows):
        nearest = np.argmin([Surface(other).distance(points[rows])[0] for other in meshes], axis=0)
        rows = rows[nearest == number]
    area = float(mould.bone.solid.surface_area()) * int(np.count_nonzero(rows < n_even)) / n_even
    draft, size = piece_draft_deg(mesh, mould.pieces[number].direction, mesh.source != made)
    return area, float(depth[rows].max(initial=0.0)), float(draft.min(initial=90.0)), float(size[draft < 3.0].sum() / max(size.sum(), 1e-12))


def jacket_figures(piece: MouldPiece, mesh: Mesh, lining: Surface) -> PieceFigures:
    """As for a rigid piece: no undercut; least draft on the rubber, and the share of that imprint below 3 degrees."""
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    on_rubber = lining.distance(middles)[0] < 1e-6
    draft, size = piece_draft_deg(mesh, piece.direction, on_rubber)
    return 0.0, 0.0, float(draft.min(initial=90.0)), float(size[draft < 3.0].sum() / max(size.sum(), 1e-12))


def ports_table(ports: Sequence[Port]) -> RouteTable:
    """A row for the pour and each vent."""
    rows: list[tuple[str | int | float, ...]] = [
        (port.kind, *(round(float(x), 2) for x in port.point), port.diameter_mm, round(port.prominence_mm, 2)) for port in ports
    ]
    header = ("what", "x mm", "y mm", "z mm", "diameter mm", "prominence mm")
    return RouteTable("pour-and-vents", "Pour and vents (axes of the mould)", header, tuple(rows))
