"""Real bones with known defects through cleaning and rebuilding, judged against the undamaged bone, run by `make bench-torture`.

Each case ends as one of three. CORRECT: the replica is closed, wound outwards, crosses itself no more often than that of the undamaged
bone and is in as many bodies, and no point of either surface lies farther from the other than the tolerance (0.1 mm or 0.2 % of the
diagonal, whichever is more) and the defect's own size (see torture_defects.py). REFUSED: it is not, but a review or failed finding that
the undamaged bone does not have says so, or nothing is delivered. SILENT: wrong, and nobody was asked. The judge is trimesh and libigl,
not this project's checks. Skin of the truth that lies inside another of its pieces is not expected in the replica.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))
sys.path.insert(0, str(HERE))

from dog_individuals import read_bone  # noqa: E402
from real_bones import DOG  # noqa: E402
from torture_defects import DEFECTS, Damaged  # noqa: E402
from torture_further import FURTHER  # noqa: E402

from meshtools.errors import GeometryError  # noqa: E402
from meshtools.geometry.cleaned import Cleaned  # noqa: E402
from meshtools.geometry.measure import diagonal_mm  # noqa: E402
from meshtools.model import EvidenceClass, Find, Finding, Mesh, RawScan, Recipe, Severity, Side, SourceEntry, Unit  # noqa: E402
from meshtools.settings import CleanSettings, RebuildSettings  # noqa: E402
from meshtools.stages.clean import clean_scan  # noqa: E402
from meshtools.stages.rebuild import rebuild_element  # noqa: E402

ALL = DEFECTS | FURTHER
LEAST_TOLERANCE_MM = 0.1
TOLERANCE_SHARE = 0.002
N_SAMPLES = 8_000
CORRECT, REFUSED, SILENT = "correct", "refused", "silent"


@dataclass(frozen=True, eq=False)
class Outcome:
    """What cleaning and rebuilding made of one scan: the replica or None, whether it may be delivered, and what was said."""

    mesh: Mesh | None
    is_deliverable: bool
    findings: tuple[Finding, ...]
    sources: tuple[SourceEntry, ...] = ()

    @property
    def asked(self) -> frozenset[str]:
        """Codes of the findings that ask a person."""
        return frozenset(finding.code for finding in self.findings if finding.severity is not Severity.NOTE)


@dataclass(frozen=True, eq=False)
class Truth:
    """The undamaged bone: its arrays, points of its outer skin, and what the same route makes of it."""

    vertices: np.ndarray
    faces: np.ndarray
    skin: np.ndarray
    whole: Outcome
    n_bodies: int
    n_crossings: int
    spent_mm: float

    @property
    def tolerance_mm(self) -> float:
        """What every repair is held to, before the defect's own size."""
        return max(LEAST_TOLERANCE_MM, TOLERANCE_SHARE * diagonal_mm(self.vertices))


def make_replica(vertices: np.ndarray, faces: np.ndarray, tolerance_mm: float) -> Outcome:
    """A scan through both stages, as a batch sends it."""
    find = Find(2, "bone", "bone", Side.LEFT, "EX-1", "bone.ply", Unit.MM)
    recipe = Recipe("rex", "bone-left", EvidenceClass.OWN, ("bone",), False, 1.0, None, "own size", "own bone", (), "planned")
    raw = RawScan(np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.int32), None, "ply", None)
    try:
        cleaned = clean_scan(raw, find, CleanSettings(), (), tolerance_mm)
        rebuilt = rebuild_element(recipe, [Cleaned("bone", cleaned.mesh, cleaned.sources, 1.0)], RebuildSettings(), ())
    except GeometryError as error:
        return Outcome(None, False, (Finding(Severity.FAILED, "refused", str(error)),))
    return Outcome(rebuilt.mesh, bool(rebuilt.facts["deliverable"]), (*cleaned.findings, *rebuilt.findings), rebuilt.sources)


