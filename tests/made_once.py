"""What is made once for a whole run of tests, by whichever of its processes needs it first."""

from __future__ import annotations

import fcntl
import os
import pickle
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

T = TypeVar("T")


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], T]) -> T:
    """What `make` returns for a folder of its own, which is still to be made; other processes wait for it and share answer and folder. Copy what
    lies there (`own_copy`) rather than change it."""
    root = factory.getbasetemp()
    root = root.parent if "PYTEST_XDIST_WORKER" in os.environ else root
    with (root / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = root / f"{name}.done"
        if not done.exists():
            shutil.rmtree(root / name, ignore_errors=True)  # of an attempt that failed
            (root / name).mkdir()
            answer = pickle.dumps(make(root / name / "batch with a space"))
            done.write_bytes(answer)
        made: T = pickle.loads(done.read_bytes())
    return made


def own_copy(factory: pytest.TempPathFactory, batch: Path) -> Path:
    """A copy of a shared batch for one process."""
    return Path(shutil.copytree(batch, factory.mktemp("copy") / "batch", symlinks=True))
