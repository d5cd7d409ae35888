"""The command that cuts one bore into one file, without a batch."""

from __future__ import annotations

import argparse

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.commands_file import check_output, read_closed, triple, write_surface
from meshtools.errors import UsageError
from meshtools.model import EvidenceClass, Origin, SourceEntry, plain, status_of
from meshtools.model_fixings import BORE, PRINT, Fixing
from meshtools.register_fixings import ENDS
from meshtools.settings_fixings import FixingSettings

SCANNED = (SourceEntry(EvidenceClass.OWN, "", Origin.SCANNED),)


def bore_file(options: argparse.Namespace) -> Answer:
    """`bonewright bore`: the straight bore that leaves the most wall; exit 1 and no file where it cannot keep the wall that is asked for."""
    from meshtools.stages.fixings import cut_fixings

    check_output(options)
    for name in ("diameter_mm", "depth_mm", "wall_mm"):
        value = getattr(options, name)
        if value is not None and not 0 < value < float("inf"):
            raise UsageError(f"--{name.replace('_', '-')} {value:g}: it must be a number above 0.")
    begins = options.begins
    towards = ENDS.get(begins) if begins else None
    point = triple("--from", begins) if begins and towards is None else None
    # the diameter on the command line is that of the hole, and the depth that of its bottom
    settings = FixingSettings(print_clearance_mm=0.0, free_end_mm=0.0)
    fixing = Fixing(0, "", "", BORE, options.diameter_mm, PRINT, "", options.depth_mm, point, towards, options.wall_mm)
    made = cut_fixings(read_closed(options.file, options.unit), SCANNED, [fixing], (), settings)
    told = [f"  {finding.severity.value}: {finding.message.replace(' of replica.ply', ' mm')}" for finding in made.findings]
    facts = {"output": str(options.output) if made.mesh is not None else "", "facts": plain(made.facts), "findings": plain(made.findings)}
    if made.mesh is None:
        return Answer((f"{options.file}: no bore was cut, nothing was written.", *told), facts, PERSON_NEEDED)
    write_surface(options.output, made.mesh)
    hole = made.facts["holes"][0]
    ends = [", ".join(f"{x:.1f}" for x in point) for point in hole["points_mm"]]
    line = (f"{options.output}: a bore of {options.diameter_mm:g} mm from ({ends[0]}) to ({ends[1]}) mm, {hole['depth_mm']:.1f} mm long; "
            f"its wall is nowhere thinner than {hole['wall_mm']:.2f} mm")  # fmt: skip
    return Answer((line, *told), facts, DONE if status_of(made.findings) == "ok" else PERSON_NEEDED)
