"""What a person should know about printed parts: what is missed, unsure or left out, with its figure and limit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from meshtools.counted import counted
from meshtools.geometry.audit import TopologyAudit
from meshtools.geometry.print_parts import KeyedContact, PrintedBody, PrintedPart
from meshtools.geometry.rejoining import Rejoined
from meshtools.geometry.self_intersection import SelfIntersections
from meshtools.geometry.walls import Thickness
from meshtools.model import Finding, FloatArray, Severity
from meshtools.settings_print import EXTRUSION, PrintSettings

VOLUME_LIMIT = 1e-4
SKIN_LIMIT_MM = 0.05
CLEARANCE_LIMIT_MM = 0.02
ENGRAVED_LIMIT_PERCENT = 2.0
LARGE_UNDRAINED_MM3 = 10_000.0  # proposed: a cavity above it is worth a look where it had to stay solid


def place_text(point: FloatArray) -> str:
    """A point as text, in mm."""
    x, y, z = (round(float(value), 1) + 0.0 for value in point)
    return f"({x}, {y}, {z}) mm"


def wall_findings(part_id: str, thickness: Thickness, settings: PrintSettings) -> list[Finding]:
    """What of the skin is thinner than the process makes or than is recommended, and where."""
    least, sound = settings.least_wall_mm, settings.sound_wall_mm
    percent, thin = thickness.percent_below(least), thickness.widest_place_below(least)
    if thin is not None and percent > settings.thin_area_percent:
        message = (f"{part_id}: {percent:.2f} % of the surface is thinner than the {least:g} mm that {settings.process} makes, the largest place "
                   f"spans {thin[1]:.0f} mm at {place_text(thin[0])}; thicken it, enlarge the bone or choose another process.")
        return [Finding(Severity.REVIEW, "wall-too-thin", message, round(percent, 3), settings.thin_area_percent, "%")]
    percent, thin = thickness.percent_below(sound), thickness.widest_place_below(sound)
    if thin is not None and percent > settings.thin_area_percent:
        message = (f"{part_id}: {percent:.2f} % of the surface is thinner than the recommended {sound:g} mm, the largest place spans "
                   f"{thin[1]:.0f} mm at {place_text(thin[0])}; it will be fragile.")
        return [Finding(Severity.NOTE, "wall-below-recommended", message, round(percent, 3), settings.thin_area_percent, "%")]
    return []


def process_findings(part_id: str, settings: PrintSettings) -> list[Finding]:
    """What is asked of the process that it cannot do (common practice, no source)."""
    if not settings.is_hollowed or settings.process != EXTRUSION:
        return []
    message = (f"{part_id}: hollow parts are asked for by {EXTRUSION}, which has infill of its own and cannot close the ceiling of a cavity; "
               "write print.hollow: no, or choose another process.")
    return [Finding(Severity.REVIEW, "hollow-by-extrusion", message)]


def part_findings(
    part: PrintedPart, audit: TopologyAudit, crossings: SelfIntersections, size_mm: FloatArray, settings: PrintSettings
) -> list[Finding]:
    """What is wrong with one part, or left out of it."""
    found, name = [], f"part {part.name}"
    if not (audit.is_closed and audit.is_outward and audit.n_pieces == 1) or crossings.n_pairs:
        message = (f"{name} is not one closed outward body ({counted(audit.n_pieces, 'piece')}, {counted(crossings.n_pairs, 'crossing pair')} of "
                   f"faces{_crossing_places(part, crossings)}); do not print it, and {_remedy(part)}.")
        found.append(Finding(Severity.FAILED, "part-not-closed", message, crossings.n_pairs or audit.n_pieces))
    if part.placing is None or (size_mm > settings.room_mm).any():
        message = f"{name} measures {_times(size_mm)} mm with its keys and does not fit the build volume; lower print.key_depth_mm."
        axis = int(np.argmax(size_mm - settings.room_mm))
        found.append(Finding(Severity.FAILED, "part-too-large", message, round(float(size_mm[axis]), 3), settings.room_mm[axis], "mm"))
    elif not part.placing.is_upright:
        message = f"{name} fits the build volume only when turned from the stated direction; supports will touch other places than planned."
        found.append(Finding(Severity.NOTE, "part-turned", message))
    found += _engraving_findings(name, part)
    return found + (_hollow_findings(name, part, settings) if settings.is_hollowed else [])


def _crossing_places(part: PrintedPart, crossings: SelfIntersections) -> str:
    """Where faces cross, in the replica's coordinates."""
    if not crossings.n_pairs:
        return ""
    matrix = part.replica_from_made
    return ", near " + ", ".join(place_text(matrix[:3, :3] @ place + matrix[:3, 3]) for place in np.array(crossings.places_mm))


def _remedy(part: PrintedPart) -> str:
    if part.cuts:
        return "mend the replica where it is cut"
    return "look at the replica there: nothing was cut, its own skins lie on each other or all but touch. Scan the place again, or fill it otherwise"


def _times(size_mm: FloatArray) -> str:
    return " x ".join(f"{float(side):.1f}" for side in size_mm)


def _engraving_findings(name: str, part: PrintedPart) -> list[Finding]:
    if part.engraving is None:
        return [Finding(Severity.NOTE, "part-unengraved", f"{name} has no face with room for its number and the word REPLICA; tie a tag to it.")]
    off = 100.0 * abs(part.engraving.removed_mm3 / part.engraving.expected_mm3 - 1.0)
    if off <= ENGRAVED_LIMIT_PERCENT:
        return []
    message = (f"{name}: the engraving took away {part.engraving.removed_mm3:.1f} mm³ instead of {part.engraving.expected_mm3:.1f} mm³; "
               "look whether it can be read.")
    return [Finding(Severity.REVIEW, "engraving-off", message, round(off, 2), ENGRAVED_LIMIT_PERCENT, "%")]


