"""Fetch the real bones that the tests use: 172 dog bones (metres, STL), Apache-2.0, carried by the package dm_control 1.0.50.

The package is downloaded by name, unzipped into a cache that git ignores, and not installed. Run as a script by the set-up.
"""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

CACHE = Path(__file__).resolve().parent.parent / ".cache"
DOG = CACHE / "dog"
N_BONES = 172


def fetch() -> None:
    """Download and unzip the bones unless they are there."""
    if len(list(DOG.glob("BONE*.stl"))) == N_BONES:
        return
    DOG.mkdir(parents=True, exist_ok=True)
    download = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:", "-d", str(CACHE), "dm_control==1.0.50"]
    subprocess.run(download, check=True)
    with zipfile.ZipFile(next(CACHE.glob("dm_control-*.whl"))) as wheel:
        for member in wheel.namelist():
            if member.startswith("dm_control/suite/dog_assets/BONE") and member.endswith(".stl"):
                (DOG / Path(member).name).write_bytes(wheel.read(member))


def dog_bone(name: str) -> Path:
    """Path of one bone, such as `Femur_L`; the test is skipped with a sentence where the bones were never fetched."""
    path = DOG / f"BONE{name}.stl"
    if not path.is_file():
        import pytest

        pytest.skip("the real bones are not there; `make setup-test` fetches them")
    return path


if __name__ == "__main__":
    fetch()
