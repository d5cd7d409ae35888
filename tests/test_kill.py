"""A build that is killed at any moment is finished by one plain build, with the same bytes and nobody writing on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time
from pathlib import Path

import pytest
from six_bones import BONEWRIGHT, build, make_six_bones, result_hashes

N_KILLS = 20
N_BUNDLES = 4


@pytest.fixture(scope="module")
def uninterrupted(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, str], float]:
    batch = make_six_bones(tmp_path_factory.mktemp("whole") / "batch")
    start_s = time.monotonic()
    build(batch)
    return result_hashes(batch), time.monotonic() - start_s


@pytest.mark.slow
@pytest.mark.parametrize("bundle", range(N_BUNDLES))
def test_a_killed_build_is_finished_by_the_next_one_with_the_same_bytes(
    uninterrupted: tuple[dict[str, str], float], tmp_path: Path, bundle: int
) -> None:
    expected, duration_s = uninterrupted
    moments = random.Random(bundle)
    for attempt in range(N_KILLS // N_BUNDLES):
        batch = make_six_bones(tmp_path / f"batch-{attempt}")
        process = subprocess.Popen([*BONEWRIGHT, "build", "--batch", str(batch)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(moments.uniform(0.1, 0.95 * duration_s))
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        build(batch)
        assert result_hashes(batch) == expected
