"""The sheet of one bone: every fact that its page and report.json show, gathered once from the plan and the records.

`make_sheet` is the only place that knows the keys of records; `page.bone_page` reads a Sheet and nothing else. report.json is the sheet
without its pictures and the viewer's mesh (`sheet_json`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any, TypedDict

from meshtools.report.cautions import cautions_for
from meshtools.report.marks import marked_places
from meshtools.report.words import CLASSES, FROM_BONE, OWN_SCALED, element_title

PAGE_STATUS = {"ok": "ready", "ready": "ready", "review": "review", "failed": "failed", "gap": "gap"}
FIND_KEYS = (
    "find", "catalog_number", "organism_id", "scientific_name", "identification_qualifier", "life_stage", "element", "side", "portion",
    "preserved_percent", "condition", "pathology", "deformation", "scan", "unit", "unit_source", "identified_by", "remarks",
)
RIM_FACTS = ("n_rims_closed", "n_rims_closed_by_name", "widest_closed_rim_mm", "n_open_rims", "n_pins")
PICTURES = ("picture_png", "plane_pictures", "viewer")
SEVERITY_ORDER = ("failed", "review", "note")
LEADING = (
    "handed-over-changed", "caliper", "unit-contradiction", "scale-difference", "size-contradicted", "side-contradicted", "element-contradicted",
    "partner-of-wrong-side", "parts-not-joined",
)  # fmt: skip


class Sheet(TypedDict):
    """Keys of a sheet. A None means not stated; lengths in mm, ratios from 0 to 1."""

    part_id: str
    revision: str
    target: str
    element: str  # slug, femur-left
    title: str  # Femur, left
    evidence: str  # class code
    evidence_words: str
    status: str  # ready, review, failed or gap
    reason: str
    individuals: list[str]
    finds: list[dict[str, Any]]  # FIND_KEYS, empty strings kept
    reflected: bool
    factor: float
    factor_interval: list[float] | None
    factor_basis: str
    tried: list[dict[str, Any]]  # class, find, why
    next_best: dict[str, Any] | None  # class, find, why
    findings: list[dict[str, Any]]  # severity, code, message, value, limit, unit, stage
    measures: dict[str, Any]  # volume_mm3, area_mm2, extents_mm, centre_of_mass_mm, n_faces, n_bodies, n_pieces, n_pieces_before
    mass: dict[str, Any]  # mass_kg, density_kg_m3, density_basis
    shares: list[dict[str, Any]]  # class, words, area_ratio, volume_mm3 (area ratio x volume)
    from_bone_ratio: float | None  # area share of the classes taken from a scanned bone
    fills: list[dict[str, Any]]  # find, rim_span_mm, area_mm2, centre_mm (in the scan's frame, mm); the widest first
    closed_rims: dict[str, Any]  # RIM_FACTS of the rebuild: counts, widest_closed_rim_mm
    tolerance_mm: float | None
    deviation: dict[str, Any]  # replica_to_scan, scan_to_replica: max_mm, max_bound_mm, p99_mm, p95_mm, mean_mm, n
    calipers: list[dict[str, Any]]  # find, measure, caliper_mm, mesh_mm, difference_mm, limit_mm, role
    scales: list[dict[str, Any]]  # find, unit, scale_basis, mm_per_unit
    files: list[dict[str, Any]]  # path, sha256
    sign_off: dict[str, Any]  # state unsigned | signed | lapsed, by, date, reason, evidence_key, changed (words, of a lapsed one)
    evidence_key: str
    cautions: list[dict[str, Any]]  # code, text, source
    view_error_mm: float | None
    restoration: dict[str, Any] | None  # facts of completing, None for a bone that was not completed
    making: dict[str, Any] | None  # made, received, next_scales, advice (jobs.report_routes); None where nothing was looked at
    armature: dict[str, Any] | None  # status, holes, findings, table (jobs.report_routes.armature_facts); None for a bone without fixings
    conjecture: dict[str, Any] | None  # how a bone of class INT or EXT was made, None for any other
    plane_pictures: list[dict[str, Any]]  # png, value: candidate planes where a person must choose
    picture_png: bytes | None
    viewer: dict[str, Any] | None


def make_sheet(job: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Build the sheet of one element.

    job: `recipe` plain(Recipe); `finds` list of plain(Find); `part_id`, `evidence_key`; optional `revision`, `status` (else the worst of
    the records and the recipe), `sign_off` plain(Decision) or None, `deviation` ({a_to_b, b_to_a} with a the replica and b the scan),
    `next_best` plain(Attempt) or None, `tolerance_mm`, `density_kg_m3`, `density_basis`, `routes`, `picture_png`, `plane_pictures`, `viewer`
    (from viewer_mesh), `sized_by` (the animal that the target's size is stated relative to, else empty).
    records: plain(Record) dicts, `rebuild` for the element and `clean/<find>` for each find. A fact that no record holds is None.
    """
    recipe = job["recipe"]
    finds = [{key: find.get(key) for key in FIND_KEYS} for find in job.get("finds", ())]
    facts = records.get("rebuild", {}).get("facts", {})
    measures = _measures(facts)
    mass = _mass(job, measures["volume_mm3"])
    meanings = _meanings(job, finds)
    findings = _findings(recipe, records)
    viewer = _in_view(job.get("viewer"), meanings, marked_places(findings, facts))
    shares = _shares(facts.get("evidence_share") or (viewer or {}).get("area_ratios") or {}, measures["volume_mm3"], meanings)
    sheet: Sheet = {
        "part_id": job["part_id"],
        "revision": str(job.get("revision", "")),
        "target": recipe["target"],
        "element": recipe["element"],
        "title": element_title(recipe["element"]),
        "evidence": recipe["class"],
        "evidence_words": _class_in_words(recipe["class"], shares, meanings),
        "status": PAGE_STATUS[job["status"]] if job.get("status") else _status(recipe, records),
        "reason": recipe["reason"],
        "individuals": sorted({find["organism_id"] for find in finds if find["organism_id"]}),
        "finds": finds,
        "reflected": recipe["reflect"],
        "factor": recipe["factor"],
        "factor_interval": recipe["factor_interval"],
        "factor_basis": recipe["factor_basis"],
        "tried": list(recipe["tried"]),
        "next_best": job.get("next_best"),
        "findings": findings,
        "measures": measures,
        "mass": mass,
        "shares": shares,
        "from_bone_ratio": sum(row["area_ratio"] for row in shares if row["class"] in FROM_BONE) if shares else None,
        "fills": sorted(_per_find(records, "fills"), key=lambda row: (-row["rim_span_mm"], row["find"])),
        "closed_rims": {name: facts.get(name) for name in RIM_FACTS},
        "tolerance_mm": job.get("tolerance_mm"),
        "deviation": _deviation(job.get("deviation") or {}),
        "calipers": _per_find(records, "lengths"),
        "scales": _scales(records),
        "files": [dict(entry) for name in sorted(records) for entry in records[name].get("files", ())],
        "sign_off": _sign_off(job.get("sign_off"), job["evidence_key"]),
        "evidence_key": job["evidence_key"],
        "cautions": _cautions(job, finds, mass),
        "view_error_mm": (viewer or {}).get("error_mm"),
        "restoration": facts.get("restoration"),
        "making": job.get("making"),
        "armature": job.get("armature"),
        "conjecture": facts.get("conjecture"),
        "plane_pictures": list(job.get("plane_pictures", ())),
        "picture_png": job.get("picture_png"),
        "viewer": viewer,
    }
    return dict(sheet)


