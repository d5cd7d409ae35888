"""The report's pages: what they show, what they never do, and that they agree with the JSON and the table beside them."""

from __future__ import annotations

import base64
import csv
import hashlib
import html
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from report_sheet import KEY, SOURCES, invented_batch, invented_bone, invented_deviation, invented_job, invented_records, invented_sheet
from solid_shapes import ball

from meshtools.errors import MeshShapeError
from meshtools.evidence import unsigned_words
from meshtools.files.mesh_ply import write_replica_ply
from meshtools.geometry.distance import Surface
from meshtools.geometry.unite import concatenate
from meshtools.handover import is_accepted, standing_of, standing_words
from meshtools.jobs import report
from meshtools.jobs.report_deviation import deviation_findings, removed_apart
from meshtools.jobs.report_routes import route_status
from meshtools.model import EvidenceClass, Mesh, Origin, Severity, SourceEntry, plain
from meshtools.report import sections
from meshtools.report.cautions import cautions_for
from meshtools.report.copied_page import page_for_copy
from meshtools.report.gaps import fold_gaps
from meshtools.report.index import SUMMARY_COLUMNS, count_by, index_page, share_by_volume, summary_csv
from meshtools.report.left_to_do import left_to_do
from meshtools.report.page import bone_page
from meshtools.report.sections import SIGN_OFF_CELLS
from meshtools.report.sheet import LEADING, make_sheet, sheet_json
from meshtools.report.viewer_mesh import MOST_FACES, viewer_mesh
from meshtools.report.words import CLASSES, STATUSES, class_words, deviation_ramp

PACKAGE = Path(__file__).resolve().parent.parent / "meshtools"

HOSTILE = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>&amp;</style>"
VOID = {"meta", "img", "input", "br"}


