"""Fetch the real surfaces that the tests use into a cache that git ignores. Run as a script by the set-up.

172 dog bones (metres, STL), Apache-2.0, carried by the package dm_control 1.0.50; unzipped, not installed. Left and right brain surfaces
(mm, GIFTI) carried by nilearn 0.14.1 (BSD-3; the surfaces are under their own licence, so they are read inside the package's file and
never copied).
"""

from __future__ import annotations

import base64
import gzip
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

CACHE = Path(__file__).resolve().parent.parent / ".cache"
DOG = CACHE / "dog"
N_BONES = 172
BRAIN_WHEEL = "nilearn-0.14.1-py3-none-any.whl"


def fetch() -> None:
    """Download what is not there yet."""
    CACHE.mkdir(exist_ok=True)
    if not (CACHE / BRAIN_WHEEL).is_file():
        _download("nilearn==0.14.1")
    if len(list(DOG.glob("BONE*.stl"))) == N_BONES:
        return
    DOG.mkdir(parents=True, exist_ok=True)
    _download("dm_control==1.0.50")
    with zipfile.ZipFile(next(CACHE.glob("dm_control-*.whl"))) as wheel:
        for member in wheel.namelist():
            if member.startswith("dm_control/suite/dog_assets/BONE") and member.endswith(".stl"):
                (DOG / Path(member).name).write_bytes(wheel.read(member))


def _download(requirement: str) -> None:
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:", "-d", str(CACHE), requirement]
    subprocess.run(command, check=True)


def brain_surface(name: str) -> tuple[Any, Any]:
    """Vertices (n, 3) in mm and faces of one brain surface, such as `pial_left`; the test is skipped where it was never fetched."""
    import numpy as np

    path = CACHE / BRAIN_WHEEL
    if not path.is_file():
        import pytest

        pytest.skip("the brain surfaces are not there; `make setup-test` fetches them")
    with zipfile.ZipFile(path) as wheel:
        root = ElementTree.fromstring(gzip.decompress(wheel.read(f"nilearn/datasets/data/fsaverage5/{name}.gii.gz")))
    arrays = []
    for node, kind in zip(root.iter("DataArray"), ("<f4", "<i4"), strict=True):
        content = zlib.decompress(base64.b64decode(node.findtext("Data", "")))
        arrays.append(np.frombuffer(content, kind).reshape(int(node.get("Dim0", "0")), 3))
    return arrays[0].astype(np.float64), arrays[1]


def dog_bone(name: str) -> Path:
    """Path of one bone, such as `Femur_L`; the test is skipped with a sentence where the bones were never fetched."""
    path = DOG / f"BONE{name}.stl"
    if not path.is_file():
        import pytest

        pytest.skip("the real bones are not there; `make setup-test` fetches them")
    return path


if __name__ == "__main__":
    fetch()
