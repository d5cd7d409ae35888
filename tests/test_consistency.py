"""What keeps the house in order: import directions, documented commands, small functions, no broad excepts."""

from __future__ import annotations

import argparse
import ast
from pathlib import Path

import pytest

from meshtools.cli import build_parser

ROOT = Path(__file__).resolve().parent.parent
MODULES = sorted((ROOT / "meshtools").rglob("*.py"))

# a layer may import its own and lower ones
LAYERS = {
    "errors": 0, "units": 0, "bounds": 0, "counted": 0, "table_lines": 0, "visible": 0, "usable": 0, "links": 0, "split_numbers": 0,
    "settings": 1, "model": 2, "plain": 3, "keys": 3, "batch_lock": 3, "machine_memory": 3, "fence": 4, "answer": 3, "geometry": 4, "files": 4,
    "register": 5, "size_checks": 6, "settings_file": 5, "config_nodes": 5, "config_routes": 5,
    "tolerances": 0, "finding_codes": 0, "routing": 3, "material_use": 3, "route_advice": 3, "receiving": 6, "route_jobs": 8,
    "factor": 5, "scale": 5, "completeness": 5, "plan": 6, "comparisons": 6, "same_scans": 6, "size_pairs": 6, "guides": 6, "joints": 6,
    "placing": 6, "fixing": 7,
    "carving": 5, "stages": 5, "report": 5, "jobs": 7, "handover": 7, "evidence": 4, "worklist": 8, "job_limits": 9, "lots": 9, "workspace": 9,
    "record_places": 3, "spared_imports": 0, "worker": 9, "run_job": 9, "stale": 8, "glue": 10, "start_build": 10, "light_snakemake": 10,
    "intake": 10, "cleaned_find": 10, "sizing": 10, "size_findings": 10, "verifying": 10, "assembling": 10,
    "commands": 11, "cli": 12,
}  # fmt: skip


def layer_of(module: str) -> int:
    """Layer of `meshtools.<name>...`; register_rows counts as register."""
    head = module.split(".")[1] if "." in module else "errors"
    for name in (head, head.split("_")[0]):
        if name in LAYERS:
            return LAYERS[name]
    raise AssertionError(f"{module} has no layer: say where it belongs")


def imports_of(path: Path) -> set[str]:
    """Names of the meshtools modules that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("meshtools."):
            found.add(node.module)
        elif isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names if alias.name.startswith("meshtools."))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_module_imports_only_its_own_layer_and_lower_ones(path: Path) -> None:
    own = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    wrong = {name for name in imports_of(path) if own.count(".") and layer_of(name) > layer_of(own)}
    assert wrong == set()


def test_geometry_knows_neither_files_nor_stages() -> None:
    for path in (ROOT / "meshtools" / "geometry").glob("*.py"):
        assert not {name for name in imports_of(path) if name.split(".")[1] in ("files", "stages", "jobs", "report")}, path.name


def test_no_stage_imports_another() -> None:
    for path in (ROOT / "meshtools" / "stages").glob("*.py"):
        assert not {name for name in imports_of(path) if name.startswith("meshtools.stages")}, path.name


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_functions_stay_below_60_lines_and_modules_below_400(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            docstring = ast.get_docstring(node, clean=False)
            n_lines = node.end_lineno - node.lineno + 1 - (docstring.count("\n") + 1 if docstring else 0)  # type: ignore[operator]
            assert n_lines <= 60, f"{node.name}: {n_lines} lines"


def commands() -> list[str]:
    action = next(a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    return sorted(action.choices)


@pytest.mark.parametrize("command", commands())
def test_every_command_is_documented(command: str) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"bonewright {command}" in text


def test_the_command_line_never_imports_snakemake() -> None:
    import subprocess
    import sys

    code = "import sys, meshtools.cli, meshtools.commands_batch, meshtools.commands_file, meshtools.start_build; print('snakemake' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=True).stdout.strip() == "False"


def test_no_file_names_a_path_of_one_machine_or_a_registry_host() -> None:
    hosts = ("pypi" + ".org", "registry.npm" + "js", "deb.deb" + "ian", "pythonhosted" + ".org")
    paths = [*ROOT.glob("*.*"), *(ROOT / "setup").glob("*"), *(ROOT / "viewer").glob("*.*"), *MODULES]
    for path in (path for path in paths if path.is_file()):
        text = path.read_text(encoding="utf-8", errors="ignore")
        assert not any(host in text for host in hosts), path.name
