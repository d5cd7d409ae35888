"""How well the size of a broken bone and the plane of a skeleton are found: prints one row for each condition, with seconds.

The bones are the dog's (tests/real_bones.py); individuals are made from them by smooth warps of stated size, a random factor and pose, and a
closed plane break that takes a share of the surface. Run: python benchmarks/scale_trials.py --seed 0;
with --row 2 --seeds 5 only the second condition, for five seeds; with --offsets only whole bones of which one is too fat or too thin all over.
The seconds are processor time.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from meshtools.geometry.assembly import PlaneFit, assembly_plane
from meshtools.geometry.fitting import unit_vectors
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.pieces import area_vectors, face_areas
from meshtools.geometry.registration import Registration, register
from meshtools.geometry.registration_offset import fit_offset
from meshtools.geometry.registration_poses import closed_form_similarity, rotations_from_vectors
from meshtools.geometry.transform import apply_matrix, move_points
from meshtools.model import FloatArray, Mesh
from meshtools.scale_statistics import is_beyond, pooled_factor

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))
from dog_individuals import read_bone, warp

BONES = (
    "Femoris_L", "humerus_L", "Tibia_L", "Ulna_L", "Radius_L", "Pelvis", "C_4", "L_3", "Metatarsi_L_2", "Phalanges_B_L_2", "Tibial_tarsal_L",
    "Calcaneal_tuber_L", "Sacrum", "Ca_5", "Tarsus_L_IV", "Patella_L",
)  # fmt: skip
MEDIAN_BONES = ("MergedSkull", "Jaw", "C_1", "C_3", "C_5", "C_7", "L_1", "L_3", "L_5", "L_7", "Sacrum", "Pelvis")
CONDITIONS = ((0.0, 0.5), (0.25, 0.5), (0.5, 0.5), (0.25, 1.5), (0.5, 1.5))  # share of the surface lost, shape variation in percent

OFFSETS_MM = (0.0, 0.25, -0.25, 0.5, -0.5)


@dataclass(frozen=True)
class Trial:
    """One find on one whole bone. Errors of the scale in percent: of the factor that made it, of its own size, and with known points."""

    error: float
    own_error: float
    known_error: float
    is_wrong: bool
    is_trusted: bool
    ratio: float
    seconds: float


def size_between(moving: FloatArray, fixed: FloatArray, weights: FloatArray) -> float:
    """The factor between two point sets whose partners are known."""
    return float(np.cbrt(np.linalg.det(closed_form_similarity(moving, fixed, True, weights)[:3, :3])))


def dense_bone(name: str) -> Mesh:
    """A bone with 4000 faces or more, so that the warp bends its surface smoothly."""
    import trimesh

    vertices, faces = read_bone(name)
    while len(faces) < 4000:
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    return Mesh.create(vertices, faces)


def cut_off(mesh: Mesh, direction: FloatArray, share: float) -> tuple[Mesh, float]:
    """The closed part of a bone without the share of its surface that lies lowest along a direction, and where the break is."""
    import manifold3d

    along = mesh.vertices[mesh.faces].mean(axis=1) @ direction
    order, area = np.argsort(along), face_areas(mesh.vertices, mesh.faces)
    place = float(along[order][np.searchsorted(np.cumsum(area[order]), share * area.sum())])
    body = manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64)))
    part = body.trim_by_plane(direction.tolist(), place).to_mesh64()
    return Mesh.create(np.asarray(part.vert_properties)[:, :3], np.asarray(part.tri_verts)), place


def run_trial(name: str, lost: float, variation: float, seed: int) -> Trial:
    """Make one broken individual, lay it on the whole bone, and compare with the truth."""
    random = np.random.default_rng([seed, BONES.index(name), int(100 * lost), int(100 * variation)])
    whole = dense_bone(name)
    other = whole.replaced(vertices=warp(whole.vertices - whole.vertices.mean(axis=0), variation, int(random.integers(1 << 30))))
    area = np.bincount(whole.faces.ravel(), np.repeat(face_areas(whole.vertices, whole.faces), 3), len(whole.vertices))
    direction = random.normal(size=3)
    direction /= np.linalg.norm(direction)
    find, place = cut_off(other, direction, lost) if lost else (other, -np.inf)
    kept = other.vertices @ direction > place
    made = np.eye(4)
    factor = float(np.exp(random.uniform(-0.35, 0.35)))
    made[:3, :3] = factor * rotations_from_vectors(random.normal(size=(1, 3)) * 2)[0]
    made[:3, 3] = random.normal(size=3) * 100
    start = time.process_time()
    found = register(apply_matrix(find, made), whole, "similarity")
    seconds = time.process_time() - start
    own, known = (size_between(other.vertices[k], whole.vertices[k], area[k]) for k in (np.ones(len(kept), dtype=bool), kept))
    landed = move_points(other.vertices[kept], found.fixed_from_moving @ made)
    return _judge(found, factor, (own, known), _gap_percent(landed, whole.vertices[kept], whole), variation, seconds)


def _gap_percent(landed: FloatArray, truth: FloatArray, whole: Mesh) -> float:
    gap = np.sqrt(((landed - truth) ** 2).sum(axis=1).mean())
    return float(100 * gap / np.ptp(whole.vertices, axis=0).max())


def _judge(found: Registration, factor: float, sizes: tuple[float, float], gap: float, variation: float, seconds: float) -> Trial:
    own, known = sizes
    size = found.scale * factor
    return Trial(
        100 * abs(size - 1), 100 * abs(size / own - 1), 100 * abs(known - 1), gap > 3 * max(variation, 0.3), found.is_trusted, size, seconds)


def print_scale_rows(seed: int, conditions: Sequence[tuple[float, float]] = CONDITIONS) -> None:
    """One row for each condition, and what pooling all bones of one individual gives."""
    print(f"{'lost':>5} {'variation':>9} {'n':>3} {'median %':>9} {'own size %':>10} {'known points %':>14} {'pooled %':>8} "
          f"{'refused':>7} {'wrong':>5} {'accepted':>8} {'s a pair':>8}")  # fmt: skip
    for lost, variation in conditions:
        trials = [run_trial(name, lost, variation, seed) for name in BONES]
        trusted = {name: trial.ratio for name, trial in zip(BONES, trials, strict=True) if trial.is_trusted}
        middle = [float(np.median([getattr(trial, key) for trial in trials])) for key in ("error", "own_error", "known_error", "seconds")]
        wrong = sum(trial.is_wrong for trial in trials)
        accepted = sum(trial.is_wrong and trial.is_trusted for trial in trials)
        print(f"{100 * lost:4.0f}% {variation:8.1f}% {len(trials):3d} {middle[0]:9.2f} {middle[1]:10.2f} {middle[2]:14.2f} "
              f"{100 * abs(pooled_factor(trusted).factor - 1):8.2f} {len(trials) - len(trusted):7d} {wrong:5d} {accepted:8d} {middle[3]:8.2f}",
              flush=True)  # fmt: skip


def fattened(mesh: Mesh, offset_mm: float) -> Mesh:
    """A surface carried outward along the normals of its vertices."""
    normals = np.zeros_like(mesh.vertices)
    np.add.at(normals, mesh.faces.ravel(), np.repeat(area_vectors(mesh.vertices, mesh.faces), 3, axis=0))
    return mesh.replaced(vertices=mesh.vertices + offset_mm * unit_vectors(normals))


def offset_errors(name: str, offset_mm: float, variation: float, seed: int) -> FloatArray | None:
    """One bone laid on its like of another individual that is too fat: errors of ln size in percent by the registration, with the offset taken out
    and by greatest lengths, how far the second is from the first, and the error of the offset in mm; None where the pose is not trusted."""
    whole = dense_bone(name)
    other = whole.replaced(vertices=warp(whole.vertices - whole.vertices.mean(axis=0), variation, 1000 * seed + BONES.index(name)))
    factor = 1 / 1.18
    fixed = fattened(other.replaced(vertices=other.vertices * factor), offset_mm)
    found = register(whole, fixed, "similarity")
    fit = fit_offset(whole, fixed, found) if found.is_trusted else None
    if fit is None:
        return None
    lengths = greatest_length(fixed.vertices) / greatest_length(whole.vertices)
    plain, free, by_lengths = (100 * np.log(value / factor) for value in (found.scale, fit.scale, lengths))
    return np.array([plain, free, by_lengths, free - plain, fit.offset_mm - offset_mm])


def print_offset_rows(seed: int) -> None:
    """One row for each shape variation and offset: errors in percent, median and greatest, and how many bones tell of an offset."""
    print(f"{'variation':>9} {'offset mm':>9} {'n':>3} {'plain %':>11} {'offset out %':>12} {'lengths %':>11} {'told':>4} {'offset off mm':>13}")
    for variation in (0.3, 1.0):
        for offset_mm in OFFSETS_MM:
            tried = (offset_errors(name, offset_mm, variation, seed) for name in BONES)
            rows = np.stack([row for row in tried if row is not None])
            words = [f"{np.median(column):5.2f} {column.max():5.2f}" for column in np.abs(rows[:, :3]).T]
            told = sum(is_beyond([shift / 100]) for shift in rows[:, 3])
            print(f"{variation:8.1f}% {offset_mm:9.2f} {len(rows):3d} {words[0]:>11} {words[1]:>12} {words[2]:>11} {told:4d} "
                  f"{np.median(np.abs(rows[:, 4])):13.3f}", flush=True)  # fmt: skip


def posed_planes(bones: dict[str, FloatArray], angle_deg: float, seed: int) -> list[PlaneFit]:
    """The planes of the dog's median bones (its own is y = 0), each turned by an angle about a random axis through one of its vertices."""
    random = np.random.default_rng(seed)
    fits: list[PlaneFit] = []
    for name in MEDIAN_BONES:
        axis, pivot = random.normal(size=3), bones[name][random.integers(len(bones[name]))]
        turn = rotations_from_vectors((axis / np.linalg.norm(axis) * np.radians(angle_deg))[None])[0]
        normal, point = turn @ [0.0, 1.0, 0.0], turn @ (bones[name].mean(axis=0) * [1, 0, 1] - pivot) + pivot
        fits.append((normal, float(normal @ point), point, 0.1))
    return fits


