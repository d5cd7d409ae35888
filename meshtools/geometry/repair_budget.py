"""What a repair may cost: how much surface it may take away and invent, and how far it may change the volume, before a person is asked."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.geometry.measure import greatest_length
from meshtools.geometry.orient import enclosed_volumes
from meshtools.geometry.pieces import has_faces, label_pieces, mesh_areas, piece_labels
from meshtools.geometry.threads import at_once
from meshtools.model import Find, Finding, FloatArray, IntArray, Mesh, Severity
from meshtools.settings import CleanSettings


@dataclass(frozen=True)
class RepairBudget:
    """Most that the repair of one kind of defect may take away, invent (percent of the area) and change (percent of the volume)."""

    removed_percent: float
    invented_percent: float
    volume_percent: float


@dataclass(frozen=True, eq=False)
class Repair:
    """A mesh after one kind of repair, with what it took. n_refused: places left as they were, because the budget did not reach or no
    sound refill was found; `why` says which, refused_percent how much surface they hold, refused_mm where the largest lies."""

    kind: str
    mesh: Mesh
    n_places: int = 0
    removed_percent: float = 0.0
    invented_percent: float = 0.0
    volume_percent: float = 0.0
    n_refused: int = 0
    refused_percent: float = 0.0
    refused_mm: FloatArray = field(default_factory=lambda: np.zeros(3))
    why: str = ""
    span_mm: float = 0.0
    """Largest extent of one new patch of skin."""
    depth_mm: float = 0.0
    """How far skin that was taken away lies from the skin now, or new skin from what was there, whichever is farther. Of what dangles only
    layers are measured that another one at the same edges might stand for."""
    depth_at_mm: FloatArray = field(default_factory=lambda: np.zeros(3))

    def without_mesh(self) -> Repair:
        """The figures alone: a large mesh that only a record refers to is memory lost."""
        return replace(self, mesh=Mesh.create(np.zeros((0, 3)), np.zeros((0, 3), np.int32)))

    def row(self) -> dict[str, Any]:
        """The repair as plain figures for a record."""
        return {
            "kind": self.kind, "n_places": self.n_places, "removed_percent": round(self.removed_percent, 6),
            "invented_percent": round(self.invented_percent, 6), "volume_percent": round(self.volume_percent, 6),
            "span_mm": round(self.span_mm, 6), "depth_mm": round(self.depth_mm, 6),
            "n_refused": self.n_refused, "refused_percent": round(self.refused_percent, 6),
        }  # fmt: skip


def surface_area(mesh: Mesh) -> float:
    """Area of all faces in mm2."""
    return float(mesh_areas(mesh).sum())


def enclosed_volume(mesh: Mesh) -> float:
    """Volume in mm3 that the pieces enclose together, rims closed by fans; each piece counts as if it faced outwards."""
    return float(np.abs(enclosed_volumes(mesh, piece_labels(mesh))).sum()) if len(mesh.faces) else 0.0


def span_of_new(vertices: FloatArray, faces: IntArray) -> float:
    """Largest extent in mm of a patch among some faces."""
    labels = label_pieces(faces, len(vertices))
    order = np.argsort(labels, kind="stable")
    patches = np.split(faces[order], np.flatnonzero(np.diff(labels[order])) + 1) if len(faces) else []
    return max((greatest_length(vertices[np.unique(patch)]) for patch in patches), default=0.0)


def with_depth(repair: Repair, before: Mesh, changed: tuple[NDArray[np.bool_], NDArray[np.bool_]] | None = None) -> Repair:
    """The repair with its depth: corners, middles of edges and centres of all faces that changed, measured to the other surface.

    changed: faces of the mesh before and of the mesh now of which that is known; else they are looked for.
    """
    after = repair.mesh
    gone, new = changed or (~has_faces(after, before), ~has_faces(before, after))
    depths = at_once([partial(farthest_from, before, gone, after), partial(farthest_from, after, new, before)])
    depth, place = max(depths, key=lambda found: found[0])
    return replace(repair, depth_mm=depth, depth_at_mm=place)


def farthest_from(mesh: Mesh, is_asked: NDArray[np.bool_], other: Mesh) -> tuple[float, FloatArray]:
    """The largest distance to the other mesh over some faces, and where that is."""
    from meshtools.geometry.distance_nearby import farthest_nearby

    corners = mesh.vertices[mesh.faces[is_asked]]
    if not len(corners) or not len(other.faces):
        return 0.0, np.zeros(3)
    points = np.concatenate([corners, (corners + np.roll(corners, 1, axis=1)) / 2, corners.mean(axis=1)[:, None]], axis=1).reshape(-1, 3)
    distance, farthest = farthest_nearby(points, other)
    return distance, points[farthest]


def over_budget(budget: RepairBudget, removed_percent: float, invented_percent: float, volume_percent: float) -> str:
    """Which limit the figures exceed, as a sentence's end; empty where they exceed none."""
    checks = (
        ("would take away", removed_percent, budget.removed_percent, "the area"),
        ("would invent", invented_percent, budget.invented_percent, "the area"),
        ("would change", volume_percent, budget.volume_percent, "the volume"),
    )
    for words, value, limit, of in checks:
        if value > limit:
            return f"mending it {words} {value:.2f} % of {of}, more than {limit:g} %"
    return ""


