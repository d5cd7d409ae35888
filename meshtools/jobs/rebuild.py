"""The rebuild job: clean surfaces to one replica, its deliveries, and the proof that they can be read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.files.deliver import Delivery, PartLabel, encode_3mf, encode_glb, encode_stl, recentre
from meshtools.files.delivered_crossings import crossing_findings, delivered_crossings
from meshtools.files.delivered_surface import DeliveredSurface
from meshtools.files.mesh_ply import read_replica_ply, write_replica_ply
from meshtools.files.verify_delivery import PlannedPart, verify_delivery
from meshtools.files.verify_placement import verify_placement
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.completed_ends import is_end_completed
from meshtools.geometry.covered_ends import JoinedSkin, open_ends_of
from meshtools.geometry.threads import at_once
from meshtools.jobs.record import JobFiles, StaleInputError, failed_record, read_record, write_results
from meshtools.keys import hash_file
from meshtools.model import Finding, FloatArray, Mesh, Opening, Recipe, Record, Severity, SourceEntry, StageResult, plain, status_of
from meshtools.plain import from_plain
from meshtools.settings import RebuildSettings, RestoreSettings
from meshtools.stages.rebuild import rebuild_element

DELIVERIES = ("replica.3mf", "replica.glb", "replica.stl")
FILES = JobFiles(("replica.ply", *DELIVERIES))
STATUS_IS_OF = "rebuilding alone; report.json says how the bone stands, with what plan, cleaning and comparisons found"


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Rebuild one element. An unusable scan or geometry ends in a failed record that names the next best source."""
    record_path = f"results/{job['name']}/record.json"
    recipe = from_plain(Recipe, job["recipe"])
    cleaned, reasons, openings, has_crashed = [], [], [], False
    records = {find: _clean_record(batch, find, job["clean_keys"][find]) for find in recipe.finds}
    poses = _poses(job["poses"])
    for find, clean in records.items():
        if clean["status"] == "failed":
            has_crashed |= any(finding["code"] == "crash" for finding in clean["findings"])
            reasons += [finding["message"] for finding in clean["findings"] if finding["severity"] == "failed"]
        else:
            cleaned.append(Cleaned(find, *_clean_mesh(batch, clean), clean["facts"]["mm_per_unit"], poses.get(find)))
            openings += _openings_mm(job["openings"], find, cleaned[-1].mm_per_unit)
    try:
        if reasons:
            raise GeometryError(" ".join(reasons))
        restore = from_plain(RestoreSettings, job.get("restore_settings", {}))
        result = rebuild_element(recipe, cleaned, from_plain(RebuildSettings, job["settings"]), tuple(openings), restore)
    except GeometryError as error:
        best = next_best_words(job["next_best"])
        message = f"{job['name']} was not built: {error} {best}"
        code = "crash" if has_crashed else "source-unusable"
        write_results(batch, record_path, failed_record("rebuild", job["key"], code, message), {}, FILES)
        return
    ends = {
        "ends_completed": _ends_completed(recipe, result, records),
        "ends_covered": _ends_covered(result, {part.find: part.mesh for part in cleaned}, records, job.get("part_tolerance_mm")),
    }
    _deliver(batch, record_path, job, replace(result, facts=dict(result.facts) | ends))


