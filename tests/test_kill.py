"""A build that is killed at any moment is finished by one plain build, with the same bytes and nobody writing on."""

from __future__ import annotations

import random
import shutil
import subprocess
import time
from pathlib import Path

import pytest
from made_once import made_once
from six_bones import BONEWRIGHT, build, result_hashes
from tiny_batch import make_tiny_batch

N_KILLS = 20
N_BUNDLES = 4


@pytest.fixture(scope="module")
def durations_s(tmp_path_factory: pytest.TempPathFactory) -> tuple[float, float]:
    """Seconds from the start of an undisturbed build to its first job, and to its end."""
    return made_once(tmp_path_factory, "whole", time_build)


def time_build(folder: Path) -> tuple[float, float]:
    batch = make_tiny_batch(folder)
    start_s = time.monotonic()
    process = subprocess.Popen([*BONEWRIGHT, "build", "--batch", str(batch)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    to_first_s = wait_for_a_job(batch, process) - start_s
    assert process.wait() == 0
    return to_first_s, time.monotonic() - start_s


def wait_for_a_job(batch: Path, process: subprocess.Popen[bytes]) -> float:
    """The moment when a job has begun, or the build has ended."""
    while process.poll() is None and not list((batch / "logs").glob("clean-*.log")):
        time.sleep(0.005)
    return time.monotonic()


@pytest.mark.slow
@pytest.mark.parametrize("bundle", range(N_BUNDLES))
def test_a_killed_build_is_finished_by_the_next_one_with_the_same_bytes(
    built_tiny: Path, durations_s: tuple[float, float], tmp_path: Path, bundle: int
) -> None:
    """Most kills come while jobs run, the rest before: a small build spends half its time on starting."""
    to_first_s, whole_s = durations_s
    moments = random.Random(bundle)
    n_attempts, n_at_work = N_KILLS // N_BUNDLES, 0
    for attempt in range(n_attempts):
        batch = make_tiny_batch(tmp_path / f"batch-{attempt}")
        process = subprocess.Popen([*BONEWRIGHT, "build", "--batch", str(batch)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if attempt:
            wait_for_a_job(batch, process)
            time.sleep(moments.uniform(0.0, (whole_s - to_first_s) * attempt / (n_attempts - 1)))
            n_at_work += process.poll() is None
        else:
            time.sleep(moments.uniform(0.1, to_first_s))
        process.kill()  # nothing where a build on a machine that became less busy has ended already
        process.wait()
        build(batch)
        assert result_hashes(batch) == result_hashes(built_tiny)
        shutil.rmtree(batch)
    assert n_at_work, "no build was killed while its jobs ran"
