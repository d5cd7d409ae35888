"""A batch whose names and cells want to do harm, built whole: no shell and no page runs a word of it, and nothing leaves or enters the batch."""

from __future__ import annotations

import csv
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hostile_files import CANARY, SCRIPT, outside
from six_bones import bonewright, make_six_bones

INJECTED = "injected"
FREE_TEXT = ("catalogNumber", "scientificName", "pathology", "deformation", "capture", "identifiedBy", "remarks")
INDIVIDUAL = f"=cmd|'{SCRIPT}'!A0"
NAMES = {
    "a-femur-left.stl": f"$(touch {INJECTED}).stl",
    "b-tibia-left.stl": f"`touch {INJECTED}` | 'a\"b' & touch {INJECTED}; -n *.stl",
    "a-humerus-right.ply": "Größe {find} %s ü.ply",
}


class Page(HTMLParser):
    """What a page would do: its scripts, its attributes, its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.scripts: list[str] = []  # those that run: what is said to be JSON does not
        self.is_run = False
        self.attributes: list[tuple[str, str, str]] = []
        self.tags: list[str] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.is_run = tag == "script" and ("type", "application/json") not in attrs
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        if self.is_run and self.cdata_elem == "script":
            self.scripts.append(data)
        self.text += data


def rewrite(table: Path, change: dict[str, str], columns: tuple[str, ...] = (), kept: tuple[str, ...] = ()) -> None:
    """Fill columns with a text in every row, and keep only the rows of some elements."""
    with table.open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if not kept or row["element"] in kept]
    names = [*rows[0], *(column for column in columns if column not in rows[0])]
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names)
        writer.writeheader()
        for row in rows:
            row |= dict.fromkeys(columns, SCRIPT)
            writer.writerow({name: change.get(row.get(name, ""), row.get(name, "")) for name in names})


def make_hostile_batch(folder: Path) -> Path:
    """Three bones whose scans, individual and every free cell are hostile, and a link out of the batch among the scans."""
    batch = make_six_bones(folder / f"batch $(touch {INJECTED}); 'q' \"d\"")
    for old, new in NAMES.items():
        (batch / "scans" / old).rename(batch / "scans" / new)
    kept = ("femur", "tibia", "humerus")
    rewrite(batch / "config/bones.csv", NAMES | {"ind-a": INDIVIDUAL}, FREE_TEXT, kept)
    rewrite(batch / "config/skeleton.csv", {}, ("region",), kept)
    rewrite(batch / "config/measurements.csv", {"ind-a": INDIVIDUAL}, ("measurementMethod", "measurementDeterminedBy"))
    config = batch / "config/config.yaml"
    config.write_text(config.read_text(encoding="utf-8").replace("individual: ind-a", f"individual: {json.dumps(INDIVIDUAL)}"), encoding="utf-8")
    (batch / "scans" / "link.stl").symlink_to(outside(folder) / "secret.stl")
    (batch / "scans" / "-rf =1+1 line\nbreak.stl").write_bytes(b"solid\n")
    (batch / "logs").mkdir()
    (batch / "logs" / "clean-a-femur-left.log").symlink_to(outside(folder) / "secret.txt")
    return batch


@pytest.fixture(scope="module")
def hostile_batch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    batch = make_hostile_batch(folder)
    before = {path: path.read_bytes() for path in sorted(outside(folder).iterdir())}
    for command in ("build", "intake", "status"):
        done = bonewright(command, "--batch", batch)
        assert done.returncode in (0, 1), done.stderr
        assert "\x1b" not in done.stdout
        assert "Traceback" not in done.stderr
    assert {path: path.read_bytes() for path in sorted(outside(folder).iterdir())} == before
    assert sorted(path.name for path in folder.iterdir()) == sorted([batch.name, "outside"])
    return batch


@pytest.mark.slow
def test_no_shell_ever_sees_a_name(hostile_batch: Path) -> None:
    """A command in the name of a file, a folder or a cell leaves no trace, and the bones are made."""
    assert [path for path in (*hostile_batch.parent.rglob("*"), *Path().iterdir()) if path.name == INJECTED] == []
    index = json.loads((hostile_batch / "results/index.json").read_text(encoding="utf-8"))
    assert index["status"] != "failed"
    for element in ("femur-left", "humerus-right"):
        assert json.loads((hostile_batch / f"results/mount/{element}/record.json").read_text(encoding="utf-8"))["status"] != "failed"


@pytest.mark.slow
def test_no_page_runs_or_breaks_on_a_cell(hostile_batch: Path) -> None:
    """Every value stands as text: no script of a cell, no attribute or element that the page would not have without it."""
    pages = sorted((hostile_batch / "results").rglob("*.html"))
    assert len(pages) >= 3
    for path in pages:
        page = Page(path.read_text(encoding="utf-8"))
        assert not [script for script in page.scripts if "alert(" in script], path.name
        assert not [name for _, name, _ in page.attributes if name.startswith("on")], path.name
        assert not [value for tag, name, value in page.attributes if tag == "img" and name == "src" and not value.startswith("data:image/")]
    assert any(SCRIPT in Page(path.read_text(encoding="utf-8")).text for path in pages)


@pytest.mark.slow
def test_no_table_that_is_written_holds_a_formula(hostile_batch: Path) -> None:
    tables = [*(hostile_batch / "results").rglob("*.csv"), *(hostile_batch / "intake").glob("*.csv")]
    assert len(tables) >= 2
    for path in tables:
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines()):
            assert not [cell for cell in row if cell.startswith(("=", "+", "-", "@", "\t"))], path.name


@pytest.mark.slow
def test_nothing_outside_the_batch_is_read(hostile_batch: Path) -> None:
    """The word that lies only outside is in no file of the batch, and the link is named in the verdict."""
    for path in hostile_batch.rglob("*"):
        if path.is_file() and not path.is_symlink():
            assert CANARY.encode() not in path.read_bytes(), path
    verdicts = {row["scan"]: row for row in json.loads(bonewright("intake", "--batch", hostile_batch, "--json").stdout)["scans"]}
    assert "leads out of the batch" in verdicts["scans/link.stl"]["reasons"][0]
    assert "rename the file" in verdicts["scans/-rf =1+1 line\nbreak.stl"]["reasons"][0]
