"""The commands that work on one file, without a batch. Output is in millimetres."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.counted import counted
from meshtools.errors import UsageError
from meshtools.model import MM_PER_UNIT, Find, Finding, Mesh, Side, Unit, plain, status_of
from meshtools.settings import CleanSettings, RebuildSettings

OF_A_BATCH = re.compile(r"\.csv|config\.yaml|sign (it|the replica) off")
BATCH_ONLY = "Tables, config.yaml and signing off are those of a batch (`bonewright new DIR`); a file alone is written as it is."


def clean_file(options: argparse.Namespace) -> Answer:
    """`bonewright clean`: the clean stage on one file."""
    from meshtools.files.read_scan import read_scan
    from meshtools.stages.clean import clean_scan

    check_output(options)
    if options.tolerance_mm <= 0:
        raise UsageError(f"--tolerance-mm {options.tolerance_mm:g}: the tolerance must be above 0.")
    find = Find(0, options.file.stem, "", Side.UNKNOWN, "", str(options.file), Unit(options.unit), unit_source="option --unit")
    settings = _clean_settings(options.tolerance_mm)
    result = clean_scan(read_scan(options.file, settings.most_faces), find, settings, (), options.tolerance_mm)
    write_surface(options.output, result.mesh)
    needs_person = status_of(result.findings) != "ok"
    lines = [f"{options.output}: {len(result.mesh.faces)} faces, {size_words(result.mesh)}", *told_of(result.findings)]
    facts = {"output": str(options.output), "facts": plain(result.facts), "findings": plain(result.findings)}
    return Answer(tuple(lines), facts, PERSON_NEEDED if needs_person else DONE)


def told_of(findings: Sequence[Finding]) -> list[str]:
    """Findings as lines; where one names what only a batch has, a last line says so."""
    lines = [f"  {finding.severity.value}: {finding.message}" for finding in findings]
    return [*lines, BATCH_ONLY] if any(OF_A_BATCH.search(line) for line in lines) else lines


def _clean_settings(tolerance_mm: float) -> CleanSettings:
    """The usual settings; a part can be no finer than the tolerance that is asked for."""
    return CleanSettings(part_tolerance_mm=min(max(tolerance_mm, 0.01), 10.0))


def reflect_file(options: argparse.Namespace) -> Answer:
    """`bonewright reflect`: reflect across the plane normal . x = offset."""
    from meshtools.geometry.transform import reflect

    check_output(options)
    normal = triple("--normal", options.normal)
    if not any(normal):
        raise UsageError(f"--normal {options.normal}: a plane needs a normal that is not zero.")
    return _moved(options, reflect(read_surface(options.file, options.unit), normal, options.offset_mm))


def scale_file(options: argparse.Namespace) -> Answer:
    """`bonewright scale`: scale about the origin."""
    from meshtools.geometry.transform import scale

    check_output(options)
    if not 0 < options.factor < float("inf"):
        raise UsageError(f"--factor {options.factor:g}: the factor must be a number above 0.")
    return _moved(options, scale(read_surface(options.file, options.unit), options.factor))


def compare_files(options: argparse.Namespace) -> Answer:
    """`bonewright compare`: deviation both ways."""
    from meshtools.geometry.distance import compare

    comparison: dict[str, Any] = plain(compare(read_surface(options.a, options.unit), read_surface(options.b, options.unit_b or options.unit)))
    lines = []
    for way, title in (("a_to_b", "A to B"), ("b_to_a", "B to A")):
        d = comparison[way]
        lines.append(
            f"{title}: at most {d['max_mm']:.4f} mm (bound {d['max_bound_mm']:.4f}), 99 % within {d['p99_mm']:.4f}, "
            f"mean {d['mean_mm']:.4f}, rms {d['rms_mm']:.4f} mm, {d['n']} points"
        )
    return Answer(tuple(lines), comparison)


def check_output(options: argparse.Namespace) -> None:
    """Refuse a result that is no PLY file, or that would take the place of the original."""
    path: Path = options.output
    if path.suffix.lower() != ".ply":
        raise UsageError(f"-o {path}: results are PLY files; give a name that ends in .ply.")
    originals = [original for original in (options.file, getattr(options, "counterpart", None)) if original is not None and original.exists()]
    if path.exists() and any(path.samefile(original) for original in originals):
        raise UsageError(f"-o {path}: that is the original, which is only ever read. Give the result another name.")


def triple(option: str, text: str) -> tuple[float, float, float]:
    """Three numbers with commas between them, or a sentence that names the option."""
    try:
        x, y, z = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        raise UsageError(f"{option} {text}: give three numbers with commas between them, such as 1,0,0.") from None
    return x, y, z


def read_surface(path: Path, unit: str) -> Mesh:
    """A scan file as a mesh in mm with coincident vertices merged, so that closed bodies are seen as closed."""
    from meshtools.files.read_scan import read_scan
    from meshtools.geometry.weld import weld_scan

    raw = read_scan(path)
    return weld_scan(raw.vertices * MM_PER_UNIT[Unit(unit)], raw.faces, raw.colour).mesh


def read_closed(path: Path, unit: str) -> Mesh:
    """A scan file as a mesh in mm that bounds a body. UsageError with the reason where it does not."""
    from meshtools.geometry.audit import audit_topology
    from meshtools.geometry.scale_check import size_problem

    mesh = read_surface(path, unit)
    audit = audit_topology(mesh)
    if not audit.is_closed:
        n_open = audit.n_open_edges + audit.n_nonmanifold_edges + audit.n_inconsistent_edges
        why = f"is not closed ({counted(n_open, 'edge')} without exactly one partner, {counted(audit.n_degenerate, 'face')} without area)"
        raise UsageError(f"{path}: the surface {why}, so it is no body that can be made. {_closing_words(mesh)}")
    if not audit.is_outward:
        raise UsageError(f"{path}: the surface faces inwards; turn its faces round first.")
    if problem := size_problem(mesh.vertices, CleanSettings().part_tolerance_mm):
        raise UsageError(f"{path}: {problem}.")
    return mesh


def _closing_words(mesh: Mesh) -> str:
    """What closes a surface: cleaning where its holes are small enough, else a batch, where the rest is closed or named."""
    from meshtools.geometry.rims import find_rims

    clean_mm, rebuild_mm = CleanSettings().close_holes_up_to_mm, RebuildSettings().close_rims_up_to_mm
    cleaning = f"`bonewright clean` mends its edges and closes holes up to {clean_mm:g} mm"
    rims = find_rims(mesh)
    if not rims or rims[0].span_mm <= clean_mm:
        return f"{cleaning}: clean it first."
    place = ", ".join(f"{value:.1f}" for value in rims[0].centre_mm)
    return (
        f"Its widest hole spans {rims[0].span_mm:.1f} mm, near ({place}) mm, and {cleaning} only. Make it in a batch (`bonewright new`), which "
        f"closes holes up to {rebuild_mm:g} mm by itself and wider ones as openings.csv says, or close it in the program that it was scanned with."
    )


def write_surface(path: Path, mesh: Mesh) -> None:
    """Write a surface whole or not at all."""
    from meshtools.files.atomic import write_atomic
    from meshtools.files.mesh_ply import write_replica_ply

    write_atomic(path, write_replica_ply(mesh))


def _moved(options: argparse.Namespace, mesh: Mesh) -> Answer:
    from meshtools.geometry.audit import audit_topology

    write_surface(options.output, mesh)
    audit = audit_topology(mesh)
    closed = "closed" if audit.is_closed else "open"
    line = f"{options.output}: {audit.n_faces} faces, {closed}, {size_words(mesh)}, between {_corner(mesh, 0)} and {_corner(mesh, 1)} mm"
    return Answer((line,), {"output": str(options.output), "audit": plain(audit)})


def size_words(mesh: Mesh) -> str:
    """`109.1 x 62.4 x 60.5 mm`."""
    extents = mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0)
    return " x ".join(f"{x:.1f}" for x in extents) + " mm"


def _corner(mesh: Mesh, which: int) -> str:
    corner = mesh.vertices.max(axis=0) if which else mesh.vertices.min(axis=0)
    return "(" + ", ".join(f"{x:.1f}" for x in corner) + ")"
