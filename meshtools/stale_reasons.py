"""Why an element has to be built again, in words: which rows, files and settings are others than when its jobs ran last."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from meshtools.jobs.record import read_record
from meshtools.keys import sha256_of
from meshtools.model import plain
from meshtools.record_places import laid_down_job, record_path

Job = Mapping[str, Any]
CHANGES = {
    "settings": "settings in config.yaml",
    "restore_settings": "settings in config.yaml", "machine": "its machine in config.yaml", "materials": "materials in config.yaml",
    "tolerance_class": "settings in config.yaml", "received": "received.csv",
    "advice_settings": "settings in config.yaml", "estimate": "settings in config.yaml", "waste_percent": "settings in config.yaml",
    "openings": "openings.csv", "poses": "poses.csv", "scan_sha256": "the scan of FIND", "companions": "a file beside the scan of FIND",
    "part_tolerance_mm": "the tolerance",
    "places": "poses.csv", "left_poses": "poses.csv", "row": "pose.csv",
    "partners": "which finds it is compared with", "compared": "the rows of finds it is compared with", "settled": "a decision on the find",
    "sizes": "the finds whose lengths it is compared with", "next_best": "the finds that were not taken", "fixings": "fixings.csv",
    "joint_rows": "pose.csv",
    "sign_off": "its sign-off", "lapsed_sign_offs": "its sign-off", "hand_overs": "its hand-over",
}  # fmt: skip
FOLLOWING = {
    "clean_keys": "a find it is made from", "siding_keys": "a comparison of its finds", "rebuild_key": "its replica", "rebuild_keys": "a replica",
    "route_keys": "a route that makes it", "armature_key": "its armature", "joint_keys": "a joint of it", "row_keys": "a row of bones with a tube",
    "tried_keys": "a find that was not taken", "sizes": "a find whose length it is compared with",
    "tolerance_mm": "the tolerance", "revision": "its revision", "sign_off": "its sign-off", "lapsed_sign_offs": "its sign-off",
    "restore_settings": "how it is made, by the plan", "openings": "how it is made, by the plan", "poses": "how it is made, by the plan",
}  # fmt: skip
"""Entries that are others because a job before, the recipe or the evidence is: told only where nothing else is. Those that stand in CHANGES too
only where the tables and settings behind them say what they said (see `_consequences`; of `sizes`, where the same finds are named)."""
RECIPE = {
    "tried": "the finds that were not taken", "reason": "the reason in the plan", "findings": "the reason in the plan",
    "status": "the reason in the plan",
}  # fmt: skip
RESULTS = {"clean": "clean surface", "rebuild": "replica", "report": "page", "siding": "comparison"}
COLUMNS = {
    "catalog_number": "catalogNumber", "organism_id": "organismID", "scientific_name": "scientificName", "life_stage": "lifeStage",
    "identification_qualifier": "identificationQualifier", "identified_by": "identifiedBy", "unit_source": "unit", "capture_source": "capture",
    "caliper": "caliper_mm", "second_caliper": "second_caliper_mm", "scale_points": "scale_distance_mm",
}  # fmt: skip


def stale_reason(batch: Path, jobs: Mapping[str, Mapping[str, Job]], stale: Sequence[tuple[str, str]]) -> str:
    """Why these jobs (stage, name) towards one element, in their order, have to run; empty where it was not built yet, or not wholly."""
    element = next((name for stage, name in stale if stage in ("rebuild", "report")), "")
    own = set(jobs["rebuild"][element]["clean_keys"]) if element else set()
    changed: dict[str, None] = {}  # kept in order
    following: dict[str, None] = {}
    others: dict[str, None] = {}
    for stage, name in stale:
        record, before, job = read_record(batch / record_path(stage, name)), laid_down_job(batch, stage, name), jobs[stage][name]
        if record is None or before is None:
            if stage in ("rebuild", "report"):
                return ""
            if stage == "clean":
                others[f"{name} was not cleaned yet" if name in own else f"another find, {name}, was not cleaned yet"] = None
        elif record["key"] == job["key"]:
            is_crash = any(finding["code"] == "crash" for finding in record["findings"])
            what = f"a file of its {RESULTS.get(stage, 'parts')} is missing or was altered"
            others["its job ended without a result the last time" if is_crash else what] = None
        elif record["key"] != before.get("key"):
            others["the last build was not finished"] = None
        else:
            entries = _changed_entries(job, before)
            follows = _following_entries(job, before, entries)
            changed |= dict.fromkeys(_changed_words(name, job, before, entries) if entries or follows else ("the software",))
            following |= dict.fromkeys(words for entry, words in FOLLOWING.items() if entry in follows)
    told = changed or ({} if others else following)
    return "; ".join([*([f"changed since the last build: {', '.join(told)}"] if told else []), *others])


def _changed_entries(job: Job, before: Job) -> set[str]:
    """The entries of a job that are others than they were; keys of other jobs within an entry do not count."""
    own = {*job, *before} - {"key", "made_key", "evidence_keys"}
    changed = {entry for entry in own if _without_keys(plain(job.get(entry))) != _without_keys(before.get(entry))}
    return changed - _consequences(job, before)


def _consequences(job: Job, before: Job) -> set[str]:
    """Entries that are no others in themselves: settings of completing and joining, where only one of the two recipes uses them; rows of openings.csv
    and poses.csv, where those of the finds that both recipes name are the same; sign-offs, where only what they are worth is another."""
    found = {entry for entry in ("restore_settings", "part_tolerance_mm") if (entry in job) != (entry in before)}
    if "recipe" in job and "recipe" in before:
        shared = {*job["recipe"]["finds"]} & {*before["recipe"]["finds"]}
        found |= {table for table in ("openings", "poses") if _rows_of(shared, job.get(table)) == _rows_of(shared, before.get(table))}
    return found | ({"sign_off", "lapsed_sign_offs"} if _signatures(job) == _signatures(before) else set())


def _rows_of(finds: set[str], rows: Any) -> list[Any]:
    return [row for row in plain(rows or []) if row["find"] in finds]


def _signatures(job: Job) -> list[str]:
    """A hash for each sign-off that a job names, whether it holds or has lapsed."""
    rows = [*([job["sign_off"]] if job.get("sign_off") else []), *job.get("lapsed_sign_offs", ())]
    return sorted(sha256_of({cell: said for cell, said in plain(row).items() if cell not in ("changed", "n_mistyped")}) for row in rows)


def _following_entries(job: Job, before: Job, entries: set[str]) -> set[str]:
    """The entries that are others only because a job before is: keys of jobs, and what is the same but for keys within it."""
    within = {entry for entry in FOLLOWING if entry in CHANGES and entry not in entries and plain(job.get(entry)) != before.get(entry)}
    return within | {entry for entry in entries if entry in FOLLOWING and entry not in CHANGES}


def _without_keys(entry: Any) -> Any:
    return {name: value for name, value in entry.items() if name != "clean_keys"} if isinstance(entry, dict) else entry


def _changed_words(name: str, job: Job, before: Job, entries: set[str]) -> list[str]:
    """What is another in one job itself, in words; nothing where it only follows from jobs before it."""
    words = [said.replace("FIND", name) for entry, said in CHANGES.items() if entry in entries]
    if "find" in entries:
        row, earlier = plain(job["find"]), before["find"]
        columns = sorted({COLUMNS.get(column, column) for column in {*row, *earlier} if row.get(column) != earlier.get(column)})
        words.insert(0, f"the row {name} of bones.csv ({', '.join(columns)})")
    if "recipe" in entries:
        recipe, earlier = plain(job["recipe"]), before["recipe"]
        columns = [column for column in {*recipe, *earlier} if recipe.get(column) != earlier.get(column)]
        words += sorted({RECIPE.get(column, "how it is made, by the plan") for column in columns})
    return words
