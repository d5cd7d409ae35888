"""Bores and sockets of one replica for its armature: laid with the most wall, proven, cut, and listed from datum points. Surfaces in and out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.bore_cuts import bore_tool, cut_bores, least_between
from meshtools.geometry.bore_search import square_to
from meshtools.geometry.bores import Bore, BoreAsked, lay_bore
from meshtools.geometry.datum import Datum, find_datum
from meshtools.geometry.distance import Surface
from meshtools.geometry.drill_template import TemplateHole, drill_template
from meshtools.geometry.hole_sizes import hole_mm_of, wall_mm_of
from meshtools.geometry.sockets import is_way_free, lead_mm, second_dowel
from meshtools.model import EvidenceClass, Finding, FloatArray, Mesh, Origin, Severity, SourceEntry
from meshtools.model_fixings import BORE, DOWELS, FLAT, PLAIN, SOCKET, Fixing, RowStretch
from meshtools.model_ready import Drawing
from meshtools.settings_fixings import FixingSettings

MADE = SourceEntry(EvidenceClass.MADE, "", Origin.MADE)
SEEN_DIAMETERS = 4.0  # a drill template shows so much of the end of a bone, seen along the hole
DATUM_SPREAD_MM = 3.0  # datum points that are found less surely than this are told


@dataclass(frozen=True, eq=False)
class Hole:
    """A hole that is cut: points (n, 3) of its axis from the skin to the skin or to its bottom, in the coordinates of replica.ply, mm."""

    name: str
    kind: str
    points: FloatArray
    rod_mm: float
    hole_mm: float
    wall_mm: float
    thinnest: FloatArray
    flat_mm: float | None = None

    @property
    def is_blind(self) -> bool:
        """True for a hole with a bottom."""
        return self.kind == SOCKET

    @property
    def depth_mm(self) -> float:
        """Length of the axis."""
        return float(np.sqrt((np.diff(self.points, axis=0) ** 2).sum(axis=1)).sum())

    @property
    def flat(self) -> FloatArray | None:
        """The vector (3,) from the axis to the middle of the flat, where there is one."""
        return None if self.flat_mm is None else self.flat_mm * square_to(-self.outward())[0]

    def outward(self, at_end: bool = False) -> FloatArray:
        """Unit direction (3,) out of the bone at its first mouth, or along the axis at its other end."""
        way = self.points[-1] - self.points[-2] if at_end else self.points[0] - self.points[1]
        return np.asarray(way / np.sqrt(np.sum(way**2)))


@dataclass(frozen=True, eq=False)
class FixingsResult:
    """A replica with its holes cut, None where none could be; sources: its source table; drawings: a template for each mouth."""

    mesh: Mesh | None
    sources: tuple[SourceEntry, ...]
    facts: Mapping[str, Any]
    findings: tuple[Finding, ...]
    drawings: tuple[Drawing, ...]


def cut_fixings(
    mesh: Mesh, sources: tuple[SourceEntry, ...], fixings: Sequence[Fixing], stretches: Sequence[RowStretch], settings: FixingSettings
) -> FixingsResult:
    """Lay and cut the holes that fixings.csv asks for in one replica, and those of the rows that go through it.

    A hole whose wall cannot be kept is not cut; the finding says where it is too thin. Positions are in the coordinates of replica.ply.
    """
    holes: list[Hole] = []
    findings: list[Finding] = []
    for number, fixing in enumerate(fixings, start=1):
        found, told = _laid(mesh, fixing, settings, str(number))
        holes += found
        findings += told
    for stretch in stretches:
        hole, told = _of_row(stretch)
        holes += [hole] if hole else []
        findings += told
    findings += _meetings(holes, settings)
    if not holes:
        return FixingsResult(None, sources, {"holes": [], "datum": None}, tuple(findings), ())
    table = sources if MADE in sources else (*sources, MADE)
    try:
        cut = _cut(mesh, holes, table.index(MADE), findings)
        datum = find_datum(_original_skin(cut, table.index(MADE)))
        drawings = tuple(_templates(mesh, holes, datum))
    except GeometryError as error:
        finding = Finding(Severity.FAILED, "bores-not-cut", f"{error}.")
        return FixingsResult(None, sources, {"holes": [], "datum": None}, (*findings, finding), ())
    if float(datum.spread_mm.max()) > DATUM_SPREAD_MM:
        message = (f"Datum point {'ABC'[int(datum.spread_mm.argmax())]} can be taken {datum.spread_mm.max():.1f} mm off, because the bone is blunt "
                   "there; mark it from the drill template.")  # fmt: skip
        findings.append(Finding(Severity.NOTE, "datum-blunt", message, round(float(datum.spread_mm.max()), 2), DATUM_SPREAD_MM, "mm"))
    facts = {"holes": [_hole_facts(hole) for hole in holes], "datum": _datum_facts(datum), **_size_facts(cut)}
    return FixingsResult(cut, table, facts, tuple(findings), drawings)


def _laid(mesh: Mesh, fixing: Fixing, settings: FixingSettings, name: str) -> tuple[list[Hole], list[Finding]]:
    findings = _checked_row(fixing, settings)
    hole_mm, wall_mm = hole_mm_of(fixing, settings), wall_mm_of(fixing, settings)
    rod_depth = fixing.depth_mm
    if fixing.kind == SOCKET and rod_depth is None:
        rod_depth = settings.engagement_diameters * fixing.diameter_mm
    depth = None if rod_depth is None else rod_depth + settings.free_end_mm
    asked = BoreAsked(hole_mm / 2, wall_mm, depth, fixing.point, fixing.towards)
    label = f"The {'socket' if depth is not None else 'bore'} for the rod of {fixing.diameter_mm:g} mm"
    try:
        bore = lay_bore(mesh, asked)
    except GeometryError as error:
        return [], [*findings, Finding(Severity.REVIEW, "bore-refused", f"{label} is not cut: {error}.")]
    if not bore.keeps(wall_mm):
        return [], [*findings, refused(label, bore.wall_mm, wall_mm, bore.thinnest, bore.radius_mm)]
    flat = settings.flat_share * hole_mm / 2 if fixing.turn_stop == FLAT else None
    kind = SOCKET if bore.is_blind else BORE
    holes = [_hole(name, kind, fixing, bore, flat)]
    if fixing.turn_stop == DOWELS:
        second = second_dowel(mesh, bore, asked)
        if second is None or not second.keeps(wall_mm):
            where = bore.start if second is None else second.thinnest
            wall = -bore.radius_mm if second is None else second.wall_mm
            findings.append(refused("The second dowel that keeps the bone from turning", wall, wall_mm, where, bore.radius_mm))
        else:
            holes.append(_hole(f"{name}b", kind, fixing, second, None))
    skin = Surface(mesh)
    for hole in holes:
        if not is_way_free(skin, hole.points[0], hole.outward(), hole.hole_mm / 2):
            message = f"{label}: bone stands in the straight way to its mouth at {place_words(hole.points[0])}; the rod cannot be put in from there."
            findings.append(Finding(Severity.REVIEW, "way-in-blocked", message))
    return holes, findings


def _checked_row(fixing: Fixing, settings: FixingSettings) -> list[Finding]:
    """What a row asks for against the trade's rules of thumb."""
    findings = []
    wall, usual = wall_mm_of(fixing, settings), settings.wall_diameters * fixing.diameter_mm
    if wall < usual:
        message = f"A wall of {wall:g} mm is asked for about a rod of {fixing.diameter_mm:g} mm; {usual:g} mm is usual."
        findings.append(Finding(Severity.REVIEW, "wall-asked-thin", message, wall, usual, "mm"))
    least = settings.engagement_diameters * fixing.diameter_mm
    if fixing.depth_mm is not None and fixing.depth_mm < least:
        message = f"The rod of {fixing.diameter_mm:g} mm sits only {fixing.depth_mm:g} mm deep; {least:g} mm is usual."
        findings.append(Finding(Severity.REVIEW, "engagement-short", message, fixing.depth_mm, least, "mm"))
    if fixing.kind == SOCKET and fixing.turn_stop == PLAIN:
        message = f"Nothing keeps the bone from turning on its rod of {fixing.diameter_mm:g} mm; choose a flat or dowels, or hold it elsewhere."
        findings.append(Finding(Severity.NOTE, "may-turn", message))
    return findings


