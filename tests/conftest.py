"""What every test run needs: single-threaded linear algebra, as every entry point of the package sets it, and a built batch."""

import os

os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1"))  # before numpy is imported

import shutil
from pathlib import Path

import pytest
from hypothesis import settings
from made_once import made_once
from six_bones import build, make_six_bones
from tiny_batch import build_timed

# the same examples every time; HYPOTHESIS_PROFILE=explore looks for new ones
settings.register_profile("repeatable", derandomize=True, deadline=None, database=None)
settings.register_profile("explore", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

LONGEST_FIRST = (
    "mould", "restore", "faults", "cnc", "registration", "reruns", "fixing_jobs", "kill", "batch_commands", "siding", "completing", "midsagittal",
    "hostile_files", "joint_jobs", "compiled", "posing", "properties_batch", "assembly_command", "bores", "serial", "ready_jobs", "fence",
    "hand_made", "hostile_batch", "fit", "decimate", "properties_geometry", "broken_batch", "lots", "size_command", "verify_command", "stale_reasons",
)  # fmt: skip
"""Modules of tests that take 15 s of CPU and more. Whoever runs two at a time hands them out in this order and the many short ones last, so that both
processes end together."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the long modules, each as a whole."""
    place = {f"test_{name}": number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))


def built(batch: Path) -> Path:
    """The batch, built."""
    build(batch)
    return batch


@pytest.fixture(scope="session")
def built_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The six-bone batch, built once for a whole run of tests, in a folder with a blank in its name. Copy it, do not change it."""
    return made_once(tmp_path_factory, "six bones", lambda folder: built(make_six_bones(folder)))


@pytest.fixture
def batch(built_once: Path, tmp_path: Path) -> Path:
    """A built six-bone batch of one's own."""
    return Path(shutil.copytree(built_once, tmp_path / "batch"))


@pytest.fixture(scope="session")
def timed_tiny(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float, float]:
    """The tiny batch, built without disturbance, and the seconds from the start of its build to the first job, and to the end."""
    return made_once(tmp_path_factory, "tiny", build_timed)


@pytest.fixture(scope="session")
def built_tiny(timed_tiny: tuple[Path, float, float]) -> Path:
    """The tiny batch, built without disturbance. Copy it, do not change it."""
    return timed_tiny[0]


@pytest.fixture
def tiny(built_tiny: Path, tmp_path: Path) -> Path:
    """A built tiny batch of one's own."""
    return Path(shutil.copytree(built_tiny, tmp_path / "batch"))
