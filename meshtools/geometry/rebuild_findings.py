"""What a person should know about a rebuilt replica: whether it is one closed solid, and how far it can be taken for the bone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.counted import counted
from meshtools.geometry.audit import TopologyAudit
from meshtools.geometry.bone_sources import BoneSurface
from meshtools.geometry.closing import FILL_REMEDY
from meshtools.geometry.completing import as_asked_for, still_missing
from meshtools.geometry.opening_place import PlacedScan, place_in_scan, place_of_row
from meshtools.geometry.orient import enclosed_volumes
from meshtools.geometry.passages import Passages
from meshtools.geometry.pieces import piece_labels
from meshtools.geometry.pinning import LEAST_HOLD, Joining
from meshtools.geometry.self_intersection import SelfIntersections
from meshtools.geometry.solid import Closing, OpenRim
from meshtools.geometry.unite import Union
from meshtools.model import EvidenceClass, Finding, FloatArray, Mesh, Opening, Recipe, Severity, SourceEntry
from meshtools.settings import RebuildSettings

HOLES = ("foramen", "canal")  # what may be kept as a pit or a tunnel


@dataclass(frozen=True, eq=False)
class Rebuilt:
    """A replica as the geometric steps left it, before it is described. replica_from_scan (4, 4): from the frame of the first find's scan."""

    recipe: Recipe
    replica_from_scan: FloatArray
    mesh: Mesh
    sources: tuple[SourceEntry, ...]
    bone: BoneSurface
    closing: Closing
    united: Union
    passages: Passages
    missed_openings: tuple[Opening, ...]
    joining: Joining | None
    n_bodies: int
    audit: TopologyAudit
    n_touching_edges: int
    crossings: SelfIntersections

    @property
    def element(self) -> str:
        """The element that is rebuilt, as messages name it."""
        return self.recipe.element

    @property
    def n_pins(self) -> int:
        """How many pins join loose bodies."""
        return self.joining.n_pins if self.joining else 0

    @property
    def widest_closed_mm(self) -> float:
        """Span of the widest rim that was closed, at the replica's size, else 0."""
        return self.recipe.factor * self.closing.widest_closed_mm

    @property
    def is_deliverable(self) -> bool:
        """Closed, outward, nowhere touching itself along an edge, and no rim waits for a decision."""
        return not self.closing.left_open and self.audit.is_closed and self.audit.is_outward and not self.n_touching_edges


def shape_findings(built: Rebuilt, settings: RebuildSettings) -> list[Finding]:
    """What keeps the replica from being one closed, outward solid."""
    findings = [_open_rim_finding(built, rim, settings) for rim in built.closing.left_open]
    audit, united = built.audit, built.united
    if not audit.is_closed and not findings:
        message = (
            f"{built.element}: the replica does not close: {audit.n_open_edges} open and {audit.n_nonmanifold_edges} shared by more than "
            "two faces; nothing is delivered. Clean the find again or scan it again."
        )
        findings.append(Finding(Severity.REVIEW, "not-closed", message, int(audit.n_open_edges + audit.n_nonmanifold_edges), 0, "edges"))
    if audit.is_closed and not audit.is_outward:
        findings.append(Finding(Severity.FAILED, "inside-out", f"{built.element}: the surface faces inwards; clean the find again."))
    if audit.is_closed and built.n_touching_edges:
        message = (
            f"{built.element}: bodies touch along {counted(built.n_touching_edges, 'edge')} without overlapping, which no printer or mill can make; "
            "nothing is delivered. Leave one of them out, or scan again."
        )
        findings.append(Finding(Severity.REVIEW, "bodies-touch", message, built.n_touching_edges, 0, "edges"))
    if united.n_left_alone and audit.is_closed:
        message = f"{built.element}: {united.n_left_alone} of {united.n_before} pieces could not be united and stay as they are."
        findings.append(Finding(Severity.REVIEW, "pieces-not-united", message, united.n_left_alone, 0, "pieces"))
    if united.n_turned:
        message = f"{built.element}: {counted(united.n_turned, 'piece')} that faced inwards and lay within no other, now turned outward."
        findings.append(Finding(Severity.NOTE, "pieces-turned", message, united.n_turned, 0, "pieces"))
    if united.n_glued:
        message = f"{built.element}: {counted(united.n_glued, 'piece')} of several bodies with edges in common (one stored twice?), now united."
        findings.append(Finding(Severity.NOTE, "bodies-glued", message, united.n_glued, 0, "pieces"))
    findings += _crossing_findings(built)
    return [*findings, *_passage_findings(built), *_body_findings(built, settings)]