class Outline(HTMLParser):
    """Tags, attributes and text of a page, scripts and styles apart; complains about tags that do not nest."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(page)
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, text: str) -> None:
        if not {"script", "style"} & set(self.open):
            self.text += text + " "


def hostile(value: Any) -> Any:
    """The same structure with a hostile string for every free text; codes that the program itself sets stay."""
    fixed = {"class", "severity", "status", "state", "element", "side"}
    if isinstance(value, dict):
        return {key: item if key in fixed else hostile(item) for key, item in value.items()}
    if isinstance(value, list):
        return [hostile(item) for item in value]
    return HOSTILE if isinstance(value, str) else value


def tag_names(page: str) -> list[str]:
    return [name for name, _ in Outline(page).tags]


def all_pages() -> dict[str, str]:
    failed = make_sheet(invented_job(viewer=None, status="failed"), invented_records())
    return {"bone": bone_page(invented_sheet()), "failed": bone_page(failed), "index": index_page(invented_batch())}


def test_hostile_values_of_a_table_become_text_and_never_tags() -> None:
    plain_sheet = invented_sheet(viewer=None, picture_png=b"png")
    page = bone_page(hostile(plain_sheet))
    assert tag_names(page) == tag_names(bone_page(plain_sheet))
    assert HOSTILE in Outline(page).text
    assert tag_names(index_page(hostile(invented_batch()))).count("script") == 1


def test_a_mesh_payload_cannot_end_its_script() -> None:
    sheet = invented_sheet()
    sheet["viewer"]["class_table"][0]["words"] = "</script><img src=x>"
    outline = Outline(bone_page(sheet))
    assert "img" not in [name for name, _ in outline.tags]


@pytest.mark.parametrize("name", ["bone", "failed", "index"])
def test_a_page_loads_nothing_and_its_policy_forbids_it(name: str) -> None:
    outline = Outline(all_pages()[name])
    policy = next(attributes["content"] for tag, attributes in outline.tags if attributes.get("http-equiv"))
    assert policy is not None
    assert policy.startswith("default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src ")
    assert "unsafe" not in policy.split("script-src")[1]
    loading = ("src", "href", "srcset", "action", "data")
    addresses = [attributes[key] or "" for _, attributes in outline.tags for key in loading if key in attributes]
    assert all(re.match(r"data:image/png;|#|[\w-]+/[\w-]+/report\.html$|\.\./\.\./index\.html$", address) for address in addresses)
    assert "link" not in [tag for tag, _ in outline.tags]


def test_a_link_to_anywhere_but_the_batch_is_not_made() -> None:
    batch = invented_batch()
    addresses = ["javascript:alert(1)", "//host/x", "../../x", "/x", "C:x", "kest/skull/report.html", ""]
    for row, address in zip(batch["targets"][0]["rows"], addresses, strict=True):
        row["report"] = address
    links = {attributes["href"] for tag, attributes in Outline(index_page(batch)).tags if tag == "a"}
    assert links == {"kest/skull/report.html"}


def test_every_copy_of_the_viewer_carries_the_licence_of_what_it_contains() -> None:
    page = bone_page(invented_sheet())
    assert "Permission is hereby granted, free of charge" in page
    assert "three.js authors" in page


def test_equal_sheets_give_equal_bytes() -> None:
    assert bone_page(invented_sheet()) == bone_page(invented_sheet())
    assert index_page(invented_batch()) == index_page(invented_batch())


def test_report_json_is_the_sheet_without_mesh_and_picture_and_the_page_shows_its_figures() -> None:
    sheet = invented_sheet(picture_png=b"png")
    facts = json.loads(sheet_json(sheet))
    assert set(sheet) - set(facts) == {"viewer", "picture_png", "plane_pictures"}
    text = Outline(bone_page(sheet)).text.replace("\u202f", "")
    shown = [facts["part_id"], facts["reason"], "1182345mm³", "0.402", "412.38", KEY, facts["finds"][0]["catalog_number"], "1.466kg"]
    shown += [finding["message"] for finding in facts["findings"]] + [entry["sha256"] for entry in facts["files"]]
    shown += [row["why"] for row in facts["tried"]] + [caution["text"] for caution in facts["cautions"]]
    assert [value for value in shown if value not in text] == []


def test_a_figure_that_is_not_finite_is_null_in_json_and_not_stated_on_the_page() -> None:
    sheet = invented_sheet()
    sheet["measures"]["volume_mm3"] = float("nan")
    assert json.loads(sheet_json(sheet))["measures"]["volume_mm3"] is None
    assert "nan" not in Outline(bone_page(sheet)).text.lower().split()


def test_an_open_replica_without_volume_says_not_stated() -> None:
    records = invented_records()
    records["rebuild"]["facts"] |= {"volume_mm3": None, "centre_of_mass_mm": None, "n_open_rims": 2}
    text = Outline(bone_page(make_sheet(invented_job(), records))).text
    assert "Rims left open: 2" in text
    assert "Volume not stated: the replica is open" in re.sub(r"\s+", " ", text)


def test_nothing_is_said_of_the_mass_of_a_replica_that_is_open() -> None:
    records = invented_records()
    records["rebuild"]["facts"] |= {"volume_mm3": None, "n_open_rims": 2}
    nothing = {"made": [], "received": [], "next_scales": [], "advice": []}
    text = re.sub(r"\s+", " ", Outline(bone_page(make_sheet(invented_job(making=nothing), records))).text)
    assert "Estimated mass, solid not stated: the replica is open" in text
    assert "what it weighs, can be told once the replica is closed" in text


@pytest.mark.parametrize(("facts", "told"), [
    ({"n_bodies": 1, "n_pieces_after": 7, "n_pieces_before": 3}, "1 with 6 closed cavities inside, united from 3"),
    ({"n_bodies": 2, "n_pieces_after": 3, "n_pieces_before": 3}, "2 with 1 closed cavity inside"),
    ({"n_bodies": 2, "n_pieces_after": 2, "n_pieces_before": 5}, "2, united from 5"),
    ({"n_bodies": 1, "n_pieces_after": 4, "n_pieces_before": 4, "volume_mm3": None}, "4"),
])  # fmt: skip
def test_closed_cavities_are_not_counted_as_bodies(facts: dict[str, Any], told: str) -> None:
    """Of an open replica it is not known which of its pieces are cavities."""
    records = invented_records()
    records["rebuild"]["facts"] |= facts
    text = re.sub(r"\s+", " ", Outline(bone_page(make_sheet(invented_job(), records))).text)
    assert re.search(rf"Separate bodies {told} In the coordinates", text)


def test_a_place_is_not_written_like_a_size() -> None:
    text = Outline(bone_page(invented_sheet())).text
    assert "129.40, −40.10, 251.90 mm" in text
    assert "110.20 × 76.40 × 412.00 mm" in text


def test_shares_of_a_sheet_add_up_to_the_whole() -> None:
    sheet = invented_sheet()
    assert sum(row["area_ratio"] for row in sheet["shares"]) == pytest.approx(1.0, abs=1e-12)
    assert sum(row["volume_mm3"] for row in sheet["shares"]) == pytest.approx(sheet["measures"]["volume_mm3"], rel=1e-12)
    fill = {row["class"]: row["area_ratio"] for row in sheet["shares"]}
    assert sheet["from_bone_ratio"] == pytest.approx(1 - fill["FILL"] - fill["MADE"], abs=1e-12)


def test_the_head_of_a_page_says_how_much_is_bone_of_another_class() -> None:
    records = invented_records()
    records["rebuild"]["facts"]["evidence_share"] = {"OWN-R": 0.6, "DON-R": 0.338, "FILL": 0.062}
    assert make_sheet(invented_job(), records)["evidence_words"] == "this animal's own bone of the other side, reflected; 33.8 % of the surface DON-R"


def test_the_tolerance_of_scanned_skin_says_that_new_skin_of_a_mended_place_is_left_out_and_how_far_it_lies() -> None:
    records = invented_records()
    told = [Outline(bone_page(make_sheet(invented_job(), records))).text]
    finding = {"severity": "review", "code": "repair-depth", "message": "m", "value": 1.7248, "limit": 0.5, "unit": "mm"}
    records["rebuild"]["findings"] = [*records["rebuild"]["findings"], finding]
    told.append(Outline(bone_page(make_sheet(invented_job(), records))).text)
    words = "is left out of this: before and after mending the skin there lies up to 1.72\u202fmm apart, as a finding says."
    assert [words in text.replace("\u2009", "\u202f") for text in told] == [False, True]


@pytest.mark.parametrize(("bound_mm", "codes"), [(0.5, []), (0.51, ["beyond-tolerance"])])
def test_scanned_skin_that_may_lie_beyond_the_tolerance_is_asked_about(bound_mm: float, codes: list[str]) -> None:
    found = deviation_findings("mount/femur-left", {"replica_to_scan": {"max_mm": 0.5, "max_bound_mm": bound_mm}}, 0.5)
    assert [(finding.code, finding.severity) for finding in found] == [(code, Severity.REVIEW) for code in codes]
    assert deviation_findings("mount/femur-left", {"replica_to_scan": None}, 0.5) == deviation_findings("mount/femur-left", None, 0.5) == ()


def test_a_bone_scaled_to_a_size_stated_relative_to_its_own_animal_is_not_called_another_individuals() -> None:
    base = invented_job()
    job = invented_job(recipe=base["recipe"] | {"class": "DON-R"}, sized_by=base["finds"][0]["organism_id"])
    records = invented_records()
    records["rebuild"]["facts"]["evidence_share"] = {"DON-R": 1.0}
    told, other = (bone_page(make_sheet(row, records)) for row in (job, job | {"sized_by": "somebody else"}))
    assert "this animal's own bone of the other side, reflected and scaled to the stated size" in html.unescape(told)
    assert "another individual's bone of the other side" not in Outline(told).text
    assert "another individual's bone of the other side" in Outline(other).text
    batch = invented_batch()
    batch["targets"][0]["is_stated_size"] = True
    assert "a bone of this or another animal, scaled" in Outline(index_page(batch)).text


def test_a_distance_that_comes_from_removed_floaters_is_explained_with_what_holds_without_them() -> None:
    bone, speck = ball(10.0), ball(0.5)
    scan = concatenate([speck.replaced(vertices=speck.vertices + [0.0, 0.0, 17.0]), bone])
    rows = [{"outcome": outcome, "n_faces": len(mesh.faces)} for outcome, mesh in (("kept", bone), ("floater", speck))]
    largest_mm = float(Surface(bone).distance(scan.vertices)[0].max())
    told = removed_apart(scan, bone, rows, largest_mm)
    assert told is not None
    assert (told["n"], told["place_mm"]) == (1, [0.0, 0.0, 17.5])
    assert told["without_bound_mm"] < 0.01 < 7.0 < largest_mm
    assert removed_apart(scan, bone, rows, largest_mm + 1.0) is None  # something else is farther
    assert removed_apart(scan, bone, [rows[0] | {"n_faces": 7}, rows[1]], largest_mm) is None
    assert removed_apart(scan, bone, [row | {"outcome": "kept"} for row in rows], largest_mm) is None
    sheet = invented_sheet()
    back = sheet["deviation"]["scan_to_replica"] | {"max_mm": 7.5, "removed": told | {"without_max_mm": 0.25, "without_bound_mm": 0.5}}
    shown = Outline(bone_page(dict(sheet) | {"deviation": sheet["deviation"] | {"scan_to_replica": back}})).text
    words = shown.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "scan to replica, 7.500 mm, is that of a floating piece, removed from the scan, near (0.0, 0.0, 17.5) mm; without it" in words
    assert "without it it is 0.250 mm, and no point lies farther than 0.500 mm." in words
    assert "removed from the scan" not in Outline(bone_page(sheet)).text


@pytest.mark.parametrize(("outcome", "is_told"), [("floater", True), ("support", True), ("not-chosen", True), ("kept", False)])
def test_the_page_is_given_what_was_removed_from_the_scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, outcome: str, is_told: bool) -> None:
    """A scan with a speck 17 mm above the middle of a ball of 10 mm, made of the one source that is there (closed form)."""
    bone, speck = ball(10.0), ball(0.5, (0.0, 0.0, 17.0))
    scan, content = concatenate([bone, speck]), write_replica_ply(bone)
    (tmp_path / "results/mount/b").mkdir(parents=True)
    (tmp_path / "results/mount/b/replica.ply").write_bytes(content)
    monkeypatch.setattr(report, "_scan_in_place", lambda batch, job, records: scan)
    monkeypatch.setattr(report, "render_picture", lambda *of: np.zeros((4, 4, 3), np.uint8))
    records: dict[str, Any] = {
        "rebuild": {
            "sources": [plain(SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED))], "facts": {},
            "files": [{"sha256": hashlib.sha256(content).hexdigest()}],
        },
        "clean/f-1": {"facts": {"pieces": [{"outcome": name, "n_faces": 512} for name in ("kept", outcome)]}},
    }  # fmt: skip
    job = {"name": "mount/b", "settings": {"viewer_faces": 1000}, "part_tolerance_mm": 0.5}
    back = report._shape(tmp_path, job, records)["deviation"]["scan_to_replica"]
    assert back["max_mm"] == pytest.approx(7.5)
    assert ("removed" in back) is is_told
    if is_told:
        assert (back["removed"]["outcome"], back["removed"]["n"], back["removed"]["place_mm"]) == (outcome, 1, [0.0, 0.0, 17.5])
        assert back["removed"]["without_max_mm"] < 1e-9


def test_the_largest_distance_to_another_bone_of_the_same_tray_or_to_a_support_is_explained_like_that_to_a_floater() -> None:
    """The farthest removed piece is named, however many others there are."""
    bone, other, speck = ball(10.0), ball(9.0), ball(0.5)
    scan = concatenate([bone, other.replaced(vertices=other.vertices + [0.0, 0.0, 50.0]), speck.replaced(vertices=speck.vertices - 20.0)])
    rows = [{"outcome": outcome, "n_faces": len(mesh.faces)} for outcome, mesh in (("kept", bone), ("not-chosen", other), ("floater", speck))]
    told = removed_apart(scan, bone, rows, float(Surface(bone).distance(scan.vertices)[0].max()))
    assert told is not None
    assert (told["n"], told["outcome"], told["place_mm"][2] > 50.0) == (2, "not-chosen", True)
    assert told["without_bound_mm"] < 0.01
    words_of = {"not-chosen": "a piece that bones.csv does not name, one of 2 pieces removed", "support": "a support, one of 2"}
    for outcome, words in words_of.items():
        sheet = invented_sheet()
        back = sheet["deviation"]["scan_to_replica"] | {"removed": told | {"outcome": outcome}}
        shown = Outline(bone_page(dict(sheet) | {"deviation": sheet["deviation"] | {"scan_to_replica": back}})).text
        assert f"is that of {words}" in shown


def test_findings_of_the_register_are_counted_at_a_glance() -> None:
    batch = invented_batch()
    (asked,) = batch["findings"]
    assert "Findings of the register and the plan: 1 needs a person;" in Outline(index_page(batch)).text.partition("What to do next")[0]
    batch["findings"] = [asked, asked, asked | {"severity": "failed"}, asked | {"severity": "note"}]
    assert "the plan: 1 failed, 2 need a person, 1 note;" in Outline(index_page(batch)).text.partition("What to do next")[0]
    assert "Findings of the register and the plan" not in Outline(index_page(batch | {"findings": []})).text


def test_what_nobody_signed_is_said_in_one_sentence_that_pages_and_sheets_share() -> None:
    assert [unsigned_words(stages) for stages in ([], ["plan", "rebuild"], ["siding", "plan"], ["siding", "report"])] == [
        "", "", "; 1 of them is not part of what was signed", "; 2 of them are not part of what was signed"]
    sources = [path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")]
    assert sum(text.count("part of what was signed") for text in sources) == 1


def test_a_sign_off_lapses_when_the_evidence_key_changes() -> None:
    decision = {"by": "N. Example", "date": "2031-05-06", "reason": "seen and agreed", "evidence_key": KEY}
    states = [invented_sheet(sign_off=row)["sign_off"]["state"] for row in (None, decision, decision | {"evidence_key": "0" * 64})]
    assert states == ["unsigned", "signed", "lapsed"]
    text = Outline(bone_page(invented_sheet(sign_off=decision | {"evidence_key": "0" * 64, "changed": ["a scan that it is made from"]}))).text
    row = f"{invented_sheet()['target']},{invented_sheet()['element']},,sign-off,,NAME,YYYY-MM-DD,REASON,{KEY}"
    assert f"<p><code>{row}</code></p>" in bone_page(invented_sheet())
    assert row.count(",") == SIGN_OFF_CELLS.count(",")
    assert "that signature has lapsed. Changed since: a scan that it is made from." in text


@pytest.mark.parametrize("code", LEADING)
def test_a_doubt_about_unit_size_side_or_element_stands_before_others_as_grave(code: str) -> None:
    """What follows from a wrong unit, such as rims too wide to close, would lead astray in its place."""
    records = invented_records()
    records["rebuild"]["findings"].append({"severity": "review", "code": code, "message": "Look.", "value": None, "limit": None, "unit": ""})
    assert make_sheet(invented_job(), records)["findings"][0]["code"] == code
    assert any(f'"{code}"' in path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py") if path.name != "sheet.py")


def test_a_bone_in_two_files_that_could_not_be_joined_is_first_said_to_lack_their_poses() -> None:
    """And not that two bodies hang loose, or that each ends open: both only follow from it."""
    records = invented_records()
    asked = {"severity": "review", "message": "Look.", "value": None, "limit": None, "unit": ""}
    records["clean/kest-07"]["findings"].append(asked | {"code": "open-end"})
    records["rebuild"]["findings"] += [asked | {"code": code} for code in ("loose-bodies", "parts-not-joined")]
    assert make_sheet(invented_job(), records)["findings"][0]["code"] == "parts-not-joined"


def test_findings_stand_with_the_gravest_first() -> None:
    severities = [finding["severity"] for finding in invented_sheet()["findings"]]
    assert severities == ["review", "note", "note"]


def test_a_ready_replica_whose_route_failed_is_not_said_to_leave_nothing_open() -> None:
    made = {"route": "cnc", "machine": "", "sheet": "", "package": "", "n_solids": 0, "mass_kg": None, "machine_hours": None,
            "machine_hours_basis": "", "prices": [], "findings": [], "figures": []}  # fmt: skip
    facts = {"received": [], "next_scales": [], "advice": None}
    texts = [Outline(bone_page(invented_sheet() | {"status": "ready", "making": facts | {"made": [made | {"status": status}]}})).text
             for status in ("failed", "ready")]  # fmt: skip
    assert ["nothing is open" in text for text in texts] == [False, True]
    assert "cnc failed" in texts[0]


def test_a_part_of_a_bone_that_is_not_released_waits_on_page_index_and_summary_and_is_not_ready() -> None:
    record = {"status": "ok", "facts": {"bone_status": {"words": "Not released.", "waits": True}}}
    assert [route_status(record), route_status(record | {"status": "review"})] == ["waits", "review"]
    made = {"route": "cnc", "machine": "", "sheet": "", "package": "", "n_solids": 0, "mass_kg": None, "machine_hours": None,
            "machine_hours_basis": "", "prices": [], "findings": [], "figures": [], "status": route_status(record)}  # fmt: skip
    page = Outline(bone_page(invented_sheet(making={"made": [made], "received": [], "next_scales": [], "advice": None}))).text
    assert "waits for a person" in page.partition("Making it")[2].partition("Files")[0]
    batch = invented_batch()
    rows = batch["targets"][0]["rows"]
    for n, status in ((3, "waits"), (5, "waits"), (6, "ready")):
        rows[n]["routes"] = [{"route": "cnc", "status": status, "sheet": "", "n_off": 0}]
    text = Outline(index_page(batch)).text
    assert "Parts made ready, one job sheet each: 1 ready, 2 wait for a person." in text
    assert "job sheets (where there is none" not in text  # its bone is named already
    assert [row["routes"] for row in csv.DictReader(io.StringIO(summary_csv(rows), newline=""))][5:] == ["cnc waits for a person", "cnc ready"]


def test_a_page_says_which_holes_are_cut_and_why_one_is_refused_whether_or_not_a_route_takes_the_bone() -> None:
    refused = {"severity": "review", "code": "bore-refused", "message": "The bore is not cut: its wall would be 2.0 mm.", "value": 2.0, "limit": 8.0,
               "unit": "mm"}  # fmt: skip
    hole = {"name": "1", "kind": "socket", "rod_mm": 8.0, "hole_mm": 8.4, "depth_mm": 26.0, "wall_mm": 9.125}
    cut = {"status": "ready", "holes": [hole], "findings": [], "table": "armature/holes.csv"}
    said = {"status": "review", "holes": [], "findings": [refused], "table": ""}
    cut_text, said_text, none = (Outline(bone_page(invented_sheet() | {"status": "ready", "armature": facts})).text for facts in (cut, said, None))
    assert ("socket, with a bottom" in cut_text, "nothing is open" in cut_text, "9.13" in cut_text or "9.12" in cut_text) == (True, True, True)
    assert ("its wall would be 2.0 mm" in said_text, "No hole is cut" in said_text, "nothing is open" in said_text) == (True, True, False)
    assert "Holes for the armature" not in none


def test_the_page_of_a_failed_element_says_why_and_names_the_next_best_source() -> None:
    message = "kest/femur-left was not built: the scan ends early."
    failed = {"severity": "failed", "code": "source-unusable", "message": message, "value": None, "limit": None, "unit": ""}
    records = {"rebuild": {"status": "failed", "findings": [failed], "facts": {}, "files": []}}
    next_best = invented_job()["recipe"]["tried"][1]
    sheet = make_sheet(invented_job(viewer=None, deviation=None, next_best=next_best), records)
    outline = Outline(bone_page(sheet))
    assert sheet["status"] == "failed"
    assert message in outline.text
    assert "moor-12" in outline.text.split("What to do")[1].split("Where it comes from")[0]
    assert "script" not in [tag for tag, _ in outline.tags]


def test_the_viewer_payload_decodes_to_the_mesh() -> None:
    mesh = invented_bone()
    payload = viewer_mesh(mesh, SOURCES, 0.08, invented_deviation(mesh), 0.5)
    positions = np.frombuffer(base64.b64decode(payload["positions"]), "<f4").reshape(-1, 3)
    indices = np.frombuffer(base64.b64decode(payload["indices"]), "<u2").reshape(-1, 3)
    classes = np.frombuffer(base64.b64decode(payload["classes"]), np.uint8)
    assert np.abs(positions + payload["centre_mm"] - mesh.vertices).max() < 1e-4
    assert np.array_equal(indices, mesh.faces)
    assert [payload["class_table"][i]["code"] for i in classes] == [SOURCES[i].evidence.value for i in mesh.source]
    rotation = np.reshape(payload["view_from_mesh"], (4, 4))
    assert np.linalg.det(rotation) == pytest.approx(1.0)
    assert payload["deviation_range_mm"] == [-0.5, 0.5]


def test_unsigned_deviations_use_the_upper_half_of_the_map() -> None:
    mesh = invented_bone()
    payload = viewer_mesh(mesh, SOURCES, 0.0, np.abs(invented_deviation(mesh)), 0.5)
    assert payload["deviation_range_mm"] == [0.0, 0.5]
    assert payload["deviation_ramp"][0] == deviation_ramp(3, True)[1]


def test_a_mesh_that_a_page_cannot_carry_is_refused() -> None:
    corner = Mesh.create([[0, 0, 0], [1, 0, 0], [0, 1, 0]], np.tile([[0, 1, 2]], (MOST_FACES + 1, 1)))
    with pytest.raises(MeshShapeError, match="decimate first"):
        viewer_mesh(corner, SOURCES, 0.0)
    with pytest.raises(MeshShapeError, match="names source 1"):
        viewer_mesh(Mesh.create(corner.vertices, [[0, 1, 2]], 1), (SourceEntry(EvidenceClass.OWN, "a", Origin.SCANNED),), 0.0)


def test_every_evidence_class_has_its_own_colour_and_words_and_ink_that_can_be_read() -> None:
    assert set(CLASSES) == {code.value for code in EvidenceClass}
    assert len({words.colour for words in CLASSES.values()}) == len(CLASSES)

    def luminance(colour: str) -> float:
        channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        return float(np.dot([0.2126, 0.7152, 0.0722], [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]))

    for code in CLASSES:
        light, dark = sorted((luminance(class_words(code).colour), luminance(class_words(code).ink)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, code  # WCAG 2 level AA, contrast of text


def test_both_ends_of_the_deviation_map_are_equally_dark() -> None:
    weights = ((1, 0.2126), (3, 0.7152), (5, 0.0722))
    low, middle, high = (sum(int(colour[i : i + 2], 16) * weight for i, weight in weights) for colour in deviation_ramp(3, True))
    assert abs(low - high) < 20 < middle - max(low, high)


def test_totals_of_the_index_add_up() -> None:
    batch = invented_batch()
    rows = batch["targets"][0]["rows"]
    assert sum(count_by(rows, "status", STATUSES).values()) == sum(count_by(rows, "class", CLASSES).values()) == len(rows)
    assert list(count_by(rows, "status", STATUSES)) == ["ready", "review", "failed", "gap"]
    assert sum(share_by_volume(rows).values()) == pytest.approx(1.0, abs=1e-12)
    assert "Left out by N. Example: nothing is known of it." in Outline(index_page(batch)).text
    body = [attributes["data-status"] for tag, attributes in Outline(index_page(batch)).tags if tag == "tr" and "data-status" in attributes]
    assert body == [row["status"] for row in rows if row["status"] != "gap"] + ["gap"]


def test_the_index_says_which_elements_it_counts_as_sourced_have_no_replica() -> None:
    assert "Of these 6 elements no closed replica was made of 1: scapula-right." in Outline(index_page(invented_batch())).text


def test_what_is_made_comes_first_and_gaps_of_one_series_and_reason_are_one_line() -> None:
    def gap(slug: str, reason: str = "there is no {name} of any animal") -> dict[str, Any]:
        name = slug.removesuffix("-left").removesuffix("-right")
        finding = {"severity": "review", "code": "no-source", "message": reason.format(name=name)}
        figures = {"volume_mm3": None, "mass_kg": None, "report": ""}
        return {"target": "kest", "element": slug, "class": "NONE", "status": "gap", "findings": [finding]} | figures

    slugs = ("caudal-01", "caudal-02", "caudal-04", "rib-01-left", "rib-01-right", "rib-02-left", "rib-02-right", "ulna-left", "ulna-right", "skull")
    gaps = [*map(gap, slugs), gap("caudal-05", "kept out"), gap("toe-1-02-left"), gap("toe-1-02-right"), gap("toe-1-03-left")]
    lines = fold_gaps(gaps)
    assert [(line["title"], line["n_elements"]) for line in lines] == [
        ("Caudal 1-2, 4", 3), ("Rib 1-2, left and right", 4), ("Ulna, left and right", 2), ("Skull", 1), ("Caudal 05", 1),
        ("Toe 1 2-3, left; Toe 1 2, right", 3),
    ]  # fmt: skip
    assert [line["findings"][0]["message"] for line in lines][:4:3] == ["there is no such bone of any animal", "there is no skull of any animal"]
    batch = invented_batch()
    batch["targets"][0]["rows"] = [*gaps, *batch["targets"][0]["rows"]]
    page = index_page(batch)
    assert page.index('data-status="failed"') < page.index('data-status="gap"')
    assert page.count('<tr data-status="gap"') == len(lines) + 1


def test_the_summary_reads_back_as_the_rows_of_the_index() -> None:
    rows = invented_batch()["targets"][0]["rows"]
    rows[0]["target"] = 'kest, "the old"'
    read = list(csv.DictReader(io.StringIO(summary_csv(rows), newline="")))
    assert tuple(read[0]) == SUMMARY_COLUMNS
    assert [row["target"] for row in read] == [row["target"] for row in rows]
    assert [float(row["volume_mm3"]) if row["volume_mm3"] else None for row in read] == [row["volume_mm3"] for row in rows]
    assert read[3]["findings"] == "fill-span factor"


@pytest.mark.parametrize(("facts", "codes"), [
    ({}, []),
    ({"mass_kg": 0.4, "n_finds": 1}, ["structure", "specimen"]),
    ({"mass_kg": 12.0}, ["structure", "lifting-by-hand"]),
    ({"mass_kg": 40.0}, ["structure", "lifting", "lifting-by-hand"]),
    ({"routes": ("print", "cnc")}, ["printing", "dust", "fire", "cutting", "resins", "hot-wire"]),
    ({"texts": ["Restored with plaster"]}, ["old-restoration"]),
])
def test_cautions_follow_from_what_is_shown(facts: dict[str, Any], codes: list[str]) -> None:
    """Load constant 23 kg: NIOSH lifting equation. Five kilograms for a word about lifting: a proposed default, no source."""
    assert [caution.code for caution in cautions_for(facts)] == codes


@pytest.mark.parametrize("name", ["bone", "failed", "index"])
def test_no_page_calls_a_replica_what_it_is_not(name: str) -> None:
    text = Outline(all_pages()[name]).text.lower()
    assert [word for word in ("genuine", "original", "cast ", "complete skeleton") if word in text] == []


@pytest.mark.parametrize("name", ["bone", "failed", "index"])
def test_a_page_names_its_language_and_title_and_has_one_main_heading(name: str) -> None:
    outline = Outline(all_pages()[name])
    tags = [tag for tag, _ in outline.tags]
    assert dict(outline.tags[0][1]) == {"lang": "en"}
    assert (tags.count("h1"), tags.count("title"), tags.count("main")) == (1, 1, 1)
    assert all(attributes.get("alt") for tag, attributes in outline.tags if tag == "img")


def test_what_to_do_next_begins_with_the_bones_that_failed_and_those_under_review() -> None:
    batch = invented_batch()
    rows = batch["targets"][0]["rows"]
    assert [(step.action, step.elements) for step in left_to_do(rows)] == [
        ("mend", ("kest/scapula-right",)), ("look", ("kest/scapula-left", "kest/femur-left")),
    ]  # fmt: skip
    steps = index_page(batch).split('class="steps">')[1].split("</ol>")[0].split("</li>")
    assert '<a href="kest/scapula-right/report.html">kest/scapula-right</a>' in steps[0]
    assert '<a href="kest/femur-left/report.html">kest/femur-left</a>' in steps[1]
    assert "anatomy" in steps[2]
    assert left_to_do([row for row in rows if row["status"] in ("ready", "gap")]) == ()


def test_a_lapsed_sign_off_is_to_sign_again_on_the_index_and_in_the_summary() -> None:
    batch = invented_batch()
    rows = batch["targets"][0]["rows"]
    assert "Sign-off" not in index_page(batch)
    for row, words in zip(rows, ("lapsed; revision 1 was handed over", "handed over (revision 2)", "", "unsigned"), strict=False):
        given = {"l": 1, "h": 2}.get(words[:1])
        row |= {"sign_off": words.split(";")[0].replace("handed over (revision 2)", "signed"), "handed_over": given, "sign_off_words": words}
    assert left_to_do(rows)[-1].message == "sign again: 1 part (1 handed over before) whose evidence changed since signed"
    text = Outline(index_page(batch)).text
    assert all(words in text for words in ("Sign-off: 1 signed, 1 lapsed, 1 unsigned; 2 handed over.", "handed over (revision 2)"))
    summary = list(csv.DictReader(io.StringIO(summary_csv(rows), newline="")))
    assert [row["sign_off"] for row in summary][:4] == ["lapsed; revision 1 was handed over", "handed over (revision 2)", "", "unsigned"]


@pytest.mark.parametrize(
    ("signed", "lapsed", "given", "words"),
    [(None, [], [], "unsigned"), ({"by": "A"}, [{"by": "B"}], [], "signed"), ({"by": "A"}, [], [1, 2], "handed over (revision 2)"),
     ({"by": "A"}, [], [1], "signed; revision 1 was handed over"), (None, [{"by": "B"}], [1], "lapsed; revision 1 was handed over")],
)  # fmt: skip
def test_a_part_is_unsigned_signed_lapsed_or_handed_over(signed: Any, lapsed: Any, given: list[int], words: str) -> None:
    job = {"sign_off": signed, "lapsed_sign_offs": lapsed, "hand_overs": [{"revision": n} for n in given], "revision": 2}
    assert standing_words(standing_of(job)) == words


def test_a_bone_that_was_signed_as_it_is_says_so_and_is_not_asked_about_again_but_for_what_came_since() -> None:
    job = {"sign_off": {"by": "A"}, "lapsed_sign_offs": [], "hand_overs": [], "revision": 1}
    standing = standing_of(job)
    asked = {"severity": "review", "stage": "rebuild", "message": "m"}
    assert standing_words(standing, 1) == "signed with 1 open finding"
    rows = [
        {"target": "kest", "element": f"rib-0{i}-left", "status": "review", "is_accepted": is_accepted(standing, [asked | {"stage": stage}])}
        for i, stage in enumerate(("plan", "clean/a", "rebuild", "siding/a", "report", "deviation"))
    ]
    assert [step.elements for step in left_to_do(rows)] == [("kest/rib-03-left", "kest/rib-04-left")]
    assert not is_accepted(standing_of(job | {"sign_off": None}), [asked])
    decision = {"by": "A. Curator", "date": "2031-04-01", "reason": "seen", "evidence_key": KEY}
    sheet = invented_sheet(sign_off=decision)
    assert "Signed with 1 open finding: its status stays as it is" in Outline(bone_page(sheet)).text
    later = dict(sheet) | {"findings": [*sheet["findings"], sheet["findings"][0] | {"stage": "siding/kest-07"}]}
    heads = [Outline(bone_page(one)).text.partition("Where it comes from")[0] for one in (sheet, later, invented_sheet())]
    assert "signed by A. Curator on 2031-04-01 with 1 open finding" in heads[0]
    assert "with 2 open findings; 1 of them is not part of what was signed" in heads[1]
    assert ["needs a person" in head for head in heads] == [False, False, True]


def test_a_bone_under_review_is_still_named_among_those_whose_parts_failed() -> None:
    rows = [{"target": "kest", "element": "femur-left", "status": "review"}, {"target": "kest", "element": "scapula-left", "status": "failed"}]
    steps = left_to_do(rows, ["kest/femur-left", "kest/scapula-left"])
    assert [(step.action, step.elements) for step in steps][2:] == [("make", ("kest/femur-left",))]


def test_a_page_leads_back_to_the_index_and_its_copy_leads_only_to_the_copies_beside_it() -> None:
    made = {"route": "print", "machine": "", "status": "ready", "sheet": "print/sheet.pdf", "package": "print/all.zip", "n_solids": 1, "figures": [],
            "mass_kg": 1.0, "machine_hours": None, "machine_hours_basis": "", "prices": [], "findings": []}
    page = bone_page(invented_sheet(making={"made": [made], "received": [], "next_scales": [], "advice": []}))
    copy = page_for_copy(page.encode(), {"print/all.zip": "all-12345678.zip"}).decode()
    addresses = [[a["href"] for tag, a in Outline(text).tags if tag == "a" and not str(a["href"]).startswith("#")] for text in (page, copy)]
    assert addresses == [["../../index.html", "print/sheet.pdf", "print/all.zip"], ["all-12345678.zip"]]
    assert copy.partition("<script")[2] == page.partition("<script")[2]


def test_one_sentence_tells_all_that_was_closed_with_the_cause_of_each() -> None:
    def told(restoration: dict[str, Any] | None, shares: dict[str, float], fills: list[dict[str, Any]], n_closed: int) -> str:
        sheet = invented_sheet()
        rows = [{"class": code, "words": "", "area_ratio": ratio, "volume_mm3": None} for code, ratio in shares.items()]
        closed = {"n_rims_closed": n_closed, "n_rims_closed_by_name": 0, "widest_closed_rim_mm": 4.0}
        sheet |= {"restoration": restoration, "shares": rows, "fills": fills, "closed_rims": sheet["closed_rims"] | closed}
        return re.sub(r"\s+", " ", Outline(str(sections.fills(sheet))).text)

    hole = {"find": "kest-07", "rim_span_mm": 3.1, "area_mm2": 7.4, "centre_mm": [0.0, 0.0, 0.0]}
    completed = {"is_changed": True, "flat_percent": 7.8}
    whole = told(completed, {"OWN": 0.904, "FILL": 0.096}, [hole], 1)
    assert (
        "9.6 % of the area has no source: 1 hole closed in cleaning (7.4 mm², listed below); 1 open rim closed while rebuilding (the widest 4 mm); "
        "what both sides have lost (about 7.8 % of the area, closed flat or left as broken); the seam of the part taken over."
    ) in whole.replace("\u202f", " ").replace("4.0 mm", "4 mm").replace("7.80 %", "7.8 %")
    assert "Closed in cleaning: small holes, and those named in openings.csv" in whole
    assert "has no source: what both sides have lost" in told(completed, {"OWN": 0.9, "FILL": 0.1}, [], 0)
    assert "No hole was closed." in told(None, {"OWN": 1.0}, [], 0)
    assert "has no source: seams." in told(None, {"OWN": 0.9, "FILL": 0.1}, [], 0)


def test_the_area_taken_over_is_told_with_its_seam_which_the_evidence_counts_as_fill() -> None:
    """6.2 % of class OWN-C and a seam of 0.5 % are 6.7 % in the section on completing: each place says what it counts."""
    records = invented_records()
    figures = dict.fromkeys(("seam_step_max_mm", "seam_step_p95_mm", "flat_percent", "skin_removed_mm2", "skin_removed_percent"), 0.0)
    figures |= dict.fromkeys(("false_area_removed_mm2", "original_skin_moved_max_mm", "n_pieces_before", "n_pieces_after"), 0.0)
    taken = {"method": "own other half", "is_changed": True, "area_added_mm2": 577.2, "added_percent": 6.7, "volume_added_mm3": None}
    records["rebuild"]["facts"] |= {"restoration": figures | taken, "evidence_share": {"OWN": 0.933, "OWN-C": 0.062, "FILL": 0.005}}
    text = re.sub(r"\s+", " ", Outline(bone_page(make_sheet(invented_job(), records))).text)
    assert "Taken over and seam 577 mm², 6.7 % of the area; the seam alone is FILL under Evidence" in text
    assert "A seam that joins a part taken over counts as FILL here." in text
    assert "counts as FILL here" not in Outline(bone_page(invented_sheet())).text


def test_the_page_of_a_sign_off_whose_key_was_copied_wrongly_says_in_how_many_characters() -> None:
    decision = {"by": "N. Example", "date": "2031-05-06", "reason": "seen", "evidence_key": f"x{KEY[1:]}", "n_mistyped": 1}
    text = Outline(bone_page(invented_sheet(sign_off=decision))).text
    assert f"The sign-off by N. Example on 2031-05-06 does not hold: its key (x{KEY[1:]}) differs in 1 character." in text
    assert "has lapsed" not in text


@pytest.mark.parametrize(("status", "actions"), [("ready", ["sign"]), ("review", ["look"]), ("failed", ["mend"])])
def test_a_lapsed_part_that_waits_for_something_else_first_is_named_once(status: str, actions: list[str]) -> None:
    assert [step.action for step in left_to_do([{"target": "kest", "element": "femur-left", "status": status, "sign_off": "lapsed"}])] == actions


def test_a_part_whose_key_was_copied_wrongly_is_not_to_be_signed_again_but_its_key_to_be_copied_again() -> None:
    """Its evidence has not changed since; of another part it has."""
    row = {"target": "kest", "status": "ready", "sign_off": "lapsed", "handed_over": None}
    rows = [row | {"element": "femur-left", "is_mistyped": True}, row | {"element": "femur-right", "is_mistyped": False}]
    assert [(step.action, step.message, step.elements) for step in left_to_do(rows)] == [
        ("copy", "copy the key into decisions.csv again for 1 sign-off whose key is today's but for a few characters", ("kest/femur-left",)),
        ("sign", "sign again: 1 part whose evidence changed since signed", ("kest/femur-right",)),
    ]  # fmt: skip
    lapsed = [{"by": "B", "n_mistyped": 3}, {"by": "B", "changed": []}]
    jobs = [{"sign_off": None, "lapsed_sign_offs": rows, "hand_overs": [], "revision": 1} for rows in (lapsed[:1], lapsed, [])]
    assert [standing_of(job)["is_mistyped"] for job in jobs] == [True, False, False]


def test_a_bone_whose_missing_scan_a_step_of_the_plan_names_is_not_named_as_failed_again() -> None:
    rows = [{"target": "kest", "element": element, "status": "failed"} for element in ("femur-left", "tibia-left")]
    assert [step.elements for step in left_to_do(rows, (), {"kest/femur-left"})] == [("kest/tibia-left",)]
    assert left_to_do(rows, (), {"kest/femur-left", "kest/tibia-left"}) == ()
    batch = invented_batch()
    batch["next_steps"] = [{"action": "scan", "message": "put the missing scan of x into scans/", "elements": ["kest/scapula-right"]}]
    assert "Mend or replace" not in index_page(batch)
