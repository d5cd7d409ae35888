"""Intake: a quick look at every scan of a batch, with a verdict for each, and draft rows for scans that the register does not know."""

from __future__ import annotations

import argparse
import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.counted import counted
from meshtools.errors import TablesError, UsageError
from meshtools.files.atomic import write_atomic
from meshtools.files.tables import read_table
from meshtools.intake_look import ScanVerdict, hold_sizes_together, is_nameable, look_at_scan
from meshtools.model import Find, Side, plain
from meshtools.plain_names import plain_name
from meshtools.register_cells import BONES
from meshtools.register_checks import place_of
from meshtools.same_scans import concerns, copied_scans, named_bone
from meshtools.settings_file import ScanFolder, folder_of, read_config
from meshtools.visible import visible
from meshtools.workspace import Workspace, open_workspace

SCAN_SUFFIXES = (".stl", ".ply", ".obj", ".off", ".glb", ".3mf")
BESIDE_SCANS = (".mtl", ".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")


def intake(options: argparse.Namespace) -> Answer:
    """`bonewright intake`: a picture for each scan in intake/, a verdict for each find in it, and drafted rows for unknown ones."""
    workspace = open_workspace(options.batch)
    finds: dict[str, list[Find]] = {}
    for find in workspace.register.finds:
        finds.setdefault(find.scan, []).append(find)
    scans = scan_files(options.batch)
    config = read_config(options.batch / "config" / "config.yaml", [])
    folders = config.folders if config else ()
    looks = [look for path in scans for look in _looks(workspace, path, finds.get(path, ()), folders)]
    verdicts = with_copies_told(workspace, hold_sizes_together(workspace, looks), scans)
    unknown = [verdict.scan for verdict in verdicts if verdict.scan not in finds and is_nameable(verdict.scan)]
    lines = [_line(verdict, len(finds.get(verdict.scan, ())) > 1) for verdict in verdicts]
    to_complete = "to complete (element, side, organismID, and a unit where config.yaml has none for the folder) and copy into config/bones.csv"
    lines += [f"intake/{name}: {counted(n, 'row')} {to_complete}." for name, n in write_drafts(options.batch / "intake", unknown).items()]
    lines += other_files(options.batch)
    register = workspace.register
    missing = [finding for finding in register.findings if finding.code == "scan-missing"]
    lines += [f"missing: {finding.message} [{place_of(finding, register)}]" for finding in missing]
    lacks = f", {counted(len(missing), 'scan')} of bones.csv missing" if missing else ""
    several = f" of {len(verdicts)} bones" if len(verdicts) > len(scans) else ""
    lines.append(f"{counted(len(scans), 'scan')}{several}, {_totals(verdicts)}{lacks}.")
    is_clean = all(verdict.verdict == "accept" and not verdict.asks for verdict in verdicts)
    code = DONE if is_clean and not unknown and not missing else PERSON_NEEDED
    return Answer(tuple(lines), {"scans": plain(verdicts), "drafted": unknown, "missing": plain(missing)}, code)


def _looks(workspace: Workspace, scan: str, finds: Sequence[Find], folders: Sequence[ScanFolder]) -> list[ScanVerdict]:
    """The looks at one scan: for each of its finds or, without any, in the unit that config.yaml declares for its folder, under the name that the
    draft of its row has, so that rows of other tables which a look proposes fit that one."""
    if finds:
        return [look_at_scan(workspace, scan, find) for find in finds]
    folder = folder_of(scan, folders)
    if folder is None or folder.unit is None:
        return [look_at_scan(workspace, scan, None)]
    drafted, file_name = plain_name(Path(scan).stem), visible(Path(scan).name)
    is_free = drafted and all(find.find != drafted for find in workspace.register.finds)
    name = drafted if is_free else file_name  # no find has a dot in its name
    unlisted = Find(0, name, "", Side.UNKNOWN, "", scan, folder.unit, folder.place)
    return [replace(look_at_scan(workspace, scan, unlisted), find="")]


