"""The command that makes the parts of one file ready for a workshop, without a batch."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.commands_file import read_closed, size_words
from meshtools.counted import counted
from meshtools.errors import Problem, TablesError, UsageError
from meshtools.jobs.ready_files import write_route
from meshtools.keys import hash_file, sha256_of
from meshtools.model import EvidenceClass, Mesh, Origin, Record, SourceEntry, plain
from meshtools.model_ready import Made, Part
from meshtools.routing import Chosen, estimate_of, settings_of
from meshtools.settings import Settings
from meshtools.settings_file import read_config

NOT_STATED = "not stated"
NO_STATUS = {"words": "Not known: one file without a batch, which nobody has signed off.", "waits": False}


def ready_file(options: argparse.Namespace) -> Answer:
    """`bonewright ready ROUTE FILE`: the files and the job sheet of one closed surface, at the size of the file."""
    output: Path = options.output
    if output.exists() and not output.is_dir():
        raise UsageError(f"-o {output}: this is a file; the results are several, so give the name of a folder.")
    if output.is_dir() and output.samefile(options.file.resolve().parent):
        raise UsageError(f"-o {output}: the original lies in that folder, and a result might take its place. Choose another folder.")
    settings = _settings(options.config)
    chosen = _chosen(options, settings)
    mesh = read_closed(options.file, options.unit)
    part = Part(options.file.stem.upper(), "", mesh, (SourceEntry(EvidenceClass.NONE, options.file.stem, Origin.SCANNED),))
    of_route = settings_of(settings, chosen)
    made = _make(options.route, part, of_route)
    key = sha256_of(["ready", options.route, hash_file(options.file), plain(of_route)])
    return _answer(output, write_route(output, "record.json", key, (part, made), _about(options, settings, chosen, of_route)), mesh)


def _settings(config: Path | None) -> Settings:
    """The settings of a config.yaml, or the defaults."""
    if config is None:
        return Settings()
    problems: list[Problem] = []
    read = read_config(config, problems)
    if problems or read is None:
        raise TablesError(problems)
    return read.settings


def _chosen(options: argparse.Namespace, settings: Settings) -> Chosen:
    if not options.machine:
        return Chosen(options.route)
    if not options.config:
        raise UsageError(f"--machine {options.machine}: machines stand in a config.yaml; name it with --config.")
    route_of = {machine.name: machine.route for machine in settings.machines}
    if route_of.get(options.machine) != options.route:
        known = [name for name, route in route_of.items() if route == options.route]
        listed = f"for {options.route} it names {', '.join(known)}" if known else f"it names none for {options.route}"
        what = f"it is a machine for {route_of[options.machine]}" if options.machine in route_of else "there is no such machine"
        raise UsageError(f"--machine {options.machine}: {what} in {options.config}; {listed}.")
    return Chosen(options.route, options.machine)


def _make(route: str, part: Part, settings: Any) -> Made:
    from meshtools.stages.cnc import make_cnc
    from meshtools.stages.mould import make_mould
    from meshtools.stages.print import make_print

    makers: dict[str, Any] = {"print": make_print, "cnc": make_cnc, "mould": make_mould}
    made: Made = makers[route](part, settings)
    return made


def _about(options: argparse.Namespace, settings: Settings, chosen: Chosen, of_route: Any) -> dict[str, Any]:
    return {
        "route": options.route, "machine": chosen.machine, "target": "", "element": options.file.stem, "evidence": NOT_STATED,
        "evidence_words": "one file without a batch", "evidence_share": {}, "n_finds": 0, "uses": options.file.name, "settings": plain(of_route),
        "estimate": plain(estimate_of(settings)), "tolerance_class": settings.receive.tolerance_class,
        "part_tolerance_mm": settings.clean.part_tolerance_mm, "bone_status": NO_STATUS,
    }  # fmt: skip


def _answer(output: Path, record: Record, mesh: Mesh) -> Answer:
    names = [Path(entry.path).name for entry in record.files]
    lines = [f"{output}: {counted(len(names), 'file')} for a part of {size_words(mesh)}", *(f"  {name}" for name in names)]
    lines += [f"  {finding.severity.value}: {finding.message}" for finding in record.findings]
    facts = {"output": str(output), "status": record.status, "files": plain(record.files), "findings": plain(record.findings)}
    facts |= {key: record.facts[key] for key in ("solids", "dimensions", "figures", "mass_kg")}
    return Answer(tuple(lines), facts, DONE if record.status == "ok" else PERSON_NEEDED)
