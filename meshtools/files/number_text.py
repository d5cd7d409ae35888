"""Numbers written as text, read in bulk: ASCII meshes hold millions of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import FloatArray

_SPACE, _NEWLINE = 32, 10  # every byte up to 32 parts two words


@dataclass(frozen=True, eq=False)
class NumberRows:
    """Lines of numbers: all values in a row, and how many stand on each line."""

    values: FloatArray
    widths: NDArray[np.int64]

    def columns(self, first: int, n_columns: int) -> FloatArray:
        """Columns `first` .. `first + n_columns - 1` of every line. ValueError where a line is shorter."""
        if len(self.widths) == 0:
            return np.zeros((0, n_columns))
        shortest = int(self.widths.min())
        if shortest < first + n_columns:
            row = int(self.widths.argmin())
            raise ValueError(f"has {shortest} numbers in row {row + 1} where {first + n_columns} are needed")
        if shortest == self.widths.max():
            return self.values.reshape(len(self.widths), shortest)[:, first : first + n_columns]
        starts = np.cumsum(self.widths) - self.widths + first
        chosen: FloatArray = self.values[starts[:, None] + np.arange(n_columns)]
        return chosen


def word_starts(text: bytes) -> NDArray[np.int64]:
    """Where each word of the text starts."""
    is_space = np.frombuffer(text, dtype=np.uint8) <= _SPACE
    is_start = ~is_space
    is_start[1:] &= is_space[:-1]
    return np.flatnonzero(is_start)


def words_per_line(text: bytes, starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many of the words that begin at `starts` stand on each line; an empty text has no line."""
    if not text:
        return np.zeros(0, dtype=np.int64)
    newlines = np.flatnonzero(np.frombuffer(text, dtype=np.uint8) == _NEWLINE)
    counts: NDArray[Any] = np.bincount(np.searchsorted(newlines, starts), minlength=len(newlines) + 1)
    return counts.astype(np.int64)


def read_numbers(text: bytes, n_words: int | None = None) -> FloatArray:
    """Read numbers parted by white space. ValueError, with the rest of a sentence, where a word is not one."""
    expected = len(word_starts(text)) if n_words is None else n_words
    if expected == 0:
        return np.zeros(0)
    try:
        values: FloatArray = np.fromstring(text.decode("ascii"), sep=" ")
    except ValueError:
        raise ValueError("holds a word where a number is needed") from None
    if len(values) != expected:
        raise ValueError("holds a word where a number is needed")
    return values


def read_rows(text: bytes) -> NumberRows:
    """Read lines of numbers. ValueError, with the rest of a sentence, where a word is not a number."""
    starts = word_starts(text)
    return NumberRows(read_numbers(text, len(starts)), words_per_line(text, starts))
