"""Intake: a quick look at every scan of a batch, accept or scan again, and draft rows for scans that the register does not know."""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.counted import counted
from meshtools.errors import GeometryError, ScanError, TablesError, UsageError
from meshtools.files.atomic import write_atomic
from meshtools.files.tables import read_table
from meshtools.keys import sha256_of
from meshtools.model import MM_PER_UNIT, Find, Finding, Mesh, Severity, Unit, plain
from meshtools.plain_names import plain_name
from meshtools.plan import largest_factor_by_find
from meshtools.register_cells import BONES
from meshtools.register_checks import place_of
from meshtools.visible import visible
from meshtools.workspace import Workspace, open_workspace

SCAN_SUFFIXES = (".stl", ".ply", ".obj", ".off", ".glb", ".3mf")
MOST_RIMS = 5
LONGEST_FLAT_NAME = 200  # bytes; a folder holds names of 255, and the unfinished file has a longer one
MOST_MISSING_PERCENT = 15.0  # proposed default: above this share of open area a scan is taken again


@dataclass(frozen=True)
class ScanVerdict:
    """What intake says of one scan. Spacing and limit are mm at the largest size the plan makes of it; None without a unit."""

    scan: str
    find: str
    verdict: str  # accept, re-scan or unit?
    reasons: tuple[str, ...]
    n_faces: int = 0
    n_pieces: int = 0
    missing_percent: float | None = None
    spacing_mm: float | None = None
    spacing_limit_mm: float | None = None
    used_by: tuple[str, ...] = ()
    picture: str = ""
    greatest_length_mm: float | None = None  # of the bone; None without a unit
    greatest_length_scan_units: float = 0.0  # the same in the numbers of the file
    rims: tuple[tuple[float, float, float, float], ...] = ()  # of the widest holes: x, y, z as openings.csv wants them, and width in scan units


def intake(options: argparse.Namespace) -> Answer:
    """`bonewright intake`: a verdict and a picture for each scan in intake/, and drafted rows for unknown ones."""
    workspace = open_workspace(options.batch)
    finds = {find.scan: find for find in workspace.register.finds}
    verdicts = [look_at_scan(workspace, path, finds.get(path)) for path in scan_files(options.batch)]
    unknown = [verdict.scan for verdict in verdicts if verdict.scan not in finds and is_nameable(verdict.scan)]
    lines = [_line(verdict) for verdict in verdicts]
    to_complete = "to complete (element, side, organismID, unit) and copy into config/bones.csv"
    lines += [f"intake/{name}: {counted(n, 'row')} {to_complete}." for name, n in write_drafts(options.batch / "intake", unknown).items()]
    register = workspace.register
    missing = [finding for finding in register.findings if finding.code == "scan-missing"]
    lines += [f"missing: {finding.message} [{place_of(finding, register)}]" for finding in missing]
    n_again, n_asked = (sum(verdict.verdict == word for verdict in verdicts) for word in ("re-scan", "unit?"))
    asked = f", {n_asked} whose unit is asked" if n_asked else ""
    lacks = f", {counted(len(missing), 'scan')} of bones.csv missing" if missing else ""
    lines.append(f"{counted(len(verdicts), 'scan')}, {len(verdicts) - n_again - n_asked} accepted, {n_again} to scan again{asked}{lacks}.")
    code = PERSON_NEEDED if n_again or n_asked or unknown or missing else DONE
    return Answer(tuple(lines), {"scans": plain(verdicts), "drafted": unknown, "missing": plain(missing)}, code)


def write_drafts(folder: Path, unknown: Sequence[str]) -> dict[str, int]:
    """Draft rows for scans that are not in the register, and say how many rows each draft has that is to be completed.

    A draft that somebody has worked on is never replaced, and its scans are not drafted again; one that nobody has touched makes room for the new.
    """
    waiting: dict[str, int] = {}
    listed: set[str] = set()
    for path in sorted(folder.glob("drafted_rows*.csv")):
        scans = _drafted_scans(path)
        if scans is not None and path.read_bytes() == draft_rows(scans).encode():
            path.unlink()
        elif left := set(scans or ()) & set(unknown):
            waiting[path.name] = len(left)
            listed |= left
    new = [scan for scan in unknown if scan not in listed]
    return waiting | ({_write_draft(folder, draft_rows(new).encode()): len(new)} if new else {})