def with_copies_told(workspace: Workspace, verdicts: Sequence[ScanVerdict], scans: Sequence[str]) -> list[ScanVerdict]:
    """The verdicts, with what the register says of one file for several finds and, of a file that bones.csv does not know, which others of these
    scans have the same bytes."""
    names: dict[str, list[str]] = {}
    for find in workspace.register.finds:
        names.setdefault(find.scan, []).append(f"{find.find}, {named_bone(find)}")
    digests = copied_scans(workspace.folder, workspace.hashes, scans)
    told = []
    for verdict in verdicts:
        asks = [finding.message for finding in workspace.register.findings if concerns(finding, [verdict.find])] if verdict.find else []
        if verdict.scan in digests and not verdict.find:
            others = [scan for scan in digests if scan != verdict.scan and digests[scan] == digests[verdict.scan]]
            listed = " and ".join(f"{visible(scan)} ({'; '.join(names.get(scan, ['not in bones.csv']))})" for scan in others)
            asks.append(f"the file is the same, byte for byte, as {listed}: look which bone it shows; the other one needs its own file, or none")
        told.append(replace(verdict, reasons=(*asks, *verdict.reasons), asks=(*asks, *verdict.asks)))
    return told


def _totals(verdicts: Sequence[ScanVerdict]) -> str:
    """`4 accepted (1 with something to do before a build), 0 to scan again, 1 in another unit`."""
    n = Counter(verdict.verdict for verdict in verdicts)
    n_asking = sum(verdict.verdict == "accept" and bool(verdict.asks) for verdict in verdicts)
    but = f" ({n_asking} with something that a build will ask)" if n_asking else ""
    others = {"open": "wide open", "another unit": "in another unit", "unit?": "whose unit is asked", "no unit": "without a unit"}
    more = "".join(f", {n[word]} {words}" for word, words in others.items() if n[word])
    return f"{n['accept']} accepted{but}, {n['re-scan']} to scan again{more}"


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


def other_files(batch: Path) -> list[str]:
    """A line on the files below scans/ that are not looked at because of their ending, or none; pictures and materials of scans are not named."""
    kinds = Counter(path.suffix.lower() for path in (batch / "scans").rglob("*") if path.is_file() and not path.name.startswith("."))
    left = {suffix: n for suffix, n in sorted(kinds.items()) if suffix not in SCAN_SUFFIXES and suffix not in BESIDE_SCANS}
    if not left:
        return []
    files, endings = counted(sum(left.values()), "file"), ", ".join(f"{n} {suffix or 'without an ending'}" for suffix, n in left.items())
    return [f"not looked at: {files} below scans/ ({visible(endings)}); scans end in {', '.join(SCAN_SUFFIXES)}."]


def scan_files(batch: Path) -> list[str]:
    """Paths of all scan files below scans/, sorted."""
    paths = sorted(path for path in (batch / "scans").rglob("*") if path.suffix.lower() in SCAN_SUFFIXES)
    return [path.relative_to(batch).as_posix() for path in paths]


def _line(verdict: ScanVerdict, is_shared: bool = False) -> str:
    """What to say of one scan; of one that holds several finds, each by its name."""
    use = f"used for {', '.join(verdict.used_by)}" if verdict.used_by else "not used by the plan" if verdict.find else "not in bones.csv"
    reasons = "; ".join(reason.rstrip(".") for reason in verdict.reasons)
    holes = "; ".join(f"{width:g} wide at x {x:g}, y {y:g}, z {z:g}" for x, y, z, width in verdict.rims)
    length_mm, own = verdict.greatest_length_mm, verdict.greatest_length_scan_units
    size = f"{own:.4g} long in its own unit" if length_mm is None else f"{length_mm:.4g} mm long"
    size = f", {size}" if verdict.n_faces else ""
    word = "accept, but" if verdict.verdict == "accept" and verdict.asks else verdict.verdict
    line = f"{word}: {visible(verdict.scan)}{f', {verdict.find}' if is_shared else ''} ({use}{size})" + (f": {reasons}" if reasons else "")
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
