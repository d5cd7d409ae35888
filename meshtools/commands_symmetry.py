"""The commands that find the mirror plane of one bone and complete a bone, without a batch. Output is in millimetres."""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.commands_file import check_output, read_surface, triple, write_surface
from meshtools.errors import UsageError
from meshtools.model import Severity, plain


def find_plane(options: argparse.Namespace) -> Answer:
    """`bonewright plane`: the plane across which a bone best matches its own reflection; exit 1 where it asks or refuses."""
    from meshtools.counted import plane_cell
    from meshtools.geometry.completing import plane_facts
    from meshtools.geometry.midsagittal import PlaneHint, find_midsagittal_plane

    hint = None
    if options.midline and options.left_right:
        raise UsageError("--midline and --left-right: give one of the two.")
    if options.midline:
        hint = PlaneHint(midline_points=np.array([triple("--midline", text) for text in options.midline]))
    elif options.left_right:
        hint = PlaneHint(left_right=np.array(triple("--left-right", options.left_right)))
    fit = find_midsagittal_plane(read_surface(options.file, options.unit), hint)
    facts = plane_facts(fit)
    normal = ", ".join(f"{x:.6f}" for x in fit.normal)
    lines = [
        f"{fit.verdict}: normal {normal}, offset {fit.offset_mm:.4f} mm, within {fit.bound95_deg:.2f} degrees (95 %)",
        f"left against right {fit.residual_rms_mm:.4f} mm rms, 95 % within {fit.residual_p95_mm:.4f} mm, over skin that both sides have",
        *(f"  {reason}" for reason in fit.reasons),
    ]
    if fit.verdict != "accept":
        cells = [plane_cell(fit.normal, fit.offset_mm), *(plane_cell(rival.normal, rival.offset_mm) for rival in fit.runners_up)]
        lines += [f"  plane {n} for decisions.csv: {cell}" for n, cell in enumerate(cells, 1)]
    return Answer(tuple(lines), facts, DONE if fit.verdict == "accept" else PERSON_NEEDED)


def restore_file(options: argparse.Namespace) -> Answer:
    """`bonewright restore`: complete a bone from its own other half, or from its counterpart of the other side."""
    from meshtools.geometry.completing import Rows, complete_from_other_half, complete_from_partner
    from meshtools.settings import RestoreSettings

    check_output(options)
    mesh = read_surface(options.file, options.unit)
    name, rows = options.file.stem, Rows((1,), 2)
    if options.counterpart is not None:
        if options.normal is not None or options.offset_mm is not None:
            raise UsageError("--counterpart: the missing part comes from that bone, so a plane (--normal, --offset-mm) has no use; leave one out.")
        completion = complete_from_partner(name, mesh, read_surface(options.counterpart, options.unit), rows, RestoreSettings())
    else:
        completion = complete_from_other_half(name, mesh, _plane(options), rows, RestoreSettings())
    write_surface(options.output, completion.mesh)
    lines = [f"{options.output}: {len(completion.mesh.faces)} faces", *(f"  {f.severity.value}: {f.message}" for f in completion.findings)]
    sources = ["the bone itself", "taken over, reflected", "seam and caps"]
    facts: dict[str, Any] = {"output": str(options.output), "findings": plain(completion.findings), "sources": sources} | completion.facts
    needs_person = any(finding.severity is not Severity.NOTE for finding in completion.findings)
    return Answer(tuple(lines), facts, PERSON_NEEDED if needs_person else DONE)


def _plane(options: argparse.Namespace) -> tuple[float, float, float, float] | None:
    if options.normal is None:
        if options.offset_mm is not None:
            raise UsageError("--offset-mm: a plane needs --normal too.")
        return None
    x, y, z = triple("--normal", options.normal)
    if not any((x, y, z)):
        raise UsageError(f"--normal {options.normal}: a plane needs a normal that is not zero.")
    return x, y, z, options.offset_mm or 0.0
