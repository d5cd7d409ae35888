"""The figures of symmetry, restoration, assembly and scale from fresh seeds, run by `make bench-symmetry`. It takes about an hour and a half.

Each part prints its own rows with the seconds of a bone. `--seed` repeats an earlier run, whose seed was printed first.
"""

from __future__ import annotations

import argparse
import secrets
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
PARTS = {"plane": "plane_trials.py", "restore": "restore_trials.py", "scale": "scale_trials.py", "serial": "serial_trials.py"}
WITHOUT_SEED = ("serial",)  # whole bones, nothing is drawn


def main() -> None:
    """Run the parts one after the other, each in a process of its own."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(100_000), help="default: a new one each time")
    parser.add_argument("--only", choices=sorted(PARTS), help="one part alone")
    options = parser.parse_args()
    print(f"seed {options.seed}", flush=True)
    for name, script in PARTS.items():
        if options.only not in (None, name):
            continue
        start_s = time.monotonic()
        seed = [] if name in WITHOUT_SEED else ["--seed", str(options.seed)]
        print(f"\n{name}", flush=True)
        subprocess.run([sys.executable, str(HERE / script), *seed], check=True)
        print(f"{name}: {time.monotonic() - start_s:.0f} s", flush=True)


if __name__ == "__main__":
    main()
