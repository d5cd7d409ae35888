"""Loops over rows of numbers: which are equal, and which faces another mesh has. They bring numba, see `compiled`."""

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
def _slot_of_face(bits: Any, face: Any, n_slots: int) -> Any:
    mixed = np.uint64(0)
    for vertex in face:
        for axis in range(3):
            mixed = (mixed ^ np.uint64(bits[vertex, axis])) * np.uint64(0x9E3779B97F4A7C15)
            mixed ^= mixed >> np.uint64(29)
    return np.int64(mixed & np.uint64(n_slots - 1))


@compiled
def _is_same_face(bits: Any, face: Any, other_bits: Any, other: Any) -> bool:
    for k in range(3):
        for axis in range(3):
            if bits[face[k], axis] != other_bits[other[k], axis]:
                return False
    return True


@compiled
def faces_among(bits: Any, faces: Any, other_bits: Any, others: Any) -> Any:
    """(k,) True for those of the other faces whose corners have the places of one of the faces, in the same order.

    bits, other_bits (n, 3) int64: the places of vertices as they are stored.
    """
    n_slots = 16
    while n_slots < 2 * len(faces):
        n_slots *= 2
    table, is_there = np.full(n_slots, -1, np.int32), np.zeros(len(others), np.bool_)
    for t in range(len(faces)):
        slot = _slot_of_face(bits, faces[t], n_slots)
        while table[slot] >= 0 and not _is_same_face(bits, faces[table[slot]], bits, faces[t]):
            slot = (slot + 1) & (n_slots - 1)
        table[slot] = t
    for t in range(len(others)):
        slot = _slot_of_face(other_bits, others[t], n_slots)
        while table[slot] >= 0 and not is_there[t]:
            is_there[t] = _is_same_face(bits, faces[table[slot]], other_bits, others[t])
            slot = (slot + 1) & (n_slots - 1)
    return is_there


@compiled
def equal_rows(rows: Any) -> Any:
    """Of an (n, c) int64 array the lowest index of each distinct row, in that order, and the group (n,) of every row."""
    n_slots = 16
    while n_slots < 2 * len(rows):
        n_slots *= 2
    table, firsts, group, n = np.full(n_slots, -1, np.int32), np.empty(len(rows), np.int64), np.empty(len(rows), np.int64), 0
    for i in range(len(rows)):
        slot = _slot_of(rows[i], n_slots)
        while table[slot] >= 0 and not (rows[firsts[table[slot]]] == rows[i]).all():
            slot = (slot + 1) & (n_slots - 1)
        if table[slot] < 0:
            table[slot], firsts[n] = n, i
            n += 1
        group[i] = table[slot]
    return firsts[:n].copy(), group
