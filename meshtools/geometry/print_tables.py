"""The print route's tables, figures, facts and views."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from meshtools.geometry.audit import signed_volume
from meshtools.geometry.print_findings import place_text
from meshtools.geometry.print_parts import KeyedContact, PrintedBody, PrintedPart
from meshtools.geometry.rejoining import Rejoined
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.geometry.walls import Thickness
from meshtools.model import Mesh
from meshtools.model_ready import Figure, MadeSolid, RouteTable, RouteView
from meshtools.settings_print import PrintSettings

_GREYS = (222, 120, 180, 84, 206, 144, 100, 166)  # neighbours in number differ by at least 36 of 255, to be told apart without colour
_LOOKING = (-0.6, 0.7, -0.4)


def _grams(mesh: Mesh, settings: PrintSettings) -> float:
    return float(signed_volume(mesh) * settings.density_kg_m3 * 1e-6)


def parts_table(parts: Sequence[PrintedPart], meshes: Sequence[Mesh], settings: PrintSettings) -> RouteTable:
    """One row a part: its size as it lies in the machine, keys included, and what it weighs."""
    rows = []
    for part, mesh in zip(parts, meshes, strict=True):
        x, y, z = (round(float(side), 2) for side in np.ptp(mesh.vertices, axis=0))
        turn = "fits nowhere" if part.placing is None else "as stated" if part.placing.is_upright else "turned to fit"
        inside = f"hollow, wall {part.hollow.cavity.least_wall_mm:.2f} or more" if part.hollow else "solid"
        label = ("cut face" if part.engraving.tablet.is_cut_face else "skin") if part.engraving else "tag"
        rows.append((part.name, x, y, z, round(signed_volume(mesh), 1), round(_grams(mesh, settings), 1), inside, turn, label))
    header = ("part", "x mm", "y mm", "z mm", "volume mm³", "mass g", "inside", "direction up", "number is on")
    return RouteTable("parts", "Parts", header, tuple(rows))


def keys_table(bodies: Sequence[PrintedBody]) -> RouteTable:
    """One row a contact. Contacts of one step close together: the last cut is the first to be put together, along its normal."""
    rows: list[tuple[str | int | float, ...]] = []
    step = 0
    for body in bodies:
        for cut in sorted({contact.contact.cut for contact in body.contacts}, reverse=True):
            step += 1
            rows += [(step, *_key_row(contact)) for contact in body.contacts if contact.contact.cut == cut]
    header = ("step", "parts", "pegs on", "diameter mm", "second diameter mm", "depth mm", "apart mm", "gap least mm", "gap most mm", "fits wrongly")
    return RouteTable("keys", "Keys, in the order of assembly", header, tuple(rows))


def _key_row(contact: KeyedContact) -> tuple[str | int | float, ...]:
    names = "-".join(f"{number:02d}" for number in sorted(contact.numbers))
    if contact.pair is None or contact.clearance_mm is None or contact.wrong is None:
        return (names, "none, glued face", "", "", "", "", "", "", "")
    large, small = contact.pair.keys
    apart = float(np.sqrt(np.sum((large.at - small.at) ** 2)))
    gaps = (round(contact.clearance_mm[0], 3), round(contact.clearance_mm[1], 3))
    return (names, f"{contact.male:02d}", large.diameter_mm, round(small.diameter_mm, 2), large.depth_mm, round(apart, 1), *gaps,
            "no" if contact.wrong.is_safe else "yes")


def print_figures(
    bodies: Sequence[PrintedBody], meshes: Sequence[Mesh], thickness: Thickness, rejoined: Rejoined, settings: PrintSettings
) -> tuple[Figure, ...]:
    """The lines of the job sheet."""
    sizes = np.array([np.ptp(mesh.vertices, axis=0) for mesh in meshes])
    parts = [part for body in bodies for part in body.parts]
    solid = sum(body.volume_mm3 for body in bodies)
    printed = sum(signed_volume(mesh) for mesh in meshes)
    figures = [
        Figure("process", settings.process, "", "ISO/ASTM 52900 process class"),
        Figure("room for a part", " x ".join(f"{side:g}" for side in settings.room_mm), "mm", f"build volume less {settings.spare_mm:g} mm"),
        Figure("parts", len(meshes)),
        Figure("largest part", " x ".join(f"{side:.1f}" for side in sizes[int(np.argmax(sizes.max(axis=1)))]), "mm", "with its keys, as it lies"),
        Figure("volume of the replica", round(solid, 1), "mm³", "solid"),
        Figure("volume printed", round(printed, 1), "mm³", "with keys, letters, cavities and openings"),
        Figure("mass", round(printed * settings.density_kg_m3 * 1e-9, 3), "kg", f"density {settings.density_kg_m3:g} kg/m³, filled, no supports"),
        Figure("thinnest place", round(thickness.least_mm, 2), "mm", f"at {place_text(thickness.least_at_mm)} of the replica"),
        Figure(f"thinner than {settings.least_wall_mm:g} mm", round(thickness.percent_below(settings.least_wall_mm), 3), "% of the surface",
               "what the process makes (common practice, no source)"),
        Figure(f"thinner than {settings.sound_wall_mm:g} mm", round(thickness.percent_below(settings.sound_wall_mm), 3), "% of the surface",
               "recommended (common practice, no source)"),
    ]
    hollow = [part.hollow for part in parts if part.hollow]
    if hollow:
        figures += [
            Figure("hollow parts", len(hollow)),
            Figure("least wall of hollow parts", round(min(entry.cavity.least_wall_mm for entry in hollow), 3), "mm",
                   f"measured; wished {settings.wall_mm:g}"),
            Figure("vents and drains", sum(len(entry.openings) for entry in hollow), "", f"{settings.drain_diameter_mm:g} mm wide"),
        ]
    gaps = [gap for body in bodies for contact in body.contacts if contact.clearance_mm for gap in contact.clearance_mm]
    if gaps:
        figures.append(Figure("gap around keys", f"{min(gaps):.3f} to {max(gaps):.3f}", "mm", f"measured; wished {settings.key_clearance_mm:g}"))
    figures += [
        Figure("volume of the parts put back", f"{rejoined.made_volume_error:.1e}" if rejoined.made_volume_error else "0", "of the replica",
               "off, with keys, letters, cavities accounted for"),
        Figure("skin of the parts put back", round(rejoined.skin_error_mm, 6), "mm off the replica's", f"largest of {rejoined.n_points} points"),
    ]
    return tuple(figures)


def print_facts(
    bodies: Sequence[PrintedBody], meshes: Sequence[Mesh], thickness: Thickness, rejoined: Rejoined, settings: PrintSettings
) -> dict[str, Any]:
    """What goes into the record: plain values."""
    parts = [part for body in bodies for part in body.parts]
    return {
        "process": settings.process,
        "n_bodies": len(bodies),
        "n_parts": len(parts),
        "room_mm": list(settings.room_mm),
        "thinnest_mm": float(round(thickness.least_mm, 4)),
        "thinnest_at_mm": [float(round(value, 2)) for value in thickness.least_at_mm],
        "rejoined": {
            "cut_volume_error": float(rejoined.cut_volume_error),
            "made_volume_error": float(rejoined.made_volume_error),
            "skin_error_mm": float(rejoined.skin_error_mm),
        },
        "parts": [_part_facts(part, mesh, settings) for part, mesh in zip(parts, meshes, strict=True)],
        "contacts": [_contact_facts(contact) for body in bodies for contact in body.contacts],
    }


def _part_facts(part: PrintedPart, mesh: Mesh, settings: PrintSettings) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "name": part.name,
        "size_mm": [float(round(side, 4)) for side in np.ptp(mesh.vertices, axis=0)],
        "volume_mm3": float(round(signed_volume(mesh), 3)),
        "volume_cut_mm3": float(round(part.plain_mm3, 3)),
        "mass_g": float(round(_grams(mesh, settings), 3)),
        "is_upright": bool(part.placing and part.placing.is_upright),
        "rotation": [[float(round(value, 9)) for value in row] for row in (part.placing.rotation if part.placing else np.eye(3))],
        "engraving": None,
        "hollow": None,
    }
    if part.engraving is not None:
        facts["engraving"] = {
            "lines": list(part.engraving.tablet.lettering.lines),
            "height_mm": float(part.engraving.tablet.lettering.height_mm),
            "is_on_cut_face": part.engraving.tablet.is_cut_face,
            "removed_mm3": float(round(part.engraving.removed_mm3, 4)),
            "expected_mm3": float(round(part.engraving.expected_mm3, 4)),
        }
    if part.hollow is not None:
        facts["hollow"] = {
            "cavity_mm3": float(round(part.hollow.cavity.volume_mm3, 3)),
            "least_wall_mm": float(round(part.hollow.cavity.least_wall_mm, 4)),
            "n_left_solid": part.hollow.cavity.n_left_solid,
            "left_solid_mm3": float(round(part.hollow.cavity.left_solid_mm3, 3)),
            "is_open": part.hollow.is_open,
            "open_share": [float(round(opening.open_share, 3)) for opening in part.hollow.openings],
            "openings_mm": [[float(round(value, 3)) for value in opening.mouth] for opening in part.hollow.openings],
            "off_extreme_mm": [float(round(opening.off_extreme_mm, 3)) for opening in part.hollow.openings],
        }
    return facts


def _contact_facts(contact: KeyedContact) -> dict[str, Any]:
    facts: dict[str, Any] = {"parts": sorted(contact.numbers), "face_mm2": float(round(contact.contact.face.area, 2)), "keys": None}
    if contact.pair is not None and contact.clearance_mm is not None and contact.wrong is not None:
        facts["keys"] = {
            "pegs_on": contact.male,
            "diameters_mm": [float(round(key.diameter_mm, 3)) for key in contact.pair.keys],
            "depth_mm": float(round(contact.pair.keys[0].depth_mm, 3)),
            "gap_mm": [float(round(gap, 5)) for gap in contact.clearance_mm],
            "wrong_ways_tried": contact.wrong.n_tried,
            "wrong_ways_colliding": contact.wrong.n_colliding,
            "wrong_ways_beside": contact.wrong.n_beside,
            "swap_collision_mm3": float(round(contact.wrong.swap_mm3, 3)),
        }
    return facts


def _grey(number: int, n_faces: int) -> Any:
    return np.full((n_faces, 3), _GREYS[(number - 1) % len(_GREYS)], dtype=np.uint8)


def part_view(solid: MadeSolid) -> RouteView:
    """A part as it lies in the machine."""
    return RouteView(f"part {solid.name}", solid.mesh, _grey(int(solid.name), len(solid.mesh.faces)), np.array(_LOOKING), np.array([0.0, 0.0, 1.0]))


def assembled_view(parts: Sequence[PrintedPart], meshes: Sequence[Mesh]) -> RouteView:
    """All parts put together, each in a grey that differs from those of its neighbours in number."""
    back = [apply_matrix(mesh, part.replica_from_made) for part, mesh in zip(parts, meshes, strict=True)]
    colours = np.concatenate([_grey(part.number, len(mesh.faces)) for part, mesh in zip(parts, back, strict=True)])
    return RouteView("parts put together", concatenate(back), colours, np.array(_LOOKING), np.array([0.0, 0.0, 1.0]))