def _crossing_findings(built: Rebuilt) -> list[Finding]:
    crossings = built.crossings
    if not crossings.n_pairs:
        return []
    is_filled = any(built.sources[row].evidence is EvidenceClass.FILL for row in np.unique(built.mesh.source[crossings.faces]))
    advice = "a closed hole crosses the skin beside it: scan the hole's surroundings again" if is_filled else "mend the scan or scan again"
    places = ", ".join(f"({x:.1f}, {y:.1f}, {z:.1f})" for x, y, z in crossings.places_mm)
    more = crossings.n_places - len(crossings.places_mm)
    message = (
        f"{built.element}: the surface passes through itself at {counted(crossings.n_places, 'place')}, near {places} mm of replica.ply"
        f"{f' and {more} more' if more else ''}. A printer or mill may fill or hollow it wrongly there. "
        f"Look at the replica: {advice}, or sign it off as it is."
    )
    return [Finding(Severity.REVIEW, "self-intersection", message, crossings.n_pairs, 0, "pairs of faces")]


def _open_rim_finding(built: Rebuilt, rim: OpenRim, settings: RebuildSettings) -> Finding:
    recipe, span_mm = built.recipe, rim.span_mm * built.recipe.factor
    if rim.kept_by:
        place = place_of_row(rim.kept_by, built.bone.scans)
        is_hole = rim.kept_by.kind in HOLES
        message = (
            f"{built.element}: openings.csv keeps the {span_mm:.1f} mm rim of {place.words} open, and an open surface is no solid. Nothing is "
            f"delivered until its row ({place.cells_of(rim.kept_by)}) says "
            f"{'how deep it is (depth_mm), where it leads (passage) or close' if is_hole else 'close'}."
        )
        return Finding(Severity.REVIEW, "open-rim-kept", message, round(span_mm, 3), None, "mm")
    rim_words, remedy = _unnamed_rim(recipe, rim, built.bone.scans)
    limit_mm = settings.close_rims_up_to_mm
    size = f"spans {span_mm:.1f} mm, more than {limit_mm:g} mm"
    message = f"{built.element}: {rim_words} {size}, and nobody named it. Nothing is delivered until {remedy}."
    return Finding(Severity.REVIEW, "open-rim", message, round(span_mm, 3), limit_mm, "mm")


def _unnamed_rim(recipe: Recipe, rim: OpenRim, scans: Sequence[PlacedScan]) -> tuple[str, str]:
    """Words for an open rim that no row names, and for what closes it."""
    place = place_in_scan(rim.centre_mm, scans)
    if recipe.model_file:  # openings.csv names finds of bones.csv alone
        return f"the open rim of {recipe.model_file} {place.near}", "it is closed in the program that it was modelled in"
    if recipe.fraction:  # its surface is bent, so that no place of it is one of the scan
        row = f"openings.csv closes it (`bonewright intake` lists the open rims of {place.find})"
        return f"an open rim of the surface made from find {place.find}", f"{row}, or {place.find} is scanned again"
    return f"the open rim of {place.words}", place.closing_row(rim.span_mm)


def _passage_findings(built: Rebuilt) -> list[Finding]:
    passages = built.passages
    n_cut = passages.n_pits + passages.n_tunnels
    widths = ", ".join(f"{width:.1f}" for width in (rim.width_mm for rim in built.closing.passages))
    findings = []
    if n_cut:
        made = " and ".join(counted(n, noun) for n, noun in ((passages.n_pits, "blind pit"), (passages.n_tunnels, "tunnel")) if n)
        message = (
            f"{built.element}: {made} {'was' if n_cut == 1 else 'were'} cut where openings.csv keeps a hole that the scan does not see into "
            f"({widths} mm wide before scaling); the walls are straight, round and nobody's bone, and scanned skin that stood within that width is "
            "gone."
        )
        findings.append(Finding(Severity.NOTE, "passages-made", message, n_cut, None, "holes"))
    for row in built.missed_openings:
        place = place_of_row(row, built.bone.scans)
        message = (
            f"{built.element}: openings.csv keeps a {row.kind} of {place.words} ({place.cells_of(row)}), but the surface has "
            "no rim of its own there, so nothing was cut for it. Correct its place, or leave out depth and passage where the scan sees into the hole."
        )
        findings.append(Finding(Severity.REVIEW, "passage-not-cut", message))
    if not passages.is_as_planned:
        message = (
            f"{built.element}: a pit or tunnel of openings.csv does not lie in the bone as planned: it breaks out at another place or meets "
            "another one, or other rims are still open. Look at the replica and correct place, width or depth."
        )
        findings.append(Finding(Severity.REVIEW, "passage-breaks-out", message))
    return findings