def _ends_completed(recipe: Recipe, result: StageResult, records: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """The finds whose scans end open where the replica was completed beyond that end."""
    facts = result.facts
    if not facts["is_closed"] or not (facts["restoration"] or {}).get("is_changed"):
        return []
    places = _places(facts) or {recipe.finds[0]: np.array(facts["replica_from_scan"])}
    return [find for find, place in places.items() if is_end_completed(result.mesh, place, records[find])]


def _ends_covered(
    result: StageResult, parts: Mapping[str, Mesh], records: Mapping[str, Mapping[str, Any]], tolerance_mm: float | None
) -> dict[str, list[float | None]]:
    """For each joined find whose scan ends open: how far each end lies at most from the skin of the others that covers it, None where none does."""
    places, facts = _places(result.facts), result.facts
    ends = {find: open_ends_of(records[find]) for find in places}
    if tolerance_mm is None or not facts["is_closed"] or not any(ends.values()):
        return {}
    skin = JoinedSkin(result.mesh, result.sources, tolerance_mm)
    covers = {find: skin.cover_of(find, parts[find], place, ends[find]) for find, place in places.items() if ends[find]}
    return {find: [None if mm is None else round(mm, 6) for mm in cover] for find, cover in covers.items()}


def _places(facts: Mapping[str, Any]) -> dict[str, FloatArray]:
    """Find -> matrix (4, 4) from its scan to the replica, of the finds that were joined; none where they lie side by side or there is but one."""
    composition = facts["composition"]
    if composition is None or not composition["is_joined"]:
        return {}
    matrix = np.array(facts["replica_from_scan"])
    return {find: matrix @ np.array(pose) for find, pose in zip(composition["finds"], composition["poses"], strict=True)}


def next_best_words(next_best: Mapping[str, Any] | None) -> str:
    """A sentence that names the source that would be taken next, or that there is none."""
    if next_best is None:
        return "There is no other source for it in the register: scan again, or decide to leave it out."
    return (
        f"The next best source by the tables is {next_best['find']} ({next_best['class']}): nothing was put in its place. "
        "Scan again, or choose that donor in decisions.csv."
    )


def _clean_record(batch: Path, find: str, key: str) -> dict[str, Any]:
    clean = read_record(batch / f"results/finds/{find}/record.json")
    if clean is None or clean["key"] != key:
        raise StaleInputError(f"results/finds/{find}: the clean surface is not the planned one. Build again.")
    return clean


def _clean_mesh(batch: Path, clean: Mapping[str, Any]) -> tuple[Mesh, tuple[SourceEntry, ...]]:
    entry = next(file for file in clean["files"] if file["path"].endswith("clean.ply"))
    if hash_file(batch / entry["path"]) != entry["sha256"]:
        raise StaleInputError(f"{entry['path']}: the file was altered after it was made. Build again.")
    return read_replica_ply(batch / entry["path"]), tuple(from_plain(SourceEntry, source) for source in clean["sources"])


def _poses(rows: list[dict[str, Any]]) -> dict[str, np.ndarray]:
    """Find -> matrix (4, 4) into its frame, for the finds that a person has placed. Poses of different frames do not go together."""
    if len({row["frame"] for row in rows}) > 1:
        return {}
    return {row["find"]: np.array(row["matrix"], dtype=np.float64).reshape(4, 4) for row in rows}


def _openings_mm(rows: list[dict[str, Any]], find: str, mm_per_scan_unit: float) -> list[Opening]:
    openings = [from_plain(Opening, {"row": 0} | row) for row in rows if row["find"] == find]
    k = mm_per_scan_unit
    return [replace(o, x=o.x * k, y=o.y * k, z=o.z * k) for o in openings]


def _deliver(batch: Path, record_path: str, job: Mapping[str, Any], result: StageResult) -> None:
    """Write the replica; where it may be delivered also STL, 3MF and GLB, each read back from disk before the record is written."""
    contents = {"replica.ply": write_replica_ply(result.mesh)}
    frames: dict[str, Any] = {"replica.ply": result.facts["replica_from_scan"]}
    findings, n_crossings = result.findings, {}
    if result.facts["deliverable"]:
        label = PartLabel(job["part_id"], str(job["revision"]), job["recipe"]["target"], job["recipe"]["element"], job["recipe"]["class"])
        deliveries = encode_deliveries(result, label)
        for name, delivery in deliveries.items():
            contents[name] = delivery.content
            frames[name] = np.asarray(delivery.delivered_from_scan).tolist()
        found = delivered_crossings(deliveries)
        n_crossings = {name: crossings.n_pairs for name, (crossings, _) in found.items()}
        findings += tuple(crossing_findings(label.element, result.mesh, result.sources, result.facts["n_self_intersections"], found))
    of_files = {"delivered_from_scan": frames, "n_self_intersections_delivered": n_crossings}
    facts = dict(result.facts) | {"part_id": job["part_id"], "revision": job["revision"], "status_is_of": STATUS_IS_OF} | of_files
    record = Record("rebuild", job["key"], status_of(findings), facts, findings, result.sources, ())
    write_results(batch, record_path, record, contents, JobFiles(FILES.names, check_deliveries))


def encode_deliveries(result: StageResult, label: PartLabel) -> dict[str, Delivery]:
    """The 3MF, STL and GLB of a replica, made at once: the zip of the first takes as long as all the rest."""
    part = recentre(result.mesh)
    encoders = {"replica.3mf": encode_3mf, "replica.stl": encode_stl, "replica.glb": encode_glb}
    placed = result.mesh, label, result.sources, result.facts["replica_from_scan"], part
    return dict(zip(encoders, at_once([partial(encode, *placed) for encode in encoders.values()]), strict=True))


def check_deliveries(batch: Path, record: Record) -> tuple[Finding, ...]:
    """Read every delivered file back and compare it with what was planned; also look for files that should be there."""
    return check_written(batch, {"facts": record.facts, "files": plain(record.files), "sources": record.sources})


def check_written(batch: Path, record: Mapping[str, Any]) -> tuple[Finding, ...]:
    """The same check for a record as it stands on disk."""
    facts = record["facts"]
    if not facts["deliverable"]:
        return ()
    findings: list[Finding] = []
    surfaces: dict[str, DeliveredSurface] = {}
    counts = {"n_vertices": "n_vertices", "n_faces": "n_faces", "n_pieces": "n_pieces_after", "area_mm2": "area_mm2"}
    figures = {name: facts[fact] for name, fact in counts.items()} | {"n_sources": len(record["sources"])}
    for entry in record["files"]:
        planned = PlannedPart(facts["volume_mm3"], tuple(facts["extents_mm"]), entry["sha256"], facts["n_self_intersections"], **figures)
        read_back = verify_delivery(batch / entry["path"], planned)
        findings += read_back.findings
        if read_back.surface is not None:
            surfaces[Path(entry["path"]).name] = read_back.surface
    findings += verify_placement(surfaces, facts["delivered_from_scan"])
    missing = set(FILES.names) - {Path(entry["path"]).name for entry in record["files"]}
    findings += [Finding(Severity.FAILED, "delivery-missing", f"{name} was not written.") for name in sorted(missing)]
    return tuple(findings)