def _drafted_scans(path: Path) -> list[str] | None:
    """The scans that a draft has rows for; None where it is no table any more."""
    try:
        header, rows = read_table(path)
    except TablesError:
        return None
    place = header.cells.index("scan") if "scan" in header.cells else len(header.cells)
    return [row.cells[place] for row in rows if len(row.cells) > place]


def _write_draft(folder: Path, content: bytes) -> str:
    """Write a draft under the first name that is free, and return the name."""
    numbers = ("", *(f"_{number:02d}" for number in range(2, 100)))
    for name in (f"drafted_rows{number}.csv" for number in numbers):
        if not (folder / name).exists():
            write_atomic(folder / name, content)
            return name
    raise UsageError(f"{folder}: there are 99 drafts of rows; complete or remove some.")


def scan_files(batch: Path) -> list[str]:
    """Paths of all scan files below scans/, sorted."""
    paths = sorted(path for path in (batch / "scans").rglob("*") if path.suffix.lower() in SCAN_SUFFIXES)
    return [path.relative_to(batch).as_posix() for path in paths]


def look_at_scan(workspace: Workspace, scan: str, find: Find | None) -> ScanVerdict:
    """Read one scan and judge it: readable, unit known, coverage, lengths of the bone's own pieces, spacing against the tolerance at target size."""
    from meshtools.files.read_scan import read_scan_of
    from meshtools.files.scan_parts import file_label
    from meshtools.geometry.weld import weld_scan

    name = find.find if find else ""
    mm_per_unit = MM_PER_UNIT.get(find.unit if find else Unit.NONE)
    try:
        if not is_nameable(scan):
            raise ScanError(f"{file_label(Path(scan))} has a name that a table cannot hold: rename the file, in letters, digits and hyphens.")
        raw = read_scan_of(workspace.folder, scan, workspace.register.settings.clean.most_faces)
        mesh = weld_scan(raw.vertices * (mm_per_unit or 1.0), raw.faces, None).mesh
        return _judge(workspace, scan, name, mesh, mm_per_unit)
    except (ScanError, GeometryError) as error:
        return ScanVerdict(scan, name, "re-scan", (str(error),), used_by=_used_by(workspace, name))


def is_nameable(scan: str) -> bool:
    """True where a cell of bones.csv can hold the path: signs that can be seen, no blanks at its ends, no backslash."""
    return scan == visible(scan).strip() and "\\" not in scan


def picture_name(scan: str) -> str:
    """Name of a scan's picture in intake/: its path with hyphens, cut where that is too long for a file's name, with a hash that keeps it apart."""
    flat = Path(scan).as_posix().replace("/", "-")
    return f"{flat}.png" if len(flat.encode()) <= LONGEST_FLAT_NAME else f"{flat[: LONGEST_FLAT_NAME // 4]}-{sha256_of(scan)[:16]}.png"