def refused(label: str, wall_mm: float, asked_mm: float, place: FloatArray | Sequence[float], radius_mm: float) -> Finding:
    """The finding of a hole that is not cut, with the place where its wall is too thin and the widest hole that would keep it."""
    largest = 2.0 * (wall_mm + radius_mm - asked_mm)
    remedy = f"a hole of {largest:.1f} mm on this axis would keep it" if largest > 0 else "no hole on this axis keeps it"
    words = f"its wall would be {wall_mm:.1f} mm" if wall_mm > 0 else "it would break through the skin"
    message = f"{label} is not cut: {words} at {place_words(place)}, where a wall of {asked_mm:g} mm is asked for; {remedy}."
    return Finding(Severity.REVIEW, "bore-refused", message, round(wall_mm, 3), asked_mm, "mm")


def place_words(place: FloatArray | Sequence[float]) -> str:
    """`(1.0, 2.0, 3.0) of replica.ply`."""
    return "(" + ", ".join(f"{x:.1f}" for x in place) + ") of replica.ply"


def _hole(name: str, kind: str, fixing: Fixing, bore: Bore, flat_mm: float | None) -> Hole:
    points = np.stack([bore.start, bore.end])
    return Hole(name, kind, points, fixing.diameter_mm, 2 * bore.radius_mm, bore.proven_wall_mm, bore.thinnest, flat_mm)


def _of_row(stretch: RowStretch) -> tuple[Hole | None, list[Finding]]:
    if not stretch.keeps_wall:
        label = f"The bore of row {stretch.row_name} for the tube of {stretch.diameter_mm:g} mm"
        return None, [refused(label, stretch.wall_mm, stretch.wall_asked_mm, stretch.thinnest, stretch.hole_mm / 2)]
    points = np.array(stretch.points)
    return Hole(stretch.row_name, "row", points, stretch.diameter_mm, stretch.hole_mm, stretch.wall_mm, np.array(stretch.thinnest)), []