def _hollow_findings(name: str, part: PrintedPart, settings: PrintSettings) -> list[Finding]:
    if part.hollow is None and part.undrained_mm3:
        severity = Severity.REVIEW if part.undrained_mm3 > LARGE_UNDRAINED_MM3 else Severity.NOTE
        message = (f"{name} stays solid: no vent and drain were proven to open well into its cavity of {part.undrained_mm3:.0f} mm³, which would "
                   "keep resin or powder; turn it otherwise, or hollow it by hand.")
        return [Finding(severity, "stays-solid-undrained", message, round(part.undrained_mm3), None, "mm³")]
    if part.hollow is None:
        message = f"{name} stays solid: a wall of {settings.wall_mm:g} mm leaves no cavity worth draining."
        return [Finding(Severity.NOTE, "stays-solid", message, None, settings.wall_mm, "mm")]
    found, cavity = [], part.hollow.cavity
    if not all(opening.is_clear for opening in part.hollow.openings):
        message = f"{name}: a vent or drain lies near a joint end, a key or letters; there is no other place as low or as high."
        found.append(Finding(Severity.REVIEW, "drain-near-joint", message))
    if cavity.n_left_solid:
        message = (f"{name}: {counted(cavity.n_left_solid, 'smaller hollow')} of {cavity.left_solid_mm3:.0f} mm3 together stay "
                   "solid, so that there is one to drain.")
        found.append(Finding(Severity.NOTE, "cavity-left-solid", message, cavity.n_left_solid, None, "cavities"))
    return found


def joint_findings(body: PrintedBody, settings: PrintSettings) -> list[Finding]:
    """What is wrong at the cuts of one loose body."""
    found: list[Finding] = []
    keyed = {number for contact in body.contacts if contact.pair is not None for number in contact.numbers}
    for contact in body.contacts:
        found += _contact_findings(contact, keyed, settings)
    for number, cut in enumerate(body.cuts, start=1):
        if cut.keep_off_mm < settings.keep_off_mm:
            message = (f"cut {number} passes {cut.keep_off_mm:.1f} mm from a joint end or socket; no better plane was found.")
            found.append(Finding(Severity.REVIEW, "cut-near-joint", message, round(cut.keep_off_mm, 2), settings.keep_off_mm, "mm"))
    return found


def _contact_findings(contact: KeyedContact, keyed: set[int], settings: PrintSettings) -> list[Finding]:
    name = "parts " + " and ".join(f"{number:02d}" for number in sorted(contact.numbers))
    if contact.pair is None or contact.clearance_mm is None or contact.wrong is None:
        lonely = not all(number in keyed for number in contact.numbers)
        area = float(contact.contact.face.area)
        message = (f"{name} meet in a face of {area:.0f} mm², too small for two keys; it is plain, to be glued"
                   f"{' and set by eye' if lonely else ', other cuts set them'}.")
        return [Finding(Severity.REVIEW if lonely else Severity.NOTE, "cut-without-keys", message, round(area, 1), None, "mm²")]
    found = []
    worst = max(abs(gap - settings.key_clearance_mm) for gap in contact.clearance_mm)
    if worst > CLEARANCE_LIMIT_MM:
        message = (f"{name}: the gap around the keys measures {contact.clearance_mm[0]:.3f} to {contact.clearance_mm[1]:.3f} mm instead of "
                   f"{settings.key_clearance_mm:g} mm; check the fit before gluing.")
        found.append(Finding(Severity.REVIEW, "key-clearance-off", message, round(worst, 4), CLEARANCE_LIMIT_MM, "mm"))
    if not contact.wrong.is_safe:
        n_open = contact.wrong.n_tried - contact.wrong.n_colliding - contact.wrong.n_beside
        message = f"{name} go together in {counted(n_open, 'wrong way')} of {contact.wrong.n_tried} tried; mark the right one on both."
        found.append(Finding(Severity.REVIEW, "keys-fit-wrongly", message, n_open, 0, "ways"))
    return found


def rejoin_findings(rejoined: Rejoined) -> list[Finding]:
    """Where the parts, put back, are not the replica."""
    found = []
    for value, what in ((rejoined.cut_volume_error, "as cut"), (rejoined.made_volume_error, "as made")):
        if value > VOLUME_LIMIT:
            message = f"The parts {what}, put together, differ from the replica in volume by {100.0 * value:.4f} %; do not use them."
            found.append(Finding(Severity.REVIEW, "rejoined-volume-off", message, float(np.round(value, 8)), VOLUME_LIMIT))
    if rejoined.skin_error_mm > SKIN_LIMIT_MM:
        message = f"The parts, put together, lie up to {rejoined.skin_error_mm:.3f} mm from the replica's skin; do not use them."
        found.append(Finding(Severity.REVIEW, "rejoined-skin-off", message, round(rejoined.skin_error_mm, 4), SKIN_LIMIT_MM, "mm"))
    return found


def body_findings(part_id: str, bodies: Sequence[PrintedBody], voids_mm3: float, n_voids: int) -> list[Finding]:
    """Loose bodies and trapped voids of the replica."""
    found = []
    if len(bodies) > 1:
        message = f"{part_id} consists of {len(bodies)} loose bodies; each is a part of its own, and nothing but the mount holds them together."
        found.append(Finding(Severity.NOTE, "loose-bodies", message, len(bodies), None, "bodies"))
    if n_voids:
        message = f"{part_id}: what is trapped inside ({counted(n_voids, 'void')}, {voids_mm3:.0f} mm³) is printed solid."
        found.append(Finding(Severity.NOTE, "voids-filled", message, n_voids, None, "voids"))
    return found
