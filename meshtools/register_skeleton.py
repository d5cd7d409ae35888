"""Turn the rows of skeleton.csv into elements: ranges become members of a series, joins become slugs that hold both ways."""

from __future__ import annotations

import dataclasses
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from meshtools.model import Element, Side
from meshtools.register_cells import SLUG, Cells, nearest

PAIRINGS = ("paired", "median")
APART, OPPOSITE, AFTER = "apart", "opposite", "after:"
MOST_IN_RANGE = 500
RANGE = re.compile(r"(\d{1,4})\s*(?:-|–|\.\.)\s*(\d{1,4})", re.ASCII)


@dataclass(frozen=True)
class Skeleton:
    """The elements by slug, and the names of rows too broken to expand: what refers to those is not judged, nor anything
    where the table `is_read` False could not be read, so that one mistake is told once."""

    elements: tuple[Element, ...]
    unjudged: frozenset[str]
    is_read: bool

    @cached_property
    def sides_by_name(self) -> Mapping[str, frozenset[Side]]:
        """Element name -> the sides the skeleton has of it."""
        sides: dict[str, frozenset[Side]] = {}
        for element in self.elements:
            sides[element.name] = sides.get(element.name, frozenset()) | {element.side}
        return sides

    @cached_property
    def places(self) -> frozenset[str]:
        """Every slug and every name without a side: what a decision may name as its element."""
        return frozenset(self.sides_by_name) | {element.slug for element in self.elements}

    def judges(self, name: str) -> bool:
        """False where a name that is absent may be absent only because its row is broken."""
        return self.is_read and not any(broken in ("", name) or name.startswith(f"{broken}-") for broken in self.unjudged)


@dataclass(frozen=True)
class _Row:
    """One sound row of skeleton.csv with the elements it stands for, in order of position, left before right."""

    cells: Cells
    elements: tuple[Element, ...]
    join_words: tuple[str, ...]


def skeleton_from(table: Sequence[Cells], is_read: bool = True) -> Skeleton:
    """The skeleton that the rows describe. What is wrong is noted in the cells.

    A position `1-7` (or `1..7`, which no spreadsheet turns into a date) makes the members <element>-01 .. <element>-07; a paired
    row makes a left and a right element. `joins` may hold slugs, names (of a paired element: the same side; seen from the median:
    both), series (all members), `rib-*` (the member with the same position), `after:X` (only the first member, to X or to the last
    member of series X), `opposite` (the other side) and `apart` (members of the series do not meet). Joins hold both ways, and
    neighbours in a series join unless they are apart.
    """
    expanded = [(cells, _expand(cells)) for cells in table]
    rows = [row for _, row in expanded if row is not None]
    unjudged = frozenset(cells.text("element").casefold() for cells, row in expanded if row is None)
    _check_unique(rows)
    index = _Index([element for row in rows for element in row.elements])
    joins: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        for member_number, element in enumerate(row.elements):
            for word in row.join_words:
                is_first = element.position == row.elements[0].position
                for slug in _resolve(row.cells, index, element, word, is_first, member_number == 0):
                    joins[element.slug].add(slug)
                    joins[slug].add(element.slug)
    for slug, neighbour in _serial_neighbours(rows):
        joins[slug].add(neighbour)
        joins[neighbour].add(slug)
    elements = {slug: dataclasses.replace(e, joins=tuple(sorted(joins[slug] - {slug}))) for slug, e in index.by_slug.items()}
    return Skeleton(tuple(elements[slug] for slug in sorted(elements)), unjudged, is_read)


class _Index:
    """Elements by slug, by name, and series by name and side."""

    def __init__(self, elements: Sequence[Element]) -> None:
        self.by_slug = {element.slug: element for element in elements}
        self.by_name: dict[str, list[Element]] = defaultdict(list)
        self.series: dict[str, list[Element]] = defaultdict(list)
        for element in sorted(self.by_slug.values(), key=lambda e: (e.position or 0, e.slug)):
            self.by_name[element.name].append(element)
            if element.series:
                self.series[element.series].append(element)

    def words(self) -> list[str]:
        """Every word that names something, for the nearest valid name."""
        return [*self.by_slug, *self.by_name, *self.series]