def _meetings(holes: Sequence[Hole], settings: FixingSettings) -> list[Finding]:
    """Pairs of holes that run into each other, or leave less wall between them than is usual."""
    findings = []
    for one, other in combinations(holes, 2):
        between = min(least_between((a[0], a[1]), (b[0], b[1])) for a in _pieces(one) for b in _pieces(other))
        wall = between - (one.hole_mm + other.hole_mm) / 2
        usual = settings.wall_diameters * min(one.rod_mm, other.rod_mm)
        if wall < usual - 1e-6:
            words = f"leave {wall:.1f} mm between them; {usual:g} mm is usual" if wall > 0 else "meet inside the bone"
            findings.append(Finding(Severity.REVIEW, "holes-meet", f"Holes {one.name} and {other.name} {words}.", round(wall, 3), usual, "mm"))
    return findings


def _pieces(hole: Hole) -> list[FloatArray]:
    return [hole.points[k : k + 2] for k in range(len(hole.points) - 1)]


def _cut(mesh: Mesh, holes: Sequence[Hole], made: int, findings: list[Finding]) -> Mesh:
    tools = []
    for hole in holes:
        lead = lead_mm(hole.hole_mm / 2)
        points = hole.points.copy()
        points[0] += lead * hole.outward()
        if not hole.is_blind:
            points[-1] += lead * hole.outward(at_end=True)
        tools.append(bore_tool(points, hole.hole_mm / 2, made, mesh.colour is not None, hole.flat_mm))
    cutting = cut_bores(mesh, tools, sum(not hole.is_blind for hole in holes))
    audit = audit_topology(cutting.mesh)
    if not audit.is_closed:
        raise GeometryError("the bone is not closed after its holes were cut; look at its page")
    if not cutting.is_as_planned:
        message = "The holes open into a hollow or into each other, or a sliver of bone fell off; look at bored.ply before it is made."
        findings.append(Finding(Severity.REVIEW, "bores-not-as-planned", message))
    return cutting.mesh


def _original_skin(cut: Mesh, made: int) -> FloatArray:
    """Corners of the skin that no hole made, without the rims of holes."""
    is_made = cut.source == made
    of_holes = np.zeros(len(cut.vertices), dtype=bool)
    of_holes[cut.faces[is_made].ravel()] = True
    left = np.zeros(len(cut.vertices), dtype=bool)
    left[cut.faces[~is_made].ravel()] = True
    return np.asarray(cut.vertices[left & ~of_holes])


def _templates(mesh: Mesh, holes: Sequence[Hole], datum: Datum) -> list[Drawing]:
    drawings = []
    for hole in holes:
        for which, at_end in (("", False), ("-out", True)):
            if at_end and hole.is_blind:
                continue
            point = hole.points[-1 if at_end else 0]
            mouth = TemplateHole(f"{hole.name}{which}", point, hole.outward(at_end), hole.hole_mm, hole.flat)
            depth = f", {hole.depth_mm:.1f} mm deep" if hole.is_blind else ""
            title = f"Hole {hole.name}{' at its other end' if at_end else ''}: drill {hole.hole_mm:.2f} mm{depth}, seen along the drill, 1:1"
            drawings.append(drill_template(mesh, mouth, datum.points, title, SEEN_DIAMETERS * hole.hole_mm))
    return drawings


def _hole_facts(hole: Hole) -> dict[str, Any]:
    def listed(values: FloatArray) -> Any:
        return (np.round(values, 4) + 0.0).tolist()

    return {
        "name": hole.name, "kind": hole.kind, "points_mm": listed(hole.points), "rod_mm": hole.rod_mm, "hole_mm": round(hole.hole_mm, 4),
        "depth_mm": round(hole.depth_mm, 4), "wall_mm": round(hole.wall_mm, 4), "thinnest_mm": listed(hole.thinnest),
        "flat_mm": None if hole.flat is None else listed(hole.flat),
    }  # fmt: skip


def _datum_facts(datum: Datum) -> dict[str, Any]:
    points = {letter: [round(float(x), 4) + 0.0 for x in point] for letter, point in zip("ABC", datum.points, strict=True)}
    lengths = dict(zip(("A to B", "B to C", "A to C"), (round(length, 3) for length in datum.lengths_mm), strict=True))
    return {"points_mm": points, "lengths_mm": lengths, "spread_mm": [round(float(s), 3) for s in datum.spread_mm],
            "datum_from_replica": (datum.datum_from_part.round(12) + 0.0).tolist()}  # fmt: skip


def _size_facts(mesh: Mesh) -> dict[str, Any]:
    audit = audit_topology(mesh)
    extents = np.ptp(mesh.vertices, axis=0).tolist()
    return {"n_faces": audit.n_faces, "n_pieces": audit.n_pieces, "volume_mm3": audit.volume_mm3, "extents_mm": extents}
