"""Records on disk: written last and atomically, so that a record vouches for every file it lists."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshtools.errors import BonewrightError, UsageError
from meshtools.files.atomic import replace_all, write_atomic
from meshtools.links import leads_out
from meshtools.model import FileEntry, Finding, Record, Severity, plain, status_of

_LINE = json.JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False)
LISTED = ".made.json"
"""Beside the record of a job whose files differ from run to run: the names that it wrote last, or was about to write."""


@dataclass(frozen=True)
class JobFiles:
    """The names that a stage may write beside its record, and the check that reads them back. `are_listed`: the names follow from what is made;
    those of the run before are in the list beside the record, and nothing else is ever removed."""

    names: tuple[str, ...]
    check: Callable[[Path, Record], tuple[Finding, ...]] | None = None
    are_listed: bool = False


class StaleInputError(BonewrightError):
    """An input changed between planning and running; the next build plans again."""


def record_bytes(record: Record) -> bytes:
    """The JSON of a record: sorted, no NaN, every fact, finding and file on a line of its own."""
    return (_in_lines(plain(record), 2) + "\n").encode()


def _in_lines(value: Any, n_levels: int, indent: str = "") -> str:
    """JSON with one entry a line for so many levels and what lies deeper on the line of its entry: the quick encoder of json knows no indents."""
    if not n_levels or not value or not isinstance(value, (dict, list)):
        return _LINE.encode(value)
    deeper = f"{indent} "
    if isinstance(value, dict):
        lines = [f"{deeper}{_LINE.encode(key)}: {_in_lines(value[key], n_levels - 1, deeper)}" for key in sorted(value)]
    else:
        lines = [deeper + _in_lines(item, n_levels - 1, deeper) for item in value]
    first, last = "{}" if isinstance(value, dict) else "[]"
    return "\n".join([first, ",\n".join(lines), indent + last])


def read_record(path: Path) -> dict[str, Any] | None:
    """A record as a plain dict, or None where there is none that can be read."""
    try:
        content = json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError, json.JSONDecodeError, UnicodeDecodeError):
        return None
    return content if isinstance(content, dict) and "key" in content else None


def write_results(batch: Path, record_path: str, record: Record, contents: Mapping[str, bytes], job: JobFiles) -> Record:
    """Write the files of a job, check them as they stand on disk, then write the record.

    `contents` maps file names (beside the record) to bytes; names that the job may write but did not are removed, so that nothing of
    an earlier run stays beside a newer record. Returns the record with its files and with what the check found.
    """
    path = batch / record_path
    if leads_out(batch, path.parent):
        raise UsageError(f"{Path(record_path).parent} is a link that leads out of the batch; put a folder there and build again.")
    path.unlink(missing_ok=True)
    earlier = listed_names(path.parent) if job.are_listed else ()
    if job.are_listed:
        _list_names(path.parent, {*earlier, *contents})  # first, so that a run that is cut off leaves nothing that the next one does not know
    for name in (*job.names, *earlier):
        if name not in contents:
            (path.parent / name).unlink(missing_ok=True)
    folder = Path(record_path).parent
    written = replace_all({path.parent / name: contents[name] for name in sorted(contents)})
    entries = tuple(FileEntry((folder / name).as_posix(), written[path.parent / name]) for name in sorted(contents))
    if job.are_listed:
        _list_names(path.parent, contents)
    record = dataclasses.replace(record, files=entries)
    if job.check is not None:
        findings = record.findings + job.check(batch, record)
        record = dataclasses.replace(record, findings=findings, status=status_of(findings))
    write_atomic(path, record_bytes(record))
    return record


def listed_names(folder: Path) -> tuple[str, ...]:
    """The names in the list beside a record, plain file names only; empty where there is no list."""
    try:
        names = json.loads((folder / LISTED).read_bytes())
    except (FileNotFoundError, NotADirectoryError, json.JSONDecodeError, UnicodeDecodeError):
        return ()
    named = [name for name in names if isinstance(name, str)] if isinstance(names, list) else []
    return tuple(name for name in named if name == Path(name).name and name not in ("", ".", "..", "record.json", LISTED))


def _list_names(folder: Path, names: Collection[str]) -> None:
    content = (json.dumps(sorted(names)) + "\n").encode()
    if not (folder / LISTED).is_file() or (folder / LISTED).read_bytes() != content:
        write_atomic(folder / LISTED, content)


def failed_record(stage: str, key: str, code: str, message: str, facts: Mapping[str, Any] | None = None) -> Record:
    """The record of a job that could make nothing, with the reason."""
    findings = (Finding(Severity.FAILED, code, message),)
    return Record(stage, key, status_of(findings), facts or {}, findings, (), ())
