"""The command that writes a target's skeleton in its pose, with the place of every replica and the gap in every joint."""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.batch_lock import lock_batch
from meshtools.cleaned_find import try_cleaned_find
from meshtools.counted import counted
from meshtools.errors import GeometryError, UsageError
from meshtools.files.atomic import write_atomic
from meshtools.jobs.joint import replica_surface
from meshtools.jobs.record import StaleInputError, read_record
from meshtools.joints import neighbour_pairs
from meshtools.model import FloatArray, Mesh, Side, SourceEntry, Target
from meshtools.placing import frame_factor, left_pairs, mirrored_place, place_in, rows_of
from meshtools.plain import from_plain
from meshtools.workspace import Workspace, open_workspace

if TYPE_CHECKING:
    from meshtools.model_pose import Place
    from meshtools.stages.pose import Frame, PosedBone

SUFFIXES = (".glb", ".ply")
COLUMNS = ("kind", "element", "other", "basis", "matrix", "size_ratio", "gap_mm", "median_gap_mm", "overlap_mm", "remarks")
N_DIGITS = 9
MOST_MEDIAN = 4  # median bones whose planes give the mid-plane of a frame, where a bone has to be mirrored in it


@dataclass(frozen=True)
class _Chosen:
    name: str
    places: Mapping[str, Place]
    mirrored: Mapping[str, Place]


def pose(options: argparse.Namespace) -> Answer:
    """`bonewright pose`: every replica of a target set in its place; one GLB or PLY, and a table beside it."""
    from meshtools.stages.pose import pose_skeleton

    output: Path = options.output
    if output.suffix.lower() not in SUFFIXES:
        raise UsageError(f"-o {output}: a posed skeleton is a GLB or PLY file; give a name that ends in .glb or .ply.")
    workspace = open_workspace(options.batch)
    target = next((target for target in workspace.register.targets if target.name == options.target), None)
    if target is None:
        names = ", ".join(target.name for target in workspace.register.targets) or "none"
        raise UsageError(f"{options.target}: no target of config/config.yaml; its targets are: {names}.")
    lock_batch(options.batch)
    replicas, left_out = _replicas(workspace, target.name)
    chosen = _choose_frame(workspace, target, replicas)
    frame = _frame(workspace, target, chosen)
    rows = rows_of(target.name, workspace.register.joint_poses)
    bones, without = pose_skeleton(workspace.register.elements, replicas, frame, rows)
    if not bones:
        raise UsageError(f"{target.name}: no replica has a place in frame {chosen.name}. {next(iter(sorted(without.values())), '')}".rstrip())
    joints = _joints(workspace, replicas, bones)
    _write(output, workspace, target.name, replicas, bones)
    table = output.with_name(f"{output.stem}-places.csv")  # never the name of a table that somebody wrote, such as pose.csv
    write_atomic(table, _table(bones, left_out | without, joints).encode())
    return _answer(output, table, chosen.name, bones, left_out | without, joints)


def _replicas(workspace: Workspace, target: str) -> tuple[dict[str, Mesh], dict[str, str]]:
    """The replicas of a target as the last build left them, and a sentence for each that cannot be used."""
    replicas: dict[str, Mesh] = {}
    left_out = {}
    for name, job in sorted(workspace.worklist.jobs["rebuild"].items()):
        if not name.startswith(f"{target}/"):
            continue
        slug = name.split("/", 1)[1]
        try:
            mesh = replica_surface(workspace.folder, name, job["key"])
        except StaleInputError:
            left_out[slug] = "its replica is not the planned one; run `bonewright build`"
            continue
        if mesh is None:
            left_out[slug] = "its replica was not made"
        else:
            replicas[slug] = mesh
    if not replicas:
        raise UsageError(f"{target}: there is no replica to pose; run `bonewright build` first.")
    return replicas, left_out


