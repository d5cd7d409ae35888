"""The clean surface of one find for a command that only looks: as the last build left it where that still holds, else cleaned now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from meshtools.errors import BonewrightError
from meshtools.files.mesh_ply import read_replica_ply
from meshtools.files.read_scan import read_scan_of
from meshtools.jobs.record import read_record
from meshtools.keys import hash_file
from meshtools.model import Find, Mesh, plain
from meshtools.record_places import record_path
from meshtools.workspace import Workspace

SIZE_DOUBTS = ("caliper", "scale-difference", "no-scale", "unit-contradiction")
SIZE_UNCHECKED = "scale-unchecked"


@dataclass(frozen=True, eq=False)
class CleanedFind:
    """Surface in mm, in scan coordinates, without floaters. size_doubts: sentences about its scale that a person should settle; is_checked: a
    length taken on the bone bears its scale out."""

    mesh: Mesh
    size_doubts: tuple[str, ...]
    is_checked: bool


def cleaned_find(workspace: Workspace, find: Find) -> CleanedFind:
    """Read or make the clean surface of a find, to the tolerance a build would use. Writes nothing.

    ScanError or GeometryError where the scan cannot be used.
    """
    job = workspace.worklist.jobs["clean"].get(find.find)
    kept = _kept_surface(workspace, find, job) if job else None
    return kept or _made_surface(workspace, find, job)


def try_cleaned_find(workspace: Workspace, find: Find) -> CleanedFind | str:
    """As cleaned_find, but the sentence that says why the scan cannot be used in place of an error."""
    try:
        return cleaned_find(workspace, find)
    except BonewrightError as error:
        return f"{find.find}: {error}"
    except FileNotFoundError:
        return f"{find.find}: its scan {find.scan} is not there"


def _kept_surface(workspace: Workspace, find: Find, job: Mapping[str, Any]) -> CleanedFind | None:
    record = read_record(workspace.folder / record_path("clean", find.find))
    if record is None or record["key"] != job["key"] or record["status"] == "failed":
        return None
    entry = next((entry for entry in record["files"] if entry["path"].endswith("/clean.ply")), None)
    path = workspace.folder / entry["path"] if entry else None
    if entry is None or path is None or not path.is_file() or hash_file(path) != entry["sha256"]:
        return None
    return _judged(read_replica_ply(path), record["findings"])


def _made_surface(workspace: Workspace, find: Find, job: Mapping[str, Any] | None) -> CleanedFind:
    from meshtools.stages.clean import clean_scan

    settings = workspace.register.settings.clean
    openings = tuple(opening for opening in workspace.register.openings if opening.find == find.find)
    tolerance_mm = job["tolerance_mm"] if job else settings.part_tolerance_mm / 4
    result = clean_scan(read_scan_of(workspace.folder, find.scan, settings.most_faces), find, settings, openings, tolerance_mm)
    return _judged(result.mesh, plain(result.findings))


def _judged(mesh: Mesh, findings: list[Mapping[str, Any]]) -> CleanedFind:
    doubts = tuple(finding["message"] for finding in findings if finding["code"] in SIZE_DOUBTS and finding["severity"] != "note")
    return CleanedFind(mesh, doubts, all(finding["code"] != SIZE_UNCHECKED for finding in findings))
