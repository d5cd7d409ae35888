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
IN_A_ROW = (2, 3)  # kills of one batch before it is finished: of each bundle; twenty kills in all


@pytest.mark.slow
@pytest.mark.parametrize("bundle", range(N_BUNDLES))
def test_builds_killed_one_after_the_other_are_finished_by_the_next_one_with_the_same_bytes(
    timed_tiny: tuple[Path, float, float], tmp_path: Path, bundle: int
) -> None:
    """The first kill comes before any job, the others while jobs run: in the first half or third of what is left of them, and so on to the end.
    What a kill leaves behind the next build meets, killed in its turn or not, and the last one finishes."""
    built, to_first_s, whole_s = timed_tiny
    moments, n_at_work = random.Random(bundle), 0
    for n_kills in IN_A_ROW:
        batch, left_s = make_tiny_batch(tmp_path / f"batch-{n_kills}"), whole_s - to_first_s
        for kill in range(n_kills):
            before, process = begun(batch), start_build(batch)
            if (n_kills, kill) == (IN_A_ROW[0], 0):
                time.sleep(moments.uniform(0.1, to_first_s))
            else:
                wait_for_a_job(batch, process, before)
                wait_s = moments.uniform(0.0, left_s / (n_kills - kill))
                time.sleep(wait_s)
                left_s -= wait_s
                n_at_work += process.poll() is None
            process.kill()  # nothing where a build on a machine that became less busy has ended already
            assert process.wait() in (0, -signal.SIGKILL)
        build(batch)
        assert result_hashes(batch) == result_hashes(built)
    assert n_at_work, "no build was killed while its jobs ran"
