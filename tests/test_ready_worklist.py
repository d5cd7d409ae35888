"""What the jobs of routes depend on, read off their keys: nothing is built here."""

from __future__ import annotations

from pathlib import Path

import pytest

from meshtools.errors import UsageError
from meshtools.jobs.report import shown_evidence_key
from meshtools.start_build import wanted_outputs
from meshtools.workspace import Workspace, open_workspace

CONFIG = """targets:
  mount: {individual: ind-a}
routes:
  default: [print]
  lumbar-02: [print, big-mill]
machines:
  big-mill: {route: cnc, travel_x_mm: 3000}
"""
SIGN_OFF_HEADER = "target,element,find,kind,value,by,date,reason,evidence_key\n"
IDENTITY = "1 0 0 0 0 1 0 0 0 0 1 0"
RECEIVED = "target,element,route,measure,measured_mm,by,date\nmount,lumbar-01,print,depth,30,A. Maker,2031-07-01\n"


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    """Two vertebrae of one animal in one frame."""
    (tmp_path / "config").mkdir()
    (tmp_path / "scans").mkdir()
    rows, poses = ["find,element,side,organismID,scan,unit\n"], ["find,frame,matrix\n"]
    for place in (1, 2):
        (tmp_path / f"scans/a-{place}.stl").write_bytes(bytes([place]))
        rows.append(f"a-{place},lumbar-0{place},median,ind-a,a-{place}.stl,mm\n")
        poses.append(f"a-{place},bench,{IDENTITY}\n")
    tables = {"bones.csv": "".join(rows), "poses.csv": "".join(poses), "skeleton.csv": "element,pairing,position\nlumbar,median,1-2\n"}
    for name, text in (tables | {"config.yaml": CONFIG}).items():
        (tmp_path / "config" / name).write_text(text, encoding="utf-8")
    return tmp_path


def keys(workspace: Workspace) -> dict[str, str]:
    jobs = workspace.worklist.jobs
    return {f"{stage} {name.removeprefix('mount/')}": job["key"] for stage, items in jobs.items() for name, job in items.items()}


def changed(batch: Path, name: str, text: str) -> set[str]:
    """The jobs that an edited table runs again."""
    before = keys(open_workspace(batch))
    (batch / "config" / name).write_text(text, encoding="utf-8")
    after = keys(open_workspace(batch))
    assert set(before) == set(after)
    return {job for job in before if before[job] != after[job]}


def test_a_part_is_asked_for_with_its_joint_and_the_neighbour_that_sets_it(batch: Path) -> None:
    workspace = open_workspace(batch)
    assert set(workspace.worklist.jobs["cnc"]) == {"mount/lumbar-02"}
    assert set(workspace.worklist.jobs["print"]["mount/lumbar-01"]["joint_keys"]) == {"mount/joints/lumbar-01__lumbar-02"}
    outputs = wanted_outputs(workspace, ["lumbar-01"])
    assert {
        "results/mount/lumbar-01/print/record.json", "results/mount/joints/lumbar-01__lumbar-02/joint.json", "results/mount/lumbar-02/record.json",
        "results/finds/a-2/record.json", "results/mount/lumbar-01/report.json",
    } <= set(outputs)  # fmt: skip
    assert not any("lumbar-02/print" in output or "/cnc/" in output for output in outputs)


@pytest.mark.parametrize(
    ("name", "text", "wanted"),
    [
        ("config.yaml", CONFIG.replace("3000", "3500"), {"cnc lumbar-02", "report lumbar-02", "report lumbar-01"}),
        ("config.yaml", CONFIG + "print: {stroke_mm: 1.4}\n", {"print lumbar-01", "print lumbar-02", "report lumbar-01", "report lumbar-02"}),
        (
            "config.yaml", CONFIG + "materials: {pla: {use: print, density_kg_m3: 1240, source: a list, price_per_kg: 9, currency: EUR}}\n",
            {"report lumbar-01", "report lumbar-02"},
        ),
        ("config.yaml", CONFIG + "mould: {wall_mm: 20}\n", set()),
        ("config.yaml", CONFIG + "cnc: {coat_mm: 1, least_core_mm: 2}\n", {"cnc lumbar-02", "report lumbar-02"}),
        ("received.csv", RECEIVED, {"report lumbar-01"}),
    ],
    ids=[
        "a machine", "a setting of a route", "a price", "a setting of a route that nothing takes", "settings whose sum an advice takes",
        "a measured length",
    ],
)  # fmt: skip
def test_an_edit_runs_the_routes_and_pages_that_it_bears_on(batch: Path, name: str, text: str, wanted: set[str]) -> None:
    assert changed(batch, name, text) - {"index index"} == wanted


