"""The 3MF library, loaded once in a process: looking up its functions takes longer than writing a small part."""

from __future__ import annotations

from functools import cache
from typing import Any


@cache
def threemf_library() -> Any:
    """The wrapper that makes models. It keeps nothing of one model for the next."""
    import lib3mf

    return lib3mf.get_wrapper()
