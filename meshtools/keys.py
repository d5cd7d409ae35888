"""Keys that say whether a job's work is still valid: content hashes of files, digests of code, versions of libraries."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import os
import stat
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from meshtools.links import leads_out
from meshtools.visible import visible

PACKAGE_DIR = Path(__file__).resolve().parent
UNREADABLE = "unreadable"
END_OF_MEMORY = "."
COMPANION_SUFFIXES = (".mtl", ".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp")
LIBRARIES = (
    "ezdxf", "fast-simplification", "lib3mf", "libigl", "manifold3d", "numba", "numpy", "open3d-cpu", "pillow", "pymeshlab", "scipy", "shapely",
    "trimesh", "typst", "zlib-ng",
)  # fmt: skip
ALSO_AS = {"open3d-cpu": "open3d"}  # the same library with what a graphics card would need

_SORTED = json.JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False)


def sha256_of(value: Any) -> str:
    """Hash of a plain value (dicts, lists, strings, numbers) that does not depend on the order of keys."""
    return hashlib.sha256(_SORTED.encode(value).encode()).hexdigest()


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class ContentHashes:
    """Hashes of files by content, remembered by path, size, modification and change time and inode.

    Any difference in those means that the file is hashed again. `remembered` is the plain dict that `save` wrote last.
    """

    def __init__(self, root: Path, remembered: Mapping[str, Any] | None = None) -> None:
        self._root = root
        self._remembered: dict[str, Any] = dict(remembered or {})
        self._folders: dict[Path, bool] = {}
        self.changed = False

    def of(self, relative_path: str) -> str | None:
        """Hash of a file below the root, or None where there is no such file."""
        path = self._root / relative_path
        try:
            status = path.stat()
        except OSError:  # missing, or a loop of links, or not for this user: the job that reads it says which
            return None
        if not stat.S_ISREG(status.st_mode) or self._leads_out(path):
            return None
        fingerprint = _fingerprint(status)
        known = self._remembered.get(relative_path)
        if known and known[0] == fingerprint:
            return str(known[1])
        try:
            digest = hash_file(path)
        except OSError:
            return UNREADABLE
        self._remembered[relative_path] = [fingerprint, digest]
        self.changed = True
        return digest

    def take_over(self, relative_path: str, digest: str, before_ns: int) -> None:
        """Remember the hash that a record states of a file below the root, without reading the file: nothing has changed it since the record was
        written at `before_ns` (the kernel's time of change, which no program can set). A file that was changed later is hashed."""
        try:
            status = os.lstat(self._root / relative_path)
        except OSError:
            return
        if stat.S_ISREG(status.st_mode) and status.st_ctime_ns < before_ns:
            self._remembered[relative_path] = [_fingerprint(status), digest]
            self.changed = True
        else:
            self.of(relative_path)

    def measured(self, relative_path: str, measure: Callable[[Path], list[int]]) -> list[int] | None:
        """What `measure` finds at a file below the root, remembered with its hash. None where there is no such file, or where
        the machine fails for the moment (`measure` raises OSError): that is not remembered."""
        if self.of(relative_path) in (None, UNREADABLE):
            return None
        known = self._remembered[relative_path]
        if len(known) < 3:
            try:
                known.append(measure(self._root / relative_path))
            except OSError:
                return None
            self.changed = True
        return list(known[2])

    def _leads_out(self, path: Path) -> bool:
        """As links.leads_out, asked once a folder where the file itself is no link."""
        if path.is_symlink():
            return leads_out(self._root, path)
        if path.parent not in self._folders:
            self._folders[path.parent] = leads_out(self._root, path.parent)
        return self._folders[path.parent]

    def companions(self, scan: str) -> dict[str, str | None]:
        """Hashes of the files that may carry the colour of an OBJ scan: materials and pictures in its folder. Empty for other formats."""
        if not scan.lower().endswith(".obj"):
            return {}
        folder = (self._root / scan).parent
        paths = sorted(path for path in folder.glob("*") if path.suffix.lower() in COMPANION_SUFFIXES and path.name == visible(path.name))
        return {path.relative_to(self._root).as_posix(): self.of(path.relative_to(self._root).as_posix()) for path in paths}

    def to_json(self) -> bytes:
        """What to keep for the next run."""
        return json.dumps(self._remembered, sort_keys=True).encode()


def _fingerprint(status: os.stat_result) -> list[int]:
    return [status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino]


def _without_docstrings(tree: ast.Module) -> ast.Module:
    for node in ast.walk(tree):
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)) and ast.get_docstring(node) is not None:
            node.body = node.body[1:] or [ast.Pass()]
    return tree


