"""How well a damaged bone is completed: trials with a known truth, one row each, with CPU seconds. `python benchmarks/restore_trials.py --seed 3`.

Every figure of length is in percent of the bone's diagonal. The restored side is the truth's skin that was lost here but survives on the
other side; `both lost` is the share of the lost skin that is gone on both sides, which nobody can restore, and 2 % of the diagonal around
it is left out. `unknown` is the volume that is lost on both sides, in percent of the whole bone's. Four volume errors, in the first three of which
the unknown part is added before the comparison: `mirror` compares with the surviving bone and its exact mirror image where bone was taken away
(which differs from the truth as the sides differ), `caps` is the share of that difference which lies at caps and seams, nearer to them than to
any skin, kept or taken over; `known` compares with the truth; `all` counts the unknown part as an error.
Pieces are counted after their union, as of the whole bone. Bars: 25 % lost without asymmetry rms 0.02, farthest 0.2; 50 % lost with asymmetry
0.3 % rms 0.25; volume error from caps 0.3 %, held against `caps`.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from damaged_bones import Damage, Trial, make_trial, median_bones

from meshtools.geometry.audit import audit_topology
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import take_faces
from meshtools.geometry.restore import Restoration, Rows, restore_across_plane
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.takeover import winding
from meshtools.geometry.transform import reflection_matrix
from meshtools.geometry.unite import unite_pieces
from meshtools.model import Mesh
from meshtools.settings import RestoreSettings

PLANE_ERROR_DEG = 0.05  # what a plane search leaves
N_WITHIN = 100_000  # points drawn in the box of a piece of difference
LEAST_PIECE_PERCENT = 1e-4  # of the bone's volume, of what counts as a piece of difference
OUTER_PERCENT = 1e-4  # farther from the united bone, skin lies within it: the root of a tooth, which the scan never had
BONE, TAKEN, SEAM = 1, 2, 3
CASES = (
    ("25 % broken", Damage(25.0, is_broken=True)),
    ("25 % open", Damage(25.0)),
    ("50 % broken, 0.3 %", Damage(50.0, is_broken=True, asymmetry_percent=0.3)),
    ("50 % open, 0.3 %", Damage(50.0, asymmetry_percent=0.3)),
    ("25 % noise 0.1 %", Damage(25.0, is_broken=True, noise_percent=0.1)),
)


@dataclass(frozen=True)
class Score:
    """What a trial gave: lengths in percent of the diagonal, volumes in percent of the whole (NaN while open); known_error: of the volume
    without what is lost on both sides, unknown; mirror_error: against a faultless restoration; cap_error: of it, what lies at caps and seams."""

    rms: float
    farthest: float
    added_rms: float
    added_farthest: float
    both_lost: float
    volume_error: float
    known_error: float
    mirror_error: float
    cap_error: float
    unknown: float
    n_pieces: int
    n_pieces_whole: int


def disturbed_plane(trial: Trial, seed: int) -> tuple[np.ndarray, float]:
    """The true plane, tilted by PLANE_ERROR_DEG about the bone's middle."""
    across = np.cross(trial.true_normal, np.random.default_rng(seed).normal(size=3))
    angle = np.radians(PLANE_ERROR_DEG)
    normal = trial.true_normal * np.cos(angle) + across / np.linalg.norm(across) * np.sin(angle)
    return normal, trial.true_offset_mm + float((normal - trial.true_normal) @ trial.whole_vertices.mean(axis=0))


def solid_of(mesh: Mesh) -> Any:
    """A closed mesh as a manifold3d solid."""
    import manifold3d

    return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.astype(np.float64), mesh.faces.astype(np.uint64)))


def lost_on_both_sides(trial: Trial, whole: Any, left: Any) -> Any:
    """The solid that is gone on this side and whose mirror image is gone too, of the whole solid and of what survives of it."""
    lost = whole - left
    across = reflection_matrix(trial.true_normal, trial.true_offset_mm)
    return lost ^ lost.transform(across[:3])


def faultless(trial: Trial, left: Any, tool: Any) -> Any:
    """The solid of the surviving bone, completed by its exact mirror image within the block that was taken away, the tool."""
    return left + (left.transform(reflection_matrix(trial.true_normal, trial.true_offset_mm)[:3]) ^ tool)


def volume_at_seam(solid: Any, surface: Surface, least_mm3: float) -> float:
    """Volume (mm3) of the part of a solid that is nearer to the surface's seams and caps than to its other faces, by sampling within its pieces.

    Pieces below the least volume are left out."""
    total = 0.0
    for piece in [piece for piece in solid.decompose() if piece.volume() >= least_mm3]:
        low, high = np.split(np.array(piece.bounding_box()), 2)
        body = piece.to_mesh64()
        points = np.random.default_rng(1).uniform(low, high, (N_WITHIN, 3))
        vertices, faces = np.asarray(body.vert_properties, dtype=np.float64)[:, :3], np.asarray(body.tri_verts, dtype=np.int64)
        inside = points[winding(Mesh.create(vertices, faces), points) > 0.5]
        if len(inside):
            total += piece.volume() * float((surface.mesh.source[surface.distance(inside)[1]] == SEAM).mean())
    return total


