"""How often the mirror plane of a damaged bone is found, and whether the verdict knows: `python benchmarks/plane_trials.py --seed 7`.

Each row tries n bones in turn (benchmarks/damaged_bones.py; another seed starts with another bone), each with its own damage. Right: the
normal within 1 degree of the true one and the plane within 1 % of the diagonal at the whole bone's middle; close: the same within 0.35
degrees. Seconds are processor time.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from damaged_bones import Damage, Trial, make_trial, median_bones, planeless_bones

from meshtools.geometry.midsagittal import PlaneFit, PlaneHint, find_midsagittal_plane
from meshtools.model import Mesh

NOISES = (0.1, 0.2, 0.3, 0.5)
HINT_ERROR_DEG = 12.0


@dataclass(frozen=True)
class Kind:
    """One row of the table: which bones, and what happens to the k-th of them."""

    what: str
    bones: Callable[[], tuple[str, ...]]
    damage: Callable[[int], Damage]
    has_hint: bool = False


def _lost(percent: float | None, k: int, noise: float | None = None) -> Damage:
    lost = (0.0, 25.0, 50.0)[k % 3] if percent is None else percent
    return Damage(lost, is_broken=bool(k // 2 % 2), noise_percent=NOISES[k % 4] if noise is None else noise, floaters=3)


KINDS = (
    Kind("0-50 % lost, noise 0.1-0.5 %", median_bones, lambda k: _lost(None, k)),
    Kind("half lost, noise 0.1-0.5 %", median_bones, lambda k: _lost(50.0, k)),
    Kind("asymmetry 1 %", median_bones, lambda k: Damage(noise_percent=0.1, asymmetry_percent=1.0, floaters=3)),
    Kind("asymmetry 0.3 %, half lost", median_bones, lambda k: Damage(50.0, bool(k % 2), 0.1, asymmetry_percent=0.3)),
    Kind("shear 3 %", median_bones, lambda k: Damage(noise_percent=0.1, shear_percent=3.0, floaters=3)),
    Kind("75 % lost, noise 0.1-0.5 %", median_bones, lambda k: _lost(75.0, k)),
    Kind("75 % lost, left-right hint", median_bones, lambda k: _lost(75.0, k), has_hint=True),
    Kind("no plane", planeless_bones, lambda k: Damage(noise_percent=(0.0, 0.1, 0.3)[k % 3])),
    Kind("no plane, half lost", planeless_bones, lambda k: _lost(50.0, k, 0.1)),
)


@dataclass(frozen=True)
class Outcome:
    """One trial. angle_deg and offset_percent are the errors, None for a bone that has no plane."""

    what: str
    name: str
    seed: int
    angle_deg: float | None
    offset_percent: float | None
    verdict: str
    bound95_deg: float
    jk_deg: float
    ratio: float
    score: float
    breadth_ratio: float
    overlap_percent: float
    residual_percent: float
    seconds: float

    def is_within(self, angle_deg: float) -> bool:
        """True where the plane lies within this angle and within 1 % of the diagonal."""
        return self.angle_deg is not None and self.offset_percent is not None and self.angle_deg < angle_deg and self.offset_percent < 1.0


@dataclass(frozen=True)
class Row:
    """What became of n trials of one kind."""

    what: str
    n: int
    right: int
    close: int
    median_deg: float | None
    worst_deg: float | None
    within_bound: int
    accepted: int
    wrongly_accepted: int
    asked: int
    refused: int
    median_s: float


def plane_errors(trial: Trial, fit: PlaneFit) -> tuple[float | None, float | None]:
    """Angle in degrees and distance in percent of the diagonal between found and true plane; None for a bone that has none."""
    if np.isnan(trial.true_offset_mm):
        return None, None
    normal = fit.normal * np.sign(fit.normal @ trial.true_normal)
    offset = fit.offset_mm * np.sign(fit.normal @ trial.true_normal)
    angle = np.degrees(np.arctan2(np.linalg.norm(np.cross(normal, trial.true_normal)), normal @ trial.true_normal))
    middle = (trial.whole_vertices.max(axis=0) + trial.whole_vertices.min(axis=0)) / 2
    gap = (normal @ middle - offset) - (trial.true_normal @ middle - trial.true_offset_mm)
    return float(angle), float(abs(gap) / trial.diagonal_mm * 100)


def rough_hint(trial: Trial, seed: int) -> PlaneHint:
    """A left-right direction that is twelve degrees off, as a person would point."""
    side = np.cross(trial.true_normal, np.random.default_rng(seed).normal(size=3))
    turn = np.radians(HINT_ERROR_DEG)
    return PlaneHint(left_right=np.cos(turn) * trial.true_normal + np.sin(turn) * side / np.linalg.norm(side))


def try_bone(kind: Kind, k: int, seed: int) -> Outcome:
    """Damage the k-th bone of a kind and look for its plane."""
    names = kind.bones()
    trial = make_trial(names[(k + 7 * seed) % len(names)], 1_000 * seed + k, kind.damage(k + seed))
    mesh = Mesh.create(trial.vertices, trial.faces)
    start_s = time.process_time()
    fit = find_midsagittal_plane(mesh, rough_hint(trial, k) if kind.has_hint else None)
    seconds = time.process_time() - start_s
    return Outcome(
        kind.what, trial.name, 1_000 * seed + k, *plane_errors(trial, fit), fit.verdict, fit.bound95_deg, fit.jk_deg, fit.ratio, fit.score,
        fit.breadth_ratio, fit.overlap_percent, fit.residual_rms_mm / trial.diagonal_mm * 100, seconds,
    )  # fmt: skip


def outcomes(seed: int, n: int, kinds: Iterable[Kind] = KINDS) -> Iterator[Outcome]:
    """Every trial, kind by kind."""
    for kind in kinds:
        for k in range(n):
            yield try_bone(kind, k, seed)


def summarise(trials: list[Outcome]) -> list[Row]:
    """One row for each kind."""
    rows = []
    for what in dict.fromkeys(trial.what for trial in trials):
        some = [trial for trial in trials if trial.what == what]
        angles = [trial.angle_deg for trial in some if trial.angle_deg is not None]
        verdicts = [trial.verdict for trial in some]
        rows.append(Row(
            what, len(some), sum(trial.is_within(1.0) for trial in some), sum(trial.is_within(0.35) for trial in some),
            round(float(np.median(angles)), 3) if angles else None, round(max(angles), 3) if angles else None,
            sum(trial.angle_deg is not None and trial.angle_deg < trial.bound95_deg for trial in some),
            verdicts.count("accept"), sum(trial.verdict == "accept" and not trial.is_within(1.0) for trial in some),
            verdicts.count("ask"), verdicts.count("refuse"), round(float(np.median([trial.seconds for trial in some])), 2),
        ))  # fmt: skip
    return rows


def run(seed: int, n: int = 12) -> list[Row]:
    """The table for one seed, n trials a row."""
    return summarise(list(outcomes(seed, n)))


def main() -> None:
    """Print the table, one JSON object a row; with --trials also write every trial to a file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--n", type=int, default=12, help="trials a row")
    parser.add_argument("--rows", default="", help="only the rows that contain this text")
    parser.add_argument("--trials", type=Path, help="file to which every trial is appended, one JSON object a line")
    options = parser.parse_args()
    trials = []
    for trial in outcomes(options.seed, options.n, [kind for kind in KINDS if options.rows in kind.what]):
        trials.append(trial)
        if options.trials:
            with options.trials.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(asdict(trial)) + "\n")
    for row in summarise(trials):
        print(json.dumps(asdict(row)))


if __name__ == "__main__":
    main()
