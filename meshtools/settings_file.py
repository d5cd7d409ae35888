"""Read config.yaml: the targets, what scan folders declare, and the settings, each held against the bounds of its field."""

from __future__ import annotations

import dataclasses
import re
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from meshtools.errors import Problem, TablesError
from meshtools.files.tables import read_text
from meshtools.links import leads_out
from meshtools.model import EvidenceClass, Target, Unit
from meshtools.register_cells import LINK_RULE, SLUG, nearest, number_of
from meshtools.settings import Settings

CONFIG_FILE = "config/config.yaml"
GROUP_SECTIONS = ("class_order", "allometry")  # these map groups of skeleton.csv
STAGE_SECTIONS = tuple(f.name for f in dataclasses.fields(Settings) if f.name not in GROUP_SECTIONS)
LATER_SECTIONS = ("routes", "machines", "materials")  # read by the stages that make parts, kept as mappings here
SECTIONS = ("targets", "scans", *GROUP_SECTIONS, *STAGE_SECTIONS, *LATER_SECTIONS)
ORDERED_CLASSES = tuple(c.value for c in EvidenceClass if c not in (EvidenceClass.FILL, EvidenceClass.MADE))
LARGEST_SIZE_FACTOR = 100.0
LEAST_EXPONENT, LARGEST_EXPONENT = 0.5, 2.0  # proposed bounds: beyond them a digit was mistaken
MOST_CONFIG_SIGNS = 1 << 18  # a hundred times what a batch needs
Entries = Mapping[str, tuple[int, yaml.Node]]


@dataclass(frozen=True)
class ScanFolder:
    """What scans.folders declares once for all scans below `folder` (relative to the batch, `scans/..`). `is_sound` False: a unit
    is declared, but wrongly, which is told once and not again in every row."""

    folder: str
    unit: Unit | None
    capture: str
    is_sound: bool = True

    @property
    def place(self) -> str:
        """The words for `unit_source` and `capture_source`."""
        return f"folder {self.folder}"


@dataclass(frozen=True)
class ConfigFile:
    """What config.yaml says. `rows` maps `targets.<name>`, `class_order.<group>` and `allometry.<group>` to their line, for later
    cross-checks."""

    targets: tuple[Target, ...]
    folders: tuple[ScanFolder, ...]
    settings: Settings
    rows: Mapping[str, int]

    @property
    def target_names(self) -> frozenset[str]:
        """Every target the file names, broken entries too: what refers to those is not wrong."""
        return frozenset(key.removeprefix("targets.") for key in self.rows if key.startswith("targets."))


def read_config(path: Path, problems: list[Problem]) -> ConfigFile | None:
    """Read config.yaml, adding what is wrong to `problems`. None where the file as a whole cannot be read."""
    if leads_out(path.parent.parent, path):
        problems.append(Problem(CONFIG_FILE, None, "", "", LINK_RULE))
        return None
    try:
        text = read_text(path)
        if len(text) > MOST_CONFIG_SIGNS:
            problems.append(Problem(CONFIG_FILE, None, "", "", f"is longer than {MOST_CONFIG_SIGNS} signs; keep only settings in it."))
            return None
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except TablesError as error:
        problems.extend(error.problems)
        return None
    except yaml.MarkedYAMLError as error:
        row = error.problem_mark.line + 1 if error.problem_mark else None
        problems.append(Problem(CONFIG_FILE, row, "", "", f"is not valid YAML ({error.problem}); check indents, colons and quotation marks."))
        return None
    except (yaml.YAMLError, ValueError, OverflowError):
        problems.append(Problem(CONFIG_FILE, None, "", "", "is not valid YAML; it holds a character that YAML does not allow."))
        return None
    except RecursionError:
        problems.append(Problem(CONFIG_FILE, None, "", "", "nests values too deeply; a setting stands at most three names deep."))
        return None
    reader = _Reader(problems)
    sections = reader.entries(root, "", SECTIONS)
    for name in LATER_SECTIONS:
        reader.entries(sections[name][1] if name in sections else None, name, None)
    stages = {name: reader.stage(sections, name) for name in STAGE_SECTIONS}
    settings = Settings(**stages, class_order=reader.class_order(sections), allometry=reader.allometry(sections))
    return ConfigFile(reader.targets(sections), reader.folders(sections), settings, reader.rows)


