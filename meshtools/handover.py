"""Hand-overs: what was given to whom, frozen in the batch's folder `hand-over/`."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshtools.counted import counted
from meshtools.errors import UsageError
from meshtools.evidence import SIGNED_STAGES
from meshtools.files.atomic import write_atomic
from meshtools.keys import hash_file
from meshtools.model import plain
from meshtools.plain import from_plain

PAGE = re.compile(r"report(-\d+)?\.html")  # the second, of other files of the same revision, has the number of its hand-over


@dataclass(frozen=True)
class HandOver:
    """One part given to one recipient. `sha256` maps file names to the hashes of the frozen copies."""

    target: str
    element: str
    revision: int
    recipient: str
    date: str
    part_id: str
    evidence_key: str
    signed_by: str
    sha256: Mapping[str, str]


def standing_of(report_job: Mapping[str, Any]) -> dict[str, Any]:
    """How a part stands with its signature, from the job of its page: `sign_off` (signed, lapsed or unsigned), whether the latest of those that
    lapsed is one with today's key copied wrongly (`is_mistyped`), and the revision handed over last (`handed_over`, None where none was) with whether
    that is today's (`is_current`)."""
    sign_off = "signed" if report_job["sign_off"] else "lapsed" if report_job["lapsed_sign_offs"] else "unsigned"
    last = max((given["revision"] for given in report_job["hand_overs"]), default=None)
    is_mistyped = sign_off == "lapsed" and bool(mistyped_words(report_job["lapsed_sign_offs"][-1]))
    return {"sign_off": sign_off, "is_mistyped": is_mistyped, "handed_over": last, "is_current": last == report_job["revision"]}


def mistyped_words(sign_off: Mapping[str, Any]) -> str:
    """`differs from today's key in 2 characters: copy it again` of a sign-off whose key was copied wrongly, else nothing."""
    n = sign_off.get("n_mistyped", 0)
    return f"differs from today's key in {counted(n, 'character')}: copy it again" if n else ""


def lapsed_words(report_job: Mapping[str, Any]) -> str:
    """What to say of the latest sign-off of a part that does not hold: `given on other evidence and has lapsed`, and what has changed since;
    or that its key was copied wrongly."""
    last = report_job["lapsed_sign_offs"][-1]
    if words := mistyped_words(last):
        return f"given with a key that {words}"
    changed = last["changed"]
    return "given on other evidence and has lapsed" + (f" (changed since: {'; '.join(changed)})" if changed else "")


def standing_words(standing: Mapping[str, Any], n_open: int = 0) -> str:
    """`signed`, `signed with 2 open findings`, `handed over (revision 1)`, `lapsed; revision 1 was handed over`; nothing for what is not made."""
    if not standing:
        return ""
    last = standing["handed_over"]
    is_signed = standing["sign_off"] == "signed"
    word = standing["sign_off"] + (f" with {counted(n_open, 'open finding')}" if is_signed and n_open else "")
    if last is None:
        return str(word)
    return f"handed over (revision {last})" if is_signed and standing["is_current"] else f"{word}; revision {last} was handed over"


