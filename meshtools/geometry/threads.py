"""Long loops over rows in threads: one block of rows each, so that a large scan keeps all cores busy. The loops let go of the interpreter's lock."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

T = TypeVar("T")

LEAST_ROWS = 1 << 14  # of a block whose rows take a microsecond: less than a hundredth of a second is not worth a thread
LEAST_LIGHT_ROWS = 1 << 18  # the same for rows that take a few nanoseconds
MOST_THREADS = 8  # beyond them the memory is the limit
BLOCKS_OF_THREAD = 4  # so that none waits long for a slow one


CORES = "BONEWRIGHT_CORES"
"""Of the environment: cores that a build was told to use (`--cores`)."""


def n_threads() -> int:
    """Cores that this process may use, at most MOST_THREADS."""
    return min(MOST_THREADS, n_cores(), int(os.environ.get(CORES, MOST_THREADS)))


def n_cores() -> int:
    """Cores of the machine that this process may run on."""
    return len(os.sched_getaffinity(0))


def at_once(works: list[Callable[[], T]]) -> list[T]:
    """What some works return, in their order; each in a thread of its own, as far as there are cores."""
    if n_threads() < 2 or len(works) < 2:
        return [work() for work in works]
    with ThreadPoolExecutor(min(n_threads(), len(works))) as pool:
        return list(pool.map(lambda work: work(), works))


def in_blocks(n_rows: int, work: Callable[[slice], T], least_rows: int | None = None) -> list[T]:
    """What `work` returns for one block of rows after the other. What comes of it all must not hang on where the blocks end."""
    n_blocks = min(BLOCKS_OF_THREAD * n_threads(), n_rows // (least_rows or LEAST_ROWS)) if n_threads() > 1 else 1
    if n_blocks < 2:
        return [work(slice(0, n_rows))]
    edges = [n_rows * i // n_blocks for i in range(n_blocks + 1)]
    with ThreadPoolExecutor(n_threads()) as pool:
        return list(pool.map(work, (slice(start, end) for start, end in pairwise(edges))))
