"""How a bone stands with whoever must look at it, from the records before its page: what every job sheet says at its top."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.counted import counted
from meshtools.evidence import unsigned_words
from meshtools.handover import asks_of, mistyped_words
from meshtools.jobs.record import StaleInputError, read_record
from meshtools.jobs.report_ends import with_ends_answered
from meshtools.jobs.report_sizes import contradicted_sizes
from meshtools.model import plain

NOTHING_WAITS = "Nobody has signed it off. No finding of its scans and rebuilding waits for a person; its page says how far it strays from the scan."


def looked_records(batch: Path, job: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The records that speak of a bone: `rebuild`, and `clean/<find>` and `siding/<find>` of its finds. StaleInputError where one is not the planned
    one."""
    wanted = {"rebuild": (f"results/{job['name']}/record.json", job["rebuild_key"])}
    wanted |= {f"clean/{find}": (f"results/finds/{find}/record.json", key) for find, key in job["clean_keys"].items()}
    wanted |= {f"siding/{find}": (f"results/finds/{find}/siding.json", key) for find, key in job["siding_keys"].items()}
    records = {}
    for name, (path, key) in wanted.items():
        record = read_record(batch / path)
        if record is None or record["key"] != key:
            raise StaleInputError(f"{path}: the record is not the planned one. Build again.")
        records[name] = record
    return records


def bone_status(batch: Path, job: Mapping[str, Any]) -> dict[str, Any]:
    """`words` for the sheet, and `waits`: whether a person must look before the bone is released. How far the replica strays from its scan is
    measured for the page, after the routes: the words leave that to the page. Deliveries and hand-overs of earlier parts are not about the bone.

    job: of a route; `asked` are the findings of the plan, `sign_off` and `lapsed_sign_offs` rows of decisions.csv.
    """
    findings = [finding | {"stage": "plan"} for finding in job["asked"]]
    for name, record in with_ends_answered(looked_records(batch, job)).items():
        findings += [finding | {"stage": name} for finding in record["findings"]]
    findings += [finding | {"stage": "report"} for finding in plain(contradicted_sizes(batch, job))]
    asking = [finding["stage"].split("/")[0] for finding in asks_of(findings)]
    n_open, unsigned = len(asking), unsigned_words(asking)
    if signed := job["sign_off"]:
        return {"words": _signed_words(signed, n_open, unsigned), "waits": bool(unsigned)}
    if job["lapsed_sign_offs"]:
        last = job["lapsed_sign_offs"][-1]
        mistyped = mistyped_words(last)
        lapsed = f"was given with a key that {mistyped}" if mistyped else "was given on other evidence and has lapsed"
        why = f"the sign-off of {last['date']} by {last['by']} {lapsed}"
        return {"words": f"Not released: {why}{f'; {_waiting(n_open)}' if n_open else ''}.", "waits": True}
    if n_open:
        return {"words": f"Not released: {_waiting(n_open)}.", "waits": True}
    return {"words": NOTHING_WAITS, "waits": False}


def _signed_words(signed: Mapping[str, Any], n_open: int, unsigned: str) -> str:
    words = f"Signed off on {signed['date']} by {signed['by']}"
    words += f", with {counted(n_open, 'open finding')} of scans and rebuilding" if n_open else ""
    return f"{words}{unsigned}."


def _waiting(n_open: int) -> str:
    return f"{counted(n_open, 'finding')} about this bone {'waits' if n_open == 1 else 'wait'} for a person"
