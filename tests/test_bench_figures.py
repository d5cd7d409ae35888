"""The tables of the benchmark: ratios and comparisons from given JSON lines."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from batch_cost import sum_up
from figures import ORDER, OURS, TOTAL, Run, comparison_table, least, phases, ratios, read_run, steps_table, stored
from peers import last_run, read_history, run_script

CHAIN = Path(__file__).resolve().parent.parent / "benchmarks" / "chain.py"
OUR_LINES = """{"step": "imports", "s": 1.0, "cpu": 0.5, "peak_mb": 40}
{"step": "read", "s": 0.5, "cpu": 0.25, "peak_mb": 60}
{"step": "clean", "s": 9.0, "cpu": 6.0, "peak_mb": 300}
{"step": "decimated", "s": 8.0, "cpu": 5.0, "peak_mb": 300, "part_of": "clean"}
{"step": "rebuild", "s": 3.0, "cpu": 2.0, "peak_mb": 300}
{"step": "write stl", "s": 0.5, "cpu": 0.25, "peak_mb": 300}
{"step": "write 3mf", "s": 0.5, "cpu": 0.25, "peak_mb": 300}
{"step": "TOTAL", "s": 14.5, "cpu": 9.25, "peak_mb": 300, "closed": true}
"""
PEER_LINES = """a warning of some library
{"step": "imports", "s": 2.0, "cpu": 2.0, "hwmMB": 200}
{"step": "read+merge", "s": 0.5, "cpu": 0.5, "hwmMB": 200}
{"step": "repair", "s": 1.0, "cpu": 1.0, "hwmMB": 500}
{"step": "decimate to tol", "s": 1.0, "cpu": 1.0, "hwmMB": 500}
{"step": "write stl", "s": 0.0, "cpu": 0.0, "hwmMB": 500}
{"step": "TOTAL", "s": 4.5, "cpu": 4.5, "peakMB": 600}
3
"""


@pytest.fixture
def both() -> dict[str, Run]:
    return {OURS: read_run(OUR_LINES), "peer": read_run(PEER_LINES)}


def cells(table: str, row: str) -> list[str]:
    """The cells of the row that begins so."""
    line = next(line for line in table.splitlines() if line.startswith(f"{row}  "))
    return line.removeprefix(row).replace(" (", "(").split()


def test_steps_of_different_names_are_gathered_into_the_same_phases_and_parts_count_once(both: dict[str, Run]) -> None:
    assert phases(both[OURS])["clean and rebuild"] == {"s": 12.0, "cpu": 8.0}
    assert phases(both["peer"])["clean and rebuild"] == {"s": 2.0, "cpu": 2.0}
    assert phases(both["peer"])[TOTAL] == {"s": 4.5, "cpu": 4.5, "peak_mb": 600.0}


def test_a_ratio_is_ours_over_the_peers_and_is_left_out_where_the_peer_took_nothing(both: dict[str, Run]) -> None:
    over = ratios(phases(both[OURS]), phases(both["peer"]))
    assert over["clean and rebuild"] == {"s": 6.0, "cpu": 4.0}
    assert over["imports"] == {"s": 0.5, "cpu": 0.25}
    assert over["write"] == {}
    assert over[TOTAL]["peak_mb"] == 0.5


def test_the_table_prints_the_ratios_and_sets_the_totals_of_the_last_run_beside_them(both: dict[str, Run]) -> None:
    before = {OURS: {TOTAL: {"s": 40.0, "cpu": 18.5}}, "peer": {TOTAL: {"s": 9.0, "cpu": 9.0}}}
    table = comparison_table("scan", both, before)
    assert cells(table, "clean and rebuild") == ["8.00(12.00)", "2.00(2.00)", "4.00"]
    assert cells(table, "TOTAL") == ["9.25(14.50)", "4.50(4.50)", "2.06"]
    assert cells(table, "peak MB") == ["300", "600", "0.50"]
    assert cells(table, "TOTAL before") == ["18.50(40.00)", "9.00(9.00)", "2.06"]
    assert cells(table, "now/before") == ["0.50", "0.50"]


def test_the_steps_stand_beside_the_same_steps_of_the_last_run(both: dict[str, Run]) -> None:
    table = steps_table(OURS, both[OURS], [{"step": "decimated", "part_of": "clean", "cpu": 10.0}])
    assert cells(table, "  in clean: decimated") == ["8.00", "5.00", "300", "10.00"]
    assert cells(table, "clean") == ["9.00", "6.00", "300", "-"]


def test_of_several_runs_the_one_with_the_least_cpu_seconds_counts(both: dict[str, Run]) -> None:
    slow = Run((), {"step": TOTAL, "s": 1.0, "cpu": 99.0})
    assert least([slow, Run((), None, "broke"), both[OURS]]) is both[OURS]


def test_a_peer_that_breaks_is_named_with_its_last_words_and_the_others_are_still_compared(both: dict[str, Run]) -> None:
    broken = read_run('{"step": "imports", "s": 1, "cpu": 1}\n', "Traceback\nImportError: no such library")
    table = comparison_table("scan", both | {"broken": broken})
    assert "broken failed: ImportError: no such library" in table
    assert cells(table, "TOTAL")[-1] == "2.06"


def test_a_script_that_takes_too_long_is_ended_and_the_steps_it_came_to_are_kept() -> None:
    script = "import time; print('{\"step\": \"read\", \"s\": 1, \"cpu\": 1}', flush=True); time.sleep(60)"
    run = run_script([sys.executable, "-c", script], is_ours=False, longest_s=4.0)
    assert ([row["step"] for row in run.steps], run.total, run.error) == (["read"], None, "not done after 4 s")


def test_the_next_run_compares_with_the_last_of_the_same_size_and_tolerance(both: dict[str, Run], tmp_path: Path) -> None:
    runs = [{"size": size, "tolerance_mm": tolerance, "scripts": {"n": number}} for number, (size, tolerance) in
            enumerate([("1", 0.05), ("1", 0.05), ("1", 0.1), ("4", 0.05)])]  # fmt: skip
    path = tmp_path / "bench.json"
    path.write_text(json.dumps({"runs": [*runs, {"size": "0.25", "tolerance_mm": 0.05, "scripts": stored(both)}]}), encoding="utf-8")
    history = read_history(path)
    assert last_run(history, "1", 0.05) == {"n": 1}
    assert last_run(history, "10", 0.05) == {}
    assert last_run(history, "0.25", 0.05)["peer"]["phases"][TOTAL]["cpu"] == 4.5


def test_the_cost_of_a_batch_is_split_into_geometry_measuring_the_rest_of_the_jobs_and_what_is_outside_them() -> None:
    notes = [{"stage": "clean", "part": "job", "cpu": 5.0}, {"stage": "clean", "part": "geometry", "cpu": 4.0},
             {"stage": "report", "part": "job", "cpu": 3.0}, {"stage": "report", "part": "geometry", "cpu": 1.0},
             {"stage": "report", "part": "measuring", "cpu": 0.5}, {"stage": "snakemake", "part": "process", "cpu": 1.5}]  # fmt: skip
    sums = sum_up(notes, 10.0)
    assert sums["cpu"] == {"geometry": 5.0, "measuring": 0.5, "files_and_pages": 2.5, "outside_jobs": 2.0}
    assert (sums["outside_geometry_percent"], sums["outside_geometry_percent_with_measuring"]) == (45.0, 50.0)
    assert sums["outside_jobs_cpu"] == {"snakemake": 1.5, "worker and shells": 0.5}
    assert sums["stages"]["clean"] == {"n": 1, "job_cpu": 5.0, "geometry_cpu": 4.0, "measuring_cpu": 0.0}


@pytest.mark.slow
def test_the_chain_takes_a_coloured_scan_to_a_closed_replica_and_prints_a_line_for_every_step(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=2, radius=20.0)
    ball.visual.vertex_colors = np.tile(np.array([200, 150, 100, 255], dtype=np.uint8), (len(ball.vertices), 1))
    ball.export(tmp_path / "ball.ply")
    command = [sys.executable, str(CHAIN), str(tmp_path / "ball.ply"), str(tmp_path / "out"), "0.05"]
    run = read_run(subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=True).stdout)
    assert run.total is not None
    assert {name: run.total[name] for name in ("closed", "outward", "colour_kept", "n_pieces")} == {
        "closed": True, "outward": True, "colour_kept": True, "n_pieces": 1}  # fmt: skip
    assert set(phases(run)) == set(ORDER)
