"""Starts Snakemake without its libraries for databases and for reports (python -m meshtools.light_snakemake ARGUMENTS OF SNAKEMAKE).

Those for databases take half of the time that loading it takes, and what it remembers lies in files. Stand-ins of a few lines give the record of a
file its fields. Those for reports of its own, which no build asks for, take a sixth of the rest. No part of snakemake's interface: 9.27 can be
started so, and a version that asks more of those libraries gets the libraries themselves.
"""

from __future__ import annotations

import sys
from collections.abc import ItemsView, KeysView
from contextlib import suppress
from importlib import import_module
from types import ModuleType
from typing import Any

FILES_ONLY = ("--persistence-backend", "file")  # whatever a profile says
STANDING_IN = ("sqlalchemy", "sqlmodel")
TEMPLATES = "yte"
REPORTS, REPORT_PAGES = "snakemake.report", "snakemake.report.html_reporter"
RECORDS, DATABASE = "snakemake.persistence", "snakemake.persistence.db"


class Fields:
    """Values by name, each with a default, as a class states them in its body: what snakemake writes of a file."""

    def __init__(self, **values: Any) -> None:
        for name in self.__annotations__:
            default = getattr(type(self), name)
            setattr(self, name, values[name] if name in values else default() if callable(default) else default)

    @classmethod
    def model_validate(cls, values: dict[str, Any]) -> Fields:
        """The same from a dict; names that are no fields are passed over."""
        return cls(**values)

    def model_dump(self) -> dict[str, Any]:
        """The fields in the order of the class."""
        return {name: getattr(self, name) for name in self.__annotations__}

    def keys(self) -> KeysView[str]:
        """Names of the fields."""
        return self.model_dump().keys()

    def items(self) -> ItemsView[str, Any]:
        """Fields and values."""
        return self.model_dump().items()


def _default_of(default: Any = None, default_factory: Any = None, sa_column: Any = None) -> Any:
    """What a field of `Fields` is unless it is stated."""
    return default if default_factory is None else default_factory


def spare_databases() -> bool:
    """Load snakemake's memory of files with stand-ins for its libraries for databases, which are taken away again. False where this version asks for
    more than they have: then nothing of it is loaded."""
    stand_ins = {name: ModuleType(name) for name in (*STANDING_IN, DATABASE)}
    stand_ins["sqlalchemy"].__dict__.update(Column=lambda *_: None, JSON=None)
    stand_ins["sqlmodel"].__dict__.update(SQLModel=Fields, Field=_default_of)
    stand_ins[DATABASE].__dict__.update(DbPersistence=None)
    sys.modules.update(stand_ins)
    try:
        record = import_module(RECORDS).MetadataRecord
        is_enough = dict(record(rule="one").items()) == dict(record.model_validate({"rule": "one", "unknown": 1}).items())
    except (ImportError, AttributeError, TypeError):
        is_enough = False
    for name in STANDING_IN if is_enough else [name for name in sys.modules if name in STANDING_IN or name.partition(".")[0] == "snakemake"]:
        del sys.modules[name]
    return is_enough


def spare_reports() -> bool:
    """Load what snakemake makes its own reports by with stand-ins for the libraries that read and fill in their texts, which are taken away again.
    False where this version asks for more than they have: then nothing of it is loaded."""
    stand_ins = _for_reports()
    spared = {name: module for name, module in stand_ins.items() if name not in sys.modules}
    sys.modules.update(spared)
    try:
        import_module(REPORT_PAGES)
    except (ImportError, AttributeError, TypeError):
        is_enough = False
    else:
        is_enough = True
    for name in [*spared, *([] if is_enough else [name for name in sys.modules if name == REPORTS or name.startswith(f"{REPORTS}.")])]:
        del sys.modules[name]
    return is_enough


def _for_reports() -> dict[str, ModuleType]:
    """Stand-ins by name: packages of nothing but what snakemake takes out of them."""
    rst = "docutils.parsers.rst"
    names = ("docutils", "docutils.core", "docutils.parsers", rst, f"{rst}.directives", f"{rst}.directives.images", "jinja2")
    stand_ins = {name: ModuleType(name) for name in names}
    stand_ins["docutils.core"].__dict__.update(publish_file=None, publish_parts=None)
    stand_ins[rst].__dict__.update(directives=stand_ins[f"{rst}.directives"])
    stand_ins[f"{rst}.directives"].__dict__.update(register_directive=lambda *_: None)
    stand_ins[f"{rst}.directives.images"].__dict__.update(Image=type("Image", (), {}), Figure=type("Figure", (), {}))
    stand_ins["jinja2"].__dict__.update(Environment=None, PackageLoader=None)
    return stand_ins


def spare_numbers() -> None:
    """Load what reads templates without numpy, whose arrays it would know if it were there: no configuration holds any."""
    if "numpy" not in sys.modules:
        sys.modules["numpy"] = None  # type: ignore[assignment]
        with suppress(ImportError):
            import_module(TEMPLATES)
        del sys.modules["numpy"]


def main() -> None:
    """Start it."""
    if spare_databases():
        sys.argv[1:1] = FILES_ONLY
    spare_numbers()
    spare_reports()
    import_module("snakemake.cli").main()


if __name__ == "__main__":
    main()
