"""The command that hands a signed part over, and what it takes to sign one again."""

from __future__ import annotations

import argparse
import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from meshtools.answer import Answer
from meshtools.batch_lock import lock_batch
from meshtools.commands_routes import open_routes
from meshtools.errors import UsageError
from meshtools.evidence import sign_off_row
from meshtools.handover import HandOver, freeze, frozen_page, given_again, lapsed_words, notes_of
from meshtools.jobs.record import read_record
from meshtools.model import plain
from meshtools.record_places import record_path
from meshtools.report.copied_page import page_for_copy
from meshtools.settings_ready import ROUTES
from meshtools.workspace import Workspace, open_workspace


def new_key_words(workspace: Workspace, name: str) -> str:
    """Where the key of today's evidence stands; it is known once the replica is built."""
    key = _key_now(workspace, name)
    return f"the evidence key is {key} now" if key else "its page shows the new key after a build"


def _key_now(workspace: Workspace, name: str) -> str:
    """The key of today's evidence; empty where the page is not built."""
    record = read_record(workspace.folder / record_path("report", name))
    is_built = record is not None and record["key"] == workspace.worklist.key("report", name)
    return str(record["facts"].get("evidence_key", "")) if record and is_built else ""


def _row_words(workspace: Workspace, name: str) -> str:
    """What to add to decisions.csv to sign a part: the whole row on a line of its own, where its key is known."""
    key = _key_now(workspace, name)
    target, element = name.split("/")
    row = sign_off_row(target, element, key)
    return f"Add this row to config/decisions.csv, with name, date and what was looked at, and build:\n{row}" if key else (
        f"Add a row to config/decisions.csv with kind sign-off; {new_key_words(workspace, name)}."
    )


def hand_over(options: argparse.Namespace) -> Answer:
    """`bonewright hand-over`: freeze the files of a signed part, with revision, hashes, date and recipient."""
    workspace = open_workspace(options.batch)
    lock_batch(options.batch)
    jobs = workspace.worklist.jobs
    if options.part not in jobs["report"]:
        raise UsageError(f"'{options.part}' is not a part that this batch builds. Give TARGET/ELEMENT as `bonewright plan` lists them.")
    of_part = {(stage, options.part) for stage in ("rebuild", *ROUTES, "report") if options.part in jobs[stage]}
    stale = [job for job in workspace.stale_jobs() if job in of_part]
    if stale and not _was_only_handed_over(workspace, stale):
        raise UsageError(f"{options.part}: its results are not up to date. Run `bonewright build` first.")
    job = jobs["report"][options.part]
    record, told = (read_record(options.batch / record_path(stage, options.part)) for stage in ("rebuild", "report"))
    if not job["sign_off"]:
        why = f"the sign-off was {lapsed_words(job)}" if job["lapsed_sign_offs"] else "nobody has signed it off"
        raise UsageError(f"{options.part}: {why}. {_row_words(workspace, options.part)}")
    if record is None or record["status"] == "failed" or not record["facts"]["deliverable"]:
        raise UsageError(f"{options.part}: it cannot be delivered; its page says why.")
    files = {Path(e["path"]).name: e for e in record["files"]}
    files |= {Path(e["path"]).name: e for e in (told or {"files": ()})["files"]}
    files |= _archives(workspace, options.part)
    contents = {name: (options.batch / entry["path"]).read_bytes() for name, entry in files.items()}
    beside = {entry["path"].removeprefix(f"results/{options.part}/"): name for name, entry in files.items()}
    notes = notes_of(options.batch, options.part, job["revision"])
    if page := contents.pop("report.html", None):
        hashes = {name: sha256(content).hexdigest() for name, content in contents.items()}
        name, given = frozen_page(options.batch, notes, hashes)
        contents[name] = given or page_for_copy(page, beside)
    target, element = options.part.split("/")
    note = HandOver(
        target, element, job["revision"], options.to, datetime.datetime.now(datetime.UTC).date().isoformat(), job["part_id"],
        job["sign_off"]["evidence_key"], job["sign_off"]["by"], {name: sha256(content).hexdigest() for name, content in sorted(contents.items())},
    )  # fmt: skip
    folder = freeze(options.batch, note, contents)
    routes = [row for row in open_routes(workspace) if row["part"] == options.part]
    open_findings = [finding["message"] for finding in (told or record)["findings"] if finding["severity"] != "note"]
    lines = (
        f"{options.part} revision {note.revision} handed over to {note.recipient}: {folder}",
        *given_again(notes, note),
        *(f"handed over with an open finding: {message}" for message in open_findings),
        *(f"handed over with an open finding of the {row['route']} route: {row['why']}" for row in routes),
        "The hand-over goes onto the part's page with the next `bonewright build`.",
    )
    return Answer(lines, dict(plain(note)) | {"folder": str(folder), "open_findings": open_findings, "open_routes": routes})


def _was_only_handed_over(workspace: Workspace, stale: list[tuple[str, str]]) -> bool:
    """True where nothing but the page is behind, and that only by a hand-over since: the files are the ones that were given then."""
    return [stage for stage, _ in stale] == ["report"] and workspace.changed_since(*stale[0]) == {"hand_overs"}


def _archives(workspace: Workspace, part: str) -> dict[str, Any]:
    """The archives of the routes of a part, which go to the recipient with it.

    The start of its hash is in the name of each, because another machine makes another archive of the same revision.
    """
    found: dict[str, Any] = {}
    for route in (route for route in ROUTES if part in workspace.worklist.jobs[route]):
        record = read_record(workspace.folder / record_path(route, part))
        entries = record["files"] if record else ()
        found |= {f"{Path(entry['path']).stem}-{entry['sha256'][:8]}.zip": entry for entry in entries if entry["path"].endswith(".zip")}
    return found
