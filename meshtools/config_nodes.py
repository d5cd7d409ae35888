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
        types, values = typing.get_type_hints(shape), {}
        for key, (row, node) in entries.items():
            value, rule = setting_of(node, types[key], fields[key].metadata)
            if rule:
                text, choices = text_of(node), fields[key].metadata.get("choices", ())
                self.problem(row, f"{column}.{key}", text, rule, nearest(text, choices) if choices else "")
            else:
                values[key] = value
        return values


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
    """A list of texts or numbers, or of rows with named cells (dataclasses), each held against its bounds."""
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _rows_setting(node, kind)
    texts = texts_of(node)
    if texts is None or not all(texts):
        return texts, f"is not a list such as [{'one, two' if kind is str else '1.5, 2'}]."
    if kind is str:
        return texts, ""
    values = [setting_of(item, kind, bounds) for item in node.value]
    return tuple(value for value, _ in values), next((rule for _, rule in values if rule), "")


def _rows_setting(node: yaml.Node, kind: type) -> tuple[Any, str]:
    types, fields = typing.get_type_hints(kind), {field.name: field for field in dataclasses.fields(kind)}
    names = ", ".join(fields)
    if not isinstance(node, yaml.SequenceNode) or not all(isinstance(item, yaml.MappingNode) for item in node.value):
        return None, f"is not a list of rows such as {{name: value}} with {names}."
    rows = []
    for item in node.value:
        values: dict[str, Any] = {}
        for key_node, value_node in item.value:
            key = text_of(key_node)
            if key not in fields:
                return None, f"has '{key}' in a row, which is not one of {names}."
            values[key], rule = setting_of(value_node, types[key], fields[key].metadata)
            if rule:
                return None, f"has '{text_of(value_node)}' as {key} of a row, which {rule}"
        missing = [name for name, field in fields.items() if name not in values and field.default is dataclasses.MISSING]
        if missing:
            return None, f"has a row without {', '.join(missing)}."
        rows.append(kind(**values))
    return tuple(rows), ""


def _figure(bound: float | None) -> str:
    return "any" if bound is None else f"{bound:.15g}"