def print_assembly_rows(seed: int) -> None:
    """Angle of the plane and where a reflected femur lands, for poses off by 0, 1 and 3 degrees."""
    bones = {name: read_bone(name)[0] for name in (*MEDIAN_BONES, "Femoris_L")}
    left = bones["Femoris_L"]
    length = float(np.linalg.norm(np.ptp(left, axis=0)))
    print(f"{'poses off':>9} {'angle deg':>9} {'95 % of':>8} {'bound held':>10} {'femur %':>8} {'s':>6}")
    for off_deg in (0.0, 1.0, 3.0):
        start = time.perf_counter()
        planes = [assembly_plane(posed_planes(bones, off_deg, seed * 1000 + place)) for place in range(100)]
        seconds = (time.perf_counter() - start) / len(planes)
        angles = np.degrees([np.arccos(min(1.0, abs(plane.normal[1]))) for plane in planes])
        femur = [np.linalg.norm(move_points(left, plane.matrix) - left * [1, -1, 1], axis=1).max() for plane in planes]
        held = np.mean([angle <= plane.bound95_deg for angle, plane in zip(angles, planes, strict=True)])
        print(f"{off_deg:5.0f} deg {np.median(angles):9.3f} {np.quantile(angles, 0.95):8.3f} {held:10.2f} "
              f"{100 * np.median(femur) / length:8.2f} {seconds:6.3f}")  # fmt: skip


def main() -> None:
    """Print all rows, or only those of one condition for several individuals."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="another seed makes other individuals")
    parser.add_argument("--seeds", type=int, default=1, help="how many seeds in turn, from --seed on")
    parser.add_argument("--row", type=int, choices=range(1, len(CONDITIONS) + 1), help="only this condition of broken bones, counted from 1")
    parser.add_argument("--offsets", action="store_true", help="only whole bones that are too fat or too thin all over")
    options = parser.parse_args()
    conditions = CONDITIONS if options.row is None else CONDITIONS[options.row - 1 : options.row]
    for seed in range(options.seed, options.seed + options.seeds):
        print(f"seed {seed}", flush=True)
        if options.offsets:
            print_offset_rows(seed)
            continue
        if options.row is None:
            print_assembly_rows(seed)
        print_scale_rows(seed, conditions)


if __name__ == "__main__":
    main()
