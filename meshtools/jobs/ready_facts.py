"""What the record of a route says beyond what its stage made: dimensions to take with a caliper, solids with their files, masses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.caliper_frame import MEASURES, CaliperFrame
from meshtools.material_use import hours, mass_of, material_rows, material_table
from meshtools.model import FloatArray, Mesh, plain
from meshtools.model_ready import Made, MadeSolid, Part
from meshtools.report.words import element_title
from meshtools.tolerances import tolerance_of

ABOUT_KEYS = ("route", "machine", "target", "element", "evidence", "evidence_words", "evidence_share", "n_finds", "uses")
ORIGIN_KEYS = ("datum", "datums", "datum_words", "flip", "flip_axis", "flip_axes")
ORIGIN_LABELS = ("Datum", "Turned over about")


def route_facts(part: Part, made: Made, about: Mapping[str, Any], frame: CaliperFrame) -> dict[str, Any]:
    """The facts of a record but for files and drawing. about: ABOUT_KEYS, `part_tolerance_mm` and `tolerance_class`."""
    facts = {key: about[key] for key in ABOUT_KEYS}
    facts |= {"part_id": part.part_id, "revision": part.revision, "title": element_title(about["element"])}
    facts["box_mm"] = [part.mesh.vertices.min(axis=0).tolist(), part.mesh.vertices.max(axis=0).tolist()]
    facts["box_slack_mm"], facts["is_box_filled"] = about["part_tolerance_mm"], not about["settings"].get("coat_mm")
    facts["sheet_from_replica"] = frame.matrix.tolist()
    facts["sizes_mm"], facts["drawn_mm"] = frame.sizes_mm.tolist(), frame.box_mm.tolist()
    facts["volume_mm3"], facts["area_mm2"], facts["centre_of_mass_mm"] = whole(part.mesh)
    facts["centre_from_middle_mm"] = (frame.axes @ (np.array(facts["centre_of_mass_mm"]) - frame.centre)).tolist()
    facts["dimensions"] = dimensions(frame, about["tolerance_class"], about["part_tolerance_mm"], about["settings"].get("process", ""))
    facts["figures"] = plain(made.figures)
    facts["tables"] = plain(made.tables)
    facts["made"] = plain(made.facts)
    facts["datum"] = datum_lines(made)
    return facts


def add_material(facts: dict[str, Any], about: Mapping[str, Any]) -> None:
    """Add the material of the solids that were made, its mass and the machine's hours, to the facts of a record."""
    rows = material_rows(facts, about["settings"], about["estimate"]) if facts["solids"] else []
    machine_hours = hours(facts, about["settings"], about["estimate"]) if facts["solids"] else (None, "")
    facts["material"], facts["mass_kg"] = rows, mass_of(rows) if rows else None
    facts["machine_hours"], facts["machine_hours_basis"] = machine_hours
    facts["material_tables"] = [material_table(rows, facts)] if rows else []


def dimensions(frame: CaliperFrame, tolerance_class: str, part_tolerance_mm: float, process: str = "") -> list[dict[str, Any]]:
    """Three lengths of the finished part that a caliper can take, with tolerance (plus and minus) and what that rests on."""
    rows = []
    for name, size in zip(MEASURES, frame.sizes_mm, strict=True):
        tolerance_mm, basis = tolerance_of(float(size), tolerance_class, part_tolerance_mm, process)
        rows.append({"part": "", "measure": name, "nominal_mm": float(size), "tolerance_mm": tolerance_mm, "basis": basis})
    return rows


def solid_row(solid: MadeSolid, file: str, delivered_from_replica: FloatArray) -> dict[str, Any]:
    """One solid of the record: its file, size and the matrix (4, 4) from replica.ply to the coordinates of that file."""
    audit = audit_topology(solid.mesh)
    extents = np.ptp(solid.mesh.vertices[np.unique(solid.mesh.faces)], axis=0)
    return {
        "name": solid.name, "role": solid.role, "file": file, "n_faces": audit.n_faces, "is_closed": audit.is_closed, "volume_mm3": audit.volume_mm3,
        "area_mm2": audit.area_mm2, "extents_mm": extents.tolist(), "delivered_from_replica": np.asarray(delivered_from_replica).tolist(),
    }  # fmt: skip


def put_places(rows: Sequence[dict[str, Any]], solids: Sequence[MadeSolid]) -> None:
    """Add `place_mm` to the solids of the record: where the origin of each file lies in the frame that all solids share, so that whoever has the
    files alone can lay them together. Empty where each has a frame of its own, as printed parts have, or stands alone."""
    is_shared = len(solids) > 1 and all(np.array_equal(solid.made_from_replica, solids[0].made_from_replica) for solid in solids)
    for row, solid in zip(rows, solids, strict=True):
        made_from_delivered = solid.made_from_replica @ np.linalg.inv(np.array(row["delivered_from_replica"]))
        row["place_mm"] = (np.round(made_from_delivered[:3, 3], 3) + 0.0).tolist() if is_shared else []


def whole(mesh: Mesh) -> tuple[float, float, list[float]]:
    """Volume in mm3, area in mm2 and centre of mass (3,) in mm of a closed surface of even density (divergence theorem)."""
    middle = mesh.vertices.mean(axis=0)
    a, b, c = ((mesh.vertices - middle)[mesh.faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    volumes = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
    volume = float(volumes.sum())
    centre = (volumes[:, None] * (a + b + c) / 4.0).sum(axis=0) / volume if volume else np.zeros(3)
    return volume, float(np.sqrt(np.einsum("ij,ij->i", cross, cross)).sum() / 2.0), (centre + middle).tolist()


def datum_lines(made: Made) -> list[dict[str, str]]:
    """Datum and flip axis of a route in words, where its facts or figures state them, of each section where it has some."""
    stated = [(key.replace("_", " "), made.facts[key]) for key in ORIGIN_KEYS if made.facts.get(key) not in (None, "", [], {})]
    stated += [(figure.label, f"{figure.value}; {figure.basis}") for figure in made.figures if figure.label.endswith(ORIGIN_LABELS)]
    return [{"label": label[:1].upper() + label[1:], "text": _words(value)} for label, value in stated]


def _words(value: Any) -> str:
    value = plain(value)
    if isinstance(value, float):
        return f"{value:.2f}"
    if isinstance(value, Mapping):
        return "; ".join(f"{key.replace('_', ' ')} {_words(item)}" for key, item in value.items())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(_words(item) for item in value)
    return str(value)
