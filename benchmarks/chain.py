"""One raw scan through the whole chain in one process, by the functions that the jobs use; one JSON line a step, then TOTAL.

Usage: chain.py SCAN OUT_PREFIX TOLERANCE_MM. The scan is in mm. It is read, cleaned within the tolerance, reflected and enlarged, written
as PLY, STL, 3MF and GLB, compared with the raw scan both ways, and pictured. `s` and `cpu` are seconds of the step, `peak_mb` the most
memory up to its end. Lines with `part_of` are shares of the step they name, which may run side by side. TOTAL ends before the
written files are checked.
"""

from __future__ import annotations

import argparse
import functools
import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

FACTOR = 1.07
NAME = "scan"
PARTS_OF_CLEAN = ("surface_of_scan", "bone_pieces", "turn_outward", "_closed_holes", "_decimated_and_mended", "mend_crossings", "_final_facts")
PARTS_OF_REBUILD = ("gather_bone", "close_openings", "unite_pieces", "audit_topology", "count_touching_edges", "count_self_intersections")

PARTS_OF_WRITE = ("recentre", "encode_3mf", "encode_stl", "encode_glb")
PARTS_OF_REPORT = ("light_version", "render_picture", "_deviation")


class Clock:
    """Prints the steps of the chain as they end."""

    def __init__(self) -> None:
        self._start = self._last = time.perf_counter(), time.process_time()
        self._parts: dict[str, list[float]] = {}

    def lap(self, step: str, **facts: Any) -> None:
        """Print the step that ends now, and the parts of it that were timed."""
        now = time.perf_counter(), time.process_time()
        print_row(step, (now[0] - self._last[0], now[1] - self._last[1]), facts)
        for name, (wall_s, cpu_s) in self._parts.items():
            print_row(name, (wall_s, cpu_s), {"part_of": step})
        self._parts.clear()
        self._last = time.perf_counter(), time.process_time()

    def total(self) -> tuple[float, float]:
        """Wall and CPU seconds up to the last step's end."""
        return self._last[0] - self._start[0], self._last[1] - self._start[1]

    @contextmanager
    def timing(self, module: ModuleType, names: tuple[str, ...]) -> Iterator[None]:
        """Time the named functions of a module wherever the module calls them; a name that is gone is left out."""
        kept = {name: getattr(module, name) for name in names if hasattr(module, name)}
        for name, function in kept.items():
            setattr(module, name, self._timed(name.strip("_"), function))
        try:
            yield
        finally:
            for name, function in kept.items():
                setattr(module, name, function)

    def _timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(function)
        def timed(*arguments: Any, **named: Any) -> Any:
            start = time.perf_counter(), time.process_time()
            try:
                return function(*arguments, **named)
            finally:
                part = self._parts.setdefault(name, [0.0, 0.0])
                part[0] += time.perf_counter() - start[0]
                part[1] += time.process_time() - start[1]

        return timed


def print_row(step: str, seconds: tuple[float, float], facts: dict[str, Any]) -> None:
    """One JSON line."""
    row = {"step": step, "s": round(seconds[0], 3), "cpu": round(seconds[1], 3), "peak_mb": round(peak_mb())}
    print(json.dumps(row | facts), flush=True)


def peak_mb() -> float:
    """Most memory that this process has held so far (Linux)."""
    lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def run_chain(scan: Path, out: str, tolerance_mm: float, clock: Clock) -> dict[str, Any]:
    """All steps; returns what TOTAL tells beside the seconds."""
    from meshtools.files.read_scan import read_scan
    from meshtools.jobs import report
    from meshtools.model import SourceEntry

    clock.lap("imports")
    raw = read_scan(scan)
    clock.lap("read", n_faces=len(raw.faces))
    has_colour = raw.colour is not None
    cleaned = clean(raw, scan, tolerance_mm, clock)
    built = rebuild(cleaned, clock)
    sources: tuple[SourceEntry, ...] = built.sources
    write(built, out, clock)
    with clock.timing(report, PARTS_OF_REPORT):
        scans = [raw]
        del raw  # as the job, which reads it again: held by nobody once it is welded
        look, followed = report.look_and_follow(built.mesh, sources, report.MOST_FACES, lambda: raw_in_place(scans.pop()))
    Path(f"{out}.png").write_bytes(look.picture_png)
    assert followed is not None
    forth, back = followed.deviation["replica_to_scan"], followed.deviation["scan_to_replica"]
    rms_um = [round(1e3 * way["rms_mm"], 1) for way in (forth, back) if way]
    clock.lap("deviation, light view and picture", rms_um=rms_um, n_faces=len(look.view.faces))
    return {
        "n_faces": len(built.mesh.faces), "n_pieces": built.facts["n_pieces_after"], "deliverable": built.facts["deliverable"],
        "n_self_intersections": built.facts["n_self_intersections"],
        "colour_kept": built.mesh.colour is not None if has_colour else None,
        "decimation_bound_mm": cleaned.facts.get("decimation_bound_mm"), "to_scan_bound_mm": round(forth["max_bound_mm"], 4) if forth else None,
        "from_scan_bound_mm": round(back["max_bound_mm"], 4), "findings": sorted({finding.code for finding in (*cleaned.findings, *built.findings)}),
    }  # fmt: skip


