"""Loops over rows of numbers: which rows are in another list. They bring numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled


@compiled
def _slot_of(row: Any, n_slots: int) -> Any:
    mixed = np.uint64(0)
    for number in row:
        mixed = (mixed ^ np.uint64(number)) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    return np.int64(mixed & np.uint64(n_slots - 1))


@compiled
def rows_among(have: Any, want: Any) -> Any:
    """(k,) True for rows of `want` (k, c) that are a row of `have` (n, c), both int64."""
    n_slots = 16
    while n_slots < 2 * len(have):
        n_slots *= 2
    table, is_there = np.full(n_slots, -1, np.int32), np.zeros(len(want), np.bool_)
    for i in range(len(have)):
        slot = _slot_of(have[i], n_slots)
        while table[slot] >= 0 and not (have[table[slot]] == have[i]).all():
            slot = (slot + 1) & (n_slots - 1)
        table[slot] = i
    for i in range(len(want)):
        slot = _slot_of(want[i], n_slots)
        while table[slot] >= 0 and not is_there[i]:
            is_there[i] = (have[table[slot]] == want[i]).all()
            slot = (slot + 1) & (n_slots - 1)
    return is_there
