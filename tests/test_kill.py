"""A build that is killed at any moment is finished by one plain build, with the same bytes and nobody writing on."""

from __future__ import annotations

import random
import signal
import time
from pathlib import Path

import pytest
from six_bones import build, result_hashes
from tiny_batch import begun, make_tiny_batch, start_build, wait_for_a_job

N_BUNDLES = 4
IN_A_ROW = 5  # kills of one batch before it is finished; twenty kills in all
MOST_ATTEMPTS = 3


@pytest.mark.slow
@pytest.mark.parametrize("bundle", range(N_BUNDLES))
def test_builds_killed_one_after_the_other_are_finished_by_the_next_one_with_the_same_bytes(
    timed_tiny: tuple[Path, float, float], tmp_path: Path, bundle: int
) -> None:
    """The first kill comes before any job, the others while jobs run: in the first quarter of what is left of them, and so on to the end.
    What a kill leaves behind the next build meets, killed in its turn or not, and the last one finishes."""
    built, to_first_s, whole_s = timed_tiny
    moments, n_at_work = random.Random(bundle), 0
    for attempt in range(MOST_ATTEMPTS):
        batch = make_tiny_batch(tmp_path / f"batch-{attempt}")
        n_at_work = kill_in_a_row(batch, moments, to_first_s, (whole_s - to_first_s) / 2**attempt)
        build(batch)
        assert result_hashes(batch) == result_hashes(built)
        if n_at_work:
            break
    assert n_at_work, "no build was killed while its jobs ran"


def kill_in_a_row(batch: Path, moments: random.Random, to_first_s: float, left_s: float) -> int:
    """Kill build after build of a batch whose jobs take `left_s` seconds in all; returns how many were killed while jobs ran: none where the machine
    became so much less busy that the first of them had ended already."""
    n_at_work = 0
    for kill in range(IN_A_ROW):
        before, process = begun(batch), start_build(batch)
        if kill == 0:
            time.sleep(moments.uniform(0.1, to_first_s))
        else:
            wait_for_a_job(batch, process, before)
            wait_s = moments.uniform(0.0, left_s / (IN_A_ROW - kill))
            time.sleep(wait_s)
            left_s -= wait_s
            n_at_work += process.poll() is None
        process.kill()
        assert process.wait() in (0, -signal.SIGKILL)
    return n_at_work
