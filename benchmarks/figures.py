"""Tables of what the chain costs beside other scripts for the same work, from the JSON lines that each prints. Pure: text in, text out.

A script prints one line a step, {"step", "s", "cpu", ..}, and last a line with the step TOTAL and its peak memory. Steps are gathered
into the phases of the work, because two scripts share no step names.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

OURS = "ours"
TOTAL = "TOTAL"
PHASES = (
    ("imports", ("import",)), ("read", ("read",)), ("write", ("write",)),
    ("deviation and picture", ("deviation", "png", "picture", "light view")),
)  # fmt: skip
MAKE = "clean and rebuild"
ORDER = ("imports", "read", MAKE, "write", "deviation and picture", TOTAL)
FIGURES = ("s", "cpu", "peak_mb")


@dataclass(frozen=True)
class Run:
    """One run of one script: its steps, its TOTAL line, or why it has none."""

    steps: tuple[Mapping[str, Any], ...]
    total: Mapping[str, Any] | None
    error: str = ""


def read_run(printed: str, complaint: str = "") -> Run:
    """The run that a script printed. Lines that are no JSON object with a step are passed over."""
    rows = [row for line in printed.splitlines() if (row := _row(line)) is not None]
    totals = [row for row in rows if row["step"] == TOTAL]
    steps = tuple(row for row in rows if row["step"] != TOTAL)
    if not totals:
        return Run(steps, None, (complaint.strip().splitlines() or ["it printed no TOTAL line"])[-1][:200])
    return Run(steps, totals[-1])


def _row(line: str) -> dict[str, Any] | None:
    try:
        row = json.loads(line)
    except json.JSONDecodeError:
        return None
    if not isinstance(row, dict) or "step" not in row:
        return None
    for name in ("peakMB", "hwmMB"):
        if name in row:
            row["peak_mb"] = row.pop(name)
    return row


def least(runs: Sequence[Run]) -> Run:
    """The run with the least CPU seconds; one that failed only where all did."""
    return min(runs, key=lambda run: run.total["cpu"] if run.total else float("inf"))


def phase_of(step: str) -> str:
    """The phase of the work that a step belongs to; what is neither reading, writing, measuring nor drawing makes the surface."""
    return next((phase for phase, starts in PHASES if step.startswith(starts)), MAKE)


def phases(run: Run) -> dict[str, dict[str, float]]:
    """Seconds and CPU seconds of each phase, and of the whole with its peak memory. Parts of a step count in the step alone."""
    sums: dict[str, dict[str, float]] = {}
    for row in run.steps:
        if "part_of" not in row:
            phase = sums.setdefault(phase_of(row["step"]), {"s": 0.0, "cpu": 0.0})
            phase["s"] += row["s"]
            phase["cpu"] += row["cpu"]
    if run.total:
        sums[TOTAL] = {name: float(run.total[name]) for name in FIGURES if name in run.total}
    return sums


def ratios(ours: Mapping[str, Mapping[str, float]], peer: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """Ours divided by the peer's, for each phase and figure that both have and where the peer's is above 0."""
    return {
        phase: {name: figures[name] / peer[phase][name] for name in figures if peer[phase].get(name, 0.0) > 0.0}
        for phase, figures in ours.items()
        if phase in peer
    }


def comparison_table(title: str, runs: Mapping[str, Run], before: Mapping[str, Mapping[str, Mapping[str, float]]] | None = None) -> str:
    """CPU seconds (and seconds) of each phase for each script, the ratio of ours to each other one, and what the totals were before."""
    sums = {name: phases(run) for name, run in runs.items()}
    peers = [name for name, run in runs.items() if name != OURS and run.total]
    over = {name: ratios(sums[OURS], sums[name]) for name in peers}
    header = ["CPU s (s)", *sums, *(f"{OURS}/{name}" for name in peers)]
    rows = []
    for phase in ORDER:
        cells = [_seconds(sums[name].get(phase)) for name in sums]
        rows.append([phase, *cells, *(_times(over[name].get(phase, {}).get("cpu")) for name in peers)])
    memory = [_number(sums[name].get(TOTAL, {}).get("peak_mb")) for name in sums]
    rows.append(["peak MB", *memory, *(_times(over[name].get(TOTAL, {}).get("peak_mb")) for name in peers)])
    if before:
        was = [_seconds(before.get(name, {}).get(TOTAL)) for name in sums]
        then = {name: ratios(before.get(OURS, {}), before.get(name, {})) for name in peers}
        rows.append(["TOTAL before", *was, *(_times(then[name].get(TOTAL, {}).get("cpu")) for name in peers)])
        changes = [ratios(sums[name], before.get(name, {})).get(TOTAL, {}) for name in sums]
        rows.append(["now/before", *(_times(change.get("cpu")) for change in changes), *("" for _ in peers)])
    failures = [f"{name} failed: {run.error}" for name, run in runs.items() if run.total is None]
    return "\n".join([title, *_aligned([header, *rows]), *failures])


def steps_table(name: str, run: Run, before: Sequence[Mapping[str, Any]] = ()) -> str:
    """Every step of one run; the CPU seconds of the same step before, where there are some."""
    was = {(row["step"], row.get("part_of", "")): row["cpu"] for row in before}
    rows = [[f"steps of {name}", "s", "CPU s", "peak MB", *(["before, CPU s"] if was else [])]]
    for row in run.steps:
        title = f"  in {row['part_of']}: {row['step']}" if "part_of" in row else str(row["step"])
        old = was.get((row["step"], row.get("part_of", "")))
        rows.append([title, f"{row['s']:.2f}", f"{row['cpu']:.2f}", _number(row.get("peak_mb")), *([_decimals(old)] if was else [])])
    facts = {key: value for key, value in (run.total or {}).items() if key not in ("step", *FIGURES)}
    return "\n".join([*_aligned(rows), json.dumps(facts, ensure_ascii=False)])


def stored(runs: Mapping[str, Run]) -> dict[str, Any]:
    """What the next run compares with: phases and steps of every script that came to its end."""
    done = {name: run for name, run in runs.items() if run.total}
    return {name: {"phases": phases(run), "steps": [dict(row) for row in run.steps], "total": dict(run.total or {})} for name, run in done.items()}


def _seconds(figures: Mapping[str, float] | None) -> str:
    return f"{figures['cpu']:.2f} ({figures['s']:.2f})" if figures and "cpu" in figures else "-"


def _times(ratio: float | None) -> str:
    return "-" if ratio is None else f"{ratio:.2f}"


def _decimals(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return ["  ".join([row[0].ljust(widths[0]), *map(str.rjust, row[1:], widths[1:])]).rstrip() for row in rows]