def sample(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and even samples of a surface, and outward normals there."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    points, rows = trimesh.sample.sample_surface(mesh, N_SAMPLES, seed=1)
    corners = faces.ravel()
    return np.concatenate([points, vertices[corners]]), np.concatenate([mesh.face_normals[rows], np.repeat(mesh.face_normals, 3, axis=0)])


def outer_skin(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Points of a surface that no other part of it encloses: just outside them nothing winds around."""
    import igl

    points, normals = sample(vertices, faces)
    step = 1e-4 * diagonal_mm(vertices)
    winding = igl.fast_winding_number(vertices, faces.astype(np.int64), points + step * normals)
    return points[winding < 0.5]


def distance_to(vertices: np.ndarray, faces: np.ndarray, points: np.ndarray) -> float:
    """Largest distance from the points to a surface, by libigl."""
    import igl

    return float(np.sqrt(igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))[0].max()))


def count_bodies(mesh: Mesh) -> int:
    """Bodies with a positive volume, by trimesh."""
    import trimesh

    whole = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    return int(sum(part.volume > 0 for part in whole.split(only_watertight=False)))


def count_crossings(mesh: Mesh) -> int:
    """Pairs of faces that cross, by CGAL through libigl."""
    import igl.copyleft.cgal as cgal

    return len(np.asarray(cgal.remesh_self_intersections(mesh.vertices, mesh.faces.astype(np.int64), detect_only=True)[2]).reshape(-1, 2))


def is_sound(mesh: Mesh) -> bool:
    """Closed, consistently wound and outward, by trimesh."""
    import trimesh

    whole = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    return bool(whole.is_watertight and whole.is_winding_consistent and whole.volume > 0)


def find_truth(name: str, is_decimated: bool) -> Truth:
    """One bone and what becomes of it undamaged; decimation, where it takes place, may spend half the tolerance."""
    vertices, faces = read_bone(name)
    spent_mm = max(LEAST_TOLERANCE_MM, TOLERANCE_SHARE * diagonal_mm(vertices)) / 2 if is_decimated else 0.0
    whole = make_replica(vertices, faces, spent_mm)
    n_bodies, n_crossings = (count_bodies(whole.mesh), count_crossings(whole.mesh)) if whole.mesh is not None else (0, 0)
    return Truth(vertices, faces, outer_skin(vertices, faces), whole, n_bodies, n_crossings, spent_mm)


def judge(truth: Truth, outcome: Outcome, damaged: Damaged) -> dict[str, object]:
    """The verdict with its figures."""
    reasons = sorted(outcome.asked - truth.whole.asked)
    if outcome.mesh is None or not outcome.is_deliverable:
        return {"verdict": REFUSED if outcome.asked else SILENT, "why": reasons or sorted(outcome.asked)}
    limit = truth.tolerance_mm + damaged.allowed_mm
    mesh = outcome.mesh
    lost = distance_to(mesh.vertices, mesh.faces, truth.skin)
    invented = distance_to(truth.vertices, truth.faces, sample(mesh.vertices, mesh.faces)[0])
    n_bodies = count_bodies(mesh)
    faults = [
        fault for fault, is_there in (
            ("not sound", not is_sound(mesh)), ("bodies", n_bodies != truth.n_bodies),
            ("crossings", count_crossings(mesh) > truth.n_crossings), ("lost", lost > limit), ("invented", invented > limit),
        ) if is_there
    ]
    figures = {"lost_mm": round(lost, 4), "invented_mm": round(invented, 4), "limit_mm": round(limit, 4), "n_bodies": n_bodies}
    if not faults:
        return {"verdict": CORRECT, "asked": reasons, **figures}
    return {"verdict": REFUSED if reasons else SILENT, "faults": faults, "why": reasons, **figures}


def damage_bone(truth: Truth, name: str, defect: str, seed: int) -> Damaged:
    """The bone with a defect at the place that belongs to the seed and the names."""
    return ALL[defect](truth.vertices, truth.faces, np.random.default_rng([seed, zlib.crc32(f"{name}/{defect}".encode())]))


def run_case(truth: Truth, name: str, defect: str, seed: int) -> dict[str, object]:
    """One bone with one defect."""
    start = time.process_time()
    damaged = damage_bone(truth, name, defect, seed)
    outcome = make_replica(damaged.vertices, damaged.faces, truth.spent_mm)
    return {"bone": name, "defect": defect, **judge(truth, outcome, damaged), "cpu_s": round(time.process_time() - start, 2)}


def bone_names() -> list[str]:
    """All bones, the smallest files first."""
    return [path.stem.removeprefix("BONE") for path in sorted(DOG.glob("BONE*.stl"), key=lambda path: (path.stat().st_size, path.name))]


def table(rows: list[dict[str, object]]) -> str:
    """Verdicts per defect, as text."""
    count = Counter((str(row["defect"]), str(row["verdict"])) for row in rows)
    lines = [f"{'defect':22}{'cases':>8}{CORRECT:>10}{REFUSED:>10}{SILENT:>10}"]
    for defect in [*(name for name in ALL if any(row["defect"] == name for row in rows)), "all"]:
        figures = [sum(n for (of, is_verdict), n in count.items() if defect in (of, "all") and is_verdict == v) for v in (CORRECT, REFUSED, SILENT)]
        lines.append(f"{defect:22}{sum(figures):>8}{figures[0]:>10}{figures[1]:>10}{figures[2]:>10}")
    return "\n".join(lines)


def main() -> None:
    """Run the cases not yet in the results file, for a limited time, and print the table of all that are."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after this long; the next run goes on")
    parser.add_argument("--results", type=Path, default=HERE.parent / "build" / "torture.jsonl")
    parser.add_argument("--every", type=int, default=1, help="only every n-th bone")
    parser.add_argument("--keep-faces", action="store_true", help="without decimation, which takes most of the time")
    parser.add_argument("--bone", choices=sorted(bone_names()), action="append", metavar="NAME", help="only these bones, in this order")
    parser.add_argument("--defect", choices=sorted(ALL), action="append", help="only these defects")
    parser.add_argument("--further", action="store_true", help="the further defects in place of the twelve")
    options = parser.parse_args()
    options.results.parent.mkdir(parents=True, exist_ok=True)
    kept = [json.loads(line) for line in options.results.read_text(encoding="utf-8").splitlines()] if options.results.is_file() else []
    trial = {"seed": options.seed, "keep_faces": options.keep_faces}
    rows = [row for row in kept if {key: row.get(key) for key in trial} == trial]  # those of another seed are another table
    done = {(row["bone"], row["defect"]) for row in rows}
    end = time.monotonic() + 60 * options.minutes
    with options.results.open("a") as out:
        for name in options.bone or bone_names()[:: options.every]:
            waiting = [defect for defect in options.defect or (FURTHER if options.further else DEFECTS) if (name, defect) not in done]
            if not waiting or time.monotonic() > end:
                continue
            truth = find_truth(name, not options.keep_faces)
            for defect in waiting:
                if time.monotonic() > end:
                    break
                rows.append(run_case(truth, name, defect, options.seed) | trial)
                out.write(json.dumps(rows[-1]) + "\n")
                out.flush()
    print(table(rows))
    for row in rows:
        if row["verdict"] == SILENT:
            print(row)


if __name__ == "__main__":
    main()
