"""Loads loops that are kept as machine code without what only a compiler needs: a third of the time that they all take.

numba learns everything it can translate before it loads the first loop, and reads of each the form that other loops could take in. Both are left
until something is compiled. And it keeps them in turn. No part of numba's interface: 0.68 with llvmlite 0.50 can be spared it, any other version
loads and keeps in its own way.
"""

from __future__ import annotations

import fcntl
from contextlib import ExitStack, suppress
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

KNOWN = "0.68.", "0.50."


@cache
def load_lightly() -> None:
    """From here on numba loads loops so."""
    if is_known():
        _spare_lock_calls()
        _spare_registries()
        _spare_forms()
        _keep_in_turn()


def is_known() -> bool:
    """Whether these versions of numba and llvmlite are the ones that this was written for."""
    import llvmlite  # type: ignore[import-untyped]
    import numba

    return bool(numba.__version__.startswith(KNOWN[0]) and llvmlite.__version__.startswith(KNOWN[1]))


def _keep_in_turn() -> None:
    """Let one process at a time keep machine code in a folder. Two that kept a loop at once, each for another kind of array, gave both the same file:
    one kind could be listed with the code of the other. The code is written before the list that names it."""
    from numba.core.caching import IndexDataCacheFile

    files: Any = IndexDataCacheFile

    def save(self: Any, key: Any, data: Any) -> None:
        with ExitStack() as stack:
            with suppress(OSError):  # a folder without locks, or a lock of another user's: it goes without
                fcntl.flock(stack.enter_context(open(Path(self._cache_path, "turn"), "wb")), fcntl.LOCK_EX)
            _keep(self, key, data)

    files.save = save


def _keep(files: Any, key: Any, data: Any) -> None:
    kept = files._load_index()
    taken = set(kept.values())
    name = kept.get(key) or next(name for name in map(files._data_name, count(1)) if name not in taken)
    files._save_data(name, data)
    files._save_index(kept | {key: name})


def _spare_lock_calls() -> None:
    """Take away numba's events at each taking and release of LLVM's lock, to which nobody listens: thousands of them."""
    from llvmlite.binding import ffi  # type: ignore[import-untyped]

    ffi.lib._lock._cblist.clear()


def _spare_registries() -> None:
    """Load a kept loop without the lists of what can be translated; the compiler looks them up itself."""
    from numba.core import caching
    from numba.core.runtime.nrt import rtsys

    kept: Any = caching.Cache

    def load_overload(self: Any, signature: Any, context: Any) -> Any:
        rtsys.initialize(context)
        with self._guard_against_spurious_io_errors():
            return self._load_overload(signature, context)

    kept.load_overload = load_overload


def _spare_forms() -> None:
    """Keep the form of a loaded loop that others take in unread until one does. Symbols of a loop are known from that form: without it, the only one
    that is asked for is that of its own entry."""
    from llvmlite.binding import parse_bitcode
    from numba.core import codegen as numba_codegen

    kept: Any = numba_codegen.JITCodeLibrary
    load, link, point = kept._unserialize.__func__, kept._get_module_for_linking, kept.get_pointer_to_function

    def unserialize(cls: Any, codegen: Any, state: Any) -> Any:
        name, kind, data = state
        if kind != "object":
            return load(cls, codegen, state)
        library = codegen.create_library(name)
        library.enable_object_caching()
        library._set_compiled_object(data[0])
        library._shared_module = data[1]
        library._finalize_final_module()
        return library

    def module_for_linking(self: Any) -> Any:
        if isinstance(self._shared_module, bytes):
            self._shared_module = parse_bitcode(self._shared_module)
            self._codegen._engine._load_defined_symbols(self._shared_module)
        return link(self)

    def pointer_to_function(self: Any, name: str) -> Any:
        if isinstance(self._shared_module, bytes):
            self._codegen._engine._defined_symbols.add(name)
        return point(self, name)

    kept._unserialize = classmethod(unserialize)
    kept._get_module_for_linking = module_for_linking
    kept.get_pointer_to_function = pointer_to_function