def test_a_sign_off_runs_the_sheets_and_the_page_of_its_bone_but_makes_no_part_again(batch: Path) -> None:
    jobs = open_workspace(batch).worklist.jobs
    row = f"mount,lumbar-02,,sign-off,yes,A. Curator,2031-03-01,seen,{jobs['report']['mount/lumbar-02']['evidence_keys']['whole']}\n"
    assert changed(batch, "decisions.csv", SIGN_OFF_HEADER + row) == {"print lumbar-02", "cnc lumbar-02", "report lumbar-02", "index index"}
    signed = open_workspace(batch).worklist.jobs
    for route in ("print", "cnc"):
        assert signed[route]["mount/lumbar-02"]["made_key"] == jobs[route]["mount/lumbar-02"]["made_key"]


def test_a_sign_off_lapses_with_the_pin_only_where_the_replica_has_loose_bodies(batch: Path) -> None:
    keys = open_workspace(batch).worklist.jobs["report"]["mount/lumbar-01"]["evidence_keys"]
    job = {"sign_off": None, "evidence_keys": keys}
    shown = [shown_evidence_key(job, facts) for facts in ({"n_pins": 0, "n_bodies": 1}, {"n_pins": 0, "n_bodies": 2}, {"n_pins": 1, "n_bodies": 1})]
    assert shown == [keys["whole"], keys["loose"], keys["loose"]]
    rows = "".join(f"mount,lumbar-0{n},,sign-off,yes,A. Curator,2031-03-01,seen,KEY\n" for n in (1, 2)).replace("KEY", keys["whole"], 1)
    other = open_workspace(batch).worklist.jobs["report"]["mount/lumbar-02"]["evidence_keys"]["loose"]
    (batch / "config/decisions.csv").write_text(SIGN_OFF_HEADER + rows.replace("KEY", other), encoding="utf-8")
    for pin, wanted in (("0.0", [True, True]), ("3.0", [True, False])):
        (batch / "config/config.yaml").write_text(f"{CONFIG}rebuild: {{pin_diameter_mm: {pin}}}\n", encoding="utf-8")
        jobs = open_workspace(batch).worklist.jobs["report"]
        assert [jobs[f"mount/lumbar-0{n}"]["sign_off"] is not None for n in (1, 2)] == wanted


@pytest.mark.parametrize(("wanted", "meant"), [
    ("adult/lumbar-01", " Did you mean 'mount/lumbar-01'?"), ("lumbar-1", " Did you mean 'mount/lumbar-01' or 'mount/lumbar-02'?"), ("wheel", ""),
])  # fmt: skip
def test_an_element_that_no_batch_builds_is_answered_with_the_nearest_names(batch: Path, wanted: str, meant: str) -> None:
    with pytest.raises(UsageError) as caught:
        wanted_outputs(open_workspace(batch), [wanted])
    assert str(caught.value) == f"'{wanted}' is not an element that this batch builds.{meant} `bonewright plan` lists them."


@pytest.mark.parametrize("wanted", ["mount/lumbar-03", "lumbar-03"])
def test_a_gap_asked_for_by_name_is_answered_as_that_with_its_reason_and_no_other_name(batch: Path, wanted: str) -> None:
    (batch / "config/skeleton.csv").write_text("element,pairing,position\nlumbar,median,1-3\n", encoding="utf-8")
    workspace = open_workspace(batch)
    (gap,) = [recipe for recipe in workspace.plan.recipes if recipe.element == "lumbar-03"]
    with pytest.raises(UsageError) as caught:
        wanted_outputs(workspace, [wanted])
    told = str(caught.value)
    assert told.startswith(f"'{wanted}' is a gap of this batch")
    assert [words in told for words in (gap.reason, "`bonewright plan`", "Did you mean")] == [True, True, False]