def _judge(workspace: Workspace, scan: str, name: str, mesh: Mesh, mm_per_unit: float | None) -> ScanVerdict:
    import numpy as np

    from meshtools.geometry.measure import measure, median_spacing
    from meshtools.geometry.pieces import mesh_areas, piece_labels
    from meshtools.geometry.rims import close_rims, find_rims
    from meshtools.geometry.scale_check import check_lengths, size_problem, unit_question
    from meshtools.stages.clean import bone_pieces

    has_unit, rims = mm_per_unit is not None, find_rims(mesh)
    closed = close_rims(mesh, rims, 1)
    areas = mesh_areas(closed)
    missing_percent = round(100 * float(areas[closed.source == 1].sum() / max(areas.sum(), 1e-300)), 2)
    limit_mm = workspace.register.settings.clean.part_tolerance_mm / max(1.0, largest_factor_by_find(workspace.plan).get(name, 1.0))
    spacing_mm = round(median_spacing(mesh), 4) if has_unit else None
    reasons = []
    if missing_percent > MOST_MISSING_PERCENT:
        reasons.append(f"about {missing_percent:.0f} % of the surface is missing; the picture shows the rims in red")
    n_pieces = len(np.unique(piece_labels(mesh)))
    picture = f"intake/{picture_name(scan)}"
    write_atomic(workspace.folder / picture, _picture(mesh, rims, has_unit))
    find = next((find for find in workspace.register.finds if find.find == name), None)
    pieces: list[Finding] = []
    rows: list[dict[str, Any]] = []
    bone = mesh
    if find is not None and mm_per_unit is not None:
        openings = tuple(opening for opening in workspace.register.openings if opening.find == name)
        bone, _, pieces = bone_pieces(mesh, find, workspace.register.settings.clean, openings, mm_per_unit)
        rows, lengths = check_lengths(bone.vertices, find, "unit", workspace.register.settings.clean)
        reasons += [f"{finding.message} Look at the caliper cell first." for finding in lengths if finding.severity is Severity.REVIEW]
    problem = size_problem(mesh.vertices, workspace.register.settings.clean.part_tolerance_mm) if has_unit else ""
    if problem:
        reasons.append(problem)
    length = measure(bone.vertices, "greatest-length")
    question = unit_question(length, rows) if has_unit and not problem else ""
    verdict = "re-scan" if reasons else "unit?" if question else "accept"
    reasons += [question] if question else []
    reasons += [finding.message for finding in pieces if finding.severity is Severity.REVIEW]
    if not has_unit:
        has_length = find is not None and (find.scale_points is not None or find.caliper is not None)
        later = "a build takes its size from the length in bones.csv; here" if has_length else "the unit is not stated, so"
        reasons.append(f"{later} neither size nor spacing was checked")
    if spacing_mm is not None and spacing_mm > 4 * limit_mm:
        reasons.append(f"points are {spacing_mm:.2f} mm apart; features below that are not in the scan (tolerance {limit_mm:.2f} mm)")
    return ScanVerdict(scan, name, verdict, tuple(reasons), len(mesh.faces), n_pieces, missing_percent, spacing_mm, limit_mm,
                       _used_by(workspace, name), picture, round(length, 3) if has_unit else None, float(f"{length / (mm_per_unit or 1.0):.6g}"),
                       _widest_rims(rims, mm_per_unit))  # fmt: skip


def _widest_rims(rims: Sequence[Any], mm_per_unit: float | None) -> tuple[tuple[float, float, float, float], ...]:
    """Place and width of the widest holes in scan units."""
    scale = mm_per_unit or 1.0
    widest = sorted(rims, key=lambda rim: -rim.span_mm)[:MOST_RIMS]
    return tuple((*(round(float(x) / scale, 4) for x in rim.centre_mm), round(rim.span_mm / scale, 4)) for rim in widest)


def _picture(mesh: Mesh, rims: Sequence[Any], has_unit: bool) -> bytes:
    import numpy as np

    from meshtools.geometry.picture import encode_png, render_picture

    on_rim = np.zeros(len(mesh.vertices), dtype=bool)
    for rim in rims:
        on_rim[rim.vertices] = True
    is_red = np.any(on_rim[mesh.faces], axis=1)
    colours = np.array([[205, 200, 190], [213, 94, 0]], dtype=np.uint8)[is_red.astype(np.intp)]
    return encode_png(render_picture(mesh, colours, "oblique", (700, 500), scale_bar=has_unit))


def _used_by(workspace: Workspace, find: str) -> tuple[str, ...]:
    return tuple(f"{recipe.target}/{recipe.element}" for recipe in workspace.plan.recipes if find and find in recipe.finds)


def _line(verdict: ScanVerdict) -> str:
    use = f"used for {', '.join(verdict.used_by)}" if verdict.used_by else "not used by the plan" if verdict.find else "not in bones.csv"
    reasons = "; ".join(verdict.reasons)
    holes = "; ".join(f"{width:g} wide at x {x:g}, y {y:g}, z {z:g}" for x, y, z, width in verdict.rims)
    length_mm, own = verdict.greatest_length_mm, verdict.greatest_length_scan_units
    size = f"{own:.4g} long in its own unit" if length_mm is None else f"{length_mm:.4g} mm long"
    size = f", {size}" if verdict.n_faces else ""
    line = f"{verdict.verdict}: {visible(verdict.scan)} ({use}{size})" + (f": {reasons}" if reasons else "")
    return line + (f"\n  widest holes, in scan units: {holes}" if holes else "")


def draft_rows(scans: Sequence[str]) -> str:
    """Rows for bones.csv with what the file name tells; the rest is left for a person. The unit is never guessed."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    columns = list(BONES.columns)
    writer.writerow(columns)
    for scan in scans:
        row = dict.fromkeys(columns, "")
        slug = plain_name(Path(scan).stem)
        side = next((word for word in ("left", "right") if word in slug.split("-")), "")
        row |= {"find": slug, "side": side, "scan": scan}
        writer.writerow([row[column] for column in columns])
    return stream.getvalue()
