"""The 3MF library, loaded once in a process: looking up its functions takes longer than writing a small part."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import IO, Any


@cache
def threemf_library() -> Any:
    """The wrapper that makes models. It keeps nothing of one model for the next."""
    import lib3mf

    return lib3mf.get_wrapper()


@contextmanager
def file_in_memory() -> Iterator[tuple[IO[bytes], str]]:
    """A file that is on no disk, and the path by which the library reads or writes it (Linux). Its buffers go byte by byte through lists."""
    with os.fdopen(os.memfd_create("part"), "w+b") as stream:
        yield stream, f"/proc/self/fd/{stream.fileno()}"
