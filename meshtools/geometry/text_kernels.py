"""The loop over rows of numbers that are written as text. It brings numba, see `compiled`."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.geometry.compiled import compiled

MINUS, POINT, ZERO = 45, 46, 48  # in ASCII


@compiled
def _put_number(value: float, n_decimals: int, text: Any, n: int) -> int:
    """Write a number from place n on, rounded to so many decimals, half to even; returns the place after it."""
    scale = 1
    for _ in range(n_decimals):
        scale *= 10
    left = np.int64(np.rint(abs(value) * scale))
    if value < 0.0:
        text[n] = MINUS
        n += 1
    n_digits, rest = 1, left // 10
    while rest > 0 or n_digits <= n_decimals:
        n_digits, rest = n_digits + 1, rest // 10
    end = n + n_digits + (1 if n_decimals > 0 else 0)
    place = end - 1
    for k in range(n_digits):
        if k == n_decimals and k > 0:
            text[place] = POINT
            place -= 1
        text[place] = ZERO + left % 10
        left, place = left // 10, place - 1
    return end


@compiled
def _put_mark(marks: Any, starts: Any, mark: int, text: Any, n: int) -> int:
    for i in range(starts[mark], starts[mark + 1]):
        text[n] = marks[i]
        n += 1
    return n


@compiled
def put_rows(values: Any, n_decimals: int, kinds: Any, marks: Any, starts: Any, text: Any) -> int:
    """Write rows of three numbers (n, 3) float64 as text (uint8), each number after its mark 0, 1 or 2, and the mark 3 + its kind (n,) at the end
    of the row. Returns the length.

    marks, starts: the marks' bytes one after the other, and where each starts. A number times the power of ten must be exact in double precision to
    be rounded as it is: 32-bit numbers are.
    """
    n = 0
    for row in range(len(values)):
        for k in range(3):
            n = _put_mark(marks, starts, k, text, n)
            n = _put_number(values[row, k], n_decimals, text, n)
        n = _put_mark(marks, starts, 3 + kinds[row], text, n)
    return n
