"""The records of a PLY element, read in bulk: equal records at once, records with lists of unequal length by a walk over their counts."""

from __future__ import annotations

from array import array
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from meshtools.files.scan_parts import ramps, shown
from meshtools.model import FloatArray

_MOST_WALKED = 5_000_000  # records read one after the other, about a second a million


@dataclass(frozen=True)
class Property:
    """One property of an element: a scalar, or a list where `count_kind` is the type of its length."""

    name: str
    kind: np.dtype[Any]
    count_kind: np.dtype[Any] | None = None


@dataclass(frozen=True)
class Element:
    """One kind of record and how many of them the header states."""

    name: str
    count: int
    properties: tuple[Property, ...]


@dataclass(frozen=True, eq=False)
class Ragged:
    """A list property: the length of each record's list, and all items in a row."""

    sizes: NDArray[np.int64]
    items: NDArray[Any]


Order = Literal["<", ">"]
Columns = dict[str, NDArray[Any] | Ragged]


class BinaryBody:
    """The bytes after the header."""

    unit = "bytes"

    def __init__(self, content: bytes, start: int, order: Order) -> None:
        self.content, self.start, self.order = content, start, order
        self.end = len(content)

    def size_of(self, kind: np.dtype[Any]) -> int:
        """Bytes of one scalar."""
        return kind.itemsize

    def count_at(self, offset: int, kind: np.dtype[Any]) -> int:
        """The length of a list that starts at `offset`."""
        raw = self.content[offset : offset + kind.itemsize]
        return int.from_bytes(raw, "little" if self.order == "<" else "big", signed=kind.kind == "i")

    def gather(self, offsets: NDArray[np.int64], kind: np.dtype[Any]) -> NDArray[Any]:
        """The scalars that start at `offsets`."""
        places = offsets[:, None] + np.arange(kind.itemsize)
        raw = np.frombuffer(self.content, dtype=np.uint8)[places]
        scalars: NDArray[Any] = raw.view(kind.newbyteorder(self.order)).reshape(-1).astype(kind)
        return scalars

    def table(self, offset: int, count: int, fields: list[tuple[np.dtype[Any], int]]) -> list[NDArray[Any]]:
        """Equal records: for every field of `repeat` scalars an array (count, repeat)."""
        layout = np.dtype([(f"f{i}", kind.newbyteorder(self.order), (repeat,)) for i, (kind, repeat) in enumerate(fields)])
        records = np.frombuffer(self.content, dtype=layout, count=count, offset=offset)
        return [records[label] for label in records.dtype.names or ()]


class TokenBody:
    """The numbers after the header of a text file; every scalar takes one place."""

    unit = "numbers"

    def __init__(self, values: FloatArray) -> None:
        self.values, self.start, self.end = values, 0, len(values)

    def size_of(self, kind: np.dtype[Any]) -> int:
        """One place, whatever the type."""
        return 1

    def count_at(self, offset: int, kind: np.dtype[Any]) -> int:
        """The length of a list that starts at `offset`; -1 where the number is not whole."""
        value = float(self.values[offset])
        return int(value) if value.is_integer() else -1

    def gather(self, offsets: NDArray[np.int64], kind: np.dtype[Any]) -> NDArray[Any]:
        """The numbers at `offsets`."""
        return self.values[offsets]

    def table(self, offset: int, count: int, fields: list[tuple[np.dtype[Any], int]]) -> list[NDArray[Any]]:
        """Equal records: for every field of `repeat` scalars an array (count, repeat)."""
        widths = [repeat for _, repeat in fields]
        rows = self.values[offset : offset + count * sum(widths)].reshape(count, sum(widths))
        return np.split(rows, np.cumsum(widths)[:-1], axis=1)


Body = BinaryBody | TokenBody


def read_element(body: Body, element: Element, offset: int, wanted: Collection[str]) -> tuple[Columns, int]:
    """Read an element's `wanted` properties from `offset`. Returns them and where the next element starts.

    ValueError, with the rest of a sentence, where the body is too short for the stated count; checked before anything is allocated.
    """
    if element.count == 0 or not element.properties:
        return {}, offset
    smallest = sum(body.size_of(one.count_kind or one.kind) for one in element.properties)
    if element.count * smallest > body.end - offset:
        raise ValueError(f"states {element.count} {shown(element.name)} records but has room for {(body.end - offset) // smallest}")
    return _read_equal(body, element, offset, wanted) or _read_bytes_counts(body, element, offset, wanted) or _walk(body, element, offset, wanted)


