"""The print route: a replica becomes printed parts that fit the machine, go together one way only, and say what they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.body import Body, enter, mesh_of, parts_of
from meshtools.geometry.print_findings import body_findings, joint_findings, part_findings, process_findings, rejoin_findings, wall_findings
from meshtools.geometry.print_parts import PrintedBody, finish_body, mesh_of_part, split_body
from meshtools.geometry.print_tables import assembled_view, keys_table, part_view, parts_table, print_facts, print_figures
from meshtools.geometry.rejoining import Rejoined, check_rejoined
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.splitting import too_many
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.unite import concatenate
from meshtools.geometry.walls import Thickness, measure_thickness
from meshtools.model import EvidenceClass, Finding, Mesh, Origin, Severity, SourceEntry
from meshtools.model_ready import Made, MadeSolid, Part
from meshtools.settings_print import HOLLOW, PROCESSES, PrintSettings

MADE = SourceEntry(EvidenceClass.MADE, "", Origin.MADE)


@dataclass(frozen=True, eq=False)
class _Replica:
    """The replica in the kernel: its loose bodies without their trapped voids, and what was trapped."""

    whole: Mesh
    bodies: tuple[Body, ...]
    voids_mm3: float
    n_voids: int


def make_print(part: Part, settings: PrintSettings) -> Made:
    """Make the printed parts of one replica.

    Every loose body is cut until it fits the build volume with its keys, keyed, engraved, laid in the machine and, where the process
    or the settings ask for it, hollowed and drained; the parts are then put back and held against the replica. Solids are named 01, 02, ..
    in the machine's coordinates, in mm. A replica that cannot be made gives no solids and a finding of severity FAILED that says why.
    """
    sources = part.sources if MADE in part.sources else (*part.sources, MADE)
    wrong = _refused(settings)
    if wrong is not None:
        return _failed(sources, wrong)
    try:
        replica = _enter(part.mesh)
        bodies = _finish(part, replica, settings)
    except GeometryError as error:
        return _failed(sources, Finding(Severity.FAILED, "print-not-possible", f"{part.part_id}: {error}."))
    parts = [printed for body in bodies for printed in body.parts]
    made_source = sources.index(MADE)
    meshes = [apply_matrix(mesh_of_part(printed, made_source), printed.made_from_replica) for printed in parts]
    rejoined = check_rejoined(replica.whole, bodies, meshes, settings)
    thickness = measure_thickness(replica.whole)
    findings = _findings(part.part_id, replica, bodies, meshes, (thickness, rejoined), settings)
    solids = tuple(MadeSolid(printed.name, "part", mesh, printed.made_from_replica) for printed, mesh in zip(parts, meshes, strict=True))
    return Made(
        solids=solids,
        sources=sources,
        facts=print_facts(bodies, meshes, thickness, rejoined, settings),
        findings=findings,
        figures=print_figures(bodies, meshes, thickness, rejoined, settings),
        tables=(parts_table(parts, meshes, settings), keys_table(bodies)),
        views=(assembled_view(parts, meshes), *(part_view(solid) for solid in solids)),
    )


def _refused(settings: PrintSettings) -> Finding | None:
    """A setting that names nothing known."""
    for name, value, allowed in (("process", settings.process, PROCESSES), ("hollow", settings.hollow, HOLLOW)):
        if value not in allowed:
            message = f"print.{name} '{value}' is not one of {', '.join(allowed)}; write one of them."
            return Finding(Severity.FAILED, "print-setting", message, value)
    return None


def _failed(sources: tuple[SourceEntry, ...], finding: Finding) -> Made:
    return Made(solids=(), sources=sources, facts={"n_parts": 0}, findings=(finding,))


def _enter(mesh: Mesh) -> _Replica:
    """Bring the replica into the kernel body by body. Colour stays behind: a print has the colour of its material."""
    audit = audit_topology(mesh)
    if not audit.is_closed or not audit.is_outward:
        raise GeometryError("the replica is not one closed outward surface, so it cannot be printed; rebuild it until it is")
    entered = enter(mesh.replaced(colour=None))
    solids, voids_mm3 = parts_of(entered.solid)
    n_voids = len(entered.solid.decompose()) - len(solids)
    bodies = tuple(entered.with_solid(solid) for solid in solids)
    whole = concatenate([mesh_of(body.solid, mesh.source, body.number, 0)[0] for body in bodies])
    return _Replica(whole, bodies, voids_mm3, n_voids)


def _finish(part: Part, replica: _Replica, settings: PrintSettings) -> tuple[PrintedBody, ...]:
    splits = [split_body(body, settings, part.keep_off) for body in replica.bodies]
    total = sum(len(split.parts) for split in splits)
    if total > settings.most_parts:
        raise GeometryError(too_many(total, settings.most_parts))
    bodies, first = [], 1
    for body, split in zip(replica.bodies, splits, strict=True):
        words = tuple(_words(part, first + number, total) for number in range(len(split.parts)))
        bodies.append(finish_body(body, split, settings, part.keep_off, words, first))
        first += len(split.parts)
    return tuple(bodies)


def _words(part: Part, number: int, total: int) -> tuple[str, ...]:
    """What is engraved: REPLICA, the part's id, its revision, and which part of how many."""
    revision = (f"REV {part.revision}",) if part.revision else ()
    counting = (f"{number:02d}/{total:02d}",) if total > 1 else ()
    return ("REPLICA", part.part_id, *revision, *counting)


def _findings(
    part_id: str, replica: _Replica, bodies: Sequence[PrintedBody], meshes: Sequence[Mesh], measured: tuple[Thickness, Rejoined],
    settings: PrintSettings,
) -> tuple[Finding, ...]:  # fmt: skip
    found = [*body_findings(part_id, bodies, replica.voids_mm3, replica.n_voids), *process_findings(part_id, settings)]
    found += wall_findings(part_id, measured[0], settings)
    parts = [printed for body in bodies for printed in body.parts]
    for printed, mesh in zip(parts, meshes, strict=True):
        found += part_findings(printed, audit_topology(mesh), count_self_intersections(mesh), np.ptp(mesh.vertices, axis=0), settings)
    for body in bodies:
        found += joint_findings(body, settings)
    return (*found, *rejoin_findings(measured[1]))
