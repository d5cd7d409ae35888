"""Read config.yaml: the targets, what scan folders declare, and the settings, each held against the bounds of its field."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from meshtools.config_nodes import CONFIG_FILE, Entries, NodeReader, text_of, texts_of
from meshtools.config_routes import read_machines, read_materials, read_routes
from meshtools.errors import Problem, TablesError
from meshtools.files.tables import read_text
from meshtools.links import leads_out
from meshtools.model import EvidenceClass, Target, Unit
from meshtools.register_cells import LINK_RULE, SLUG, nearest, number_of
from meshtools.settings import Settings
from meshtools.settings_ready import ROUTES

GROUP_SECTIONS = ("class_order", "allometry", "machines", "routes", "materials")  # these map names of the batch's own
STAGE_SECTIONS = tuple(f.name for f in dataclasses.fields(Settings) if f.name not in GROUP_SECTIONS)
SECTIONS = ("targets", "scans", *GROUP_SECTIONS, *STAGE_SECTIONS)
ORDERED_CLASSES = tuple(c.value for c in EvidenceClass if c not in (EvidenceClass.FILL, EvidenceClass.MADE))
LARGEST_SIZE_FACTOR = 100.0
LEAST_EXPONENT, LARGEST_EXPONENT = 0.5, 2.0  # proposed bounds: beyond them a digit was mistaken
MOST_CONFIG_SIGNS = 1 << 18  # a hundred times what a batch needs


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


def folder_of(scan: str, folders: Sequence[ScanFolder]) -> ScanFolder | None:
    """The innermost of the folders that holds a scan (path relative to the batch); None where none does."""
    return max((folder for folder in folders if scan.startswith(folder.folder + "/")), key=lambda folder: len(folder.folder), default=None)


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
    stages = {name: reader.stage(sections, name) for name in STAGE_SECTIONS}
    machines = read_machines(reader, sections, {route: stages[route] for route in ROUTES})
    settings = Settings(
        **stages, class_order=reader.class_order(sections), allometry=reader.allometry(sections), machines=machines,
        routes=read_routes(reader, sections, machines), materials=read_materials(reader, sections),
    )  # fmt: skip
    return ConfigFile(reader.targets(sections), reader.folders(sections), settings, reader.rows)


class _Reader(NodeReader):
    """Reads the sections of config.yaml."""

    def stage(self, sections: Entries, name: str) -> Any:
        """The settings dataclass of one stage, with defaults for what is absent or wrong."""
        shape: Any = type(getattr(Settings(), name))
        names = tuple(field.name for field in dataclasses.fields(shape))
        row, node = sections.get(name, (None, None))
        entries = self.entries(node, name, names)
        settings = shape(**self.fields(entries, name, shape))
        self.contradictions(settings, entries, (name, row))
        return settings

    def class_order(self, sections: Entries) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Group -> order of classes, `default` first, then by name; the built-in default where the file has none."""
        order = dict(Settings().class_order)
        for group, (row, node) in self.entries(sections.get("class_order", (0, None))[1], "class_order", None).items():
            column, codes = f"class_order.{group}", texts_of(node)
            self.rows[column] = row
            wrong = [code for code in codes or () if code not in ORDERED_CLASSES]
            for code in wrong:
                self.problem(row, column, code, f"is not one of {', '.join(ORDERED_CLASSES)}.", nearest(code, ORDERED_CLASSES))
            if not codes or len(set(codes)) != len(codes):
                self.problem(row, column, text_of(node), "is not a list of different class codes such as [OWN, OWN-R, DON].")
            elif not wrong:
                order[group] = codes
        return tuple(sorted(order.items(), key=lambda item: (item[0] != "default", item[0])))

    def allometry(self, sections: Entries) -> tuple[tuple[str, float], ...]:
        """Group -> allometric exponent, by name."""
        exponents: dict[str, float] = {}
        for group, (row, node) in self.entries(sections.get("allometry", (0, None))[1], "allometry", None).items():
            column = f"allometry.{group}"
            self.rows[column] = row
            number, rule = number_of(text_of(node))
            if number is None or not LEAST_EXPONENT <= number <= LARGEST_EXPONENT:
                rule = rule or f"is not an exponent from {LEAST_EXPONENT:g} to {LARGEST_EXPONENT:g}."
                self.problem(row, column, text_of(node), rule)
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
            texts = {key: text_of(value).strip() for key, (_, value) in keys.items()}
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
            texts = {key: text_of(value).strip() for key, (_, value) in keys.items()}
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