WORDS = {
    "dangling": "sheets and splinters that hang on the bone by an edge or a corner",
    "crack": "open cracks along edges",
    "doubled-sheet": "second layers close above the skin",
    "crossing": "places where the surface passes through itself",
    "spike": "single points far off the surface around them",
}


EITHER_SHARE = 0.1
"""Two layers over one rim, either of which may be the skin, are asked about from this share of the part tolerance on (our default)."""
MUST_NOT_MOVE = ("crossing",)
"""Repairs that put new skin in the place of the bone's own. What others take away was never bone, such as a spike."""


def repair_findings(find: Find, repairs: tuple[Repair, ...], length_mm: float, settings: CleanSettings) -> list[Finding]:
    """A note for every kind of repair that was made; a question for every one that was not, that spans much of the bone's length, or that
    moved the bone's skin by more than the part may be off."""
    findings, most_span_percent = [], settings.fill_span_review_percent
    for repair in repairs:
        words = WORDS[repair.kind]
        if repair.n_places:
            x, y, z = repair.depth_at_mm
            depth = f" The farthest lay {repair.depth_mm:.2f} mm off, near ({x:.1f}, {y:.1f}, {z:.1f}) mm."
            depth = depth if repair.depth_mm and repair.kind != "dangling" else ""
            message = (
                f"{find.find}: {words}: {repair.n_places} mended, {repair.removed_percent:.3f} % of the area taken away, "
                f"{repair.invented_percent:.3f} % filled; the volume changed by {repair.volume_percent:.3f} %.{depth}"
            )
            findings.append(Finding(Severity.NOTE, f"repaired-{repair.kind}", message, repair.n_places, 0, "places"))
            limit_mm = settings.part_tolerance_mm
            if repair.kind in MUST_NOT_MOVE and repair.depth_mm > limit_mm:
                message = (
                    f"{find.find}: {words}: the skin before and after mending lies up to {repair.depth_mm:.2f} mm apart, near ({x:.1f}, "
                    f"{y:.1f}, {z:.1f}) mm, more than the tolerance of {limit_mm:g} mm. Compare the clean surface with the scan there, or scan "
                    "again."
                )
                findings.append(Finding(Severity.REVIEW, "repair-depth", message, round(repair.depth_mm, 6), limit_mm, "mm"))
            if repair.kind == "dangling" and repair.depth_mm > EITHER_SHARE * limit_mm:
                message = (
                    f"{find.find}: two layers of skin end at the same edges all round and lie up to {repair.depth_mm:.2f} mm apart, near ({x:.1f}, "
                    f"{y:.1f}, {z:.1f}) mm. The scan does not say which is the bone's; one of them went. Compare the clean surface with the "
                    "scan there, or sign the replica off."
                )
                findings.append(Finding(Severity.REVIEW, "repair-either", message, round(repair.depth_mm, 6), EITHER_SHARE * limit_mm, "mm"))
            limit_percent = settings.repair_invented_percent
            if repair.kind == "spike" and repair.invented_percent > limit_percent:
                message = (
                    f"{find.find}: {words}: {repair.invented_percent:.2f} % of the area is new, laid among the points around them, more than "
                    f"{limit_percent:g} %. Look at the clean surface, or scan again."
                )
                findings.append(Finding(Severity.REVIEW, "repair-spike", message, round(repair.invented_percent, 6), limit_percent, "%"))
        span_percent = 100.0 * repair.span_mm / length_mm if length_mm > 0 else 0.0
        if span_percent > most_span_percent:
            message = (
                f"{find.find}: {words}: new skin spans {repair.span_mm:.1f} mm, {span_percent:.1f} % of the length, more than "
                f"{most_span_percent:g} %, so the form there is a guess. Look at the clean surface, or scan again."
            )
            findings.append(Finding(Severity.REVIEW, "repair-span", message, round(span_percent, 6), most_span_percent, "%"))
        if repair.n_refused:
            x, y, z = repair.refused_mm
            message = (
                f"{find.find}: {words}: {repair.n_refused} left as scanned, {repair.refused_percent:.2f} % of the area, the largest near "
                f"({x:.1f}, {y:.1f}, {z:.1f}) mm, because {repair.why}. Look at the scan there: mend it, scan again, or sign the replica off."
            )
            findings.append(Finding(Severity.REVIEW, f"repair-{repair.kind}", message, repair.n_refused, 0, "places"))
    return findings
