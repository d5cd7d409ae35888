"""What a hand-over freezes: each set of files with the page that speaks of it. Nothing is built here."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from meshtools.errors import UsageError
from meshtools.handover import HandOver, freeze, frozen_page, frozen_problems, given_again, notes_of

PART = "mount/skull"


def hand_over(batch: Path, recipient: str, page: bytes, *names: str) -> tuple[str, list[str]]:
    """Hand files over with today's page; the name of the page that goes with them, and what is said of earlier hand-overs."""
    contents = {name: name.encode() for name in names}
    notes = notes_of(batch, PART, 1)
    name, given = frozen_page(batch, notes, {name: sha256(content).hexdigest() for name, content in contents.items()})
    contents[name] = given or page
    hashes = {name: sha256(content).hexdigest() for name, content in contents.items()}
    note = HandOver("mount", "skull", 1, recipient, "2031-03-01", "MOUNT-SKULL", "k", "A. Curator", hashes)
    freeze(batch, note, contents)
    return name, given_again(notes, note)


def test_more_files_of_a_revision_come_with_a_page_of_their_own_and_the_same_files_with_the_page_as_it_was(tmp_path: Path) -> None:
    given = [hand_over(tmp_path, *row)[0] for row in (
        ("Shop 2", b"no route", "replica.stl"), ("Shop 3", b"more is told", "replica.stl"), ("Shop 3", b"printed", "replica.stl", "print.zip"),
        ("Shop 4", b"told later", "replica.stl", "print.zip"), ("Shop 5", b"told later", "replica.stl"),
    )]  # fmt: skip
    assert given == ["report.html", "report.html", "report-03.html", "report-03.html", "report.html"]
    folder = tmp_path / "hand-over/mount/skull/r01"
    assert {path.name: path.read_bytes() for path in folder.glob("*.html")} == {"report.html": b"no route", "report-03.html": b"printed"}
    assert frozen_problems(tmp_path).problems == []
    (folder / "report-03.html").write_bytes(b"other")
    with pytest.raises(UsageError, match="this is not what Shop 3 was given"):
        hand_over(tmp_path, "Shop 6", b"", "replica.stl", "print.zip")


def test_a_recipient_who_was_given_the_revision_before_is_told(tmp_path: Path) -> None:
    files = ("replica.stl", "print.zip")
    said = [hand_over(tmp_path, who, b"page", *files[:n])[1] for who, n in (("Shop 2", 1), ("Shop 3", 1), ("Shop 2", 1), ("Shop 2", 2))]
    again = "Shop 2 was given {} on 2031-03-01 already; this is noted as a further hand-over."
    assert said == [[], [], [again.format("the same files")], [again.format("other files of this revision")]]