class _Reader:
    """Walks the nodes of config.yaml, so that every problem knows its line. Noted, never raised."""

    def __init__(self, problems: list[Problem]) -> None:
        self._problems = problems
        self.rows: dict[str, int] = {}

    def problem(self, row: int | None, column: str, value: str, rule: str, near: str = "") -> None:
        self._problems.append(Problem(CONFIG_FILE, row, column, value, rule, near))

    def entries(self, node: yaml.Node | None, column: str, allowed: tuple[str, ...] | None) -> Entries:
        """The keys of a mapping with their lines; an empty section is an empty mapping. `allowed` None takes any key."""
        if node is None or _is_empty(node):
            return {}
        if not isinstance(node, yaml.MappingNode):
            self.problem(node.start_mark.line + 1, column, "", "is not a mapping of names to values; write 'name: value' lines.")
            return {}
        entries: dict[str, tuple[int, yaml.Node]] = {}
        for key_node, value in node.value:
            row, key = key_node.start_mark.line + 1, _text(key_node)
            if not key:
                self.problem(row, column, "", "has a name that is empty or no plain word.")
            elif allowed is not None and key not in allowed:
                self.problem(row, column, key, f"is not a {'setting' if column else 'section'} here.", nearest(key, allowed))
            elif key in entries:
                self.problem(row, column, key, f"stands twice; row {entries[key][0]} says it already.")
            else:
                entries[key] = (row, value)
        return entries

    def stage(self, sections: Entries, name: str) -> Any:
        """The settings dataclass of one stage, with defaults for what is absent or wrong."""
        shape: Any = type(getattr(Settings(), name))
        fields = {field.name: field for field in dataclasses.fields(shape)}
        types, values = typing.get_type_hints(shape), {}
        for key, (row, node) in self.entries(sections.get(name, (0, None))[1], name, tuple(fields)).items():
            value, rule = _setting(node, types[key], fields[key].metadata)
            if rule:
                self.problem(row, f"{name}.{key}", _text(node), rule)
            else:
                values[key] = value
        return shape(**values)

    def class_order(self, sections: Entries) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Group -> order of classes, `default` first, then by name; the built-in default where the file has none."""
        order = dict(Settings().class_order)
        for group, (row, node) in self.entries(sections.get("class_order", (0, None))[1], "class_order", None).items():
            column, codes = f"class_order.{group}", _texts(node)
            self.rows[column] = row
            wrong = [code for code in codes or () if code not in ORDERED_CLASSES]
            for code in wrong:
                self.problem(row, column, code, f"is not one of {', '.join(ORDERED_CLASSES)}.", nearest(code, ORDERED_CLASSES))
            if not codes or len(set(codes)) != len(codes):
                self.problem(row, column, _text(node), "is not a list of different class codes such as [OWN, OWN-R, DON].")
            elif not wrong:
                order[group] = codes
        return tuple(sorted(order.items(), key=lambda item: (item[0] != "default", item[0])))

    def allometry(self, sections: Entries) -> tuple[tuple[str, float], ...]:
        """Group -> allometric exponent, by name."""
        exponents: dict[str, float] = {}
        for group, (row, node) in self.entries(sections.get("allometry", (0, None))[1], "allometry", None).items():
            column = f"allometry.{group}"
            self.rows[column] = row
            number, rule = number_of(_text(node))
            if number is None or not LEAST_EXPONENT <= number <= LARGEST_EXPONENT:
                rule = rule or f"is not an exponent from {LEAST_EXPONENT:g} to {LARGEST_EXPONENT:g}."
                self.problem(row, column, _text(node), rule)
            else:
                exponents[group] = number
        return tuple(sorted(exponents.items()))

    def targets(self, sections: Entries) -> tuple[Target, ...]:
        """The targets by name: an individual itself, or a stated size relative to one."""
        targets = []
        for name, (row, node) in self.entries(sections.get("targets", (0, None))[1], "targets", None).items():
            column = f"targets.{name}"
            self.rows[column] = row
            if not SLUG.fullmatch(name) or len(name) > 80:
                self.problem(row, "targets", name, "names a folder, so it is small letters a-z, digits and hyphens.")
            keys = self.entries(node, column, ("individual", "relative_to", "factor"))
            texts = {key: _text(value).strip() for key, (_, value) in keys.items()}
            individual, factor = texts.get("individual") or texts.get("relative_to"), 1.0
            if not individual or set(texts) not in ({"individual"}, {"relative_to", "factor"}):
                self.problem(row, column, "", "needs either 'individual: <organismID>' or both 'relative_to: <organismID>' and 'factor: <number>'.")
                continue
            if "factor" in texts:
                number, rule = number_of(texts["factor"])
                if number is None or number == 1.0 or not 0 < number <= LARGEST_SIZE_FACTOR:
                    rule = rule or f"is not above 0 and at most {LARGEST_SIZE_FACTOR:g}, or it is 1: then write 'individual: {individual}'."
                    self.problem(keys["factor"][0], f"{column}.factor", texts["factor"], rule)
                factor = number if number is not None else 1.0
            targets.append(Target(name, individual, factor))
        return tuple(sorted(targets, key=lambda target: target.name))

    def folders(self, sections: Entries) -> tuple[ScanFolder, ...]:
        """What scans.folders declares, by folder."""
        scans = self.entries(sections.get("scans", (0, None))[1], "scans", ("folders",))
        folders: dict[str, ScanFolder] = {}
        for name, (row, node) in self.entries(scans.get("folders", (0, None))[1], "scans.folders", None).items():
            column = f"scans.folders.{name}"
            keys = self.entries(node, column, ("unit", "capture"))
            texts = {key: _text(value).strip() for key, (_, value) in keys.items()}
            units = [unit.value for unit in Unit]
            unit = texts.get("unit", "").casefold()
            if unit and unit not in units:
                self.problem(keys["unit"][0], f"{column}.unit", texts["unit"], f"is not one of {', '.join(units)}.", nearest(unit, units))
            folder = _folder_path(name)
            if folder is None:
                self.problem(row, "scans.folders", name, "leads out of the batch; give the folder's path below scans/.")
            elif folder in folders:
                self.problem(row, "scans.folders", name, f"is the folder {folder}, which is declared already.")
            else:
                folders[folder] = ScanFolder(folder, Unit(unit) if unit in units else None, texts.get("capture", ""), not unit or unit in units)
        return tuple(folders[folder] for folder in sorted(folders))


def _folder_path(name: str) -> str | None:
    """The folder relative to the batch, `scans` or `scans/..`; None where it leads out of it."""
    text = name.replace("\\", "/")
    parts = [part for part in text.split("/") if part not in ("", ".")]
    if text.startswith(("/", "~")) or re.match(r"[A-Za-z]:", text) or ".." in parts:
        return None
    return "/".join(parts if parts[:1] == ["scans"] else ["scans", *parts])


def _is_empty(node: yaml.Node) -> bool:
    return isinstance(node, yaml.ScalarNode) and node.tag == "tag:yaml.org,2002:null"


def _text(node: yaml.Node) -> str:
    """A scalar as it is written, empty for anything else: YAML's own reading of 1_000, 1:30 or yes is not wanted."""
    is_text = isinstance(node, yaml.ScalarNode) and not _is_empty(node)
    return str(node.value).encode("utf-8", "replace").decode("utf-8") if is_text else ""


def _texts(node: yaml.Node) -> tuple[str, ...] | None:
    """A list of scalars as it is written, or None for anything else."""
    if not isinstance(node, yaml.SequenceNode) or not all(isinstance(item, yaml.ScalarNode) for item in node.value):
        return None
    return tuple(_text(item) for item in node.value)


def _setting(node: yaml.Node, kind: Any, bounds: Mapping[str, Any]) -> tuple[Any, str]:
    """A setting's value in the type of its field, or the rule that it breaks."""
    if typing.get_origin(kind) is tuple:
        texts = _texts(node)
        return texts, "" if texts is not None and all(texts) else "is not a list such as [one, two]."
    text = _text(node)
    if not text:
        return None, "has no value; write one or delete the line."
    if kind is str:
        return text, ""
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


def _figure(bound: float | None) -> str:
    return "any" if bound is None else f"{bound:.15g}"