def sheet_json(sheet: Mapping[str, Any]) -> str:
    """report.json: the sheet without the mesh arrays and the picture, sorted; a non-finite number becomes null."""
    facts = {key: value for key, value in sheet.items() if key not in PICTURES}
    return json.dumps(_finite(facts), sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    return [_finite(item) for item in value] if isinstance(value, (list, tuple)) else value


def _status(recipe: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]]) -> str:
    """Worst of the records and the recipe; without a replica a gap is a gap and anything else has failed."""
    if recipe["status"] == "gap":
        return "gap"
    if "rebuild" not in records:
        return "failed"
    found = {record["status"] for record in records.values()}
    found |= {finding["severity"] for finding in recipe.get("findings", ())} | ({"review"} if recipe["status"] == "ask" else set())
    return "failed" if "failed" in found else "review" if "review" in found else "ready"


def _findings(recipe: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """All findings, the gravest first; within a severity the LEADING ones, then in the order plan, cleaning, rebuilding.

    Lists of bones show the first one: what a recipient must be told, or a doubt about unit, size, side, element or how
    the scans of one bone lie together, beside which others lead astray.
    """
    rows = [dict(finding) | {"stage": "plan"} for finding in recipe.get("findings", ())]
    for name in sorted(records):
        rows += [dict(finding) | {"stage": name} for finding in records[name].get("findings", ())]
    return sorted(rows, key=lambda row: (SEVERITY_ORDER.index(row["severity"]), row["code"] not in LEADING))


def _measures(facts: Mapping[str, Any]) -> dict[str, Any]:
    lengths = ("volume_mm3", "area_mm2", "extents_mm", "greatest_length_mm", "centre_of_mass_mm")
    names = (*lengths, "n_vertices", "n_faces", "n_bodies", "n_pieces_before")
    return {name: facts.get(name) for name in names} | {"n_pieces": facts.get("n_pieces_after")}


def _mass(job: Mapping[str, Any], volume_mm3: float | None) -> dict[str, Any]:
    density = job.get("density_kg_m3")
    mass = None if density is None or volume_mm3 is None else volume_mm3 * 1e-9 * density
    return {"mass_kg": mass, "density_kg_m3": density, "density_basis": job.get("density_basis", "")}


def _meanings(job: Mapping[str, Any], finds: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """What the classes mean on this page: a bone scaled to a size that is stated relative to its own animal is not another animal's."""
    is_own = bool(job.get("sized_by")) and {find["organism_id"] for find in finds} == {job["sized_by"]}
    return {code: words.words for code, words in CLASSES.items()} | (dict(OWN_SCALED) if is_own else {})


def _in_view(viewer: dict[str, Any] | None, meanings: Mapping[str, str], marks: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The turning view with these meanings of its classes and with marks at the places that findings name."""
    table = [entry | {"words": meanings[entry["code"]]} for entry in viewer["class_table"]] if viewer else []
    return viewer and viewer | {"class_table": table, "marks": marks}


def _class_in_words(code: str, shares: list[dict[str, Any]], meanings: Mapping[str, str]) -> str:
    """What the class means, and how much of the surface is bone of another class."""
    strange = [row for row in shares if row["class"] in FROM_BONE and row["class"] != code]
    others = [f"{100 * row['area_ratio']:.1f} % of the surface {row['class']}" for row in strange]
    return "; ".join([meanings[code], *others])


def _shares(area_ratios: Mapping[str, float], volume_mm3: float | None, meanings: Mapping[str, str]) -> list[dict[str, Any]]:
    return [
        {"class": code, "words": meanings[code], "area_ratio": ratio, "volume_mm3": None if volume_mm3 is None else ratio * volume_mm3}
        for code, ratio in sorted(area_ratios.items(), key=lambda item: (-item[1], item[0]))
        if ratio > 0
    ]


def _per_find(records: Mapping[str, Mapping[str, Any]], fact: str) -> list[dict[str, Any]]:
    """Rows of a list fact from every record, each with the find it belongs to."""
    rows = []
    for name in sorted(records):
        find = name.removeprefix("clean/") if name.startswith("clean/") else ""
        rows += [{"find": find} | dict(row) for row in records[name].get("facts", {}).get(fact, ())]
    return rows


def _scales(records: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What each clean surface took its scale from."""
    rows = []
    for name in sorted(records):
        facts = records[name].get("facts", {})
        if name.startswith("clean/") and facts.get("scale_basis"):
            rows.append({"find": name.removeprefix("clean/")} | {key: facts.get(key) for key in ("unit", "scale_basis", "mm_per_unit")})
    return rows


def _deviation(deviation: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "replica_to_scan": deviation.get("replica_to_scan", deviation.get("a_to_b")),
        "scan_to_replica": deviation.get("scan_to_replica", deviation.get("b_to_a")),
    }


def _sign_off(decision: Mapping[str, Any] | None, evidence_key: str) -> dict[str, Any]:
    """A sign-off holds for the evidence it was given on; on any other it has lapsed."""
    if decision is None:
        return {"state": "unsigned", "by": "", "date": "", "reason": "", "evidence_key": "", "changed": [], "n_mistyped": 0}
    state = "signed" if decision.get("evidence_key") == evidence_key else "lapsed"
    wrong = {"changed": list(decision.get("changed", ())), "n_mistyped": decision.get("n_mistyped", 0)}
    return {"state": state} | wrong | {key: decision.get(key, "") for key in ("by", "date", "reason", "evidence_key")}


def _cautions(job: Mapping[str, Any], finds: Sequence[Mapping[str, Any]], mass: Mapping[str, Any]) -> list[dict[str, Any]]:
    facts = {
        "mass_kg": mass["mass_kg"],
        "routes": job.get("routes", ("print",) if mass["mass_kg"] is not None else ()),
        "n_finds": len(finds),
        "texts": [find[key] for find in finds for key in ("condition", "remarks", "portion")],
    }
    return [{"code": caution.code, "text": caution.text, "source": caution.source} for caution in cautions_for(facts)]
