"""The report job: the page of one element and the same as JSON, from the records and meshes of the jobs before it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from meshtools.counted import plane_cell
from meshtools.errors import ScanError
from meshtools.files.mesh_ply import read_replica_ply
from meshtools.files.read_scan import read_scan_of
from meshtools.geometry.distance import Surface, measure_deviation
from meshtools.geometry.lightening import light_version
from meshtools.geometry.picture import encode_png, render_picture
from meshtools.geometry.pieces import vertex_normals
from meshtools.geometry.threads import at_once
from meshtools.geometry.transform import apply_matrix, reflect, scale
from meshtools.geometry.unite import concatenate
from meshtools.geometry.weld import weld_scan
from meshtools.handover import is_accepted, standing_of
from meshtools.jobs.bone_status import looked_records
from meshtools.jobs.record import JobFiles, StaleInputError, write_results
from meshtools.jobs.report_deviation import deviation_findings, removed_apart
from meshtools.jobs.report_ends import with_ends_answered
from meshtools.jobs.report_part import with_part_lengths
from meshtools.jobs.report_routes import (
    armature_facts,
    armature_record,
    crash_findings,
    making_facts,
    received_findings,
    route_records,
    waiting,
)  # fmt: skip
from meshtools.jobs.report_sizes import contradicted_sizes
from meshtools.jobs.report_tried import tried_and_next_best
from meshtools.keys import hash_file
from meshtools.model import EvidenceClass, Finding, FloatArray, Mesh, Origin, Record, Severity, SourceEntry, plain, status_of
from meshtools.plain import from_plain
from meshtools.report.page import bone_page_bytes
from meshtools.report.sheet import make_sheet, sheet_json
from meshtools.report.viewer_mesh import MOST_FACES, viewer_mesh
from meshtools.report.words import class_words

FILES = JobFiles(("picture.png", "report.html"))
NOBODYS = (EvidenceClass.FILL, EvidenceClass.MADE)
PICTURE_PX = (900, 600)
THUMBNAIL_PX = (240, 160)
PLANE_PX = (420, 420)
MOST_PLANES = 4
SIDE_GREYS = np.array([[222, 216, 204], [96, 92, 86]], dtype=np.uint8)


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Make the page of one element; a failed element gets a page that says why."""
    records = looked_records(batch, job)
    rebuild = records["rebuild"]
    routes, holes = route_records(batch, job), armature_record(batch, job)
    extra: dict[str, Any] = {}
    if rebuild["status"] != "failed":
        extra = _shape(batch, job, records)
    view = extra.pop("view", None)
    extra["making"] = making_facts(job, routes, view if rebuild["facts"].get("volume_mm3") is not None else None)
    extra["armature"] = armature_facts(holes) if holes else None
    crashed = crash_findings(routes | ({"armature": holes} if holes else {}))
    findings = hand_over_findings(job, rebuild) + contradicted_sizes(batch, job) + received_findings(extra["making"]["received"]) + crashed
    strayed = deviation_findings(job["name"], extra.get("deviation"), job["part_tolerance_mm"])
    thumbnail = extra.pop("thumbnail_png", None)
    records = with_ends_answered(records)
    for name, found in (("deviation", strayed), ("report", findings)):
        records[name] = {"status": status_of(found), "findings": plain(found), "facts": {}, "files": []}
    tried = tried_and_next_best(batch, job)
    asked = with_part_lengths(batch, job, rebuild["facts"])
    shown = {"recipe": dict(job["recipe"]) | {"tried": tried["tried"], "findings": asked}, "next_best": tried["next_best"]}
    sheet = make_sheet(_sheet_job(job, shown_evidence_key(job, rebuild["facts"])) | shown | extra, records)
    if sheet["status"] == "review" and not is_accepted(standing_of(job), sheet["findings"]):
        sheet["making"] = waiting(sheet["making"])
    facts = _json(sheet)
    every = [from_plain(Finding, {k: v for k, v in row.items() if k != "stage"}) for row in facts["findings"]]
    status = {"ready": "ok"}.get(facts["status"], facts["status"])
    contents = {"report.html": bone_page_bytes(sheet)} | ({"picture.png": thumbnail} if thumbnail else {})
    record = Record("report", job["key"], status, facts, tuple(every), (), ())
    write_results(batch, f"results/{job['name']}/report.json", record, contents, FILES)


def _json(sheet: Mapping[str, Any]) -> dict[str, Any]:
    facts: dict[str, Any] = json.loads(sheet_json(sheet))
    return facts


