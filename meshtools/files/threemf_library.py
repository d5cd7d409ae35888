"""The 3MF library, loaded once in a process: looking up its functions takes longer than writing a small part."""

from __future__ import annotations

import ctypes
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


def filled(body: Any, what: str, kind: Any, count: int) -> Any:
    """So many entries of a mesh, vertices or triangles, in one buffer. The library's own wrapper makes a Python object of each, which takes longer
    than reading the file."""
    buffer = (kind * count)()
    get = getattr(body._wrapper.lib, f"lib3mf_meshobject_{what}")
    body._wrapper.checkError(body, get(body._handle, ctypes.c_uint64(count), ctypes.c_uint64(), buffer))
    return memoryview(buffer)