def _body_findings(built: Rebuilt, settings: RebuildSettings) -> list[Finding]:
    findings = []
    if built.joining and built.n_pins:
        pins, hold_percent = counted(built.n_pins, "made pin"), 100.0 * min(built.joining.holds)
        message = (
            f"{built.element}: its loose bodies are joined by {pins} of {settings.pin_diameter_mm:g} mm; in the body that holds it least, bone "
            f"holds {hold_percent:.0f} % of the wanted depth."
        )
        findings.append(Finding(Severity.NOTE, "pins-made", message, built.n_pins, None, "pins"))
    if built.joining and built.joining.refused:
        findings.append(_refused_pin_finding(built.element, built.joining, settings))
    elif built.n_bodies > 1 and built.bone.is_placed:
        code = "bodies-not-joined" if built.n_pins else "loose-bodies"
        choice = (
            "where one is not of this bone, name its own pieces in bones.csv (`bonewright intake` lists them); where all are, set pin_diameter_mm to "
            "join them"
        )
        advice = "the pins did not reach" if built.n_pins else choice
        message = f"{built.element}: {built.n_bodies} bodies hang loose; {advice}."
        findings.append(Finding(Severity.REVIEW, code, message, built.n_bodies, 1, "bodies"))
    return findings + _cavity_findings(built)


def _cavity_findings(built: Rebuilt) -> list[Finding]:
    n_hollow, n_scanned = built.audit.n_pieces - built.n_bodies, built.united.n_cavities
    if not built.audit.is_closed or n_hollow <= 0:
        return []
    origins = [f"made by {counted(n_scanned, 'inside-out piece')} of the scan"] if n_scanned else []
    origins += ["left between bodies that were united"] if n_hollow > n_scanned else []
    volumes = enclosed_volumes(built.mesh, piece_labels(built.mesh))
    message = (
        f"{built.element}: {counted(n_hollow, 'closed cavity', 'closed cavities')} inside, {abs(float(volumes[volumes < 0].sum())):.3g} mm³ in all, "
        f"{' or '.join(origins)}."
    )
    return [Finding(Severity.NOTE, "closed-cavities", message, n_hollow, None, "cavities")]


def _refused_pin_finding(element: str, joining: Joining, settings: RebuildSettings) -> Finding:
    hold_percent, least_percent = (round(100.0 * share, 1) for share in (min(joining.refused), LEAST_HOLD))
    bodies = counted(len(joining.refused), "loose body", "loose bodies")
    message = (
        f"{element}: {bodies} could not be pinned: the best line found gives a pin of {settings.pin_diameter_mm:g} mm only "
        f"{hold_percent:.0f} % of the depth it needs in bone ({least_percent:g} % at least): it would lie on the skin or come out again. "
        "Set a smaller pin_diameter_mm, write into poses.csv how the pieces lie, or set pin_diameter_mm to 0 and join them at the bench."
    )
    return Finding(Severity.REVIEW, "pin-outside", message, hold_percent, least_percent, "%")


def evidence_findings(built: Rebuilt, settings: RebuildSettings, shares: dict[str, float]) -> list[Finding]:
    """How far the replica can be taken for the bone."""
    findings = []
    filled_percent = 100.0 * shares.get(EvidenceClass.FILL.value, 0.0)
    if filled_percent > settings.filled_area_review_percent:
        limit = f"more than {settings.filled_area_review_percent:g} %"
        message = f"{built.element}: {filled_percent:.1f} % of the area is filled, {limit}. {FILL_REMEDY}"
        findings.append(Finding(Severity.REVIEW, "filled-area", message, round(filled_percent, 4), settings.filled_area_review_percent, "%"))
    length_mm = float(np.max(np.ptp(built.mesh.vertices, axis=0)))
    span_percent = 100.0 * built.widest_closed_mm / length_mm
    if span_percent > settings.fill_span_review_percent:
        limit = f"more than {settings.fill_span_review_percent:g} %"
        message = f"{built.element}: one fill spans {span_percent:.1f} % of the length, {limit}. {FILL_REMEDY}"
        findings.append(Finding(Severity.REVIEW, "fill-span", message, round(span_percent, 4), settings.fill_span_review_percent, "%"))
    findings += built.bone.composition.findings if built.bone.composition else ()
    completion = built.bone.completion
    findings += (*as_asked_for(built.recipe, completion), *still_missing(built.recipe, completion)) if completion else ()
    if built.recipe.reflect:
        length, breadth = settings.natural_asymmetry_length_percent, settings.natural_asymmetry_breadth_percent
        message = (
            f"{built.element}: reflected from the other side. A natural asymmetry of about {length:g} % of length and up to {breadth:g} % of "
            "breadth is expected between left and right (from memory); the mesh tolerance says nothing about it."
        )
        findings.append(Finding(Severity.NOTE, "natural-asymmetry", message))
    return findings
