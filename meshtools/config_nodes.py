"""The nodes of config.yaml as values, each problem with its line: what is noted is told at once, nothing is raised."""

from __future__ import annotations

import dataclasses
import typing
from collections.abc import Mapping
from typing import Any

import yaml

from meshtools.errors import Problem
from meshtools.register_cells import nearest, number_of

CONFIG_FILE = "config/config.yaml"
Entries = Mapping[str, tuple[int, yaml.Node]]


class NodeReader:
    """Walks the nodes of config.yaml, so that every problem knows its line. Noted, never raised."""

    def __init__(self, problems: list[Problem]) -> None:
        self._problems = problems
        self.rows: dict[str, int] = {}

    def problem(self, row: int | None, column: str, value: str, rule: str, near: str = "") -> None:
        """Note one thing that is wrong."""
        self._problems.append(Problem(CONFIG_FILE, row, column, value, rule, near))

    def entries(self, node: yaml.Node | None, column: str, allowed: tuple[str, ...] | None) -> Entries:
        """The keys of a mapping with their lines; an empty section is an empty mapping. `allowed` None takes any key."""
        if node is None or is_empty(node):
            return {}
        if not isinstance(node, yaml.MappingNode):
            self.problem(node.start_mark.line + 1, column, "", "is not a mapping of names to values; write 'name: value' lines.")
            return {}
        entries: dict[str, tuple[int, yaml.Node]] = {}
        for key_node, value in node.value:
            row, key = key_node.start_mark.line + 1, text_of(key_node)
            if not key:
                self.problem(row, column, "", "has a name that is empty or no plain word.")
            elif allowed is not None and key not in allowed:
                self.problem(row, column, key, f"is not a {'setting' if column else 'section'} here.", nearest(key, allowed))
            elif key in entries:
                self.problem(row, column, key, f"stands twice; row {entries[key][0]} says it already.")
            else:
                entries[key] = (row, value)
        return entries

    def fields(self, entries: Entries, column: str, shape: Any) -> dict[str, Any]:
        """The values of a settings dataclass that stand in a mapping and are sound; its keys are fields of `shape`."""
        fields = {field.name: field for field in dataclasses.fields(shape)}
        types = typing.get_type_hints(shape)
        values: dict[str, Any] = {}
        for key, (row, node) in entries.items():
            kind = _row_kind(types[key])
            if kind is not None:
                rows = self.table(node, f"{column}.{key}", kind)
                values |= {} if rows is None else {key: rows}
                continue
            value, rule = setting_of(node, types[key], fields[key].metadata)
            if rule:
                text, choices = text_of(node), fields[key].metadata.get("choices", ())
                self.problem(row, f"{column}.{key}", text, rule, nearest(text, choices) if choices else "")
            else:
                values[key] = value
        return values

    def table(self, node: yaml.Node, column: str, kind: Any) -> tuple[Any, ...] | None:
        """A list of rows with named cells (a dataclass), each cell held against its bounds; None where something is wrong, which is told."""
        names = tuple(field.name for field in dataclasses.fields(kind))
        if not isinstance(node, yaml.SequenceNode):
            self.problem(node.start_mark.line + 1, column, text_of(node), f"is not a list of rows such as {{name: value}} with {', '.join(names)}.")
            return None
        n_before, rows = len(self._problems), []
        for number, item in enumerate(node.value, start=1):
            place, line = f"{column}.{number}", item.start_mark.line + 1
            cells = self.entries(item, place, names)
            values = self.fields(cells, place, kind)
            needed = [field.name for field in dataclasses.fields(kind) if field.default is dataclasses.MISSING]
            missing = [name for name in needed if name not in cells] if isinstance(item, yaml.MappingNode) or is_empty(item) else []
            if missing:
                self.problem(line, place, "", f"lacks {', '.join(missing)}; a row has {', '.join(names)}.")
            if all(name in values for name in needed):
                rows.append(kind(**values))
                self.contradictions(rows[-1], cells, (place, line))
        return tuple(rows) if len(self._problems) == n_before else None

    def contradictions(self, settings: Any, entries: Entries, place: tuple[str, int | None], told: tuple[Any, ...] = ()) -> None:
        """Note what settings that are sound one by one cannot be together; at the entry where it stands, else at the row of `place` (column, row).
        told: (field, rule) that were noted already."""
        column, row = place
        found = settings.contradictions() if hasattr(settings, "contradictions") else ()
        for name, rule in (one for one in found if one not in told):
            line, node = entries.get(name, (row, None))
            self.problem(line, f"{column}.{name}", text_of(node) if node is not None else "", rule)


def is_empty(node: yaml.Node) -> bool:
    """True for a node that says nothing."""
    return isinstance(node, yaml.ScalarNode) and node.tag == "tag:yaml.org,2002:null"


def text_of(node: yaml.Node) -> str:
    """A scalar as it is written, empty for anything else: YAML's own reading of 1_000, 1:30 or yes is not wanted."""
    is_text = isinstance(node, yaml.ScalarNode) and not is_empty(node)
    return str(node.value).encode("utf-8", "replace").decode("utf-8") if is_text else ""


def texts_of(node: yaml.Node) -> tuple[str, ...] | None:
    """A list of scalars as it is written, or None for anything else."""
    if not isinstance(node, yaml.SequenceNode) or not all(isinstance(item, yaml.ScalarNode) for item in node.value):
        return None
    return tuple(text_of(item) for item in node.value)


def setting_of(node: yaml.Node, kind: Any, bounds: Mapping[str, Any]) -> tuple[Any, str]:
    """A setting's value in the type of its field, or the rule that it breaks."""
    if typing.get_origin(kind) is tuple:
        return _tuple_setting(node, typing.get_args(kind)[0], bounds)
    text = text_of(node)
    if not text:
        return None, "has no value; write one or delete the line."
    if kind is str:
        choices = bounds.get("choices", ())
        return text, f"is not one of {', '.join(choices)}." if choices and text not in choices else ""
    if kind is bool:
        return text == "true", "" if text in ("true", "false") else "is not true or false."
    number, rule = number_of(text)
    if number is None:
        return None, rule
    if kind is int and not number.is_integer():
        return None, "is not a whole number."
    low, high = bounds.get("low"), bounds.get("high")
    if (low is not None and number < low) or (high is not None and number > high):
        return None, f"is outside {_figure(low)} to {_figure(high)}."
    return (int(number) if kind is int else number), ""


def _tuple_setting(node: yaml.Node, kind: Any, bounds: Mapping[str, Any]) -> tuple[Any, str]:
    """A list of texts or numbers, each held against its bounds."""
    texts = texts_of(node)
    if texts is None or not all(texts):
        return texts, f"is not a list such as [{'one, two' if kind is str else '1.5, 2'}]."
    if kind is str:
        return texts, ""
    values = [setting_of(item, kind, bounds) for item in node.value]
    return tuple(value for value, _ in values), next((rule for _, rule in values if rule), "")


def _row_kind(kind: Any) -> Any:
    """The dataclass of the rows where a field is a list of rows, else None."""
    inner = typing.get_args(kind)[0] if typing.get_origin(kind) is tuple else None
    return inner if dataclasses.is_dataclass(inner) else None


def _figure(bound: float | None) -> str:
    return "any" if bound is None else f"{bound:.15g}"