def _read_equal(body: Body, element: Element, offset: int, wanted: Collection[str]) -> tuple[Columns, int] | None:
    """Read all records as if their lists were as long as in the first record; None where they are not."""
    fields: list[tuple[np.dtype[Any], int]] = []
    owners: list[tuple[Property, bool]] = []  # with True for the length of a list
    record_end = offset
    for one in element.properties:
        repeat = 1
        if one.count_kind is not None:
            if record_end >= body.end:
                return None
            repeat = body.count_at(record_end, one.count_kind)
            fields.append((one.count_kind, 1))
            owners.append((one, True))
            record_end += body.size_of(one.count_kind)
        record_end += max(repeat, 0) * body.size_of(one.kind)
        if repeat < 0 or record_end > body.end:
            return None
        fields.append((one.kind, repeat))
        owners.append((one, False))
    size = record_end - offset
    if element.count * size > body.end - offset:
        return None
    columns: Columns = {}
    for column, (one, is_count), (_, repeat) in zip(body.table(offset, element.count, fields), owners, fields, strict=True):
        if is_count:
            if (column != column[0]).any():
                return None
        elif one.name in wanted:
            is_list = one.count_kind is not None
            sizes = np.full(element.count, repeat, dtype=np.int64)
            columns[one.name] = Ragged(sizes, column.reshape(-1)) if is_list else column[:, 0]
    return columns, offset + element.count * size


def _read_bytes_counts(body: Body, element: Element, offset: int, wanted: Collection[str]) -> tuple[Columns, int] | None:
    """Read binary records with a single list whose length is one byte, as polygons are written; None for any others."""
    lists = [one for one in element.properties if one.count_kind is not None]
    if not isinstance(body, BinaryBody) or len(lists) != 1 or lists[0].count_kind != np.dtype("u1"):
        return None
    widths = [1 if one is lists[0] else one.kind.itemsize for one in element.properties]
    place = element.properties.index(lists[0])
    before, fixed, item = sum(widths[:place]), sum(widths), lists[0].kind.itemsize
    counts, content, at = bytearray(), body.content, offset + before
    try:
        for _ in range(element.count):
            counts.append(content[at])
            at += fixed + item * counts[-1]
    except IndexError:
        at = len(content) + fixed
    if at - before > body.end:
        raise ValueError(f"ends inside {shown(element.name)} record {max(len(counts) - 1, 0)} of {element.count}")
    sizes = np.frombuffer(counts, dtype=np.uint8).astype(np.int64)
    ends = offset + np.cumsum(fixed + item * sizes)
    columns: Columns = {}
    for number, one in enumerate(element.properties):
        if one.name in wanted:
            # what follows the list is counted from the end of its record
            first = ends - sum(widths[number:]) if number > place else ends - item * sizes - fixed + sum(widths[:number])
            is_list = number == place
            columns[one.name] = Ragged(sizes, body.gather(_items(first + 1, sizes, item), one.kind)) if is_list else body.gather(first, one.kind)
    return columns, at - before


def _items(first: NDArray[np.int64], sizes: NDArray[np.int64], item: int) -> NDArray[np.int64]:
    """Where the items of all lists stand."""
    return np.repeat(first, sizes) + item * ramps(sizes)


def _walk(body: Body, element: Element, offset: int, wanted: Collection[str]) -> tuple[Columns, int]:
    """Read records one after the other by the lengths of their lists."""
    if element.count > _MOST_WALKED:
        raise ValueError(f"has {element.count} {shown(element.name)} records with lists of different lengths, more than can be read")
    starts = [array("q") for _ in element.properties]
    sizes = [array("q") for _ in element.properties]
    plan = [(one.count_kind, body.size_of(one.count_kind or one.kind), body.size_of(one.kind)) for one in element.properties]
    for record in range(element.count):
        for (count_kind, lead, item), begin, length in zip(plan, starts, sizes, strict=True):
            if offset + lead > body.end:
                raise ValueError(f"ends inside {shown(element.name)} record {record} of {element.count}")
            if count_kind is None:
                begin.append(offset)
                offset += lead
                continue
            n_items = body.count_at(offset, count_kind)
            if n_items < 0 or offset + lead + n_items * item > body.end:
                raise ValueError(f"ends inside {shown(element.name)} record {record} of {element.count}")
            begin.append(offset + lead)
            length.append(n_items)
            offset += lead + n_items * item
    columns: Columns = {}
    for one, begin, length, (_, _, item) in zip(element.properties, starts, sizes, plan, strict=True):
        if one.name not in wanted:
            continue
        first = np.array(begin, dtype=np.int64)
        if one.count_kind is None:
            columns[one.name] = body.gather(first, one.kind)
            continue
        lengths = np.array(length, dtype=np.int64)
        columns[one.name] = Ragged(lengths, body.gather(_items(first, lengths, item), one.kind))
    return columns, offset