def shown_evidence_key(job: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> str:
    """The key that a page gives to sign: the one that was signed, else that of one body or of loose bodies, as the replica turned out."""
    is_loose = bool(rebuilt.get("n_pins")) or rebuilt.get("n_bodies", 1) > 1
    key = job["sign_off"]["evidence_key"] if job["sign_off"] else job["evidence_keys"]["loose" if is_loose else "whole"]
    return str(key)


def _sheet_job(job: Mapping[str, Any], evidence_key: str) -> dict[str, Any]:
    return {
        "finds": [job["finds"][name] for name in sorted(job["finds"])],
        "part_id": job["part_id"],
        "sized_by": job["sized_by"],
        "revision": job["revision"],
        "evidence_key": evidence_key,
        "sign_off": job["sign_off"] or next(iter(job["lapsed_sign_offs"][-1:]), None),
        "tolerance_mm": job["part_tolerance_mm"],
        "density_kg_m3": job["settings"]["replica_density_kg_m3"],
        "density_basis": "solid, at the density in config.yaml",
    } | ({"routes": tuple(job["route_keys"])} if job["route_keys"] else {})


def hand_over_findings(job: Mapping[str, Any], rebuild: Mapping[str, Any]) -> tuple[Finding, ...]:
    """A finding for every recipient whose copy is no longer what the batch makes."""
    now = {Path(entry["path"]).name: entry["sha256"] for entry in rebuild["files"]}
    findings = []
    for given in job["hand_overs"]:
        if given["sha256"].get("replica.ply") != now.get("replica.ply"):
            message = (
                f"Revision {given['revision']} was handed over to {given['recipient']} on {given['date']}; the part has changed since "
                f"(it is revision {job['revision']} now). Tell {given['recipient']} before the part is used."
            )
            findings.append(Finding(Severity.REVIEW, "handed-over-changed", message, given["revision"], job["revision"]))
    return tuple(findings)


def _shape(batch: Path, job: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Turning view, picture and deviation from the raw scans brought along by the recipe."""
    rebuild = records["rebuild"]
    sources = tuple(from_plain(SourceEntry, row) for row in rebuild["sources"])
    path = batch / f"results/{job['name']}/replica.ply"
    if hash_file(path) not in {entry["sha256"] for entry in rebuild["files"]}:
        raise StaleInputError(f"{path}: the file was altered after it was made. Build again.")
    replica = read_replica_ply(path)
    look, followed = look_and_follow(replica, sources, min(job["settings"]["viewer_faces"], MOST_FACES), lambda: _scan_in_place(batch, job, records))
    deviation_mm = vertex_deviation(look.view, followed.scan, sources) if followed else None
    extra: dict[str, Any] = {
        "view": look.view,
        "viewer": viewer_mesh(look.view, sources, look.error_mm, deviation_mm, job["part_tolerance_mm"]),
        "picture_png": look.picture_png,
        "thumbnail_png": encode_png(render_picture(laid_out(look.view), class_colours(look.view, sources), "oblique", THUMBNAIL_PX)),
    }
    extra["plane_pictures"] = _plane_pictures(look.view, rebuild["facts"].get("restoration"))
    if followed:
        extra["deviation"] = followed.deviation
        cleaned = [record["facts"]["pieces"] for name, record in records.items() if name.startswith("clean/")]
        back = followed.deviation["scan_to_replica"]
        removed = removed_apart(followed.scan.mesh, replica, cleaned[0], back["max_mm"]) if len(cleaned) == 1 else None
        if removed:
            extra["deviation"] = followed.deviation | {"scan_to_replica": back | {"removed": removed}}
    return extra


@dataclass(frozen=True, eq=False)
class Look:
    """A light version of a replica, how far it may lie from the whole one, and its picture."""

    view: Mesh
    error_mm: float
    picture_png: bytes


@dataclass(frozen=True, eq=False)
class Followed:
    """The scan where the replica stands, and how far the two lie apart, both ways."""

    scan: Surface
    deviation: dict[str, Any]


def look_and_follow(
    replica: Mesh, sources: tuple[SourceEntry, ...], most_faces: int, scan_in_place: Callable[[], Mesh | None]
) -> tuple[Look, Followed | None]:
    """The look of a replica and how it follows its scan, found at once. None where there is no scan."""

    def look() -> Look:
        view, error_mm = light_version(replica, most_faces)
        return Look(view, error_mm, encode_png(render_picture(laid_out(view), class_colours(view, sources), "oblique", PICTURE_PX)))

    def follow() -> Followed | None:
        scan = scan_in_place()
        surface = Surface(scan) if scan is not None else None
        return Followed(surface, _deviation(replica, surface, sources)) if surface is not None else None

    works: list[Callable[[], Any]] = [look, follow]
    looked, followed = at_once(works)
    return looked, followed


def _deviation(replica: Mesh, scan: Surface, sources: tuple[SourceEntry, ...]) -> dict[str, Any]:
    """Skin that stands for the scan against the scan, and the scan against the whole replica. Closed holes, parts taken over and made
    parts follow no scan."""
    follows = np.array([entry.origin is Origin.SCANNED and entry.evidence is not EvidenceClass.OWN_C for entry in sources], dtype=bool)
    is_skin = follows[replica.source]
    whole = Surface(replica)
    if 0 < is_skin.sum() < len(scan.mesh.faces):
        whole.vertices_of(scan.mesh)  # both ways ask for these
    works: list[Callable[[], Any]] = [lambda: measure_deviation(scan, whole)]
    if is_skin.any():
        works.append(lambda: measure_deviation(whole.part(is_skin), scan))
    is_shared = is_skin.all() and len(scan.mesh.faces) < len(replica.faces)  # the first may leave in the scan what the second asks for
    back, *forth = [work() for work in works] if is_shared else at_once(works)
    return {"replica_to_scan": plain(forth[0]) if forth else None, "scan_to_replica": plain(back)}


def _plane_pictures(view: Mesh, restoration: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """The likeliest planes side by side where a person must choose one. The replica is an own bone here, in the frame of its scan."""
    plane = (restoration or {}).get("plane") or {}
    if plane.get("verdict") not in ("ask", "refuse"):
        return []
    return [
        {"png": encode_png(plane_picture(view, np.array(row["normal"]), row["offset_mm"])), "value": plane_cell(row["normal"], row["offset_mm"])}
        for row in [plane, *plane["runners_up"]][:MOST_PLANES]
    ]


def plane_picture(mesh: Mesh, normal: FloatArray, offset_mm: float) -> Any:
    """The bone seen along a plane, with its two sides light and dark."""
    centred = mesh.vertices - mesh.vertices.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    up = axes[:, int(np.argmin(np.abs(axes.T @ normal)))]
    up = up - (up @ normal) * normal
    up /= np.sqrt(np.sum(up**2))
    turned = mesh.replaced(vertices=centred @ np.stack([normal, np.cross(up, normal), up]).T)
    is_beyond = mesh.vertices[mesh.faces].mean(axis=1) @ normal > offset_mm
    return render_picture(turned, SIDE_GREYS[is_beyond.astype(np.intp)], "front", PLANE_PX)


def _scan_in_place(batch: Path, job: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]]) -> Mesh | None:
    """The raw scans in mm, reflected and scaled as the recipe says, as one mesh; None where a scan cannot be read any more, and for an
    interpolated bone, which follows no scan."""
    if job["recipe"].get("fraction"):
        return None
    parts = []
    composition = records["rebuild"]["facts"].get("composition")
    placed = dict(zip(composition["finds"], composition["poses"], strict=True)) if composition else {job["recipe"]["finds"][0]: np.eye(4)}
    places = {find: np.array(pose, dtype=np.float64) for find, pose in placed.items()}
    for find, (path, sha256) in sorted(job["scans"].items()):
        if sha256 is None or hash_file(batch / path) != sha256:
            raise StaleInputError(f"{path}: the file changed while the build was running. Build again.")
        if find not in places:  # a counterpart does not lie where its scan lies
            continue
        facts = records[f"clean/{find}"]["facts"]
        try:
            raw = read_scan_of(batch, path, facts["most_faces"])
        except ScanError:
            return None
        # merged, or every triangle of an STL would be a piece of its own
        mesh = apply_matrix(weld_scan(raw.vertices * facts["mm_per_unit"], raw.faces, None).mesh, places[find])
        mesh = reflect(mesh) if job["recipe"]["reflect"] else mesh
        parts.append(scale(mesh, job["recipe"]["factor"]))
    return concatenate(parts)


def vertex_deviation(mesh: Mesh, scan: Surface, sources: tuple[SourceEntry, ...]) -> FloatArray:
    """Distance of each vertex from the raw scan, mm, positive where the replica lies outside it; NaN where every face around it is
    nobody's bone. The side is told by the replica's own normals, which point outward; a scan's may not."""
    distance_mm, _, point = scan.project(mesh.vertices)
    outward = np.einsum("ij,ij->i", mesh.vertices - point, vertex_normals(mesh.vertices, mesh.faces))
    is_bone = np.array([entry.evidence not in NOBODYS for entry in sources], dtype=bool)
    has_bone = np.zeros(len(mesh.vertices), dtype=bool)
    has_bone[mesh.faces[is_bone[mesh.source]].ravel()] = True
    return np.where(has_bone, np.copysign(distance_mm, outward), np.nan)


def laid_out(mesh: Mesh) -> Mesh:
    """The mesh turned for its picture: longest principal axis across, second upwards. Turned only, never reflected."""
    centred = mesh.vertices - mesh.vertices.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    across, up = (axis * np.sign(axis[np.argmax(np.abs(axis))]) for axis in (axes[:, 2], axes[:, 1]))
    turn = np.stack([across, np.cross(up, across), up])
    return mesh.replaced(vertices=centred @ turn.T)


def class_colours(mesh: Mesh, sources: tuple[SourceEntry, ...]) -> Any:
    """(m, 3) uint8: each face in the colour of its evidence class."""
    table = [[int(class_words(entry.evidence.value).colour[i : i + 2], 16) for i in (1, 3, 5)] for entry in sources]
    return np.array(table, dtype=np.uint8)[mesh.source]
