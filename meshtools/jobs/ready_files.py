"""The files of a route: solids, drawings, tables, the job sheet and the archive of all, from what its stage made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from meshtools.files.deliver import PartLabel, encode_stl
from meshtools.files.drawing_dxf import write_dxf
from meshtools.files.drawing_svg import write_svg
from meshtools.files.package_zip import encode_package
from meshtools.files.parts_3mf import encode_parts_3mf
from meshtools.files.route_table import encode_csv
from meshtools.files.verify_parts import ReplicaBox, verify_parts
from meshtools.geometry.caliper_sizes import measured_frame
from meshtools.jobs.ready_drawn import KEPT, Drawn, encode_drawn
from meshtools.jobs.ready_facts import add_material, put_places, route_facts, solid_row
from meshtools.jobs.ready_finite import without_endless
from meshtools.jobs.ready_holes import hole_frames, holes_csv, sheet_table
from meshtools.jobs.record import JobFiles, write_results
from meshtools.model import Finding, Record, Severity, plain, status_of
from meshtools.model_ready import Drawing, Made, Part
from meshtools.plain_names import plain_name
from meshtools.report.job_pictures import drawing_facts, sheet_pictures
from meshtools.report.job_sheet import FRAME_WORDS, ROUTE_TITLES, job_sheet_pdf

SHEET, HOLES = "sheet.pdf", "holes.csv"
HOLES_ROLE = "table of the armature's holes, in the frame of every file that holds them"


def route_files(part: Part, made: Made, about: Mapping[str, Any]) -> tuple[dict[str, bytes], dict[str, Any], tuple[Finding, ...]]:
    """Names and bytes of all files, the facts of the record, and the findings. A route that failed gets its sheet alone, which says why."""
    drawn = draw_route(part, made, about)
    return *with_sheet(drawn, about), drawn.findings


def draw_route(part: Part, made: Made, about: Mapping[str, Any]) -> Drawn:
    """Everything of a route but its sheet and archive.

    about: as in ready_facts.route_facts, with `settings` of the route and `estimate` for masses and hours; where holes were
    cut, `templates` (drawings) and `enclosed` (name -> bytes) go along.
    """
    frame = measured_frame(part.mesh.vertices)
    facts = route_facts(part, made, about, frame)
    is_made = not any(finding.severity is Severity.FAILED for finding in made.findings)
    contents, facts["solids"] = _solids(part, made, about) if is_made else ({}, [])
    enclosed = _enclosed(about, made, facts) if is_made else {}
    add_material(facts, about)
    drawings = (*made.drawings, *about.get("templates", ())) if is_made else ()
    contents |= {f"{drawing.name}.dxf": write_dxf(drawing) for drawing in drawings}
    contents |= {f"{drawing.name}.svg": write_svg(drawing) for drawing in drawings}
    contents |= enclosed
    contents |= {f"{table.name}.csv": encode_csv(table) for table in made.tables if is_made}
    facts["files_made"] = _files_made(facts, drawings, made, tuple(enclosed)) if is_made else []
    pictures = sheet_pictures(part.mesh, part.sources, frame, made.views)
    facts["drawing"] = drawing_facts(pictures["drawing"])
    return Drawn(contents, facts, made.findings, made.sources, pictures)


def with_sheet(drawn: Drawn, about: Mapping[str, Any]) -> tuple[dict[str, bytes], dict[str, Any]]:
    """All files of a route and the facts of its record: the sheet and the archive say how the bone stands.

    about: `bone_status` (jobs.bone_status) and, where the rest is kept for the next status, `made_key`.
    """
    facts = dict(drawn.facts) | {"bone_status": about["bone_status"]}
    contents = dict(drawn.contents)
    contents[SHEET] = job_sheet_pdf(facts, plain(drawn.findings), drawn.pictures)
    if drawn.is_made:
        contents[f"{file_stem(facts['part_id'])}-{facts['route']}.zip"] = encode_package(contents, read_me(facts))
    if drawn.is_made and about.get("made_key"):
        contents[KEPT] = encode_drawn(drawn, about["made_key"])
    return contents, facts


def _enclosed(about: Mapping[str, Any], made: Made, facts: dict[str, Any]) -> dict[str, bytes]:
    """The files that come with a bored part; its holes are told in the frames of what is delivered too, in holes.csv and on the sheet."""
    enclosed, armature, rows = dict(about.get("enclosed", {})), about.get("armature") or {}, facts["solids"]
    if armature.get("holes") and HOLES in enclosed:
        frames = hole_frames(made.solids, rows, about["route"], armature["holes"])
        enclosed[HOLES] = holes_csv(armature, frames, rows)
        facts["hole_table"] = sheet_table(armature, frames, rows)
    return enclosed


def _solids(part: Part, made: Made, about: Mapping[str, Any]) -> tuple[dict[str, bytes], list[dict[str, Any]]]:
    label = PartLabel(part.part_id, part.revision, about["target"], about["element"], about["evidence"])
    contents, rows = {}, []
    for solid in made.solids:
        delivery = encode_stl(solid.mesh, replace(label, part_id=f"{part.part_id} {solid.name}"), made.sources, solid.made_from_replica)
        file = f"{file_stem(part.part_id)}-{solid.name}.stl"
        contents[file] = delivery.content
        rows.append(solid_row(solid, file, delivery.delivered_from_scan))
    put_places(rows, made.solids)
    closed = tuple(solid for solid, row in zip(made.solids, rows, strict=True) if row["is_closed"])
    if closed:
        contents[f"{file_stem(part.part_id)}-{about['route']}.3mf"] = encode_parts_3mf(closed, made.sources, label)
    return contents, rows


def file_stem(part_id: str) -> str:
    """The part's id as file names begin with: small letters, digits and hyphens."""
    return plain_name(part_id) or "part"