def score(trial: Trial, restoration: Restoration, reach_percent: float, broken: Trial) -> Score:
    """Compare a restored bone with the truth. reach_percent: how near a mirrored point must be to the scan's skin to have a partner; broken: the
    same trial as a solid, without noise."""
    from scipy.spatial import cKDTree

    scale = 100.0 / trial.diagonal_mm
    whole = unite_pieces(Mesh.create(trial.whole_vertices, trial.whole_faces))
    lost = take_faces(Mesh.create(trial.whole_vertices, trial.whole_faces), trial.is_lost_face)
    points, _ = sample_surface(lost, 30_000)
    skin_of_whole = Surface(whole.mesh)
    points = points[skin_of_whole.distance(points)[0] * scale < OUTER_PERCENT]
    images = points - 2 * ((points @ trial.true_normal) - trial.true_offset_mm)[:, None] * trial.true_normal
    skin = take_faces(Mesh.create(trial.vertices, trial.faces), ~trial.is_fracture_face)
    is_gone = Surface(skin).distance(images)[0] * scale > reach_percent
    is_asked = ~is_gone
    if is_gone.any():
        is_asked &= cKDTree(points[is_gone]).query(points)[0] * scale > 2.0
    there = Surface(restoration.mesh).distance(points[is_asked])[0] * scale if is_asked.any() else np.zeros(1)
    added = take_faces(restoration.mesh, restoration.mesh.source != BONE)
    back = skin_of_whole.distance(sample_surface(added, 30_000)[0])[0] * scale if len(added.faces) else np.zeros(1)
    volume = audit_topology(whole.mesh).volume_mm3
    left = solid_of(unite_pieces(Mesh.create(broken.vertices, broken.faces)).mesh)
    unknown = lost_on_both_sides(trial, solid_of(whole.mesh), left)
    united = unite_pieces(restoration.mesh) if restoration.is_closed else None
    error = 100.0 * (audit_topology(restoration.mesh).volume_mm3 / volume - 1.0) if restoration.is_closed else np.nan
    known = mirror = caps = np.nan
    if united is not None:
        made, ideal = solid_of(united.mesh) + unknown, faultless(trial, left, broken.tool) + unknown
        known, mirror = 100.0 * (made.volume() / volume - 1.0), 100.0 * (made.volume() - ideal.volume()) / volume
        surface, least = Surface(united.mesh), LEAST_PIECE_PERCENT / 100.0 * volume
        caps = 100.0 * (volume_at_seam(made - ideal, surface, least) - volume_at_seam(ideal - made, surface, least)) / volume
    return Score(
        float(np.sqrt((there**2).mean())), float(there.max()), float(np.sqrt((back**2).mean())), float(back.max()),
        100.0 * float(is_gone.mean()), error, known, mirror, caps, 100.0 * unknown.volume() / volume,
        restoration.n_pieces_after if united is None else united.n_after, whole.n_after,
    )  # fmt: skip


def run_trial(name: str, seed: int, damage: Damage) -> tuple[Trial, Restoration, Score, float]:
    """Damage one bone, restore it across the slightly disturbed plane, and score it; the last value is processor seconds of restoring."""
    trial = make_trial(name, seed, damage)
    normal, offset = disturbed_plane(trial, seed)
    mesh = Mesh.create(trial.vertices, trial.faces, BONE)
    start = time.process_time()
    restoration = restore_across_plane(mesh, normal, offset, Rows((SEAM, TAKEN), SEAM), RestoreSettings())
    seconds = time.process_time() - start
    as_solid = replace(damage, is_broken=True, noise_percent=0.0)
    broken = trial if as_solid == damage else make_trial(name, seed, as_solid)
    return trial, restoration, score(trial, restoration, 0.1 + 5 * damage.asymmetry_percent + 5 * damage.noise_percent, broken), seconds


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bones", nargs="*", default=list(median_bones()))
    parser.add_argument("--cases", nargs="*", type=int, default=list(range(len(CASES))), help="numbers of the cases, from 0")
    chosen = parser.parse_args()
    print(
        "case                bone          rms  farthest  added rms  farthest  both lost  unknown    caps  mirror   known    all %  "
        "pieces (whole)  closed  capped  moved  tangled failed skin-%   flat %  step95     s"
    )
    for number in chosen.cases:
        label, damage = CASES[number]
        for name in chosen.bones:
            trial, done, scored, seconds = run_trial(name, chosen.seed, damage)
            print(
                f"{label:19s} {name:12s}{scored.rms:6.4f} {scored.farthest:8.3f} {scored.added_rms:10.4f} {scored.added_farthest:9.3f} "
                f"{scored.both_lost:9.1f} {scored.unknown:8.3f} {scored.cap_error:7.3f} {scored.mirror_error:7.3f} "
                f"{scored.known_error:7.3f} {scored.volume_error:8.3f} "
                f"{scored.n_pieces:6d} ({scored.n_pieces_whole:d}) "
                f"{done.is_closed!s:>13} {done.n_capped_rims:7d} {done.original_skin_moved_max_mm:6g} "
                f"{done.n_tangled_faces:8d} {done.n_failed_seams:6d} {done.skin_removed_percent:8.3f} {done.flat_percent:6.2f} "
                f"{100 * done.seam_step_p95_mm / trial.diagonal_mm:6.3f} {seconds:6.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
