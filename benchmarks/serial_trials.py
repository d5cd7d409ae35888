"""How well a hidden bone of a series is made from its neighbours: prints one row for each bone, with seconds. `python benchmarks/serial_trials.py`.

The bones are the dog's (tests/real_bones.py). Each bone is hidden and interpolated between its neighbours (class INT), or extrapolated from
the bones before it (class EXT); what comes out is laid on the truth, its size kept, and compared with the neighbours that are only scaled
to the interpolated size; the nearer one also to the size that greatest lengths give. Distances are rms, both ways, in percent of the true
bone's greatest length; length is the error of the greatest length.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import numpy as np
from dog_individuals import read_bone

from meshtools.geometry.distance import Surface
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.registration import register
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.serial import interpolate_between
from meshtools.geometry.transform import apply_matrix, scale
from meshtools.model import Mesh
from meshtools.plan_serial import N_REGRESSED
from meshtools.scale_statistics import extrapolate_sizes

TRIPLES = (
    ("L_1", "L_2", "L_3"), ("L_2", "L_3", "L_4"), ("L_3", "L_4", "L_5"), ("L_4", "L_5", "L_6"), ("L_5", "L_6", "L_7"), ("C_3", "C_4", "C_5"),
    ("C_4", "C_5", "C_6"), ("Ca_3", "Ca_4", "Ca_5"), ("Ca_14", "Ca_15", "Ca_16"),
)  # fmt: skip
WIDE = (("L_2", "L_3", "L_5", 1 / 3), ("L_2", "L_4", "L_5", 2 / 3))
SERIES = (("Ca", 21), ("L", 7), ("C", 7))
COUNTS = (3, 4, 5, 6, 8, 21)


def load(name: str) -> Mesh:
    """A dog bone in mm."""
    return Mesh.create(*read_bone(name))


def error_percent(made: Mesh, truth: Mesh) -> float:
    """Rms distance both ways after laying the made bone on the true one, its size kept."""
    placed = apply_matrix(made, register(made, truth, "rigid").fixed_from_moving)
    ways = [Surface(to).distance(sample_surface(of, 20_000)[0])[0] for of, to in ((placed, truth), (truth, placed))]
    return 100.0 * float(np.sqrt(np.mean(np.concatenate(ways) ** 2))) / greatest_length(truth.vertices)


def try_interpolation(names: tuple[str, str, str], fraction: float = 0.5) -> tuple[float, float]:
    """Print one row; the errors of the interpolated bone and of the better scaled neighbour."""
    start = time.perf_counter()
    before, truth, after = map(load, names)
    made = interpolate_between(before, after, fraction)
    seconds = time.perf_counter() - start
    growth = made.size_factor ** (1.0 / fraction if made.is_from_before else 1.0 / (1.0 - fraction))
    growth = growth if made.is_from_before else 1.0 / growth
    neighbours = [error_percent(scale(before, growth**fraction), truth), error_percent(scale(after, growth ** (fraction - 1.0)), truth)]
    by_length = (greatest_length(after.vertices) / greatest_length(before.vertices)) ** fraction
    nearer = scale(before, by_length) if made.is_from_before else scale(after, by_length ** (1.0 - 1.0 / fraction))
    error, length_error = error_percent(made.mesh, truth), error_percent(nearer, truth)
    added = count_self_intersections(made.mesh).n_pairs - count_self_intersections(before if made.is_from_before else after).n_pairs
    size = 100.0 * (made.sizes_mm[1] / greatest_length(truth.vertices) - 1.0)
    print(
        f"{names[1]:6} of {names[0]:5} {names[2]:5} INT {error:5.2f}  neighbours {neighbours[0]:5.2f} {neighbours[1]:5.2f}  "
        f"nearer one by greatest lengths {length_error:5.2f}  length {size:+5.1f}  "
        f"fit {made.fit_residual_percent:4.2f}  bent {made.deviation_rms_mm:5.2f} mm  {'bent' if made.is_bent else made.reason}  "
        f"crossings {added:+d}  {seconds:4.1f} s", flush=True,
    )  # fmt: skip
    return error, min(neighbours)


def try_extrapolation() -> None:
    """Print the error of the extrapolated greatest length one and two places beyond, by the number of bones in the regression."""
    for count in COUNTS:
        errors: dict[int, list[float]] = {1: [], 2: [], 4: []}
        held = 0
        for series, n in SERIES:
            lengths = [greatest_length(load(f"{series}_{place}").vertices) for place in range(1, n + 1)]
            for direction in (1, -1):
                ordered = lengths[::direction]
                for known in range(3, n):
                    members = {place: ordered[place] for place in range(known)[-count:]}
                    for ahead, found in errors.items():
                        if known + ahead - 1 < n:
                            guess = extrapolate_sizes(members, [known + ahead - 1])[0]
                            true = ordered[known + ahead - 1]
                            found.append(100.0 * abs(np.log(guess.size_mm / true)))
                            held += guess.interval_mm[0] <= true <= guess.interval_mm[1]
        n_all = sum(map(len, errors.values()))
        row = "  ".join(f"{ahead} ahead: median {np.median(e):4.1f} %, rms {np.sqrt(np.mean(np.square(e))):4.1f} %" for ahead, e in errors.items())
        print(f"EXT length from up to {count} bones: {row}; {100 * held / n_all:.0f} % inside the 95 % interval", flush=True)
    print(f"{N_REGRESSED} are used")


def main() -> None:
    """Print a row for each hidden bone and the medians."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=("INT", "EXT"))
    only = parser.parse_args().only
    if only != "EXT":
        rows = [try_interpolation(names) for names in TRIPLES]
        made, scaled = np.array(rows).T
        nearer = f"INT nearer in {(made < scaled).sum()} of {len(rows)}"
        print(f"INT median {np.median(made):.2f} %, better scaled neighbour {np.median(scaled):.2f} %; {nearer}")
        for first, hidden, last, fraction in WIDE:
            try_interpolation((first, hidden, last), fraction)
    if only != "INT":
        try_extrapolation()


if __name__ == "__main__":
    main()