def _files_made(facts: Mapping[str, Any], drawings: Sequence[Drawing], made: Made, enclosed: Sequence[str]) -> list[dict[str, Any]]:
    solids, stem = facts["solids"], f"{file_stem(facts['part_id'])}-{facts['route']}"
    rows = [{"file": row["file"], "role": row["role"], "extents_mm": row["extents_mm"], "place_mm": row["place_mm"]} for row in solids]
    if any(row["is_closed"] for row in solids):
        rows.append({"file": f"{stem}.3mf", "role": "all closed solids, with evidence class of every face", "extents_mm": []})
    rows += [{"file": f"{drawing.name}.dxf, .svg", "role": f"drawing 1:1: {drawing.title}", "extents_mm": []} for drawing in drawings]
    rows += [{"file": f"{table.name}.csv", "role": f"table: {table.title}", "extents_mm": []} for table in made.tables]
    return rows + [{"file": name, "role": HOLES_ROLE, "extents_mm": []} for name in enclosed]


def read_me(facts: Mapping[str, Any]) -> str:
    """The text that stands in the archive: what it is, in which unit, and what each file is."""
    revision = f"revision {facts['revision']}" if facts["revision"] else "no revision"
    of_target = f" of {facts['target']}" if facts["target"] else ""
    lines = [
        f"REPLICA {facts['part_id']}, {revision}: {ROUTE_TITLES[facts['route']]}",
        f"{facts['title']}{of_target}. A replica, not a specimen. Evidence class: {facts['evidence']}.",
        f"STATUS: {facts['bone_status']['words']}",
        "",
        "All lengths are MILLIMETRES. STL, DXF, SVG and CSV carry no unit that every program reads: choose mm on import.",
        "Finished size: " + " x ".join(f"{size:.2f}" for size in facts["sizes_mm"]) + " mm (length, breadth, depth as on the sheet). Scale nothing.",
        "",
        "sheet.pdf                    read first: views, dimensions to check, figures, findings, cautions",
    ]
    lines += [f"{row['file']:<28} {row['role']}" for row in facts["files_made"]]
    lines += [
        "checksums.sha256             SHA-256 of every file here",
        "",
        "Each STL lies about the middle of its own box, and the bodies of the 3MF side by side.",
        "record.json of the batch holds the matrix of each STL from the replica (delivered_from_replica).",
        *_places(facts),
        "Measure the first article against the sheet before anything else is made from these files.",
    ]
    return "\n".join(lines) + "\n"


def _places(facts: Mapping[str, Any]) -> list[str]:
    """How to lay the STL files together, where they share a frame."""
    placed = [row for row in facts["solids"] if row["place_mm"]]
    if not placed:
        return []
    head = f"To lay them together in the {FRAME_WORDS.get(facts['route'], 'frame they share')}, move each STL by x, y, z in mm:"
    return [head, *(f"{row['file']:<28} {', '.join(f'{x:.3f}' for x in row['place_mm'])}" for row in placed), ""]


def write_route(batch: Path, record_path: str, key: str, made_part: tuple[Part, Made], about: Mapping[str, Any]) -> Record:
    """Write the files and the record of a route, and read them back. Where that finds a file wrong, the sheet alone stays, and says so."""
    part, made = made_part[0], without_endless(made_part[1])
    for _ in range(2):
        drawn = draw_route(part, made, about)
        record = write_drawn(batch, record_path, key, drawn, about)
        if len(record.findings) == len(drawn.findings):
            break
        made = replace(made, findings=record.findings)
    return record


def write_drawn(batch: Path, record_path: str, key: str, drawn: Drawn, about: Mapping[str, Any]) -> Record:
    """Write the files of a route with its sheet and archive, and the record, with what reading them back found."""
    contents, facts = with_sheet(drawn, about)
    record = Record(about["route"], key, status_of(drawn.findings), facts, drawn.findings, drawn.sources, ())
    return write_results(batch, record_path, record, contents, ROUTE_FILES)


def check_route(batch: Path, record: Record) -> tuple[Finding, ...]:
    """Read every file of a route back and hold it against the record."""
    return check_written_route(batch, {"facts": record.facts, "files": plain(record.files)})


def check_written_route(batch: Path, record: Mapping[str, Any]) -> tuple[Finding, ...]:
    """The same check for a record as it stands on disk."""
    if not record["files"]:
        return ()
    folder, facts = (batch / record["files"][0]["path"]).parent, record["facts"]
    box = None
    if facts.get("solids"):
        low, high = (tuple(corner) for corner in facts["box_mm"])
        box = ReplicaBox(low, high, facts["box_slack_mm"], facts["is_box_filled"])
    sha256 = {name: entry["sha256"] for entry in record["files"] if (name := Path(entry["path"]).name) != KEPT}
    return verify_parts(folder, facts.get("solids", ()), sha256, box)


ROUTE_FILES = JobFiles((), check_route, are_listed=True)
