"""The loop over a large mesh for `distance_nearby` and `seam_repair`: which faces come near some boxes. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

MOST_CELLS = 1 << 20  # of a grid, that all boxes together are entered in: a table of 16 MB
MOST_ALONG = 1 << 20  # cells along an axis: their product still numbers every cell in 64 bits


@compiled
def _slot_of_cell(table: Any, cell: int) -> int:
    """Where a cell stands in a table, or the free place for it."""
    slot = np.int64((np.uint64(cell) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)) & (len(table) - 1)
    while table[slot] >= 0 and table[slot] != cell:
        slot = (slot + 1) & (len(table) - 1)
    return int(slot)


@compiled
def _n_cells(lows: Any, highs: Any, origin: Any, size: float) -> float:
    """Cells of a grid that the boxes meet, each box for itself."""
    total = 0.0
    for i in range(len(lows)):
        cells = 1.0
        for axis in range(3):
            cells *= np.floor((highs[i, axis] - origin[axis]) / size) - np.floor((lows[i, axis] - origin[axis]) / size) + 1.0
        total += cells
    return float(total)


@compiled
def faces_at_boxes(vertices: Any, faces: Any, lows: Any, highs: Any, size: float) -> Any:
    """(m,) True for all faces whose own box meets one of the boxes (k, 3) from `lows` to `highs`, and for some that come near one: those that
    share a cell of a grid with it. size: of a cell; it grows until the boxes fill no more than MOST_CELLS."""
    is_near = np.zeros(len(faces), np.bool_)
    if len(lows) == 0:
        return is_near
    origin, top = lows[0].copy(), highs[0].copy()
    for i in range(len(lows)):
        for axis in range(3):
            origin[axis], top[axis] = min(origin[axis], lows[i, axis]), max(top[axis], highs[i, axis])
    widest = max(top[0] - origin[0], top[1] - origin[1], top[2] - origin[2])
    size = max(size, widest / MOST_ALONG, 1e-300)
    while _n_cells(lows, highs, origin, size) > MOST_CELLS:
        size *= 2.0
    n_slots = 16
    while n_slots < 2.0 * _n_cells(lows, highs, origin, size):
        n_slots *= 2
    last, first_cell, last_cell = np.empty(3, np.int64), np.empty(3, np.int64), np.empty(3, np.int64)
    for axis in range(3):
        last[axis] = np.int64((top[axis] - origin[axis]) / size)
    table = np.full(n_slots, -1, np.int64)
    for i in range(len(lows)):
        for axis in range(3):
            first_cell[axis], last_cell[axis] = (lows[i, axis] - origin[axis]) / size, (highs[i, axis] - origin[axis]) / size
        for x in range(first_cell[0], last_cell[0] + 1):
            for y in range(first_cell[1], last_cell[1] + 1):
                for z in range(first_cell[2], last_cell[2] + 1):
                    cell = (x * (last[1] + 1) + y) * (last[2] + 1) + z
                    table[_slot_of_cell(table, cell)] = cell
    for t in range(len(faces)):
        is_beside, n = False, 1.0
        for axis in range(3):
            a, b, c = vertices[faces[t, 0], axis], vertices[faces[t, 1], axis], vertices[faces[t, 2], axis]
            low, high = min(a, b, c), max(a, b, c)
            if low > top[axis] or high < origin[axis]:
                is_beside = True
                break
            first_cell[axis] = max(low - origin[axis], 0.0) / size
            last_cell[axis] = min(np.int64((high - origin[axis]) / size), last[axis])
            n *= last_cell[axis] - first_cell[axis] + 1
        if is_beside:
            continue
        if n > n_slots:
            is_near[t] = True
            continue
        for x in range(first_cell[0], last_cell[0] + 1):
            for y in range(first_cell[1], last_cell[1] + 1):
                for z in range(first_cell[2], last_cell[2] + 1):
                    cell = (x * (last[1] + 1) + y) * (last[2] + 1) + z
                    is_near[t] = is_near[t] or table[_slot_of_cell(table, cell)] == cell
    return is_near
