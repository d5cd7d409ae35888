"""Routes in a build: what is made for which element, what an edit runs again, and what is read back."""

from __future__ import annotations

import csv
import io
import json
import shutil
import zipfile
from pathlib import Path

import pytest
from made_once import made_once, own_copy
from six_bones import bonewright, build, edit, jobs_run_since, newest_ns
from tiny_batch import CONFIG, make_tiny_batch

ROUTES = "routes:\n  femur-left: [small-printer]\nmachines:\n  small-printer: {route: print, build_x_mm: 120, build_y_mm: 120, build_z_mm: 120}\n"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return own_copy(tmp_path_factory, made_once(tmp_path_factory, "routes", make_routes))


def make_routes(folder: Path) -> Path:
    batch = make_tiny_batch(folder)
    (batch / "config/config.yaml").write_text(CONFIG + ROUTES, encoding="utf-8")
    build(batch)
    return batch


def record_of(batch: Path, name: str) -> dict:
    return json.loads((batch / f"results/mount/{name}/record.json").read_text(encoding="utf-8"))


@pytest.mark.slow
def test_only_the_element_that_was_given_a_route_has_one_and_every_file_of_it_is_listed(built: Path) -> None:
    record = record_of(built, "femur-left/print")
    folder = built / "results/mount/femur-left/print"
    listed = {Path(entry["path"]).name for entry in record["files"]}
    assert listed == {path.name for path in folder.iterdir()} - {"record.json", ".made.json"}
    assert (record["facts"]["machine"], record["facts"]["uses"]) == ("small-printer", "replica.ply")
    assert not (built / "results/mount/femur-right/print").exists()
    with zipfile.ZipFile(folder / "mount-femur-left-print.zip") as package:
        assert set(package.namelist()) == (listed - {"mount-femur-left-print.zip", ".drawn"}) | {"checksums.sha256", "read-me.txt"}


@pytest.mark.slow
def test_page_index_and_summary_lead_to_the_sheet(built: Path) -> None:
    page = (built / "results/mount/femur-left/report.html").read_text(encoding="utf-8")
    index = (built / "results/index.html").read_text(encoding="utf-8")
    assert ('href="print/sheet.pdf"' in page, 'href="mount/femur-left/print/sheet.pdf"' in index) == (True, True)
    rows = {row["element"]: row for row in csv.DictReader((built / "results/summary.csv").open(encoding="utf-8"))}
    assert rows["femur-left"]["routes"].startswith("print ")
    assert rows["femur-right"]["routes"] == ""


@pytest.mark.slow
def test_verify_reads_the_files_of_a_route_again_and_names_the_one_that_was_altered(built: Path) -> None:
    assert json.loads(bonewright("verify", "--batch", built, "--json").stdout)["problems"] == []
    sheet = built / "results/mount/femur-left/print/sheet.pdf"
    content = sheet.read_bytes()
    sheet.write_bytes(content[:-7])
    try:
        problems = json.loads(bonewright("verify", "--batch", built, "--json").stdout)["problems"]
        assert len(problems) == 1
        assert "femur-left/print/sheet.pdf" in problems[0]
    finally:
        sheet.write_bytes(content)


@pytest.mark.slow
def test_an_edited_machine_a_measured_length_and_a_route_given_up_each_run_only_what_follows(built: Path, tmp_path: Path) -> None:
    batch = tmp_path / "copy"
    shutil.copytree(built, batch)
    check_an_edited_machine(batch)
    check_a_measured_length(batch)
    (batch / "config/config.yaml").write_text(CONFIG, encoding="utf-8")
    build(batch)
    assert not (batch / "results/mount/femur-left/print").exists()
    assert (batch / "results/mount/femur-left/replica.stl").exists()


def check_an_edited_machine(batch: Path) -> None:
    """Parts of the run before are removed, by its list; what somebody else put there stays."""
    folder = batch / "results/mount/femur-left/print"
    (folder / "note-of-the-workshop.txt").write_text("mine", encoding="utf-8")
    (folder / "part-99.stl").write_bytes(b"of an earlier run")
    (folder / ".made.json").write_text('["part-99.stl", "../record.json", "/etc/hostname"]', encoding="utf-8")
    edit(batch / "config/config.yaml", "build_x_mm: 120", "build_x_mm: 110")
    moment = newest_ns(batch)
    build(batch)
    pages = {"report-mount-femur-left", "report-mount-femur-right"}  # the other one says which machine would suit it
    assert jobs_run_since(batch, moment) == {"print-mount-femur-left", "index-index"} | pages
    assert not (folder / "part-99.stl").exists()
    assert (folder / "note-of-the-workshop.txt").read_text(encoding="utf-8") == "mine"
    assert (batch / "results/mount/femur-left/record.json").exists()
    (folder / "note-of-the-workshop.txt").unlink()


def check_a_measured_length(batch: Path) -> None:
    """It is judged on the page and by the command, and makes no part again."""
    nominal = {row["measure"]: row["nominal_mm"] for row in record_of(batch, "femur-left/print")["facts"]["dimensions"]}
    rows = [f"mount,femur-left,print,{name},{value * 0.95:.3f},first,A. Maker,2031-07-01" for name, value in nominal.items()]
    table = "target,element,route,measure,measured_mm,article,by,date\n" + "\n".join(rows) + "\n"
    (batch / "config/received.csv").write_text(table, encoding="utf-8")
    moment = newest_ns(batch)
    answer = build(batch)
    assert jobs_run_since(batch, moment) == {"report-mount-femur-left", "index-index"}
    assert next(row for row in answer["elements"] if row["element"] == "femur-left")["status"] == "review"
    told = bonewright("received", "--batch", batch, "--json")
    facts = json.loads(told.stdout)
    assert told.returncode == 1
    assert {row["verdict"] for row in facts["lengths"]} == {"fail"}
    assert facts["next"][0]["scale"] == pytest.approx(1 / 0.95, abs=1e-4)


def test_equal_files_make_an_equal_archive_whatever_their_order() -> None:
    from meshtools.files.package_zip import encode_package

    one, other = encode_package({"b.stl": b"2", "a.stl": b"1"}, "x"), encode_package({"a.stl": b"1", "b.stl": b"2"}, "x")
    assert one == other
    with zipfile.ZipFile(io.BytesIO(one)) as package:
        assert package.namelist() == ["a.stl", "b.stl", "checksums.sha256", "read-me.txt"]