def _choose_frame(workspace: Workspace, target: Target, replicas: Mapping[str, Mesh]) -> _Chosen:
    """The frame that shows most of the replicas; of equal ones that in which most of them lie themselves, then the first by name."""
    register = workspace.register
    recipes = {r.element: r for r in workspace.plan.recipes if r.target == target.name and r.element in replicas}
    elements = {element.slug: element for element in register.elements}
    found = []
    for name in sorted({pose.frame for pose in register.poses}):
        places = {slug: place for slug in recipes if (place := place_in(recipes[slug], elements[slug], name, register))}
        mirrored = {slug: p for slug in recipes if slug not in places and (p := mirrored_place(recipes[slug], name, register))}
        n_exact = sum(place.is_exact for place in places.values())
        found.append((-len(places) - len(mirrored), -n_exact, name, _Chosen(name, places, mirrored)))
    if not found:
        raise UsageError("config/poses.csv places nothing, so no bone's place is known; write into it where finds lie in one frame.")
    return min(found, key=lambda item: item[:3])[3]


def _frame(workspace: Workspace, target: Target, chosen: _Chosen) -> Frame:
    from meshtools.stages.pose import Frame

    factor = frame_factor([*chosen.places.values(), *chosen.mirrored.values()], target, workspace.register)
    poses = {pose.find: pose for pose in workspace.register.poses if pose.frame == chosen.name}
    pairs = left_pairs(chosen.name, workspace.register)
    needed = {place.find for place in chosen.places.values() if not place.lies_at(factor)}
    finds = {find.find: find for find in workspace.register.finds}
    read = {name: try_cleaned_find(workspace, finds[name]) for name in sorted(needed | {name for pair in pairs for name in pair})}
    surfaces = {name: surface.mesh for name, surface in read.items() if not isinstance(surface, str)}
    left, mirror = _left_and_mirror(workspace, chosen, pairs, surfaces, poses)
    return Frame(chosen.places, chosen.mirrored, surfaces, factor, left, mirror)


def _left_and_mirror(
    workspace: Workspace, chosen: _Chosen, pairs: Sequence[tuple[str, str]], surfaces: Mapping[str, Mesh], poses: Mapping[str, Any]
) -> tuple[FloatArray | None, FloatArray | None]:
    """The animal's left in the frame, from pairs, and, where a bone has to be mirrored, the reflection across the mid-plane of its median bones."""
    from meshtools.assembling import common_plane, matrix_of, plane_in_place
    from meshtools.geometry.posing import left_of
    from meshtools.geometry.transform import apply_matrix

    placed = {name: apply_matrix(surfaces[name], matrix_of(poses[name])) for pair in pairs for name in pair if name in surfaces}
    left = left_of([(placed[a], placed[b]) for a, b in pairs if a in placed and b in placed])
    if not chosen.mirrored:
        return left, None
    planes = []
    for find in sorted((f for f in workspace.register.finds if f.find in poses and f.side is Side.MEDIAN), key=lambda f: f.find)[:MOST_MEDIAN]:
        surface = try_cleaned_find(workspace, find)
        try:
            plane = None if isinstance(surface, str) else plane_in_place(find, surface.mesh, poses[find.find])
        except GeometryError:
            plane = None
        if plane is not None and plane.fit.verdict != "refuse":
            planes.append(plane)
    return left, common_plane(planes).matrix if len(planes) > 1 else None


def _joints(workspace: Workspace, replicas: Mapping[str, Mesh], bones: Sequence[PosedBone]) -> list[dict[str, Any]]:
    """The gap between all placed neighbours, as they stand."""
    from meshtools.geometry.joint_ends import measure_joint
    from meshtools.geometry.transform import apply_matrix

    placed = {bone.slug: apply_matrix(replicas[bone.slug], bone.matrix) for bone in bones}
    found = []
    for a, b in neighbour_pairs(placed, workspace.register.elements):
        joint = measure_joint(placed[a], placed[b])
        found.append({"a": a, "b": b, "gap_mm": round(joint.min_gap_mm, 4), "overlap_mm": round(joint.overlap_mm, 4),
                      "median_gap_mm": None if joint.median_gap_mm is None else round(joint.median_gap_mm, 4)})  # fmt: skip
    return found