def clean(raw: Any, scan: Path, tolerance_mm: float, clock: Clock) -> Any:
    """The clean stage, with the settings that the command of this name takes."""
    from meshtools.model import Find, Side, Unit
    from meshtools.settings import CleanSettings
    from meshtools.stages import clean as stage

    find = Find(0, NAME, "skull", Side.UNKNOWN, "", scan.name, Unit("mm"), unit_source="option --unit")
    with clock.timing(stage, PARTS_OF_CLEAN):
        cleaned = stage.clean_scan(raw, find, CleanSettings(), (), tolerance_mm)
    clock.lap("clean", n_faces=len(cleaned.mesh.faces), n_faces_full=cleaned.facts["n_faces_full"])
    return cleaned


def rebuild(cleaned: Any, clock: Clock) -> Any:
    """The rebuild stage: another animal's bone of the other side, reflected and enlarged."""
    from meshtools.geometry.cleaned import Cleaned
    from meshtools.model import EvidenceClass, Recipe
    from meshtools.settings import RebuildSettings
    from meshtools.stages import rebuild as stage

    recipe = Recipe("mount", "skull", EvidenceClass.DON_R, (NAME,), True, FACTOR, None, "given", "benchmark", (), "planned")
    with clock.timing(stage, PARTS_OF_REBUILD):
        built = stage.rebuild_element(recipe, [Cleaned(NAME, cleaned.mesh, cleaned.sources, 1.0)], RebuildSettings(), ())
    clock.lap("rebuild", n_faces=len(built.mesh.faces))
    return built


def write(built: Any, out: str, clock: Clock) -> None:
    """The four files of a replica. STL, 3MF and GLB are made whether or not they might be delivered, so that their time is known."""
    from meshtools.files.deliver import PartLabel
    from meshtools.files.mesh_ply import write_replica_ply
    from meshtools.jobs import rebuild as job

    Path(f"{out}.ply").write_bytes(write_replica_ply(built.mesh))
    clock.lap("write ply")
    label = PartLabel("bench-skull", "1", "mount", "skull", "DON-R")
    with clock.timing(job, PARTS_OF_WRITE):
        deliveries = job.encode_deliveries(built, label)
    for name, delivery in deliveries.items():
        Path(f"{out}{Path(name).suffix}").write_bytes(delivery.content)
    clock.lap("write 3mf, stl and glb at once")


def raw_in_place(raw: Any) -> Any:
    """The raw scan where the replica stands, as the report job brings it there."""
    from meshtools.geometry.transform import reflect, scale
    from meshtools.geometry.weld import weld_scan

    return scale(reflect(weld_scan(raw.vertices, raw.faces, None).mesh), FACTOR)


def check_stl(path: Path) -> dict[str, bool]:
    """Whether another reader finds the written STL closed and wound outwards."""
    import trimesh

    mesh = trimesh.load_mesh(path)
    is_wound = bool(mesh.is_watertight and mesh.is_winding_consistent)
    return {"closed": bool(mesh.is_watertight), "outward": is_wound and bool(mesh.volume > 0)}


def main() -> None:
    """Run the chain and print its lines."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scan", type=Path)
    parser.add_argument("out")
    parser.add_argument("tolerance_mm", type=float)
    options = parser.parse_args()
    clock = Clock()
    facts = run_chain(options.scan, options.out, options.tolerance_mm, clock)
    seconds, most_mb = clock.total(), round(peak_mb())
    print_row("TOTAL", seconds, facts | check_stl(Path(f"{options.out}.stl")) | {"peak_mb": most_mb})


if __name__ == "__main__":
    sys.exit(main())