def _expand(cells: Cells) -> _Row | None:
    name, pairing = cells.filled("element"), cells.choice("pairing", PAIRINGS)
    cells.filled("pairing")
    positions, is_range = _positions(cells)
    if name and (not SLUG.fullmatch(name) or name in (APART, OPPOSITE) or name.endswith(("-left", "-right"))):
        cells.problem("element", "is not a name of small letters, digits and hyphens without a side; the pairing gives the sides.")
    uberon = cells.text("uberon")
    if uberon and not re.fullmatch(r"UBERON:\d{7}", uberon):
        cells.problem("uberon", "is not an id such as UBERON:0000981.")
    if not name or not pairing or not positions or not cells.is_aligned:
        return None
    first = Element(
        name, Side.MEDIAN, cells.text("series") or (name if is_range else ""), None, cells.text("region"), cells.text("group"),
        uberon, cells.text("homologue_key"),
    )
    width = max(2, len(str(positions[-1])))
    members = [dataclasses.replace(first, position=p, name=f"{name}-{p:0{width}d}" if is_range else name) for p in positions]
    sides = (Side.LEFT, Side.RIGHT) if pairing == "paired" else (Side.MEDIAN,)
    words = tuple(word for word in re.split(r"[\s|]+", cells.text("joins")) if word)
    return _Row(cells, tuple(dataclasses.replace(m, side=side) for m in members for side in sides), words)


def _positions(cells: Cells) -> tuple[list[int | None], bool]:
    """The positions a row stands for ([None] where it has none) and whether it is a range."""
    text = cells.text("position")
    span = RANGE.fullmatch(text)
    if span and 1 <= int(span[1]) <= int(span[2]) <= int(span[1]) + MOST_IN_RANGE:
        return list(range(int(span[1]), int(span[2]) + 1)), True
    if not text or (re.fullmatch(r"\d{1,4}", text, re.ASCII) and int(text) >= 1):
        return [int(text) if text else None], False
    hint = " A spreadsheet may have turned it into a date: 1..7 is safe from that." if re.search(r"[^\W\d]|/|\.\d|-\d+-", text) else ""
    cells.problem("position", f"is not a whole number from 1 or a rising range such as 1..7.{hint}")
    return [], False


def _check_unique(rows: Sequence[_Row]) -> None:
    slugs: dict[str, int] = {}
    places: dict[tuple[str, int, Side], tuple[str, int]] = {}
    for row in rows:
        for element in row.elements:
            if element.slug in slugs:
                row.cells.problem("element", f"makes {element.slug}, which row {slugs[element.slug]} makes already.")
                break
            slugs[element.slug] = row.cells.row
            if element.series and element.position is not None:
                place = (element.series, element.position, element.side)
                if place in places:
                    other, number = places[place]
                    row.cells.problem("position", f"gives {element.slug} the place in series {element.series} that {other} in row {number} has.")
                    break
                places[place] = (element.slug, row.cells.row)


def _resolve(cells: Cells, index: _Index, element: Element, word: str, is_first: bool, is_told: bool) -> list[str]:
    """The slugs that one word of `joins` means for one member. A word without meaning is noted once, for the first member."""
    if word == APART:
        return []
    if word == OPPOSITE:
        return [f"{element.name}-{element.side.opposite.value}"] if element.side is not Side.MEDIAN else []
    if word.startswith(AFTER):
        name = word.removeprefix(AFTER)
        found = _named(index, element, name)
        if not found and index.series.get(name):
            last = max(member.position or 0 for member in index.series[name])
            found = [m for m in _same_side(index.series[name], element) if m.position == last]
        if not found and is_told:
            cells.problem("joins", f"names '{name}', which is no element or series of this table.", nearest(name, index.words()))
        return [member.slug for member in found] if is_first else []
    name = _starred(index, word, element.position) if "*" in word else word
    found = _named(index, element, name) or _same_side(index.series.get(name, []), element)
    if not found and (is_told or "*" in word) and element.side is not Side.RIGHT:
        cells.problem("joins", f"names '{name}', which is no element or series of this table.", "" if "*" in word else nearest(name, index.words()))
    return [member.slug for member in found if member.slug != element.slug]


def _named(index: _Index, element: Element, name: str) -> list[Element]:
    if name in index.by_slug:
        return [index.by_slug[name]]
    return _same_side(index.by_name.get(name, []), element)


def _same_side(members: Sequence[Element], element: Element) -> list[Element]:
    """Of `members` those that `element` can meet: its own side and the median; a median element meets both sides."""
    return [m for m in members if element.side is Side.MEDIAN or m.side in (element.side, Side.MEDIAN)]


def _starred(index: _Index, word: str, position: int | None) -> str:
    """`thoracic-*` with the position in place of the star, with as many leading zeros as the named series has."""
    if position is None:
        return word
    names = [word.replace("*", f"{position:0{width}d}") for width in (2, 3, 4, 1)]
    return next((name for name in names if name in index.by_name or name in index.by_slug), names[0])


def _serial_neighbours(rows: Sequence[_Row]) -> list[tuple[str, str]]:
    """Pairs of slugs that follow each other in a series on the same side. A row that is `apart` meets none of its series."""
    places = {
        (e.series, e.side, e.position): e.slug for row in rows if APART not in row.join_words for e in row.elements if e.series and e.position
    }
    following = {place: places.get((place[0], place[1], (place[2] or 0) + 1)) for place in places}
    return [(places[place], other) for place, other in following.items() if other]

