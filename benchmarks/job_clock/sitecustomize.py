"""Notes the CPU seconds of every job of a build, of the geometry in it, and of the processes around the jobs.

Python imports this file at its start when its folder is on PYTHONPATH; it does something only where BONEWRIGHT_JOB_CLOCK names the file
to append to.
"""

from __future__ import annotations

import atexit
import functools
import importlib.abc
import importlib.machinery
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from types import ModuleType
from typing import Any

GEOMETRY: dict[str, tuple[str, ...]] = {
    "clean": ("clean_scan", "pieces_picture"),
    "siding": ("check_siding",),
    "rebuild": ("rebuild_element",),
    "joint": ("check_joint", "left_of"),
    "fit": ("check_fit", "end_widths"),
    "report": ("light_version", "Surface", "vertex_deviation", "weld_scan", "render_picture", "laid_out", "_deviation"),
    "index": (),
}
MEASURING = {
    "meshtools.files.verify_delivery": ("rebuild", ("_measure", "_compare_counts", "_compare_crossings", "_compare_pieces")),
    "meshtools.jobs.rebuild": ("rebuild", ("verify_placement",)),
    "meshtools.files.delivered_crossings": ("rebuild", ("count_self_intersections", "number_places")),
    "meshtools.jobs.report_routes": ("report", ("making_figures",)),
}
"""Module -> stage, and functions that compute on surfaces too: the checks of what was written, and the figures of the advice on a page. Parsing
and hashing of the written files are not among them."""
PREFIX = "meshtools.jobs."
THREADS = "meshtools.geometry.threads"


taken_s: dict[tuple[str, str], float] = {}
"""CPU seconds by stage and part since the last job of this process ended: one write a job, so that the clock itself takes next to nothing."""
summing = threading.Lock()
timed_here = threading.local()
"""`parts` of a thread: (stage, part) that are being timed in it now. Each thread is timed by its own clock, because several of a job may be at
geometry at once and others of it at files meanwhile; a thread that works for another's geometry is timed as that."""


def parts_here() -> list[tuple[str, str]]:
    """What is being timed in this thread now."""
    if not hasattr(timed_here, "parts"):
        timed_here.parts = []
    parts: list[tuple[str, str]] = timed_here.parts
    return parts


def timed(function: Callable[..., Any], stage: str, part: str, path: str) -> Callable[..., Any]:
    """The function, whose time is now added up; a job writes down all sums when it returns."""
    clock = time.process_time if part == "job" else time.thread_time

    @functools.wraps(function)
    def measured(*arguments: Any, **named: Any) -> Any:
        here = parts_here()
        if any(part == other for _, other in here):  # by another function of this part, whose time it is
            return function(*arguments, **named)
        here.append((stage, part))
        start_s = clock()
        try:
            return function(*arguments, **named)
        finally:
            here.remove((stage, part))
            with summing:
                taken_s[stage, part] = taken_s.get((stage, part), 0.0) + clock() - start_s
            if part == "job":
                note(path, taken_s)
                taken_s.clear()

    return measured


def as_part_of(work: Callable[..., Any], parts: Sequence[tuple[str, str]], path: str) -> Callable[..., Any]:
    """The work, timed in whichever thread it runs as what the thread is at that gave it out."""
    for stage, part in parts:
        if part != "job":
            work = timed(work, stage, part, path)
    return work


def follow_threads(module: ModuleType, path: str) -> None:
    """Let the threads that meshtools.geometry.threads starts be timed for the thread that started them."""
    at_once, in_blocks = module.at_once, module.in_blocks

    def timed_at_once(works: list[Callable[[], Any]]) -> list[Any]:
        parts = [*parts_here()]
        return at_once([as_part_of(work, parts, path) for work in works])  # type: ignore[no-any-return]

    def timed_in_blocks(n_rows: int, work: Callable[[slice], Any], least_rows: int | None = None) -> list[Any]:
        return in_blocks(n_rows, as_part_of(work, [*parts_here()], path), least_rows)  # type: ignore[no-any-return]

    module.at_once, module.in_blocks = timed_at_once, timed_in_blocks  # type: ignore[attr-defined]


def note(path: str, seconds: Mapping[tuple[str, str], float]) -> None:
    """Append a line for each stage and part; short writes of several processes do not mix."""
    lines = "".join(json.dumps({"stage": stage, "part": part, "cpu": cpu_s}) + "\n" for (stage, part), cpu_s in seconds.items())
    descriptor = os.open(path, os.O_WRONLY | os.O_APPEND)
    os.write(descriptor, lines.encode())
    os.close(descriptor)


def note_process(path: str) -> None:
    """The CPU seconds of this process without its children. A worker and its children leave at once, so neither comes here."""
    arguments = sys.orig_argv
    module = arguments[arguments.index("-m") + 1] if "-m" in arguments[:-1] else "other"
    if module != "meshtools.jobs.run":
        note(path, {(module, "process"): time.process_time()})


class JobClock(importlib.abc.MetaPathFinder):
    """Finds the modules of the jobs as ever, and wraps their functions once they are loaded."""

    def __init__(self, path: str) -> None:
        self._path = path

    def find_spec(self, name: str, path: Sequence[str] | None, target: ModuleType | None = None) -> importlib.machinery.ModuleSpec | None:
        """The usual module, loaded by a loader that wraps."""
        stage = name.removeprefix(PREFIX) if name.startswith(PREFIX) else ""
        if stage not in GEOMETRY and name not in MEASURING and name != THREADS:
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path, target)
        if spec is not None and spec.loader is not None:
            load = spec.loader.exec_module

            def load_and_wrap(module: ModuleType) -> None:
                load(module)
                if name == THREADS:
                    follow_threads(module, self._path)
                self._wrap(module, *MEASURING.get(name, ("", ())), "measuring")
                if stage in GEOMETRY:
                    self._wrap(module, stage, GEOMETRY[stage], "geometry")
                    self._wrap(module, stage, ("run",), "job")

            spec.loader.exec_module = load_and_wrap  # type: ignore[method-assign]
        return spec

    def _wrap(self, module: ModuleType, stage: str, functions: Sequence[str], part: str) -> None:
        for function in functions:
            if hasattr(module, function):
                setattr(module, function, timed(getattr(module, function), stage, part, self._path))


if "BONEWRIGHT_JOB_CLOCK" in os.environ:
    sys.meta_path.insert(0, JobClock(os.environ["BONEWRIGHT_JOB_CLOCK"]))
    atexit.register(note_process, os.environ["BONEWRIGHT_JOB_CLOCK"])
