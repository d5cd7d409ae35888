"""Loads the libraries of a worker without what they take along and nobody asks for: a seventh of the time that loading them takes.

Stand-ins are there only while the libraries are loaded; whoever asks afterwards gets the thing itself. No part of scipy's interface: 1.17 can be
spared it, and a version that is made otherwise loads all it wants.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from importlib import import_module
from types import ModuleType
from typing import Any

LEFT_FOR_LATER = ("scipy.ndimage", "scipy.optimize")
STARRED, STANDING_IN = "scipy._lib.array_api_compat.numpy", ("ctypeslib", "f2py", "polynomial", "testing")
DOCUMENTING, DOCUMENTATION = "scipy._lib._array_api", "FunctionDoc"


class Undocumented(dict[str, list[str]]):
    """What is known of a function that is not read: no notes."""

    def __init__(self, function: object) -> None:
        super().__init__(Notes=[])

    def __str__(self) -> str:
        return "\n"


@contextlib.contextmanager
def spared_imports() -> Iterator[None]:
    """Let scipy and trimesh be loaded without what they take where they find it and nobody asks them for. networkx stays away, as it does wherever
    the package is installed without what only its tests need: it takes as long as numpy. The others are there again afterwards, for moulds and
    tubes."""
    _spare_submodules()
    sys.modules.setdefault("networkx", None)  # type: ignore[arg-type]
    away = [name for name in LEFT_FOR_LATER if name not in sys.modules]
    sys.modules.update(dict.fromkeys(away))  # type: ignore[arg-type]
    try:
        with _unread():
            yield
    finally:
        for name in away:
            del sys.modules[name]


def _spare_submodules() -> None:
    """Load the module of scipy that takes in all names of numpy, and so each of its submodules, a translator of Fortran and the tools of tests among
    them."""
    import numpy

    names = [name for name in STANDING_IN if f"numpy.{name}" not in sys.modules]
    for name in names:
        sys.modules[f"numpy.{name}"] = stand_in = ModuleType(f"numpy.{name}")
        setattr(numpy, name, stand_in)
    try:
        starred: Any = import_module(STARRED)
    except (ImportError, AttributeError):
        starred = None
    for name in names:
        del sys.modules[f"numpy.{name}"]
        delattr(numpy, name)
        vars(starred).pop(name, None) if starred else None


@contextlib.contextmanager
def _unread() -> Iterator[None]:
    """Leave the documentation of functions unread, into which scipy writes what kinds of arrays each takes."""
    try:
        module: Any = import_module(DOCUMENTING)
        read = getattr(module, DOCUMENTATION)
    except (ImportError, AttributeError):
        yield
        return
    setattr(module, DOCUMENTATION, Undocumented)
    try:
        yield
    finally:
        setattr(module, DOCUMENTATION, read)
