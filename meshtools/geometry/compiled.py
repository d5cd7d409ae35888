"""Loops over millions of faces, compiled to machine code when they are first used (numba; kept beside the bytecode for the next process)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """The function as machine code. Without fast-math, so that results are those of IEEE arithmetic in the order written."""
    import numba

    return cast(F, numba.njit(cache=True, nogil=True)(function))
