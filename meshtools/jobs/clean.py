"""The clean job: one raw scan to clean.ply and its record."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.errors import GeometryError, ScanError
from meshtools.files.mesh_ply import write_replica_ply
from meshtools.files.read_scan import read_scan_of
from meshtools.jobs.record import JobFiles, StaleInputError, failed_record, write_results
from meshtools.keys import UNREADABLE, hash_file
from meshtools.model import Find, Opening, Record, StageResult, status_of
from meshtools.plain import from_plain
from meshtools.settings import CleanSettings
from meshtools.stages.clean import clean_scan

PICTURED_PIECES = 12
FILES = JobFiles(("clean.ply", "pieces.png"))


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Clean the scan that the job names. A scan that cannot be used ends in a failed record, not in an error."""
    record_path = f"results/finds/{job['name']}/record.json"
    find = from_plain(Find, {"row": 0} | job["find"])
    try:
        result = _cleaned(batch, job, find)
    except (ScanError, GeometryError) as error:
        remedy = f" Put {job['scan']} in its place, or correct the file name where it is registered." if job["scan_sha256"] is None else ""
        record = failed_record("clean", job["key"], "scan-unusable", f"{_named(find)}: {error}{remedy}", {"find": find.find, "scan": find.scan})
        write_results(batch, record_path, record, {}, FILES)
        return
    contents = {"clean.ply": write_replica_ply(result.mesh)}
    picture = pieces_picture(result)
    if picture:
        contents["pieces.png"] = picture
    record = Record("clean", job["key"], status_of(result.findings), result.facts, result.findings, result.sources, ())
    write_results(batch, record_path, record, contents, FILES)


def _named(find: Find) -> str:
    """How a message names a find; a file made by hand is known by its path, not by the name it is cleaned under."""
    return f"{find.scan}, the file made by hand" if find.unit_source == "decision" else f"find {find.find}"


def _cleaned(batch: Path, job: Mapping[str, Any], find: Find) -> StageResult:
    if job["scan_sha256"] not in (None, UNREADABLE) and hash_file(batch / job["scan"]) != job["scan_sha256"]:
        raise StaleInputError(f"{job['scan']}: the file changed while the build was running. Build again.")
    settings = from_plain(CleanSettings, job["settings"])
    raw = read_scan_of(batch, job["scan"], settings.most_faces)
    openings = tuple(from_plain(Opening, {"row": 0} | opening) for opening in job["openings"])
    return clean_scan(raw, find, settings, openings, job["tolerance_mm"])


def pieces_picture(result: StageResult) -> bytes | None:
    """A picture of each separate piece of comparable size with its number, so that the register can select some; None where the scan
    holds no such pieces. Numbers are by area, largest first, as bones.csv counts them while only floaters are gone."""
    import numpy as np

    from meshtools.geometry.picture import contact_sheet, encode_png, render_picture
    from meshtools.geometry.pieces import rank_pieces

    if not any(finding.code == "comparable-pieces" for finding in result.findings):
        return None
    pieces = rank_pieces(result.mesh)
    images = []
    for number in range(min(len(pieces), PICTURED_PIECES)):
        is_shown = (pieces.labels == number)[:, None]
        colours = np.where(is_shown, np.array([0, 114, 178]), np.array([215, 212, 205])).astype(np.uint8)
        images.append(render_picture(result.mesh, colours, "oblique", (450, 350)))
    return encode_png(contact_sheet(images, [f"piece {number + 1}" for number in range(len(images))]))