def asks_of(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The findings that a person should look at."""
    return [finding for finding in findings if finding["severity"] != "note"]


def is_accepted(standing: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> bool:
    """True where a part is signed and all that it asks follows from what was signed (plan, cleaning, rebuilding, deviation). What other finds,
    a delivery or a hand-over say may have come since. findings: those of its page, each with its stage."""
    return standing["sign_off"] == "signed" and all(f["stage"].split("/")[0] in SIGNED_STAGES for f in asks_of(findings))


def read_hand_overs(batch: Path) -> tuple[HandOver, ...]:
    """All hand-overs of a batch, in the order of their paths."""
    paths = sorted((batch / "hand-over").glob("*/*/r*/hand-over-*.json"))
    return tuple(from_plain(HandOver, json.loads(path.read_text(encoding="utf-8"))) for path in paths)


def frozen_folder(batch: Path, part: str, revision: int) -> Path:
    """Where the frozen files of a part's revision stand."""
    return batch / "hand-over" / part / f"r{revision:02d}"


def notes_of(batch: Path, part: str, revision: int) -> list[HandOver]:
    """The hand-overs of a part's revision, the earliest first."""
    return [note for note in read_hand_overs(batch) if (f"{note.target}/{note.element}", note.revision) == (part, revision)]


def frozen_page(batch: Path, notes: Sequence[HandOver], sha256: Mapping[str, str]) -> tuple[str, bytes | None]:
    """The name of the page that goes with these files (name -> hash, without pages), and the page as whoever was given the same files before was
    given it: today's may tell of deliveries measured since. Other files than before come with a page of their own (None: today's), under the number
    of their hand-over, so that no page contradicts what it was given with. UsageError where the copy is not that page any more."""
    for note in notes:
        pages = [name for name in note.sha256 if PAGE.fullmatch(name)]
        if pages and {name: digest for name, digest in note.sha256.items() if name not in pages} == sha256:
            path = frozen_folder(batch, f"{note.target}/{note.element}", note.revision) / pages[0]
            if not path.is_file() or hash_file(path) != note.sha256[pages[0]]:
                raise UsageError(f"{path}: this is not what {note.recipient} was given. Bring it back from a backup.")
            return pages[0], path.read_bytes()
    return (f"report-{len(notes) + 1:02d}.html" if notes else "report.html"), None


def given_again(notes: Sequence[HandOver], now: HandOver) -> list[str]:
    """A sentence where the recipient was given this revision before; none where not."""
    earlier = [note for note in notes if note.recipient == now.recipient]
    if not earlier:
        return []
    what = "the same files" if any(note.sha256 == now.sha256 for note in earlier) else "other files of this revision"
    return [f"{now.recipient} was given {what} on {earlier[-1].date} already; this is noted as a further hand-over."]


def freeze(batch: Path, hand_over: HandOver, files: Mapping[str, bytes]) -> Path:
    """Copy the files beside a note of the hand-over, and return the folder. A second recipient of the same
    revision gets a note of its own. UsageError where the frozen files are others."""
    folder = frozen_folder(batch, f"{hand_over.target}/{hand_over.element}", hand_over.revision)
    for name, content in files.items():
        if (folder / name).exists() and (folder / name).read_bytes() != content:
            raise UsageError(
                f"{folder / name}: this revision was handed over with other bytes before (the software or a setting changed since). "
                "Frozen files stay as they are; give the recipient the frozen ones."
            )
    for name, content in files.items():
        write_atomic(folder / name, content)
    n_earlier = len(list(folder.glob("hand-over-*.json")))
    text = json.dumps(plain(hand_over), sort_keys=True, indent=1, ensure_ascii=False) + "\n"
    write_atomic(folder / f"hand-over-{n_earlier + 1:02d}.json", text.encode())
    return folder


@dataclass(frozen=True)
class FrozenFiles:
    """How many frozen files were read again, and a sentence for each that is not the one handed over."""

    n_files: int
    problems: list[str]


def frozen_problems(batch: Path) -> FrozenFiles:
    """Hash the frozen copies of every hand-over again."""
    wanted: dict[tuple[str, str], str] = {}  # path and digest -> who was given that first
    for note in read_hand_overs(batch):
        for name, digest in note.sha256.items():
            wanted.setdefault((f"hand-over/{note.target}/{note.element}/r{note.revision:02d}/{name}", digest), note.recipient)
    problems = []
    for (path, digest), recipient in sorted(wanted.items()):
        if not (batch / path).is_file():
            problems.append(f"{path}: the copy of what {recipient} was given is missing. Bring it back from a backup.")
        elif hash_file(batch / path) != digest:
            problems.append(f"{path}: this is not what {recipient} was given. Bring it back from a backup.")
    return FrozenFiles(len({path for path, _ in wanted}), problems)