@cache
def _module_digest(name: str) -> tuple[str, tuple[str, ...]]:
    """Digest of one module's syntax tree and the names of the meshtools modules it imports."""
    path = PACKAGE_DIR.joinpath(*name.split(".")[1:])
    path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    source = path.read_bytes()
    remembered = Path(importlib.util.cache_from_source(str(path))).with_suffix(".tree")
    fingerprint = hashlib.sha256(source + _own_source() + sys.version.encode()).hexdigest()
    try:
        lines = remembered.read_text(encoding="utf-8").split()
    except (OSError, ValueError):
        lines = []
    if lines[:1] != [fingerprint] or lines[-1:] != [END_OF_MEMORY]:
        lines = [fingerprint, *_digest_of_source(source), END_OF_MEMORY]
        _remember(remembered, "\n".join(lines))
    return lines[1], tuple(n for n in lines[2:-1] if _is_module(n))


@cache
def _own_source() -> bytes:
    """This module: what it remembers of others hangs on how it reads them."""
    return Path(__file__).read_bytes()


def _remember(path: Path, text: str) -> None:
    """Keep a digest beside the bytecode. As with bytecode, it only saves time: where it cannot be written it is left out."""
    if sys.dont_write_bytecode:
        return
    unfinished = path.with_name(f"{path.name}.{os.getpid()}")
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished.write_text(text, encoding="utf-8")
        unfinished.replace(path)


def _digest_of_source(source: bytes) -> list[str]:
    """The digest of a module's syntax tree, and every name of meshtools that it imports, be it a module or not."""
    tree = ast.parse(source)
    imported: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imported.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            imported.add(node.module)
            imported.update(f"{node.module}.{alias.name}" for alias in node.names)
    names = sorted(n for n in imported if n.split(".")[0] == "meshtools" and n.split(".")[-1] != "*")
    return [hashlib.sha256(ast.dump(_without_docstrings(tree)).encode()).hexdigest(), *names]


@cache
def _is_module(name: str) -> bool:
    path = PACKAGE_DIR.joinpath(*name.split(".")[1:])
    return path.with_suffix(".py").is_file() or (path / "__init__.py").is_file()


def _assets_digest() -> str:
    folder = PACKAGE_DIR / "report" / "assets"
    return sha256_of({path.name: hash_file(path) for path in sorted(folder.glob("*")) if path.is_file()})


@cache
def code_digest(module: str) -> str:
    """Digest of the code a job runs: the syntax trees, without docstrings, of `module` and of every meshtools module that it
    imports, directly or not, and the versions of the libraries. Comments and docstrings do not count."""
    seen: dict[str, str] = {}
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name not in seen:
            seen[name], imported = _module_digest(name)
            waiting.extend(imported)
    assets = _assets_digest() if any(name.startswith("meshtools.report") for name in seen) else ""
    return sha256_of([seen, library_versions(), assets])


def sealed(stage: str, name: str, job: dict[str, Any]) -> dict[str, Any]:
    """A job with its key: the hash of what it depends on and of the code it runs."""
    return {"stage": stage, "name": name, "key": sha256_of([stage, job, code_digest(f"meshtools.jobs.{stage}")])} | job


@cache
def library_versions() -> tuple[str, ...]:
    """Name and version of each library whose results end up in files."""
    return tuple(f"{name}=={_version(name)}" for name in LIBRARIES)


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return metadata.version(ALSO_AS.get(name, name))
