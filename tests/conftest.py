"""What every test run needs: single-threaded linear algebra, as every entry point of the package sets it, and a built batch."""

import os

os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1"))  # before numpy is imported

import fcntl
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from six_bones import build, make_six_bones
from tiny_batch import make_tiny_batch

# the same examples every time; HYPOTHESIS_PROFILE=explore looks for new ones
settings.register_profile("repeatable", derandomize=True, deadline=None, database=None)
settings.register_profile("explore", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Path]) -> Path:
    """A batch that is made and built by whichever process of a run needs it first; the others wait for it and share it."""
    root = factory.getbasetemp()
    root = root.parent if "PYTEST_XDIST_WORKER" in os.environ else root
    (root / name).mkdir(exist_ok=True)
    with (root / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        batch, done = root / name / "batch with a space", root / f"{name}.done"
        if not done.exists():
            build(make(batch))
            done.touch()
    return batch


@pytest.fixture(scope="session")
def built_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The six-bone batch, built once for a whole run of tests, in a folder with a blank in its name. Copy it, do not change it."""
    return made_once(tmp_path_factory, "six bones", make_six_bones)


@pytest.fixture
def batch(built_once: Path, tmp_path: Path) -> Path:
    """A built six-bone batch of one's own."""
    return Path(shutil.copytree(built_once, tmp_path / "batch"))


@pytest.fixture(scope="session")
def built_tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tiny batch, built without disturbance. Copy it, do not change it."""
    return made_once(tmp_path_factory, "tiny", make_tiny_batch)


@pytest.fixture
def tiny(built_tiny: Path, tmp_path: Path) -> Path:
    """A built tiny batch of one's own."""
    return Path(shutil.copytree(built_tiny, tmp_path / "batch"))
