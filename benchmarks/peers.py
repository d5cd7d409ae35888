"""Our chain and other scripts for the same work on the same scans in the same run: `make bench PEERS=FOLDER`.

A peer is a Python script in the folder, called as `SCRIPT SCAN OUT_PREFIX TOLERANCE_MM`, that prints the lines which figures.py reads; a
script whose name begins with `make_` makes the scans and is no peer. Peers run in an environment of their own, with libraries that this
project does without. Scripts take turns, as often as is asked for; the run with the least CPU seconds of each counts. Figures are kept in
a file, and the next run prints them beside its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from figures import OURS, Run, comparison_table, least, read_run, steps_table, stored

from meshtools.files.atomic import write_atomic
from meshtools.run_job import FOR_LIBRARIES

CHAIN = Path(__file__).resolve().parent / "chain.py"
MOST_KEPT = 50


@dataclass(frozen=True)
class Race:
    """What is run: the peers' folder, their Python, the folder of scans, tolerance, how often, the file that keeps the
    figures, and when a script is ended."""

    peers: Path
    python: str
    scans: Path
    tolerance_mm: float
    repeats: int
    kept: Path
    longest_s: float = 3600.0

    def scripts(self) -> dict[str, list[str]]:
        """Name -> command without its arguments, ours first."""
        others = sorted(path for path in self.peers.glob("*.py") if not path.name.startswith("make_"))
        return {OURS: [sys.executable, str(CHAIN)]} | {path.stem: [self.python, str(path)] for path in others}


def run_race(race: Race, sizes: Sequence[str]) -> None:
    """Run all scripts on each size, print the tables and keep the figures."""
    history = read_history(race.kept)
    for size in sizes:
        scan = race.scans / f"raw_{size}.stl"
        if not scan.is_file():
            raise SystemExit(f"{scan} does not exist; name sizes that are there with SIZES, or their folder with SCANS.")
        runs = run_scripts(race, scan)
        before = last_run(history, size, race.tolerance_mm)
        was = {name: entry["phases"] for name, entry in before.items()}
        print(comparison_table(f"\n{scan.name}, tolerance {race.tolerance_mm:g} mm, least of {race.repeats}", runs, was), flush=True)
        for name, run in runs.items():
            print(f"\n{steps_table(name, run, before.get(name, {}).get('steps', ()))}", flush=True)
        history = [*history, {"size": size, "tolerance_mm": race.tolerance_mm, "scripts": stored(runs)}][-MOST_KEPT:]
        write_atomic(race.kept, (json.dumps({"runs": history}, indent=1) + "\n").encode())
    print(f"\nFigures kept in {race.kept}.")


def run_scripts(race: Race, scan: Path) -> dict[str, Run]:
    """Every script on one scan, in turn."""
    runs: dict[str, list[Run]] = {name: [] for name in race.scripts()}
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(race.repeats):
            for name, command in race.scripts().items():
                arguments = [*command, str(scan), str(Path(folder) / name), f"{race.tolerance_mm:g}"]
                runs[name].append(run_script(arguments, name == OURS, race.longest_s))
    return {name: least(several) for name, several in runs.items()}


def run_script(command: Sequence[str], is_ours: bool, longest_s: float) -> Run:
    """One run of one script; of one that takes too long, the steps that it came to. Ours sees what a job sees; others do not see the paths that
    Python was started with."""
    environment = {name: value for name, value in os.environ.items() if is_ours or name != "PYTHONPATH"} | (FOR_LIBRARIES if is_ours else {})
    try:
        done = subprocess.run(command, capture_output=True, env=environment, timeout=longest_s, check=False)
    except subprocess.TimeoutExpired as error:
        return read_run((error.stdout or b"").decode(errors="replace"), f"not done after {longest_s:g} s")
    return read_run(done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace"))


def read_history(path: Path) -> list[dict[str, Any]]:
    """All runs that are kept, oldest first; none where there is no file yet."""
    if not path.is_file():
        return []
    try:
        runs: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["runs"]
    except (json.JSONDecodeError, KeyError, TypeError):
        raise SystemExit(f"{path} does not hold figures of this benchmark; name another file with FIGURES.") from None
    return runs


def last_run(history: Sequence[dict[str, Any]], size: str, tolerance_mm: float) -> dict[str, Any]:
    """The scripts' figures of the last run of the same size and tolerance."""
    same = [run["scripts"] for run in history if (run["size"], run["tolerance_mm"]) == (size, tolerance_mm)]
    found: dict[str, Any] = same[-1] if same else {}
    return found


def find_scans(peers: Path, python: str, cache: Path) -> Path:
    """The folder of scans: `data` beside the peers, or made by their script in the cache, once."""
    if (peers / "data").is_dir():
        return peers / "data"
    made, maker = cache / "peers-scans", peers / "make_scans.py"
    if not (made / ".made").is_file():
        if not maker.is_file():
            raise SystemExit(f"{peers} holds neither a folder data nor make_scans.py; name the folder of scans with SCANS.")
        (made / "data").mkdir(parents=True, exist_ok=True)
        environment = os.environ | {"DOG_ASSETS": str((cache / "dog").resolve())}
        subprocess.run([python, str(maker.resolve())], cwd=made, env=environment, check=True)
        (made / ".made").touch()
    return made / "data"
