"""Numbers that a decimal comma has split into two cells, found by what stands further right in the row than it should."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence

FIRST_HALF = re.compile(r"[+-]?\d+", re.ASCII)
SECOND_HALF = re.compile(r"\d+", re.ASCII)


def split_number_rule(tells: Iterable[tuple[str, str]], header: Sequence[str], cells: Sequence[str]) -> str:
    """The rule that a row breaks whose numbers have decimal commas in a table that commas part; empty where no cell tells of any.

    tells: columns behind a number, each with the pattern of its cells. A cell of that pattern k places further right says that k numbers
    before it were split, if there are so many pairs of whole numbers. Which they are is named where only one choice is left.
    """
    for column, pattern in tells:
        if column not in header or (place := header.index(column)) >= len(cells) or not cells[place] or re.fullmatch(pattern, cells[place], re.I):
            continue
        # two cells for each of k numbers stand before the cell, so it is at most as far off again
        found = next((n for n in range(place + 1, min(2 * place + 1, len(cells))) if re.fullmatch(pattern, cells[n], re.I)), place)
        pairs = [n for n, (a, b) in enumerate(itertools.pairwise(cells[:found])) if FIRST_HALF.fullmatch(a) and SECOND_HALF.fullmatch(b)]
        n_split = found - place
        first, last = _apart(pairs)[:n_split], _apart([-n for n in reversed(pairs)])[:n_split]
        if 0 < n_split == len(first):
            sure = first if first == [-n for n in reversed(last)] else []
            return _rule([f"{cells[n]},{cells[n + 1]}" for n in sure or pairs], n_split)
    return ""


def _apart(places: Iterable[int]) -> list[int]:
    """As many as can be of rising places that are no neighbours of each other, each as early as can be."""
    chosen: list[int] = []
    for place in places:
        if not chosen or place > chosen[-1] + 1:
            chosen.append(place)
    return chosen


def _rule(pairs: Sequence[str], n_split: int) -> str:
    commas = "a decimal comma, which" if n_split == 1 else f"{n_split} decimal commas, each of which"
    if len(pairs) == n_split:
        numbers = [pair.replace(",", ".") for pair in pairs]
        remedy = f"write {numbers[0]}, not {pairs[0]}" if n_split == 1 else f"write {', '.join(numbers[:-1])} and {numbers[-1]}"
    else:
        remedy = f"{'it is one' if n_split == 1 else f'they are {n_split}'} of {', '.join(pairs[:-1])} and {pairs[-1]}: write a decimal point"
    return f"has {commas} makes two cells of one number; {remedy}."