def _write(output: Path, workspace: Workspace, target: str, replicas: Mapping[str, Mesh], bones: Sequence[PosedBone]) -> None:
    from meshtools.files.mesh_ply import write_replica_ply
    from meshtools.files.skeleton_glb import PlacedPart, encode_skeleton_glb
    from meshtools.geometry.transform import apply_matrix
    from meshtools.geometry.unite import concatenate

    if output.suffix.lower() == ".glb":
        parts = [PlacedPart(bone.slug, replicas[bone.slug], _sources(workspace, target, bone.slug), bone.matrix) for bone in bones]
        write_atomic(output, encode_skeleton_glb(target, parts))
        return
    meshes = []
    for row, bone in enumerate(bones):
        mesh = apply_matrix(replicas[bone.slug], bone.matrix)
        meshes.append(mesh.replaced(source=mesh.source * 0 + row, colour=None))
    write_atomic(output, write_replica_ply(concatenate(meshes)))


def _sources(workspace: Workspace, target: str, slug: str) -> tuple[SourceEntry, ...]:
    record = read_record(workspace.folder / f"results/{target}/{slug}/record.json")
    return tuple(from_plain(SourceEntry, source) for source in record["sources"]) if record else ()


def _table(bones: Sequence[PosedBone], left_out: Mapping[str, str], joints: Sequence[Mapping[str, Any]]) -> str:
    """Rows of kind bone (with the 4 x 4 matrix row by row), left out, and joint."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for bone in bones:
        matrix = " ".join(f"{x:.15g}" for x in (bone.matrix.round(N_DIGITS) + 0.0).ravel())
        ratio = "" if bone.size_ratio is None else f"{bone.size_ratio:.6f}"
        writer.writerow({"kind": "bone", "element": bone.slug, "basis": bone.basis, "matrix": matrix, "size_ratio": ratio, "remarks": bone.doubt})
    for slug, why in sorted(left_out.items()):
        writer.writerow({"kind": "left out", "element": slug, "remarks": why})
    for joint in joints:
        figures = {key: "" if joint[key] is None else joint[key] for key in ("gap_mm", "median_gap_mm", "overlap_mm")}
        writer.writerow({"kind": "joint", "element": joint["a"], "other": joint["b"]} | figures)
    return stream.getvalue()


def _answer(
    output: Path, table: Path, frame: str, bones: Sequence[PosedBone], left_out: Mapping[str, str], joints: Sequence[Mapping[str, Any]]
) -> Answer:
    doubts = {bone.slug: bone.doubt for bone in bones if bone.doubt}
    lines = [f"{slug} is left out: {why}" for slug, why in sorted(left_out.items())]
    lines += [f"{slug} is placed with doubt: {why}" for slug, why in sorted(doubts.items())]
    lines += [f"{j['a']} and {j['b']} overlap by {j['overlap_mm']:.1f} mm" for j in joints if j["overlap_mm"] >= 0.05]
    lines.append(f"{output}: {counted(len(bones), 'bone')} in frame {frame}, {counted(len(joints), 'joint')}; {table}: places and gaps.")
    rows = [{"element": bone.slug, "basis": bone.basis, "matrix": (bone.matrix.round(N_DIGITS) + 0.0).tolist()} for bone in bones]
    facts = {"output": str(output), "table": str(table), "frame": frame, "bones": rows, "left_out": dict(sorted(left_out.items())),
             "doubts": dict(sorted(doubts.items())), "joints": list(joints)}  # fmt: skip
    return Answer(tuple(lines), facts, PERSON_NEEDED if left_out or doubts else DONE)
